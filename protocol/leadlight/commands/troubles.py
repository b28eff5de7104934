"""What is wrong with a leader's followers, and what to do about it, the worst first."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Final, NamedTuple

from leadlight.follower import tally_spacing_ns
from leadlight.leader import Leader, RosterEntry
from leadlight.terms import ClockState, ContentState
from leadlight.units import SECOND, LocalInstant

REPORTS_MISSED: Final = 3
"""A board unheard for so many of its report intervals is in trouble."""

UNHEARD: Final = "not heard"
NOT_YET: Final = "not heard yet"
_FIND_IT: Final = "is it switched on, in reach, and on this network?"
_COPY_IT: Final = "copy this edition's part to it, then `leadlight manifest check` there"

REMEDIES: Final = {
    "stop not confirmed": "it may still play: see to it by hand where somebody could be hurt",
    "does not show the cue": "does another leader reach it? look at it, and at whoever else is on this network",
    "two boards, one name": "give one of the two another --name",
    UNHEARD: _FIND_IT,
    NOT_YET: _FIND_IT,
    "show missing": _COPY_IT,
    "other edition": _COPY_IT,
    "live data as well": "let one of the two drive its pixels, or they fight frame by frame",
    "beacons do not reach it": "is its reception poor? `leadlight check` there says more",
}
"""What to do, by what is wrong: the worst first."""
WORST_FIRST: Final = tuple(REMEDIES)


class Trouble(NamedTuple):
    """What is wrong, with whom, and what to do about it."""

    what: str
    names: tuple[str, ...]
    remedy: str


class Health(NamedTuple):
    """How a leader's followers are: how many are well of those that should be there, and what is wrong."""

    well: int
    expected: int
    troubles: tuple[Trouble, ...]


def troubles_of(entry: RosterEntry, unheard_since: LocalInstant, not_stopped: Collection[str] = ()) -> list[str]:
    """Return what is wrong with a follower, the worst first; it must have been heard since ``unheard_since``."""
    tally = entry.tally
    is_unheard = entry.lost or entry.heard_at < unheard_since
    found = {
        "stop not confirmed": entry.name in not_stopped,
        "does not show the cue": entry.contradicts,
        "two boards, one name": entry.cloned,
        UNHEARD: is_unheard,
        "show missing": tally is not None and tally.content is ContentState.MISSING,
        "other edition": tally is not None and tally.content is ContentState.OTHER_EDITION,
        "live data as well": tally is not None and tally.live_data,
        "beacons do not reach it": tally is not None and not is_unheard and tally.clock is ClockState.HOLDOVER,
    }
    return [what for what in WORST_FIRST if found.get(what)]


def unheard_since(leader: Leader, now: LocalInstant) -> LocalInstant:
    """Return since when a follower that is well must have been heard."""
    spacing_ns = tally_spacing_ns(max(len(leader.roster), leader.settings.group_size))
    return LocalInstant(now - REPORTS_MISSED * spacing_ns)


def health(leader: Leader, now: LocalInstant, expected: Iterable[str] = ()) -> Health:
    """Return how a leader's followers are at ``now``; ``expected`` are the names of those that should be there.

    One that has not given its name yet counts for nothing: numbers cost a stranger nothing.
    """
    since = unheard_since(leader, now)
    not_stopped = leader.not_stopped
    named = [entry for entry in leader.roster if entry.tally is not None]
    missing = set(expected) - {entry.name for entry in named}
    found: dict[str, list[str]] = {NOT_YET: sorted(missing)} if missing else {}
    well = 0
    for entry in sorted(named, key=lambda entry: entry.name):
        troubles = troubles_of(entry, since, not_stopped)
        for what in troubles:
            silent = f" for {(now - entry.heard_at) // SECOND} s" if what == UNHEARD else ""
            found.setdefault(what, []).append(f"{entry.name}{silent}")
        assert entry.tally is not None
        well += not troubles and entry.tally.clock is ClockState.LOCKED
    told = tuple(Trouble(what, tuple(found[what]), remedy) for what, remedy in REMEDIES.items() if what in found)
    return Health(well, len(named) + len(missing), told)
