"""The timeline: the evening as one can move through it, frame by frame about each instant of note."""

from leadlight_sim.timeline.making import made, wanted_instants
from leadlight_sim.timeline.model import (
    BEACON_COLUMNS,
    MISSING,
    PACKET_COLUMNS,
    SPAN_COLUMNS,
    Cause,
    Mark,
    Timeline,
    TimelinePackets,
    TimelineSpans,
    TimelineWindow,
    WorstMoment,
)
from leadlight_sim.timeline.recorder import Recorder
