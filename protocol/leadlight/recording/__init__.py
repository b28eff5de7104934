"""Recordings: probes that tell what a network does to packets, what sends and answers them, and the file of it all."""

from leadlight.recording.contents import GroupProbe, HostProbe, Load, Plan, RecordedHost, Recording
from leadlight.recording.reading import is_recording, parse_recording, read_recording
from leadlight.recording.records import Answered, Ended, Head, Paused, Record, Sent, Told, Unsent, to_line

__all__ = [
    "Answered",
    "Ended",
    "GroupProbe",
    "Head",
    "HostProbe",
    "Load",
    "Paused",
    "Plan",
    "Record",
    "RecordedHost",
    "Recording",
    "Sent",
    "Told",
    "Unsent",
    "is_recording",
    "parse_recording",
    "read_recording",
    "to_line",
]
