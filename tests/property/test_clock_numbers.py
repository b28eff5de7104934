"""Whatever instants messages carry, a clock's numbers stay finite: shown to it unjudged, as nobody should."""

from __future__ import annotations

import math
from collections.abc import Callable
from random import Random
from typing import Any, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leadlight.clock import CausalityBound, EdgeFilter, Estimate, Exchange, FollowerClock
from leadlight.clock.edge_filter import SCALE_MAXIMUM, EdgeStream
from leadlight.clock.tracker import OffsetTracker
from leadlight.units import INSTANT_MAXIMUM, MILLISECOND, SECOND, LeaderInstant, LocalInstant

Maker = Callable[..., Any]

BEGUN = 1_000 * SECOND
OFFSET = 5 * SECOND
moments = st.one_of(
    st.sampled_from([0, 1, BEGUN, INSTANT_MAXIMUM - 1, INSTANT_MAXIMUM]),
    st.integers(0, INSTANT_MAXIMUM),
    st.integers(BEGUN - 3 * SECOND, BEGUN + 100 * SECOND),
)
instants = st.builds(LeaderInstant, moments)
waits = st.one_of(st.integers(0, 2 * SECOND), st.integers(0, 40 * 86_400 * SECOND), st.just(-SECOND))


class Shown(NamedTuple):
    kind: str
    wait_ns: int
    first: LeaderInstant
    second: LeaderInstant


samples = st.lists(
    st.builds(Shown, st.sampled_from(["beacon", "copy", "exchange", "rebase", "reopen"]), waits, instants, instants),
    max_size=60,
)


def are_finite(estimate: Estimate | None) -> bool:
    return estimate is None or all(math.isfinite(part) for part in estimate)


@given(samples)
def test_no_instant_makes_the_filter_raise_or_lose_its_numbers(shown: list[Shown]) -> None:
    edge = EdgeFilter()
    now = BEGUN + OFFSET
    for kind, wait_ns, first, second in shown:
        now += wait_ns
        local = LocalInstant(now)
        match kind:
            case "beacon":
                edge.observe_beacon(first, local)
            case "copy":
                edge.observe_copy(first, local)
            case "exchange":
                edge.observe_exchange(Exchange(LocalInstant(now - MILLISECOND), first, second, local))
            case "rebase":
                edge.rebase()
            case _:
                edge.reopen_paths()
        assert are_finite(edge.estimate())


@given(samples, st.booleans())
def test_nor_a_whole_clock_with_its_bounds(make_beacon: Maker, shown: list[Shown], truthful: bool) -> None:
    clock = FollowerClock()
    now = BEGUN + OFFSET
    for serial, (kind, wait_ns, first, second) in enumerate(shown):
        now += wait_ns
        local = LocalInstant(now)
        there = LeaderInstant(max(now - OFFSET, 0))
        match kind:
            case "beacon" | "copy":
                sent_at = there if truthful and serial % 3 else first
                clock.observe_beacon(make_beacon(serial=serial, sent_at=sent_at, is_copy=kind == "copy"), local, None)
            case "exchange":
                clock.observe_exchange(Exchange(LocalInstant(now - MILLISECOND), first, second, local))
            case "rebase":
                clock.enter_timebase(same_host=True)
            case _:
                clock.continue_timebase()
        assert are_finite(clock.served)
        bounds = clock.bounds(LocalInstant(now + SECOND))
        assert bounds.statistical_ns is None or math.isfinite(bounds.statistical_ns)
        clock.misfit(now - first, local)
        clock.outgrows_at(50 * MILLISECOND, local, LocalInstant(now + 600 * SECOND))


@given(st.lists(st.tuples(waits, st.integers(-INSTANT_MAXIMUM, INSTANT_MAXIMUM)), max_size=40))
def test_nor_the_filter_of_marks_and_medians(shown: list[tuple[int, int]]) -> None:
    tracker = OffsetTracker()
    now = BEGUN
    for wait_ns, offset_ns in shown:
        now += wait_ns
        tracker.observe(LocalInstant(now), offset_ns, None)
        assert are_finite(tracker.estimate())


@pytest.mark.parametrize("ahead_ns", [SECOND, 600 * SECOND, 3_600 * SECOND, 40 * 86_400 * SECOND])
def test_one_sample_from_the_future_leaves_the_filter_its_numbers(ahead_ns: int) -> None:
    for seed in range(60):
        random = Random(seed)
        bound = CausalityBound()
        edge = EdgeFilter(bound)
        now = BEGUN

        def delay_ns(random: Random = random) -> int:
            return MILLISECOND + round(random.expovariate(0.5) * MILLISECOND)

        def show_beacon(sent_at: int, at: int, edge: EdgeFilter = edge, bound: CausalityBound = bound) -> None:
            bound.observe_arrival(LeaderInstant(sent_at), LocalInstant(at))
            edge.observe_beacon(LeaderInstant(sent_at), LocalInstant(at))

        forged_at = random.randrange(2, 60)
        for number in range(forged_at + 60):
            now += 500 * MILLISECOND
            if number == forged_at:
                show_beacon(now - OFFSET + ahead_ns, now)
            show_beacon(now - OFFSET, now + delay_ns())
            if number % 3 == 0:
                sent_at = now + 20 * MILLISECOND
                there = LeaderInstant(sent_at + delay_ns() - OFFSET)
                exchange = Exchange(LocalInstant(sent_at), there, there, LocalInstant(there + OFFSET + delay_ns()))
                bound.observe_exchange(exchange)
                edge.observe_exchange(exchange)
            assert are_finite(edge.estimate()), f"seed {seed}"


def test_a_scale_does_not_grow_for_ever() -> None:
    stream = EdgeStream()
    for _ in range(20_000):
        stream.count += 1
        stream.learn(1e12)
    assert stream.scale == SCALE_MAXIMUM
    edge = EdgeFilter()
    for number in range(20_000):
        edge.observe_beacon(LeaderInstant(BEGUN + SECOND * (number == 0)), LocalInstant(BEGUN + number * 2 * SECOND))
    assert are_finite(edge.estimate())
