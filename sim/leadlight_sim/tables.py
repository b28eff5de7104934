"""A rehearsal's figures in words and columns, for the terminal and for the page alike."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from leadlight_sim.measures import FollowerScore, worst_first

NOTHING = "–"
"""Stands where nothing was measured."""


def as_time(value_ms: float) -> str:
    """Return a span given in ms, in the unit that reads best; a dash for NaN."""
    if math.isnan(value_ms):
        return NOTHING
    size = abs(value_ms)
    if size < 0.0995:
        return f"{value_ms * 1000:.0f} µs"
    if size < 9.995:
        return f"{value_ms:.2f} ms"
    if size < 99.95:
        return f"{value_ms:.1f} ms"
    if size < 999.5:
        return f"{value_ms:.0f} ms"
    return f"{value_ms / 1000:.2f} s" if size < 99_995 else f"{value_ms / 1000:.0f} s"


def as_ms(value_ms: float) -> str:
    """Return a span in ms whatever its size, for a column that is read downwards; a dash for NaN."""
    if math.isnan(value_ms):
        return NOTHING
    size = abs(value_ms)
    digits = 3 if size < 0.00995 else 2 if size < 9.995 else 1 if size < 99.95 else 0
    return f"{value_ms:,.{digits}f} ms" if size else "0 ms"


def as_times(times: float) -> str:
    """Return how many times as much, with two significant digits: more would promise too much."""
    return f"{round(times, 1 - math.floor(math.log10(times))):,g}"


def as_share(share: float) -> str:
    """Return a share of one as a percentage that does not round a rare thing away; a dash for NaN."""
    if math.isnan(share):
        return NOTHING
    percent = 100 * share
    if 0 < percent < 0.1:
        return f"{percent:.1g} %"
    return f"{percent:.1f} %" if percent < 9.95 else f"{percent:,.0f} %"


def as_seconds(value_s: float | None) -> str:
    """Return a wait given in s; "never" for ``None``."""
    if value_s is None:
        return "never"
    return "at once" if value_s == 0 else f"{value_s:.2f} s" if value_s < 9.995 else f"{value_s:.0f} s"


def keep_units(text: str) -> str:
    """Return a page's text in which no line breaks between a number and its unit."""
    return re.sub(r"(?<=\d) (?=(?:%|ms\b|µs\b|s\b))", "\N{NO-BREAK SPACE}", text)


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its heading, what the heading means, and what stands in it."""

    heading: str
    meaning: str
    cell: Callable[[FollowerScore], str]
    is_number: bool = True
    page_only: bool = False
    """A terminal has no room for all of them."""

    @property
    def heading_lines(self) -> list[str]:
        """The heading in lines, for a terminal."""
        return re.split(r" (?!%)", self.heading)


def _back(score: FollowerScore) -> str:
    return ", ".join(map(as_seconds, score.rejoin_s)) or NOTHING


COLUMNS: Sequence[Column] = (
    Column("piece", "what one board lights", lambda score: score.name, is_number=False),
    Column("pixels", "how many it lights", lambda score: f"{score.pixels:,}"),
    Column("usual distance", "its light is this close to the music half the time", lambda s: as_ms(s.light_ms.p50)),
    Column(
        "distance, 95 %", "its light is this close to the music 95 % of the time", lambda s: as_ms(s.light_ms.p95)
    ),
    Column(
        "furthest",
        "its light was never further from the music than this, from when it is scored",
        lambda s: as_ms(s.light_ms.max),
    ),
    Column(
        "clock, 95 %",
        "its clock is this close to the leader's 95 % of the time, lit or not; light adds what its playhead corrects "
        "and how late its player wakes for a frame",
        lambda s: as_ms(s.error_ms.p95),
    ),
    Column(
        "latest beacon, 95 %",
        "95 % of the time, the light of a board that believed the latest beacon would be this close",
        lambda s: as_ms(s.naive_light_ms.p95),
    ),
    Column(
        "wrong frame",
        "share of time in which another frame showed than was due, or none",
        lambda s: as_share(s.wrong_frame_share),
    ),
    Column(
        "dark",
        "share of time in which it had power and showed nothing though a show was on",
        lambda s: as_share(s.dark_share),
        page_only=True,
    ),
    Column("joined", "from its first beacon until it was right", lambda s: as_seconds(s.join_s)),
    Column("back", "the same after each power cut", _back),
    Column("jumps", "steps of a frame or more that can be seen", lambda s: str(s.visible_steps)),
    Column(
        "latest cue",
        "how late the latest cue took effect here",
        lambda s: "missed" if s.missed_cues else as_ms(s.cue_lateness_ms),
        page_only=True,
    ),
    Column("beacons lost", "beacons it did not hear", lambda s: as_share(s.beacon_loss), page_only=True),
)


def rows(followers: Sequence[FollowerScore], columns: Sequence[Column] = COLUMNS) -> list[list[str]]:
    """Return the table's cells, the worst piece first."""
    return [[column.cell(score) for column in columns] for score in worst_first(followers)]
