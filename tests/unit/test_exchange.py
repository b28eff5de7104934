from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from random import Random
from typing import Any

import pytest

from leadlight.clock.estimator import Exchange
from leadlight.follower.exchange import (
    ANSWERED_WITHIN_NS,
    BURST,
    BURST_SPACING_NS,
    FIRST_SOUNDINGS,
    FIRST_SPACING_NS,
    GROWTH_DEVIATION_NS,
    GROWTH_WAIT_NS,
    OUTSTANDING_MAXIMUM,
    SPACING_SPREAD,
    STEADY_INTERVAL_NS,
    SoundingSchedule,
    fair_spacing_ns,
)
from leadlight.units import MINUTE, SECOND, LeaderInstant, LocalInstant

START = LocalInstant(1_000 * SECOND)
Maker = Callable[..., Any]


def times(schedule: SoundingSchedule, until: int, deviation_ns: float = 0.0) -> list[int]:
    """Send every Sounding when it is due, until `until`; return when they went, since the start."""
    sent: list[int] = []
    while schedule.due_at is not None and schedule.due_at <= START + until:
        sent.append(schedule.due_at - START)
        schedule.sent(schedule.due_at, deviation_ns)
    return sent


def begun(group_size: int = 8, budget: int = 60, seed: int = 1) -> SoundingSchedule:
    schedule = SoundingSchedule(Random(seed))
    schedule.begin(START, group_size, budget)
    return schedule


def test_four_soundings_soon_twelve_a_quarter_second_apart_and_then_ever_fewer_down_to_one_in_four_seconds() -> None:
    sent = times(begun(group_size=5), 10 * MINUTE)  # more share the budget than that at no shorter spacing
    gaps = [later - earlier for earlier, later in pairwise(sent)]
    assert sent[0] < FIRST_SPACING_NS
    for gap in gaps[: FIRST_SOUNDINGS - 1]:
        assert abs(gap - FIRST_SPACING_NS) <= SPACING_SPREAD * FIRST_SPACING_NS
    for gap in gaps[FIRST_SOUNDINGS - 1 : BURST - 1]:
        assert abs(gap - BURST_SPACING_NS) <= SPACING_SPREAD * BURST_SPACING_NS
    for gap in gaps[-100:]:
        assert abs(gap - STEADY_INTERVAL_NS) <= SPACING_SPREAD * STEADY_INTERVAL_NS


def test_hastened_the_next_comes_within_the_first_spacing_and_nobody_sounds_who_has_ceased() -> None:
    schedule = begun(group_size=5)
    times(schedule, 10 * MINUTE)
    now = LocalInstant(START + 10 * MINUTE)
    schedule.hasten(now)
    assert schedule.due_at is not None
    assert 0 <= schedule.due_at - now <= FIRST_SPACING_NS * (1 + SPACING_SPREAD)
    sooner = schedule.due_at
    schedule.hasten(LocalInstant(now + SECOND))
    assert schedule.due_at == sooner
    schedule.cease()
    schedule.hasten(now)
    assert schedule.due_at is None


def test_among_more_each_asks_more_rarely() -> None:
    more = 900
    schedule = begun(group_size=5)
    times(schedule, MINUTE)
    schedule.share(more, 60, LocalInstant(START + MINUTE))
    gaps = [later - earlier for earlier, later in pairwise(times(schedule, 10 * MINUTE))]
    assert min(gaps) >= fair_spacing_ns(more, 60) * (1 - SPACING_SPREAD)


def test_in_a_jam_they_grow_no_rarer_until_the_clock_is_known_or_five_minutes_have_passed() -> None:
    jammed = times(begun(group_size=5), 10 * MINUTE, deviation_ns=GROWTH_DEVIATION_NS + 1)
    # In this time all of them but the first few are a quarter of a second apart; then they grow as they always do.
    kept_up = sum(moment < GROWTH_WAIT_NS for moment in jammed)
    assert kept_up == pytest.approx(GROWTH_WAIT_NS / BURST_SPACING_NS, rel=0.02)
    plain = times(begun(group_size=5), 10 * MINUTE, deviation_ns=GROWTH_DEVIATION_NS)
    burst_ns = BURST * BURST_SPACING_NS

    def in_the_minute_from(sent: list[int], since: int) -> int:
        return sum(since <= moment < since + MINUTE for moment in sent)

    for later in (0, MINUTE):
        as_ever = in_the_minute_from(plain, burst_ns + later)
        assert in_the_minute_from(jammed, GROWTH_WAIT_NS + later) == pytest.approx(as_ever, rel=0.1)


def test_a_large_group_that_starts_at_once_keeps_inside_its_budget() -> None:
    group_size, budget = 300, 60
    everyone = sorted(
        moment for seed in range(group_size) for moment in times(begun(group_size, budget, seed), 30 * SECOND)
    )
    for second in range(30):
        in_this_second = sum(second * SECOND <= moment < (second + 1) * SECOND for moment in everyone)
        # Nine tenths of sixty a second on average, at random: four standard deviations of a Poisson count above it.
        assert in_this_second <= 0.9 * budget + 4 * (0.9 * budget) ** 0.5
    assert fair_spacing_ns(group_size, 60) == 300 * SECOND * 10 // (9 * 60)


