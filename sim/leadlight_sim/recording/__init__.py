"""Recordings of a real network: delays read from files, whatever measured them, and what they tell of each way."""

from leadlight_sim.recording.clocks import Floats
from leadlight_sim.recording.observed import Flags, HostObserved, Observed, Way, observe
from leadlight_sim.recording.recordings import read_observed
