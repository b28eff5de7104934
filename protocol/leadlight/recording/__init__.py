"""Recordings: probes that tell what a network does to packets, what sends and answers them, and the file of it all."""

from leadlight.recording.answerer import Answerer, AnswererEvent
from leadlight.recording.contents import GroupProbe, HostProbe, Load, Plan, RecordedHost, Recording
from leadlight.recording.prober import HOSTS_MAXIMUM, Phase, Prober, check_plan
from leadlight.recording.reading import is_recording, parse_recording, read_recording
from leadlight.recording.records import Answered, Ended, Head, Paused, Record, Sent, Told, Unsent, to_line

__all__ = [
    "HOSTS_MAXIMUM",
    "Answered",
    "Answerer",
    "AnswererEvent",
    "Ended",
    "GroupProbe",
    "Head",
    "HostProbe",
    "Load",
    "Paused",
    "Phase",
    "Plan",
    "Prober",
    "Record",
    "RecordedHost",
    "Recording",
    "Sent",
    "Told",
    "Unsent",
    "check_plan",
    "is_recording",
    "parse_recording",
    "read_recording",
    "to_line",
]