@pytest.mark.parametrize(
    ("group_size", "within_ns"), [(1, FIRST_SPACING_NS), (5, FIRST_SPACING_NS), (540, 10 * SECOND)]
)
def test_the_first_sounding_is_spread_over_a_groups_share(group_size: int, within_ns: int) -> None:
    starts = [begun(group_size, 60, seed).due_at for seed in range(200)]
    delays = sorted(start - START for start in starts if start is not None)
    assert len(delays) == 200
    assert delays[0] < within_ns // 20
    assert within_ns * 19 // 20 < delays[-1] < within_ns


def test_what_was_planned_by_a_small_share_comes_sooner_when_the_share_has_grown() -> None:
    schedule = begun(group_size=65_535, budget=1)
    assert schedule.due_at is not None
    schedule.sent(START)
    assert schedule.due_at - START > 10 * MINUTE
    later = LocalInstant(START + SECOND)
    schedule.share(8, 60, later)
    assert schedule.due_at == later + round(1.1 * fair_spacing_ns(8, 60))


def test_within_a_budget_of_nothing_nobody_sounds() -> None:
    assert fair_spacing_ns(9, 1) == 10 * SECOND
    assert begun(budget=0).due_at is None
    schedule = begun(budget=60)
    schedule.share(8, 0, START)
    assert times(schedule, MINUTE) == []
    schedule.sent(START)  # one that was ordered all the same begins nothing
    assert times(schedule, MINUTE) == []
    schedule.begin(START, 8, 60)
    assert len(times(schedule, MINUTE)) > BURST


def test_nothing_is_sent_before_the_beginning_nor_after_ceasing() -> None:
    schedule = SoundingSchedule(Random(1))
    assert schedule.due_at is None
    schedule.begin(START, 8, 60)
    schedule.cease()
    assert schedule.due_at is None


def test_a_rest_is_at_the_steady_interval_and_then_the_burst_goes_on_where_it_was() -> None:
    schedule = begun()
    for _ in range(6):
        assert schedule.due_at is not None
        now = schedule.due_at
        schedule.sent(now)
    schedule.rest(now)
    resting = times(schedule, MINUTE)
    assert resting[0] <= now - START + STEADY_INTERVAL_NS
    assert min(later - sooner for sooner, later in pairwise(resting)) >= (1 - SPACING_SPREAD) * STEADY_INTERVAL_NS
    schedule.go_on(LocalInstant(START + MINUTE))
    sent = times(schedule, 2 * MINUTE)
    gaps = [later - sooner for sooner, later in pairwise(sent)]
    left = BURST - 6 - 1  # gaps of the burst that were not yet: fifteen in all, six of them planned before
    assert sent[0] - MINUTE < BURST_SPACING_NS
    assert all(abs(gap - BURST_SPACING_NS) <= SPACING_SPREAD * BURST_SPACING_NS for gap in gaps[:left])
    assert gaps[-1] > 2 * BURST_SPACING_NS


def test_a_rest_from_the_steady_interval_ends_without_a_change() -> None:
    schedule = begun()
    times(schedule, 10 * MINUTE)
    schedule.rest(LocalInstant(START + 10 * MINUTE))
    due_at = schedule.due_at
    schedule.go_on(LocalInstant(START + 10 * MINUTE + 1))
    assert schedule.due_at == due_at


def test_an_echo_completes_the_sounding_of_its_nonce_once(make_echo: Maker) -> None:
    schedule = begun()
    nonces = [schedule.sent(LocalInstant(START + second * SECOND)) for second in range(2)]
    echo = make_echo(nonce=nonces[0], received_at=LeaderInstant(7), sent_at=LeaderInstant(9))
    received_at = LocalInstant(START + SECOND // 2)
    assert schedule.answered(echo, received_at) == Exchange(START, LeaderInstant(7), LeaderInstant(9), received_at)
    assert schedule.answered(echo, received_at) is None
    assert schedule.unmatched == 1


@pytest.mark.parametrize(
    ("after_ns", "kept_ns", "counts"),
    [
        (ANSWERED_WITHIN_NS, 0, True),
        (ANSWERED_WITHIN_NS + 1, 0, False),
        (-1, 0, False),
        (500, 500, True),
        (500, 501, False),
        (500, -1, False),
    ],
    ids=["in time", "too late", "before it was sent", "kept all along", "kept too long", "sent before received"],
)
def test_an_impossible_echo_measures_nothing(after_ns: int, kept_ns: int, counts: bool, make_echo: Maker) -> None:
    schedule = begun()
    nonce = schedule.sent(START)
    echo = make_echo(nonce=nonce, received_at=LeaderInstant(10_000), sent_at=LeaderInstant(10_000 + kept_ns))
    assert (schedule.answered(echo, LocalInstant(START + after_ns)) is not None) == counts
    assert schedule.unmatched == (not counts)


def test_only_the_last_sixteen_soundings_are_waited_for(make_echo: Maker) -> None:
    schedule = begun()
    nonces = [schedule.sent(START) for _ in range(OUTSTANDING_MAXIMUM + 1)]
    assert schedule.answered(make_echo(nonce=nonces[0]), LocalInstant(START + 5)) is None
    assert schedule.answered(make_echo(nonce=nonces[1]), LocalInstant(START + 5)) is not None


def test_a_new_beginning_forgets_what_was_asked_before(make_echo: Maker) -> None:
    schedule = begun()
    nonce = schedule.sent(START)
    schedule.begin(START, 8, 60)
    assert schedule.answered(make_echo(nonce=nonce), LocalInstant(START + 5)) is None
