from __future__ import annotations

import math

import pytest

from leadlight.clock.bound import DEVIATIONS
from leadlight.clock.estimator import Estimate
from leadlight.clock.shared_delay import (
    ARRIVALS_KEPT,
    MEDIANS_MISSED,
    REPORT_SPAN,
    REPORTER_BOUND_NS,
    REPORTERS_MAXIMUM,
    SAMPLES_BEFORE_USE,
    SPARE_REPORTER_BOUND_NS,
    STALE_NS,
    Arrival,
    DelayCollector,
    SharedDelayClock,
    median_deviation,
    reporting_stride,
)
from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LeaderInstant, LocalInstant
from leadlight.wire.codec import DELAY_LIMIT_NS
from leadlight.wire.messages import DelayReport, SharedDelay

OFFSET = 5 * SECOND


def arrival(serial: int, delay_ns: int = MILLISECOND, bound_ns: float = MILLISECOND) -> Arrival:
    sent = LeaderInstant(serial * SECOND)
    received_at = LocalInstant(sent + OFFSET + delay_ns)
    return Arrival(sent, received_at, delay_ns, Estimate(received_at, OFFSET, 0.0, bound_ns / DEVIATIONS, 0.0))


@pytest.mark.parametrize(
    ("sounding_s", "beacon_ms", "stride"), [(4, 1_000, 1), (4, 500, 2), (4, 100, 10), (4, 300, 4), (1, 2_000, 1)]
)
def test_four_reports_cover_a_sounding_interval(sounding_s: int, beacon_ms: int, stride: int) -> None:
    assert reporting_stride(sounding_s * SECOND, beacon_ms * MILLISECOND) == stride


def test_everyone_reports_the_latest_four_beacons_that_the_stride_picks() -> None:
    clock = SharedDelayClock()
    for serial in range(100, 130):
        clock.note_arrival(serial, arrival(serial, serial))
    assert clock.reports(4) == tuple(DelayReport(serial, serial) for serial in (128, 124, 120, 116))


def test_serials_are_reported_by_their_low_sixteen_bits() -> None:
    clock = SharedDelayClock()
    clock.note_arrival(0x3_0004, arrival(4))
    assert clock.reports(4) == (DelayReport(4, MILLISECOND),)


def test_neither_what_is_long_past_nor_what_a_median_has_told_of_is_reported() -> None:
    clock = SharedDelayClock()
    for serial in (100, 101, 107, 108):
        clock.note_arrival(serial, arrival(serial))
    assert [report.serial for report in clock.reports(1)] == [108, 107, 101, 100]
    clock.note_arrival(100 + REPORT_SPAN + 1, arrival(109))
    assert [report.serial for report in clock.reports(1)] == [109, 108, 107, 101]
    clock.observe(110, (SharedDelay(3, MILLISECOND), SharedDelay(2, MILLISECOND)), 0, None)
    assert [report.serial for report in clock.reports(1)] == [109, 101]


def test_beacons_on_both_sides_of_serial_0_are_reported_and_their_medians_used() -> None:
    clock = SharedDelayClock()
    serials = [(0xFFFF_FFE0 + step) & 0xFFFF_FFFF for step in range(40)]
    for step, serial in enumerate(serials):
        clock.note_arrival(serial, arrival(step))
    assert [report.serial for report in clock.reports(4)] == [4, 0, 0xFFFC, 0xFFF8]
    clock.note_arrival(0xFFFF_FFDC, arrival(0))  # a late one: what came before it is newer, and none too old
    assert [report.serial for report in clock.reports(4)] == [0xFFDC, 4, 0, 0xFFFC]
    clock.observe(1, (SharedDelay(2, MILLISECOND), SharedDelay(1, MILLISECOND)), 0, None)
    assert clock._tracker.count == 2


def test_what_was_measured_with_a_poor_clock_or_came_too_late_for_the_wire_is_not_reported() -> None:
    clock = SharedDelayClock()
    clock.note_arrival(1, arrival(1, bound_ns=REPORTER_BOUND_NS + 1))
    clock.note_arrival(2, arrival(2, DELAY_LIMIT_NS + 1))
    clock.note_arrival(3, arrival(3, DELAY_LIMIT_NS))
    assert clock.reports(1) == (DelayReport(3, DELAY_LIMIT_NS),)


