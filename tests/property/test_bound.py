from __future__ import annotations

import math
from typing import NamedTuple

from hypothesis import given
from hypothesis import strategies as st

from leadlight.clock.bound import DECLARED_DRIFT, CausalityBound
from leadlight.clock.estimator import Exchange
from leadlight.units import SECOND, LeaderInstant, LocalInstant

START = LocalInstant(1_000 * SECOND)


class Happening(NamedTuple):
    """Something the bound is shown, a while after the last; two ways for an exchange, one for a beacon."""

    wait_ns: int
    drift: float
    """The offset's rate until then."""
    up_ns: int | None
    down_ns: int


delays = st.one_of(st.integers(0, 2_000_000), st.integers(0, 3 * SECOND))
happenings = st.lists(
    st.builds(
        Happening,
        st.integers(0, 20 * SECOND),
        # A millionth inside, for the rounding of the offset to whole nanoseconds.
        st.floats(-0.999 * DECLARED_DRIFT, 0.999 * DECLARED_DRIFT),
        st.none() | delays,
        delays,
    ),
    min_size=1,
    max_size=30,
)


class World:
    """A local clock whose offset to the leader moves at rates that are allowed, in straight pieces."""

    def __init__(self, offset_ns: int) -> None:
        self._knots: list[tuple[int, float, float]] = [(START, float(offset_ns), 0.0)]

    def turn(self, at: int, rate: float) -> None:
        self._knots.append((at, self.offset_at(at), rate))

    def offset_at(self, local: int) -> float:
        at, offset, rate = next(knot for knot in reversed(self._knots) if knot[0] <= local)
        return offset + rate * (local - at)

    def earliest_leader(self, local: int) -> LeaderInstant:
        return LeaderInstant(math.floor(local - self.offset_at(local)))

    def latest_leader(self, local: int) -> LeaderInstant:
        return LeaderInstant(math.ceil(local - self.offset_at(local)))


@given(happenings=happenings, offset_ns=st.integers(-(10**15), 10**15))
def test_the_causality_bound_holds_whatever_the_network_does(happenings: list[Happening], offset_ns: int) -> None:
    world = World(offset_ns)
    bound = CausalityBound()
    now = START
    two_way = False
    for wait_ns, drift, up_ns, down_ns in happenings:
        world.turn(now, drift)
        sent_at = LocalInstant(now + wait_ns)
        at_leader = sent_at + (up_ns or 0)
        now = LocalInstant(at_leader + down_ns)
        # Stamps are whole nanoseconds: read late when received and early when sent, as any clock is.
        if up_ns is None:
            bound.observe_arrival(world.earliest_leader(at_leader), now)
        else:
            received, sent = world.latest_leader(at_leader), world.earliest_leader(at_leader)
            bound.observe_exchange(Exchange(sent_at, received, sent, now))
            two_way = True
        for later in (0, SECOND, 60 * SECOND):
            lower, upper = bound.interval_ns(LocalInstant(now + later))
            # Up to `later` on, at the fastest rates that are declared.
            true = world.offset_at(now)
            assert lower <= true - DECLARED_DRIFT * later + 1
            assert upper >= true + DECLARED_DRIFT * later - 1
        assert bound.broken == 0
        assert bound.is_two_sided == two_way
