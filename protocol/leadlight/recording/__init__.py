"""Recordings: probes that tell what a network does to packets, what sends and answers them, and the file of it all."""

from leadlight.recording.airtime import BandShare, airtime_shares
from leadlight.recording.answerer import Answerer, AnswererEvent
from leadlight.recording.contents import GroupProbe, HostProbe, Load, Plan, RecordedHost, Recording
from leadlight.recording.prober import HOSTS_MAXIMUM, HostProgress, Phase, Prober, check_plan
from leadlight.recording.reading import is_recording, parse_recording, read_recording
from leadlight.recording.records import Answered, Ended, Head, Paused, Record, Sent, Told, Unsent, to_line

__all__ = [
    "HOSTS_MAXIMUM",
    "Answered",
    "Answerer",
    "AnswererEvent",
    "BandShare",
    "Ended",
    "GroupProbe",
    "Head",
    "HostProbe",
    "HostProgress",
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
    "airtime_shares",
    "check_plan",
    "is_recording",
    "parse_recording",
    "read_recording",
    "to_line",
]