def test_who_knows_its_clock_less_well_reports_while_no_medians_come() -> None:
    clock = SharedDelayClock()
    bound_ns = float(SPARE_REPORTER_BOUND_NS)
    for serial in range(1, MEDIANS_MISSED):
        clock.note_arrival(serial, arrival(serial, bound_ns=bound_ns))
    assert clock.reports(1) == ()
    clock.note_arrival(MEDIANS_MISSED, arrival(MEDIANS_MISSED, bound_ns=bound_ns))
    assert [report.serial for report in clock.reports(1)] == [MEDIANS_MISSED - back for back in range(4)]
    clock.note_arrival(9, arrival(9, bound_ns=bound_ns + 1))
    assert clock.reports(1)[0].serial == MEDIANS_MISSED, "a bound above the wider limit is never reported"
    # One median is enough to leave it to those who know better.
    clock.observe(10, (SharedDelay(9, MILLISECOND),), 0, None)
    assert clock.reports(1) == ()
    for serial in range(10, 10 + MEDIANS_MISSED):
        assert clock.reports(1) == ()
        clock.note_arrival(serial, arrival(serial, bound_ns=bound_ns))
    assert len(clock.reports(1)) == 4
    clock.restart()
    clock.note_arrival(30, arrival(30, bound_ns=bound_ns))
    assert clock.reports(1) == ()


def test_those_who_never_sounded_report_nothing_however_long_no_medians_come() -> None:
    clock = SharedDelayClock()
    for serial in range(4 * MEDIANS_MISSED):
        clock.note_arrival(serial, arrival(serial, bound_ns=math.inf))
    assert clock.reports(1) == ()


def test_the_reporters_own_error_is_in_the_medians_deviation() -> None:
    clock = fed(30)
    now = LocalInstant(OFFSET + 31 * SECOND)
    alone, shared = clock.estimate(now, 0.0), clock.estimate(now, 0.0, 400_000.0)
    assert alone is not None
    assert shared is not None
    assert shared == alone._replace(deviation_ns=math.hypot(alone.deviation_ns, 400_000.0))


def test_only_so_many_arrivals_are_kept() -> None:
    clock = SharedDelayClock()
    for serial in range(3 * ARRIVALS_KEPT):
        clock.note_arrival(serial, arrival(serial))
    assert len(clock._arrivals) == ARRIVALS_KEPT


def fed(count: int, doubt_ns: int = 0) -> SharedDelayClock:
    """A clock that met `count` beacons, each with its median: the common delay, up to 40 ms, is known exactly."""
    clock = SharedDelayClock()
    for serial in range(1, count + 1):
        delay_ns = serial * 7 % 40 * MILLISECOND
        clock.note_arrival(serial, arrival(serial, delay_ns))
        clock.observe(serial + 1, (SharedDelay(1, delay_ns),), doubt_ns, None)
    return clock


def test_with_the_common_delay_removed_the_offset_is_exact() -> None:
    estimate = fed(30).estimate(LocalInstant(OFFSET + 31 * SECOND), 0.0)
    assert estimate is not None
    assert estimate.offset_ns == OFFSET


def test_it_is_not_used_before_it_has_enough_medians_nor_long_after_the_last() -> None:
    now = LocalInstant(OFFSET + 9 * SECOND)
    assert fed(SAMPLES_BEFORE_USE - 1).estimate(now, 0.0) is None
    clock = fed(SAMPLES_BEFORE_USE)
    estimate = clock.estimate(now, 0.0)
    assert estimate is not None
    assert clock.estimate(LocalInstant(estimate.at + STALE_NS), 0.0) is not None
    assert clock.estimate(LocalInstant(estimate.at + STALE_NS + 1), 0.0) is None


def test_a_median_is_used_once() -> None:
    clock = fed(SAMPLES_BEFORE_USE - 1)
    clock.observe(SAMPLES_BEFORE_USE, (SharedDelay(1, 0),), 0, None)
    assert clock._tracker.count == SAMPLES_BEFORE_USE - 1


def test_medians_are_taken_oldest_first_in_whatever_order_they_are_published() -> None:
    there, back = SharedDelayClock(), SharedDelayClock()
    medians = tuple(SharedDelay(back_by, 0) for back_by in (4, 3, 2, 1))
    for clock, published in ((there, medians), (back, medians[::-1])):
        for serial in range(1, 5):
            clock.note_arrival(serial, arrival(serial, serial * 20 * MICROSECOND))
        clock.observe(5, published, 0, None)
    assert there._tracker.estimate() == back._tracker.estimate()
    estimate = there._tracker.estimate()
    assert estimate is not None
    assert estimate.at == arrival(4, 80 * MICROSECOND).received_at


# What a follower's own packets say: the offset is known to half a millisecond, its floor is one.
OWN = Estimate(LocalInstant(OFFSET), OFFSET, 0.0, 0.5 * MILLISECOND, 0.0, float(MILLISECOND))
# Three deviations and 0.3 of the floor, a reporter's bound of 2 ms, and three times a doubt of 0.1 ms.
REACH = 1_500 * MICROSECOND + 300 * MICROSECOND + 2 * MILLISECOND + 300 * MICROSECOND


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize(("beyond_ns", "is_taken"), [(0, True), (1, False)])
def test_a_median_that_contradicts_the_followers_own_exchanges_is_refused(
    side: int, beyond_ns: int, is_taken: bool
) -> None:
    clock = SharedDelayClock()
    clock.note_arrival(1, arrival(1, 10 * MILLISECOND))
    own = OWN._replace(at=arrival(1, 10 * MILLISECOND).received_at)
    # The beacon took this follower so much longer, or less long, than it took the others.
    median_ns = 10 * MILLISECOND - side * (REACH + beyond_ns)
    clock.observe(2, (SharedDelay(1, median_ns),), 100 * MICROSECOND, own, is_two_way=True)
    assert (clock._tracker.count, clock.refused) == ((1, 0) if is_taken else (0, 1))


