"""Telling: figures in words, and lines on a terminal."""

from leadlight_sim.telling.terminal import TABLE_WIDTH, as_typed, progress, wrapped
from leadlight_sim.telling.words import NOTHING, as_ms, as_seconds, as_share, as_time, as_times, keep_units

__all__ = [
    "NOTHING",
    "TABLE_WIDTH",
    "as_ms",
    "as_seconds",
    "as_share",
    "as_time",
    "as_times",
    "as_typed",
    "keep_units",
    "progress",
    "wrapped",
]
