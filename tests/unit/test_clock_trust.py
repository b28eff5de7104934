"""What lets a clock believe: sharp marks, a floor found from the earliest beacons, a declaration that is kept fresh."""

from __future__ import annotations

from collections.abc import Callable, Collection
from random import Random
from typing import Any

import pytest

from leadlight.clock import ClockSettings, ClockView, EdgeFilter, Exchange, FollowerClock
from leadlight.clock.bound import CausalityBound
from leadlight.clock.common_view import CommonViewClock
from leadlight.clock.estimator import Estimate
from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LeaderInstant, LocalInstant
from leadlight.wire.messages import Mark, SharedDelay

Maker = Callable[..., Any]
START = LocalInstant(1_000 * SECOND)


# -- sharp marks ---------------------------------------------------------------------------------------------------


def marks_on_probation(
    mark_scatter_ns: int, beacon_scatter_ns: int, count: int, strays: Collection[int] = ()
) -> CommonViewClock:
    """Return a common view that has seen ``count`` marks, one a second, of a clock with no offset and no rate."""
    stream = Random(4)
    bound = CausalityBound()
    bound.observe_exchange(
        Exchange(START, LeaderInstant(START), LeaderInstant(START), LocalInstant(START + 100 * MILLISECOND))
    )
    bound.lower_ns = -100 * MILLISECOND
    common = CommonViewClock()
    for number in range(count):
        sent = START + (number + 1) * SECOND
        heard = LocalInstant(sent - 300 * MILLISECOND + stream.randrange(mark_scatter_ns))
        if number in strays:
            heard = LocalInstant(heard - SECOND // 2)
        common.note_heard(number, heard)
        now = LocalInstant(sent + stream.randrange(beacon_scatter_ns))
        common.note_delay(now - sent)
        estimate = Estimate(now, 0, 0.0, 1e6, 1e-6)
        marks = (Mark(1, 300 * MILLISECOND),)
        common.observe(number + 1, LeaderInstant(sent), SECOND, marks, bound, estimate, now)
    return common


@pytest.mark.parametrize(("count", "steer"), [(3, False), (4, True), (10, True)])
def test_four_marks_that_agree_far_better_than_the_beacons_steer_at_once(count: int, steer: bool) -> None:
    common = marks_on_probation(100 * MICROSECOND, 10 * MILLISECOND, count)
    assert common.on_probation is not steer


def test_marks_that_scatter_as_the_beacons_do_stay_on_probation() -> None:
    # There is a queue in them: a leader on the cable hears the marker before the air does.
    assert all(marks_on_probation(10 * MILLISECOND, 10 * MILLISECOND, count).on_probation for count in range(32))


def test_on_a_quiet_network_sharpness_proves_nothing() -> None:
    assert marks_on_probation(100 * MICROSECOND, 100 * MICROSECOND, 31).on_probation


def test_one_mark_outside_the_proven_interval_ends_sharpness_for_the_whole_probation() -> None:
    assert marks_on_probation(100 * MICROSECOND, 10 * MILLISECOND, 31, strays=range(1)).on_probation


def test_one_stray_ends_sharpness_only_while_it_is_in_sight_and_more_than_one_in_ten() -> None:
    sharp = [
        count
        for count in range(7, 32)
        if not marks_on_probation(100 * MICROSECOND, 10 * MILLISECOND, count, strays=range(6, 7)).on_probation
    ]
    assert sharp == list(range(13, 32))


# -- the beacon floor ----------------------------------------------------------------------------------------------


def test_beacons_that_begin_in_a_jam_do_not_bend_the_rate() -> None:
    """The first beacons come 12 to 15 ms late, all later ones 1 to 4 ms; exchanges know the clock to a millisecond."""
    stream = Random(2)
    bound = CausalityBound()
    edge = EdgeFilter(bound)
    for number in range(120):
        at = LocalInstant(START + number * SECOND // 2)
        delay = (12 if number < 30 else 1) * MILLISECOND + stream.randrange(3 * MILLISECOND)
        if number % 2 == 0:
            bound.observe_arrival(LeaderInstant(at - delay), at)
            edge.observe_beacon(LeaderInstant(at - delay), at)
        else:
            up, down = (MILLISECOND + stream.randrange(MILLISECOND) for _ in range(2))
            leader = LeaderInstant(at + up)
            exchange = Exchange(at, leader, leader, LocalInstant(at + up + down))
            bound.observe_exchange(exchange)
            edge.observe_exchange(exchange)
        estimate = edge.estimate()
        assert estimate is not None
        # Half the longest round trip; nothing makes the clock run away from what the exchanges say.
        assert number < 4 or abs(estimate.offset_ns) <= 2 * MILLISECOND
        # Two standard deviations of the rate before anything is known.
        assert abs(estimate.rate) <= 100e-6


# -- the declaration -----------------------------------------------------------------------------------------------


class Ground:
    """A follower's clock whose packets all take 1 ms; its rate may change under way."""

    def __init__(self, make_beacon: Maker, settings: ClockSettings | None = None) -> None:
        self.clock = FollowerClock(settings)
        self._make_beacon = make_beacon
        self.offset = 0

    def second(self, number: int, rate_ppb: int = 0, **changes: Any) -> None:
        self.offset += rate_ppb
        now = LocalInstant(START + number * SECOND + self.offset)
        leader = LeaderInstant(START + number * SECOND)
        beacon = self._make_beacon(serial=number, sent_at=LeaderInstant(leader - MILLISECOND), **changes)
        self.clock.observe_beacon(beacon, now, None)
        self.clock.observe_exchange(
            Exchange(
                LocalInstant(now + MILLISECOND),
                LeaderInstant(leader + 2 * MILLISECOND),
                LeaderInstant(leader + 2 * MILLISECOND),
                LocalInstant(now + 3 * MILLISECOND),
            )
        )


def test_a_declaration_once_made_follows_the_learnt_rate_through_silences(make_beacon: Maker) -> None:
    ground = Ground(make_beacon)
    for number in range(70):
        ground.second(number)
    for number in range(70, 400):
        # The crystal cools by 3 ppm, and the network is silent too often for a minute of lock in one piece.
        ground.second(number, rate_ppb=min(number - 70, 300) * 10)
        if number % 40 == 0:
            ground.clock.note_silence()
    bound = ground.clock.bound
    assert bound.broken == 0
    lower, upper = bound.interval_ns(LocalInstant(START + 399 * SECOND + ground.offset))
    assert lower <= ground.offset <= upper


# -- which views ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("views", "served"),
    [(frozenset(), ClockView.TWO_WAY), (frozenset({ClockView.SHARED_DELAY}), ClockView.SHARED_DELAY)],
)
def test_only_the_views_that_are_asked_for_are_served(
    make_beacon: Maker, views: frozenset[ClockView], served: ClockView
) -> None:
    ground = Ground(make_beacon, ClockSettings(views=views))
    for number in range(60):
        ground.second(number, shared_delays=(SharedDelay(1, MILLISECOND),))
    assert ground.clock.view is served
    assert len(ground.clock.shared_delay.reports(1)) > 0


def test_a_view_that_is_no_correction_cannot_be_asked_for() -> None:
    with pytest.raises(ConfigurationError):
        ClockSettings(views=frozenset({ClockView.TWO_WAY}))
