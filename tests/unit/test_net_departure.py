"""Stamps are of the instant of leaving: never later than that, and as near to it as the last ones show."""

from __future__ import annotations

from leadlight.net.departure import LEAD_MAXIMUM_NS, Departure
from leadlight.units import MICROSECOND, LocalInstant


class Clock:
    """Goes on by 1 µs whenever it is read, as a program's own reading does."""

    def __init__(self) -> None:
        self.now = LocalInstant(0)

    def __call__(self) -> LocalInstant:
        self.now = LocalInstant(self.now + MICROSECOND)
        return self.now

    def work(self, us: int) -> None:
        self.now = LocalInstant(self.now + us * MICROSECOND)


def left_after_stamp_us(departure: Departure, clock: Clock, making_us: int) -> int:
    stamp = departure.stamp()
    clock.work(making_us)
    departure.await_stamp(stamp)
    return (clock.now - stamp) // MICROSECOND


def test_the_first_datagram_is_late_by_its_making_and_the_next_leave_when_they_say() -> None:
    clock = Clock()
    departure = Departure(clock)
    assert left_after_stamp_us(departure, clock, 60) == 61
    assert [left_after_stamp_us(departure, clock, 60) for _ in range(5)] == [0] * 5


def test_none_leaves_before_the_instant_in_its_stamp() -> None:
    clock = Clock()
    departure = Departure(clock)
    for making_us in (60, 10, 55, 5, 90, 20, 1, 60, 60, 2) * 5:
        assert left_after_stamp_us(departure, clock, making_us) >= 0


def test_three_of_four_are_ready_when_they_should_be() -> None:
    clock = Clock()
    departure = Departure(clock)
    left = [left_after_stamp_us(departure, clock, making_us) for making_us in (10, 20, 30, 40) * 20]
    assert left[16:] == [0, 0, 0, 10] * 16
    slow = [left_after_stamp_us(departure, clock, making_us) for making_us in (10, 20, 30, 300) * 20]
    assert slow[16:] == [0, 0, 0, 270] * 16


def test_what_takes_long_is_not_waited_for() -> None:
    clock = Clock()
    departure = Departure(clock)
    for _ in range(20):
        left_after_stamp_us(departure, clock, 5_000)
    began = clock.now
    assert departure.stamp() - began == LEAD_MAXIMUM_NS + MICROSECOND


def test_where_time_stands_still_meanwhile_nothing_is_waited_for() -> None:
    departure = Departure(lambda: LocalInstant(7))
    for _ in range(3):
        stamp = departure.stamp()
        assert stamp == 7
        departure.await_stamp(stamp)
