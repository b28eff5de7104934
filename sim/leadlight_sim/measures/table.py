"""A rehearsal's figures in words and columns, for the terminal and for the page alike."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from leadlight_sim.measures.scores import FollowerScore, worst_first
from leadlight_sim.telling import NOTHING, as_ms, as_seconds, as_share


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
    Column("distance, 95 %", "its light is this close to the music 95 % of the time", lambda s: as_ms(s.light_ms.p95)),
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

GIVEN_UP_FIRST: Sequence[str] = (
    "pixels", "clock, 95 %", "joined", "jumps", "back", "usual distance", "latest beacon, 95 %"
)  # fmt: skip
"""What a terminal without room for them leaves out, by heading, the first of them first."""


def rows(followers: Sequence[FollowerScore], columns: Sequence[Column] = COLUMNS) -> list[list[str]]:
    """Return the table's cells, the worst piece first."""
    return [[column.cell(score) for column in columns] for score in worst_first(followers)]
