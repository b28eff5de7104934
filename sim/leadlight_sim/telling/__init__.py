"""Telling: figures in words, and lines on a terminal."""

from leadlight_sim.telling.tables import Heading, Sheet, console_of, print_sheet, print_table
from leadlight_sim.telling.terminal import as_typed, bar_on, progress, wrapped
from leadlight_sim.telling.words import NOTHING, as_ms, as_seconds, as_share, as_time, as_times, keep_units, possessive
