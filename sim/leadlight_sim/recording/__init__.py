"""Recordings of a real network: delays read from files, whatever measured them, and what they tell of each way."""

from leadlight_sim.recording.clocks import ClockRelation, Floats, relate
from leadlight_sim.recording.observed import Flags, HostObserved, Observed, Way, observe
from leadlight_sim.recording.recordings import RecordingError, read_delays, read_observed

__all__ = [
    "ClockRelation",
    "Flags",
    "Floats",
    "HostObserved",
    "Observed",
    "RecordingError",
    "Way",
    "observe",
    "read_delays",
    "read_observed",
    "relate",
]
