"""The clock filter and phase-locked loop of RFC 5905.

Of the latest eight exchanges the one with the least round trip (section 10) is fed to the loop of appendix A.5.5.6.
Beacons are of no use to it.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Final, NamedTuple

from leadlight.clock import Estimate, Exchange
from leadlight.units import LeaderInstant, LocalInstant

STAGES: Final = 8
"""NSTAGE, section 10; also the best of the search below."""
TOLERANCE: Final = 15e-6
"""PHI, section 7.2: a stage's distance grows by it as it ages."""
TIME_CONSTANT_S: Final = 32.0
"""CLOCK_PLL times the poll interval. The standard's least is 16 times 16 s; the best of
``python tests/bench/clock_search.py`` is this, 0.949 ms (geometric mean of the models' p95)."""
MEASURE_S: Final = 120.0
"""How long the initial frequency is measured (what WATCH is for, appendix A.1.1); the best of the same search."""


class _Stage(NamedTuple):
    at: LocalInstant
    offset_ns: int
    round_trip_ns: int


class ClockFilter:
    """Steers by the best of the latest ``stages`` exchanges, in a loop of ``time_constant_s``.

    ``measure_s``: how long after the first sample the rate is measured directly, before the loop takes over.
    """

    def __init__(
        self, stages: int = STAGES, time_constant_s: float = TIME_CONSTANT_S, measure_s: float = MEASURE_S
    ) -> None:
        self._stages: deque[_Stage] = deque(maxlen=stages)
        self._time_constant_s = time_constant_s
        self._measure_s = measure_s
        self._begin()

    def _begin(self) -> None:
        self._stages.clear()
        self._base: int | None = None
        self._at = self._used_at = LocalInstant(0)
        self._offset = self._rate = self._to_slew = 0.0
        self._first = _Stage(LocalInstant(0), 0, 0)
        self._measured = self._measure_s <= 0

    def observe_beacon(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        """Make nothing of a beacon."""

    observe_copy = observe_beacon

    def observe_exchange(self, exchange: Exchange) -> None:
        """Take a Sounding that was answered."""
        sent_at, leader_received_at, leader_sent_at, received_at = exchange
        offset_ns = (sent_at - leader_received_at + received_at - leader_sent_at) // 2
        self._stages.append(_Stage(received_at, offset_ns, exchange.round_trip_ns))
        best = min(self._stages, key=lambda stage: stage.round_trip_ns / 2 + TOLERANCE * (received_at - stage.at))
        if best.at <= self._used_at:
            return  # never a sample older than one already used
        if self._base is None:
            self._base = best.offset_ns
            self._first = best
        self._update(best)
        self._used_at = best.at

    def _update(self, best: _Stage) -> None:
        assert self._base is not None
        self._advance(best.at)
        difference = best.offset_ns - self._base - self._offset
        elapsed_s = (best.at - self._first.at) * 1e-9
        if not self._measured:
            # The frequency is measured from the first sample on, while each better sample sets the offset.
            self._offset += difference
            if elapsed_s >= self._measure_s:
                self._measured = True
                self._rate = (best.offset_ns - self._first.offset_ns) / elapsed_s if elapsed_s > 0 else 0.0
            return
        interval_s = (best.at - self._used_at) * 1e-9
        self._rate += difference * min(interval_s, self._time_constant_s) / (4 * self._time_constant_s) ** 2
        # What was left to slew is replaced by what there is now.
        self._to_slew = difference

    def _advance(self, to: LocalInstant) -> None:
        """Carry the clock on: by its rate, and by the share of the phase that the loop has slewed."""
        elapsed_s = (to - self._at) * 1e-9 if self._at else 0.0
        self._at = to
        slewed = self._to_slew * -math.expm1(-elapsed_s / self._time_constant_s)
        self._to_slew -= slewed
        self._offset += slewed + self._rate * elapsed_s

    def estimate(self) -> Estimate | None:
        """Return the estimate after the last sample used, or ``None`` before the first."""
        if self._base is None:
            return None
        # A straight line from here: the loop's slew, as it begins.
        rate = self._rate + self._to_slew / self._time_constant_s
        return Estimate(self._at, self._base + round(self._offset), rate * 1e-9)

    def rebase(self) -> None:
        """Begin anew."""
        self._begin()

    def reopen_paths(self) -> None:
        """Forget the exchanges kept: they went another way."""
        self._stages.clear()
