"""Telling: figures in words, lines on a terminal, and files that are written whole or not at all."""

from leadlight_sim.telling.saving import check_outputs, write_whole
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
    "check_outputs",
    "keep_units",
    "progress",
    "wrapped",
    "write_whole",
]
