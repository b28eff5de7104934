"""Telling: figures in words, and lines on a terminal."""

from leadlight_sim.telling.tables import Heading, Sheet, console_of, print_sheet, print_table
from leadlight_sim.telling.terminal import TABLE_WIDTH, as_typed, bar_on, progress, wrapped
from leadlight_sim.telling.words import NOTHING, as_ms, as_seconds, as_share, as_time, as_times, keep_units, possessive

__all__ = [
    "NOTHING",
    "TABLE_WIDTH",
    "Heading",
    "Sheet",
    "as_ms",
    "as_seconds",
    "as_share",
    "as_time",
    "as_times",
    "as_typed",
    "bar_on",
    "console_of",
    "keep_units",
    "possessive",
    "print_sheet",
    "print_table",
    "progress",
    "wrapped",
]
