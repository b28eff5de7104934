"""Plausibility: which samples this clock cannot have, and when so many of them agree that the clock is what is wrong.

A packet is late by any amount and never early: what says that it came before it was sent is false, or this clock is, or
the leader's has stepped. One such sample does not say which of the three, so it is refused and counted. Several in a
row that agree, and an exchange among them where exchanges can be had, say that leader and clock have parted. Then the
clock begins anew, as in a new timebase, and no leader stays unheard.
"""

from __future__ import annotations

from enum import Enum
from typing import Final

from leadlight.units import SECOND, LocalInstant

HELD_BACK_NS: Final = 1 * SECOND
"""Packets held back for longer say nothing of a clock; and nobody knows an offset better before anything is proven."""
REFUSED_RUN: Final = 3
"""So many refused samples in a row that agree make the clock begin anew,"""
REFUSED_INTERVALS: Final = 2
"""if the last came so many beacon intervals, less a dither of ``REFUSED_DITHER``, after the first."""
REFUSED_DITHER: Final = 0.2


class Misfit(Enum):
    """How a sample lies to the clock."""

    NONE = "plausible"
    EARLY = "before it was sent"
    LATE = "held back for too long"


def misfit_of(offset_ns: int, estimate_ns: int, lower_ns: int | None, doubt_ns: float, budget_ns: int) -> Misfit:
    """Return how a packet from the leader lies to a clock, which by itself shows ``offset_ns``; all are of one instant.

    ``lower_ns`` is the causality bound's lower side, ``None`` while unproven; ``doubt_ns`` the statistical bound of the
    estimate, infinite while there is none.
    """
    apart_ns = offset_ns - estimate_ns
    if apart_ns > HELD_BACK_NS:
        return Misfit.LATE
    if lower_ns is not None:
        return Misfit.EARLY if offset_ns < lower_ns - budget_ns else Misfit.NONE
    return Misfit.EARLY if -apart_ns > min(doubt_ns + budget_ns, HELD_BACK_NS) else Misfit.NONE


class Refusals:
    """The run of refused samples: how many agree with the first of them, and since when."""

    __slots__ = ("_began_at", "_has_exchange", "_offset_ns", "_tenure", "count")

    def __init__(self) -> None:
        self.count = 0
        """How many there are in the run."""
        self._tenure = 0
        self._offset_ns = 0
        self._began_at = LocalInstant(0)
        self._has_exchange = False

    def clear(self) -> None:
        """Begin no run: a sample was taken that speaks for the clock."""
        self.count = 0

    def note(self, tenure: int, offset_ns: int, at: LocalInstant, agree_within_ns: int, is_exchange: bool) -> None:
        """Take a refused sample of ``offset_ns``: it goes on with the run, or begins another."""
        if self.count == 0 or tenure != self._tenure or abs(offset_ns - self._offset_ns) > agree_within_ns:
            self.count = 0
            self._tenure = tenure
            self._offset_ns = offset_ns
            self._began_at = at
            self._has_exchange = False
        self.count += 1
        self._has_exchange = self._has_exchange or is_exchange

    def contradict(self, now: LocalInstant, interval_ns: int, by_exchange: bool) -> bool:
        """Return whether the run says that the clock is wrong; ``by_exchange``: only with an exchange among it."""
        if self.count < REFUSED_RUN or (by_exchange and not self._has_exchange):
            return False
        return now - self._began_at >= (REFUSED_INTERVALS - REFUSED_DITHER) * interval_ns
