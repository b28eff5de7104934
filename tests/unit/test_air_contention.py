"""The medium: who transmits when, slot by slot, with counts that the test decides."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND
from leadlight_sim.air.contended.access_rules import AccessRules
from leadlight_sim.air.contended.contention import Contender, Medium
from leadlight_sim.air.timing import Band, Radio
from leadlight_sim.kernel import Streams
from leadlight_sim.kernel.kernel import Kernel, TrueInstant

pytestmark = pytest.mark.interpreted

SLOT, SIFS, DIFS, EIFS = 9 * MICROSECOND, 16 * MICROSECOND, 34 * MICROSECOND, 94 * MICROSECOND
RULES = AccessRules(slot_ns=SLOT, sifs_ns=SIFS, difs_ns=DIFS, collision_wait_ns=EIFS)
FRAME, ANSWER = 200 * MICROSECOND, 44 * MICROSECOND


class Speaker(Contender):
    """Sends a number of frames, with counts from a list, and writes down when, and what became of it."""

    def __init__(self, counts: Sequence[int], frames: int, *, backs_off: bool = True, frame_ns: int = FRAME) -> None:
        super().__init__(Streams(1).stream("unused"))
        left = list(counts)
        self.windows: list[int] = []

        def draw(bits: int) -> int:
            self.windows.append((1 << bits) - 1)
            return left.pop(0)

        self.draw_bits = draw
        self.frames = frames
        self.frame_ns = frame_ns
        self.told: list[tuple[int, bool]] = []
        self.backs_off = backs_off

    def begin(self, now: int) -> int:  # noqa: ARG002
        return self.frame_ns if self.frames else 0

    def finish(self, now: int, frame_ns: int, collided: bool) -> int:
        self.told.append((now, collided))
        if collided:
            self.failures += 1
        else:
            self.failures = 0
            self.frames -= 1
        self.is_waiting = self.frames > 0
        return frame_ns + ANSWER

    @property
    def begins(self) -> list[int]:
        return [at for at, _ in self.told]


class Channel:
    def __init__(self, rules: AccessRules = RULES) -> None:
        self.kernel = Kernel()
        self.medium = Medium(self.kernel, rules)

    def ask_at(self, at: int, speaker: Speaker, *, first: bool = False) -> Speaker:
        self.medium.add(speaker)
        action = self.medium.request_first if first else self.medium.request
        self.kernel.schedule(TrueInstant(at), action, speaker)
        return speaker

    def run(self) -> None:
        self.kernel.run_all(limit=10_000)


def test_a_frame_that_finds_the_medium_idle_is_sent_at_once() -> None:
    channel = Channel()
    speaker = channel.ask_at(12_345, Speaker([3], frames=1))
    channel.run()
    assert speaker.told == [(12_345, False)]


def test_the_next_frame_waits_for_difs_and_its_count() -> None:
    channel = Channel()
    speaker = channel.ask_at(0, Speaker([3, 0, 15, 5], frames=4))
    channel.run()
    exchange = FRAME + ANSWER + DIFS
    first, second = exchange + 3 * SLOT, 2 * exchange + 3 * SLOT
    assert speaker.begins == [0, first, second, second + exchange + 15 * SLOT]


def test_counts_stand_still_while_somebody_else_transmits() -> None:
    channel = Channel()
    channel.ask_at(0, Speaker([20], frames=1))
    quick = channel.ask_at(1, Speaker([2, 9], frames=1))
    slow = channel.ask_at(2, Speaker([7, 9], frames=1))
    channel.run()
    resumed = FRAME + ANSWER + DIFS
    assert quick.begins == [resumed + 2 * SLOT]
    # Two of its seven slots passed before; five are left after the next DIFS.
    assert slow.begins == [resumed + 2 * SLOT + FRAME + ANSWER + DIFS + 5 * SLOT]


def test_with_bianchis_convention_a_busy_period_counts_as_a_slot() -> None:
    channel = Channel(AccessRules(slot_ns=SLOT, sifs_ns=SIFS, difs_ns=DIFS, collision_wait_ns=EIFS, counts_busy=True))
    channel.ask_at(0, Speaker([20], frames=1))
    quick = channel.ask_at(1, Speaker([2, 9], frames=1))
    slow = channel.ask_at(2, Speaker([7, 9], frames=1))
    channel.run()
    assert slow.begins[0] - (quick.begins[0] + FRAME + ANSWER + DIFS) == 4 * SLOT


def test_equal_counts_collide_and_windows_double_until_a_try_succeeds() -> None:
    channel = Channel()
    channel.ask_at(0, Speaker([20], frames=1))
    one = channel.ask_at(1, Speaker([4, 6, 1, 0], frames=1))
    other = channel.ask_at(2, Speaker([4, 6, 2, 0], frames=1))
    channel.run()
    met = FRAME + ANSWER + DIFS + 4 * SLOT
    again = met + FRAME + EIFS + 6 * SLOT
    last = again + FRAME + EIFS + SLOT
    assert one.told == [(met, True), (again, True), (last, False)]
    assert other.told == [(met, True), (again, True), (last + FRAME + ANSWER + DIFS + SLOT, False)]
    # On arrival at a busy medium, after one and after two collisions, after success.
    assert one.windows == [15, 31, 63, 15]
    assert (channel.medium.attempts, channel.medium.collided_attempts) == (7, 4)


def test_a_collision_lasts_as_long_as_its_longest_frame() -> None:
    channel = Channel()
    channel.ask_at(0, Speaker([20], frames=1))
    short = channel.ask_at(1, Speaker([4, 0, 0], frames=1))
    channel.ask_at(2, Speaker([4, 9, 0], frames=1, frame_ns=5 * FRAME))
    channel.run()
    assert short.begins[1] - short.begins[0] == 5 * FRAME + EIFS


def test_windows_stop_growing_at_1023_slots() -> None:
    assert RULES.window_bits == (4, 5, 6, 7, 8, 9, 10)
    channel = Channel()
    rounds = 9
    pair = [channel.ask_at(0, Speaker([0] * rounds + [last, 0], frames=1)) for last in (0, 1)]
    channel.run()
    windows = [31, 63, 127, 255, 511, 1023, 1023, 1023, 1023, 1023]
    assert all(speaker.windows == [*windows, 15] for speaker in pair)


def test_two_frames_that_come_at_one_instant_collide() -> None:
    channel = Channel()
    one = channel.ask_at(500, Speaker([1, 0], frames=1))
    other = channel.ask_at(500, Speaker([2, 0], frames=1))
    channel.run()
    assert one.told[0] == other.told[0] == (500, True)


def test_a_count_that_ends_less_than_a_slot_after_a_frame_began_collides_with_it() -> None:
    channel = Channel()
    channel.ask_at(0, Speaker([20], frames=1))
    counting = channel.ask_at(1, Speaker([10, 0, 0], frames=1))
    # The medium is idle, so this one is sent at once: half a slot before the boundary at which the count ends.
    boundary = FRAME + ANSWER + DIFS + 10 * SLOT
    sudden = channel.ask_at(boundary - SLOT // 2, Speaker([1, 0], frames=1))
    channel.run()
    assert sudden.told[0] == counting.told[0] == (boundary - SLOT // 2, True)


def test_a_count_that_ends_a_whole_slot_later_has_heard_it() -> None:
    channel = Channel()
    channel.ask_at(0, Speaker([20], frames=1))
    counting = channel.ask_at(1, Speaker([10, 0], frames=1))
    boundary = FRAME + ANSWER + DIFS + 10 * SLOT
    sudden = channel.ask_at(boundary - SLOT, Speaker([5], frames=1))
    channel.run()
    assert sudden.told == [(boundary - SLOT, False)]
    assert counting.told == [(boundary - SLOT + FRAME + ANSWER + DIFS + SLOT, False)]


def test_a_sender_counts_down_after_its_frame_even_with_nothing_left_to_send() -> None:
    channel = Channel()
    channel.medium.add(speaker := Speaker([10, 0], frames=1))
    channel.kernel.schedule(TrueInstant(0), channel.medium.request, speaker)
    later = FRAME + ANSWER + DIFS + 4 * SLOT

    def one_more() -> None:
        speaker.frames = 1
        channel.medium.request(speaker)

    channel.kernel.schedule(TrueInstant(later), one_more)
    channel.run()
    assert speaker.begins == [0, FRAME + ANSWER + DIFS + 10 * SLOT]


def test_a_frame_that_comes_within_difs_of_a_busy_medium_draws_a_count() -> None:
    channel = Channel()
    channel.ask_at(0, Speaker([20], frames=1))
    late = channel.ask_at(FRAME + ANSWER + DIFS - 1, Speaker([6, 0], frames=1))
    channel.run()
    assert late.begins == [FRAME + ANSWER + DIFS + 6 * SLOT]


def test_a_beacon_outranks_every_count_and_breaks_into_nothing() -> None:
    channel = Channel()
    channel.ask_at(0, Speaker([0, 3, 0], frames=2))
    beacon = channel.ask_at(100_000, Speaker([], frames=1, backs_off=False), first=True)
    other = channel.ask_at(50_000, Speaker([0, 1, 0], frames=1))
    channel.run()
    ended = FRAME + ANSWER
    assert beacon.told == [(ended + SIFS + SLOT, False)]
    # Both the others count nothing down, and meet after the beacon.
    assert other.told[0] == (ended + SIFS + SLOT + FRAME + ANSWER + DIFS, True)


def test_a_beacon_on_an_idle_medium_leaves_on_time() -> None:
    channel = Channel()
    beacon = channel.ask_at(102_400_000, Speaker([], frames=1, backs_off=False), first=True)
    channel.run()
    assert beacon.begins == [102_400_000]


def test_a_sender_that_lost_interest_keeps_nobody_waiting() -> None:
    channel = Channel()
    channel.ask_at(0, Speaker([20], frames=1))
    nothing = channel.ask_at(1, Speaker([2, 2], frames=0))
    speaker = channel.ask_at(2, Speaker([5, 0], frames=1))
    channel.run()
    assert nothing.told == []
    assert speaker.begins == [FRAME + ANSWER + DIFS + 5 * SLOT]
    assert not nothing.is_waiting


def test_asking_twice_is_asking_once() -> None:
    channel = Channel()
    speaker = channel.ask_at(0, Speaker([1], frames=1))
    channel.kernel.schedule(TrueInstant(0), channel.medium.request, speaker)
    channel.run()
    assert speaker.begins == [0]


def test_a_transmission_costs_its_exchange_the_wait_after_it_and_the_count_it_drew() -> None:
    channel = Channel()
    speaker = channel.ask_at(0, Speaker([3, 7], frames=2))
    channel.run()
    assert speaker.used_ns == 2 * (FRAME + ANSWER + DIFS) + 10 * SLOT
    assert channel.medium.busy_ns == 2 * (FRAME + ANSWER)
    assert channel.medium.busy_periods == 2


def test_the_rules_of_a_radio_are_those_of_its_band() -> None:
    narrow, wide, old = (AccessRules.of(radio) for radio in (Radio(), Radio(Band.GHZ_5), Radio(long_slot=True)))
    assert (wide.slot_ns, wide.sifs_ns, wide.difs_ns, wide.collision_wait_ns) == (9_000, 16_000, 34_000, 94_000)
    # SIFS 10, an ACK of 14 bytes at 1 Mb/s with its long preamble 304, DIFS 28 µs.
    assert (narrow.slot_ns, narrow.sifs_ns, narrow.difs_ns, narrow.collision_wait_ns) == (
        9_000,
        10_000,
        28_000,
        342_000,
    )
    assert (old.slot_ns, old.difs_ns, old.cw_min, old.cw_max) == (20_000, 50_000, 31, 1023)
    assert (wide.cw_min, wide.cw_max) == (15, 1023)


@pytest.mark.parametrize(
    "change",
    [
        {"slot_ns": 0},
        {"difs_ns": 1.5},
        {"cw_min": 16},
        {"cw_min": -1},
        {"cw_min": 31, "cw_max": 15},
        {"cw_max": 65_535},
    ],
)
def test_rules_that_cannot_be_are_refused(change: dict[str, Any]) -> None:
    plain: dict[str, Any] = {"slot_ns": SLOT, "sifs_ns": SIFS, "difs_ns": DIFS, "collision_wait_ns": EIFS}
    with pytest.raises(ConfigurationError):
        AccessRules(**(plain | change))


def test_the_first_beacon_of_all_leaves_on_time_too() -> None:
    channel = Channel()
    beacon = channel.ask_at(0, Speaker([], frames=1, backs_off=False), first=True)
    channel.run()
    assert beacon.begins == [0]
