"""The leader's table of followers: who was heard, when, and how things stand with each."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable, Iterator
from dataclasses import dataclass, field
from typing import Final

from leadlight.follower import is_newer
from leadlight.terms import CueState
from leadlight.units import LocalInstant
from leadlight.wire import Tally

ROSTER_MAXIMUM: Final = 512
"""No more followers than this are kept by a leader that is told no other limit; the one heard longest ago makes room.
"""
INSTANCES_KEPT: Final = 8
"""So many instances of a follower are remembered, each with its last serial. A board that restarts more often within
one tenure has its first instances forgotten, and a recording of those is not told from a restart."""


@dataclass(slots=True)
class RosterEntry:
    """One follower as the leader knows it. ``tally`` is its last report, ``None`` if it has only sounded so far."""

    follower: int
    address: Hashable
    heard_at: LocalInstant
    tally: Tally | None = None
    tallied_at: LocalInstant | None = None
    serials: dict[int, int] = field(default_factory=dict)
    """The last serial of each instance that has reported, the one heard longest ago first."""
    cloned: bool = False
    contradicts: bool = False
    """Whether its reports have contradicted the cue in force for long."""
    contradicts_since: tuple[CueState, int, LocalInstant] | None = None
    """The cue state that its instance has not reported, which instance that is, and since when."""
    lost: bool = False
    last_turn: int = -1

    @property
    def name(self) -> str:
        """The name it gave itself, or its number in hex."""
        return f"{self.follower:08x}" if self.tally is None else self.tally.name


class Roster:
    """Followers by id, in order of when they were last heard; no more than ``limit`` of them."""

    def __init__(self, limit: int = ROSTER_MAXIMUM) -> None:
        self._limit = limit
        self._entries: OrderedDict[int, RosterEntry] = OrderedDict()
        self.has_overflowed = False
        """Whether somebody was ever not kept, or forgotten, for want of a place."""

    def __len__(self) -> int:
        return len(self._entries)

    def __iter__(self) -> Iterator[RosterEntry]:
        return iter(self._entries.values())

    def find(self, follower: int) -> RosterEntry | None:
        """Return the entry of a follower, or ``None``."""
        return self._entries.get(follower)

    def hear(
        self, follower: int, address: Hashable, heard_at: LocalInstant, reports: bool = False
    ) -> tuple[RosterEntry, bool]:
        """Note that a follower was heard; return its entry and whether it is new.

        ``reports``: whether it has sent a Tally, and not only sounded. In a full roster the newcomer itself may have to
        go; its entry is then nobody's.
        """
        entry = self._entries.get(follower)
        if entry is not None:
            entry.address = address
            entry.heard_at = heard_at
            entry.lost = False
            self._entries.move_to_end(follower)
            return entry, False
        entry = RosterEntry(follower, address, heard_at)
        self._entries[follower] = entry
        if len(self._entries) > self._limit:
            self.has_overflowed = True
            del self._entries[self._whom_to_forget(follower, reports)]
        return entry, True

    @property
    def is_half_full(self) -> bool:
        """Whether more than half of the places are taken."""
        return len(self._entries) > self._limit // 2

    def _whom_to_forget(self, newcomer: int, reports: bool) -> int:
        """Return whom a full roster gives up: a stranger, who has never reported; else, for one that reports, one long
        lost; else the newcomer.

        Ids cost a stranger nothing, so no number of them may push out a follower that is there.
        """
        strangers = (known for known, entry in self._entries.items() if entry.tally is None and known != newcomer)
        lost = (known for known, entry in self._entries.items() if entry.lost and reports)
        return next(strangers, next(lost, newcomer))

    def is_news(self, tally: Tally) -> bool:
        """Return whether a report is newer than what its instance has said before: neither a copy nor a replay."""
        entry = self._entries.get(tally.follower)
        last = None if entry is None else entry.serials.get(tally.instance)
        return last is None or is_newer(tally.serial, last)

    def note_tally(self, entry: RosterEntry, tally: Tally) -> bool:
        """Take a report; return whether it shows that two boards share this id, told once.

        A restart changes the instance; with two boards one that was replaced comes back.
        """
        before, entry.tally = entry.tally, tally
        serials, instance = entry.serials, tally.instance
        is_back = before is not None and before.instance != instance and instance in serials
        # Taken out and put back, so that the one heard longest ago stands first.
        serials.pop(instance, None)
        serials[instance] = tally.serial
        if len(serials) > INSTANCES_KEPT:
            del serials[next(iter(serials))]
        if is_back and not entry.cloned:
            entry.cloned = True
            return True
        return False

    def heard_since(self, instant: LocalInstant) -> int:
        """Return how many followers were heard at or after ``instant``."""
        count = 0
        for entry in reversed(self._entries.values()):
            if entry.heard_at < instant:
                break
            count += 1
        return count

    def last_reported_at(self) -> LocalInstant | None:
        """Return when one was last heard of those that report; ``None`` where none does."""
        for entry in reversed(self._entries.values()):
            if entry.tally is not None:
                return entry.heard_at
        return None

    def next_marker(self, turn: int, heard_since: LocalInstant) -> int | None:
        """Return the follower whose turn it is to be marker: of those heard lately, the one longest without a turn.

        One that has never reported gets none: ids that only sound cost a stranger nothing, and it might not answer.
        """
        chosen: RosterEntry | None = None
        for entry in reversed(self._entries.values()):
            if entry.heard_at < heard_since:
                break
            if entry.tally is not None and (chosen is None or entry.last_turn < chosen.last_turn):
                chosen = entry
        if chosen is None:
            return None
        chosen.last_turn = turn
        return chosen.follower
