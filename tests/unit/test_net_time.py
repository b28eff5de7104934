from __future__ import annotations

import socket
import struct

from leadlight.net.clock import LocalClock
from leadlight.net.silence import SilenceWatch
from leadlight.net.timestamps import arrival, has_stamp
from leadlight.units import MILLISECOND, SECOND, LocalInstant

WALL_NOW_NS = 1_790_000_000 * SECOND


def stamped(age_ns: int) -> list[tuple[int, int, bytes]]:
    return [(socket.SOL_SOCKET, 35, struct.pack("@ll", *divmod(WALL_NOW_NS - age_ns, SECOND)))]


def arrival_of_age(age_ns: int) -> int:
    return arrival(stamped(age_ns), lambda: LocalInstant(50 * SECOND), lambda: WALL_NOW_NS)


def test_a_datagram_that_waited_in_the_socket_arrived_when_the_kernel_stamped_it() -> None:
    assert arrival_of_age(700 * MILLISECOND) == 49_300 * MILLISECOND


def test_a_wall_clock_step_while_a_datagram_waits_does_not_move_its_arrival() -> None:
    two_weeks_ns = 14 * 24 * 3600 * SECOND
    assert arrival_of_age(two_weeks_ns) == 50 * SECOND
    assert arrival_of_age(-two_weeks_ns) == 50 * SECOND
    assert arrival_of_age(-1) == 50 * SECOND


def test_without_a_stamp_a_datagram_arrived_when_it_was_read() -> None:
    assert arrival([], lambda: LocalInstant(7), lambda: WALL_NOW_NS) == 7
    assert arrival([(socket.SOL_SOCKET, 35, b"short")], lambda: LocalInstant(7), lambda: WALL_NOW_NS) == 7


def test_a_stamp_is_told_from_what_else_the_kernel_says() -> None:
    stamp = (socket.SOL_SOCKET, 35, struct.pack("@ll", 1, 2))
    assert has_stamp([(socket.SOL_SOCKET, 1, b"other"), stamp])
    assert not has_stamp([(socket.SOL_SOCKET, 1, b"other"), (socket.SOL_SOCKET, 35, b"short")])
    assert not has_stamp([])


def test_a_pause_between_the_two_clocks_never_makes_a_datagram_early() -> None:
    hands = Hands()

    def wall_then_pause() -> int:
        hands.run(MILLISECOND)
        return WALL_NOW_NS

    arrived_at = hands.raw - 3 * MILLISECOND
    assert arrival(stamped(3 * MILLISECOND), hands.clock(), wall_then_pause) == arrived_at + MILLISECOND


class Hands:
    """Three clocks set by hand: raw and awake stand still in sleep, boot does not."""

    def __init__(self) -> None:
        self.raw = 1000 * SECOND
        self.awake = 2000 * SECOND
        self.boot = 2600 * SECOND

    def clock(self) -> LocalClock:
        return LocalClock(lambda: self.raw, lambda: self.awake, lambda: self.boot)

    def run(self, duration_ns: int) -> None:
        self.raw += duration_ns
        self.awake += duration_ns
        self.boot += duration_ns


def test_the_local_clock_is_the_raw_clock_while_the_board_is_awake() -> None:
    hands = Hands()
    clock = hands.clock()
    assert clock() == 1000 * SECOND
    hands.run(3 * SECOND)
    assert clock() == 1003 * SECOND
    assert clock.slept_ns == 0


def test_the_local_clock_counts_the_time_a_board_sleeps() -> None:
    hands = Hands()
    clock = hands.clock()
    hands.boot += 60 * SECOND
    assert clock() == 1060 * SECOND
    hands.run(SECOND)
    assert clock() == 1061 * SECOND
    assert clock.slept_ns == 60 * SECOND


def test_a_pause_between_two_readings_is_not_taken_for_sleep() -> None:
    hands = Hands()

    def awake_after_a_pause() -> int:
        hands.run(SECOND)
        return hands.awake

    clock = LocalClock(lambda: hands.raw, awake_after_a_pause, lambda: hands.boot)
    before = clock.slept_ns
    clock()
    assert clock.slept_ns == before == 0


def test_the_system_clock_never_goes_back() -> None:
    clock = LocalClock()
    readings = [clock() for _ in range(100)]
    assert readings == sorted(readings)
    assert readings[-1] > readings[0]


def tries(watch: SilenceWatch, until_ns: int) -> list[int]:
    return [at for at in range(0, until_ns, SECOND) if watch.take_turn(LocalInstant(at))]


def test_silence_brings_tries_at_growing_distance() -> None:
    watch = SilenceWatch(LocalInstant(0), first_wait_ns=10 * SECOND, longest_wait_ns=40 * SECOND)
    assert [at // SECOND for at in tries(watch, 150 * SECOND)] == [10, 30, 70, 110]


def test_a_datagram_from_the_group_starts_the_silence_anew() -> None:
    watch = SilenceWatch(LocalInstant(0), first_wait_ns=10 * SECOND)
    tries(watch, 40 * SECOND)
    watch.heard(LocalInstant(60 * SECOND))
    assert watch.due_at == 70 * SECOND
    assert not watch.take_turn(LocalInstant(70 * SECOND - 1))
    assert watch.take_turn(LocalInstant(70 * SECOND))
