"""A node's screen as text: what is in force on top, trouble and what to do about it below, then as much of its table
as there is room for.

Nothing is wider than the screen, nor higher than its rows less the one where the cursor stands: so the next picture can
take its place to the last character.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

from leadlight.commands.spool import Picture
from leadlight.commands.tables import apart, cut, fitted, wrapped
from leadlight.commands.telling import show_name
from leadlight.commands.troubles import Trouble
from leadlight.cue import Cue
from leadlight.evening import position_in_words, wait_in_words
from leadlight.terms import CueState
from leadlight.units import MICROSECOND, SECOND, LeaderInstant
from leadlight.wire import word

TABLE_LINES: Final = 3
"""So many lines of the table are shown whatever the trouble: its header, one row, and how many more there are."""


class InForce(NamedTuple):
    """What is in force and what comes next, at one instant: ``position_ns`` in the show, what remains, the next wait.

    What is not known is ``None``.
    """

    cue: Cue
    position_ns: int | None = None
    remaining_ns: int | None = None
    next_cue: Cue | None = None
    next_in_ns: int | None = None


def in_force(cue: Cue, next_cue: Cue | None, leader_now: LeaderInstant | None, lengths: Mapping[int, int]) -> InForce:
    """Return what is in force at ``leader_now``; ``lengths`` gives those of shows in ns, by key."""
    if leader_now is None:
        return InForce(cue, next_cue=next_cue)
    position_ns = cue.position_at(leader_now) if cue.state in (CueState.ROLLING, CueState.PAUSED) else None
    length_ns = lengths.get(cue.show)
    remaining_ns = None if position_ns is None or length_ns is None else length_ns - position_ns
    wait_ns = None if next_cue is None else next_cue.line.leader_at - leader_now
    return InForce(cue, position_ns, remaining_ns, next_cue, wait_ns)


def cue_lines(playing: InForce, shows: Mapping[int, str], wall_now: datetime.datetime, width: int) -> list[str]:
    """Return what is in force, and what comes next, in as many lines as that takes."""
    cue = playing.cue
    said = word(cue.state) if cue.state is CueState.DARK else f"{word(cue.state)} {show_name(cue.show, shows)}"
    if playing.position_ns is not None:
        said += f" at {position_in_words(max(playing.position_ns, 0))}"
    if playing.remaining_ns is not None:
        left_ns = -(-playing.remaining_ns // SECOND) * SECOND  # as the wait for what comes is rounded
        said += f", {position_in_words(left_ns)} to go" if left_ns > 0 else ", past its end"
    comes = f"next: {_coming(playing, shows, wall_now)}" if playing.next_cue is not None else "nothing comes next"
    together = f"{said}; {comes}"
    return [together] if len(together) <= width else [*wrapped(said, width), *wrapped(comes, width)]


def _coming(playing: InForce, shows: Mapping[int, str], wall_now: datetime.datetime) -> str:
    cue = playing.next_cue
    assert cue is not None
    said = word(cue.state) if cue.state is CueState.DARK else show_name(cue.show, shows)
    if cue.state is not CueState.DARK and (cue.state is not CueState.ROLLING or cue.line.position):
        said += f" {word(cue.state)} at {position_in_words(cue.line.position)}"
    if playing.next_in_ns is None:
        return said
    wait_ns = max(playing.next_in_ns, 0)
    at = wall_now + datetime.timedelta(microseconds=wait_ns // MICROSECOND)
    return f"{said} at {at:%H:%M:%S}, in {wait_in_words(-(-wait_ns // SECOND) * SECOND)}"


def trouble_lines(troubles: Sequence[Trouble], width: int, at_most: int) -> list[str]:
    """Return each trouble with whom it concerns and what to do, in ``at_most`` lines."""
    told = [wrapped(f"! {what}: {', '.join(names)}: {remedy}", width, "  ") for what, names, remedy in troubles]
    if sum(map(len, told)) > at_most:
        # One line each, before one of them is not told at all.
        told = [[cut(f"! {what}: {', '.join(names)}", width)] for what, names, _ in troubles]
    lines = [line for one in told for line in one]
    if len(lines) > at_most:
        more = len(lines) - at_most + 1
        lines[at_most - 1 :] = [f"! and {more} more kinds of trouble"]
    return lines


class Table(NamedTuple):
    """A header, rows with those most in need of a look first, and which columns to give up first on a small screen.

    ``usual`` is a row with the widest of the usual cells: columns keep their room for them, and stand still.
    """

    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    given_up_first: Sequence[str]
    usual: Sequence[str]


def picture(
    headline: tuple[str, str],
    cue: Sequence[str],
    troubles: Sequence[Trouble],
    table: Table,
    size: tuple[int, int],
) -> Picture:
    """Return a screen of ``size``, columns and rows: the headline's two ends, what is in force, trouble, the table."""
    width, rows = size
    room = rows - 1
    lines = [apart(*headline, width), *cue][: max(room - TABLE_LINES, 1)]
    lines += trouble_lines(troubles, width, max(room - len(lines) - TABLE_LINES, 1))
    drawn = fitted(table.header, table.rows, width, table.given_up_first, table.usual)
    left = room - len(lines)
    if len(drawn) < left:
        lines.append("")
        left -= 1
    if len(drawn) > left:
        hidden = len(drawn) - left + 1
        drawn[max(left - 1, 0) :] = [f"and {hidden} more"]
    return Picture(tuple(cut(line, width) for line in (lines + drawn)[:room]), size)
