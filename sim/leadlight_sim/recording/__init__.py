"""Recordings of a real network: delays read from files, whatever measured them."""

from leadlight_sim.recording.recordings import read_recording

__all__ = ["read_recording"]
