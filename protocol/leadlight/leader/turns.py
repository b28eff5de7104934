"""Turns to report: whom a beacon asks, and when the answer was heard, for all followers to compare (the marks)."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Final

from leadlight.units import LeaderInstant, LocalInstant
from leadlight.wire import MARK_AGE_MAXIMUM_NS, MARKS_MAXIMUM, U8, U32, Mark

MARK_PUBLICATIONS: Final = 2
TURNS_KEPT: Final = 64


class Turns:
    """The turns of one tenure that were given lately, and the marks that are still to be published."""

    __slots__ = ("_given", "_leader_at", "_marks")

    def __init__(self, leader_at: Callable[[LocalInstant], LeaderInstant]) -> None:
        self._leader_at = leader_at
        self._given: dict[int, int] = {}
        self._marks: deque[list[int]] = deque(maxlen=MARKS_MAXIMUM)

    def clear(self) -> None:
        """Forget every turn and mark: they were of another clock."""
        self._given.clear()
        self._marks.clear()

    def give(self, serial: int, follower: int) -> None:
        """Ask a follower for its report, in the beacon of this serial."""
        self._given[serial] = follower
        if len(self._given) > TURNS_KEPT:
            del self._given[next(iter(self._given))]

    def take(self, turn: int, follower: int, heard_at: LocalInstant) -> bool:
        """Note when a follower's report was heard; return ``False`` where this was not its turn."""
        if self._given.pop(turn, None) != follower:
            return False
        self._marks.append([turn, heard_at, 0])
        return True

    def publish(self, serial: int, now: LocalInstant) -> tuple[Mark, ...]:
        """Return the marks that the beacon of this serial tells; each is told in ``MARK_PUBLICATIONS`` of them."""
        if not self._marks:
            return ()
        leader_now = self._leader_at(now)
        marks: list[Mark] = []
        for entry in self._marks:
            turn, heard_at, _ = entry
            turns_back = (serial - turn) & U32
            # Of leader instants, as sent_at is: a continued timebase runs at another rate than this host's clock.
            age_ns = leader_now - self._leader_at(LocalInstant(heard_at))
            if turns_back <= U8 and 0 <= age_ns <= MARK_AGE_MAXIMUM_NS:
                marks.append(Mark(turns_back, age_ns))
            entry[2] += 1
        while self._marks and self._marks[0][2] >= MARK_PUBLICATIONS:
            self._marks.popleft()
        return tuple(marks)