def test_who_only_listens_has_nothing_to_set_against_a_median() -> None:
    # Beacons alone cannot tell a clock from a path: this is how one that is 60 ms out is put right.
    clock = SharedDelayClock()
    astray = OWN._replace(offset_ns=OFFSET + 60 * MILLISECOND)
    for serial in range(1, 20):
        clock.note_arrival(serial, arrival(serial, 60 * MILLISECOND))
        clock.observe(serial + 1, (SharedDelay(1, 60 * MILLISECOND),), 0, astray)
    estimate = clock.estimate(LocalInstant(OFFSET + 20 * SECOND), 0.0)
    assert estimate is not None
    assert (estimate.offset_ns, clock.refused) == (OFFSET, 0)


# -- the leader's side -----------------------------------------------------------------------------------------------


def test_a_median_needs_three_reporters() -> None:
    collector = DelayCollector()
    collector.collect(1, None, (DelayReport(10, 100),))
    collector.collect(2, None, (DelayReport(10, 300),))
    collector.collect(2, None, (DelayReport(10, 200),))  # the same follower again is not a third
    assert collector.publish(12, 4) == (None, 0, ())
    collector.collect(3, None, (DelayReport(10, 900),))
    radio, _, medians = collector.publish(12, 4)
    assert (radio, medians) == (None, (SharedDelay(2, 200),))


def test_a_median_is_told_once_and_again_only_with_another_reporter() -> None:
    collector = DelayCollector()
    for follower in (1, 2, 3):
        collector.collect(follower, None, (DelayReport(10, 100 * follower),))
    assert collector.publish(12, 4)[2] == (SharedDelay(2, 200),)
    assert collector.publish(13, 4)[2] == ()
    collector.collect(4, None, (DelayReport(10, 400),))
    assert collector.publish(14, 4)[2] == (SharedDelay(4, 250),)


def test_radios_are_never_mixed() -> None:
    collector = DelayCollector()
    for follower, radio in ((1, 7), (2, 7), (3, 8), (4, None)):
        collector.collect(follower, radio, (DelayReport(10, 100),))
    assert collector.publish(12, 4) == (None, 0, ())
    collector.collect(5, 7, (DelayReport(10, 100),))
    assert collector.publish(12, 4) == (7, 0, (SharedDelay(2, 100),))


def test_serials_count_back_across_sixteen_bits_and_not_too_far() -> None:
    collector = DelayCollector()
    for follower in (1, 2, 3):
        collector.collect(follower, None, (DelayReport(0xFFFE, 100), DelayReport(0xFF00, 100)))
    assert collector.publish(0x1_0002, 4)[2] == (SharedDelay(4, 100),)


def test_no_more_are_told_than_there_is_room_for_oldest_first() -> None:
    collector = DelayCollector()
    for follower in (1, 2, 3):
        collector.collect(follower, None, tuple(DelayReport(serial, serial) for serial in (16, 14, 12, 10)))
        collector.collect(follower, None, (DelayReport(18, 18),))
    assert collector.publish(20, 4)[2] == tuple(SharedDelay(20 - serial, serial) for serial in (10, 12, 14, 16))
    assert collector.publish(21, 4)[2] == (SharedDelay(3, 18),)


def test_the_doubt_of_a_median_is_told_in_microseconds_rounded_up() -> None:
    assert median_deviation([1_000, 2_000, 6_000]) == pytest.approx(math.pi / 2 * 5_000 / 3 / math.sqrt(3))
    collector = DelayCollector()
    for follower, delay_ns in ((1, 1_000), (2, 2_000), (3, 6_000)):
        collector.collect(follower, None, (DelayReport(10, delay_ns),))
    assert collector.publish(12, 4) == (None, 2 * MICROSECOND, (SharedDelay(2, 2_000),))


def test_a_flood_of_reporters_does_not_fill_the_memory() -> None:
    collector = DelayCollector()
    for follower in range(2 * REPORTERS_MAXIMUM):
        collector.collect(follower, None, (DelayReport(10, 1),))
    for serial in range(2 * ARRIVALS_KEPT):
        collector.collect(1, serial, (DelayReport(serial, 1),))
    assert len(collector._reports) == ARRIVALS_KEPT
    assert max(map(len, collector._reports.values())) <= REPORTERS_MAXIMUM
