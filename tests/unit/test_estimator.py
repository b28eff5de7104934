from __future__ import annotations

import pytest

from leadlight.clock.estimator import Estimate, Exchange
from leadlight.units import HOUR, SECOND, LeaderInstant, LocalInstant


def test_a_round_trip_leaves_out_what_the_leader_kept() -> None:
    exchange = Exchange(LocalInstant(1_000), LeaderInstant(500), LeaderInstant(700), LocalInstant(1_950))
    assert exchange.round_trip_ns == 750


def test_an_offset_moves_by_its_rate() -> None:
    estimate = Estimate(LocalInstant(100 * SECOND), 7_000, 50e-6)
    assert estimate.offset_at(LocalInstant(100 * SECOND)) == 7_000
    assert estimate.offset_at(LocalInstant(110 * SECOND)) == 507_000
    assert estimate.leader_at(LocalInstant(110 * SECOND)) == 110 * SECOND - 507_000


@pytest.mark.parametrize("rate", [-600e-6, -1e-6, 0.0, 13e-6, 600e-6])
@pytest.mark.parametrize("offset_ns", [-40 * 24 * HOUR, 0, 123_456_789])
def test_local_and_leader_instants_are_inverse_to_the_nanosecond(rate: float, offset_ns: int) -> None:
    estimate = Estimate(LocalInstant(50 * 24 * HOUR), offset_ns, rate)
    for later in (-SECOND, 0, 1, SECOND, 10 * 60 * SECOND):
        local = LocalInstant(estimate.at + later)
        assert abs(estimate.local_at(estimate.leader_at(local)) - local) <= 1
