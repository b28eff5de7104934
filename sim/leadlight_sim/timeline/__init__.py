"""The timeline: the evening as one can move through it, frame by frame about each instant of note."""

from leadlight_sim.timeline.making import made, wanted_instants
from leadlight_sim.timeline.model import (
    BEACON_COLUMNS,
    DARK,
    MISSING,
    NO_POWER,
    NOT_DUE,
    PACKET_COLUMNS,
    SHOWN,
    SPAN_COLUMNS,
    Cause,
    Counts,
    Mark,
    Timeline,
    TimelinePackets,
    TimelineSpans,
    TimelineWindow,
    WorstMoment,
    worst_to_json,
)
from leadlight_sim.timeline.recorder import BIN_NS, Recorder

__all__ = [
    "BEACON_COLUMNS",
    "BIN_NS",
    "DARK",
    "MISSING",
    "NOT_DUE",
    "NO_POWER",
    "PACKET_COLUMNS",
    "SHOWN",
    "SPAN_COLUMNS",
    "Cause",
    "Counts",
    "Mark",
    "Recorder",
    "Timeline",
    "TimelinePackets",
    "TimelineSpans",
    "TimelineWindow",
    "WorstMoment",
    "made",
    "wanted_instants",
    "worst_to_json",
]
