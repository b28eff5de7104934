"""Marks held against soundings: a constant error that no residual shows."""

from __future__ import annotations

import math

import pytest

from leadlight.clock.estimator import Estimate
from leadlight.clock.mark_trust import DELAYS_KEPT, PROBATION, SHARP_MINIMUM, SIDED_NS, STAMPING_NS, Probation
from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LocalInstant

DEVIATION_NS = 100 * MICROSECOND
FLOOR_NS = MILLISECOND
VOUCHED_NS = (3 * DEVIATION_NS + FLOOR_NS * 3 // 10) * 3 // 2 + STAMPING_NS
"""Three deviations and three tenths of the floor, one and a half times, and what stamps may err by."""


class Court:
    """Marks of a clock without offset and rate, one a second, scattered evenly by 20 us about an error."""

    def __init__(self, sharp: bool = False) -> None:
        self.probation = Probation()
        self.number = 0
        for number in range(DELAYS_KEPT if sharp else 0):
            self.probation.note_delay(number * MILLISECOND)

    def marks(
        self, count: int, error_ns: int, deviation_ns: float = DEVIATION_NS, sounded: bool = True
    ) -> list[bool]:
        """Return after each of so many marks whether they steer."""
        steered = []
        for _ in range(count):
            self.number += 1
            at = LocalInstant(self.number * SECOND)
            scatter = 20 * MICROSECOND * (1 if self.number % 2 else -1)
            tracked = Estimate(at, error_ns, 0.0)
            uncorrected = Estimate(at, 0, 0.0, deviation_ns, 0.0, FLOOR_NS)
            self.probation.observe(at, error_ns + scatter, True, tracked, 20e3, uncorrected, sounded=sounded)
            steered.append(self.probation.is_passed)
        return steered


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("error_ns", "earned"), [(VOUCHED_NS - 25_000, True), (VOUCHED_NS + 25_000, False)])
def test_marks_beyond_what_soundings_vouch_for_never_steer(error_ns: int, earned: bool, sign: int) -> None:
    assert Court().marks(4 * PROBATION, sign * error_ns)[-1] is earned


def test_sharpness_is_no_defence() -> None:
    assert Court(sharp=True).marks(SHARP_MINIMUM, VOUCHED_NS // 2)[-1]
    assert not any(Court(sharp=True).marks(4 * PROBATION, 2 * VOUCHED_NS))


def test_trust_is_lost_when_more_than_half_lie_beyond_and_earned_again_by_a_whole_probation() -> None:
    court = Court(sharp=True)
    assert court.marks(PROBATION, 0)[-1]
    assert court.marks(PROBATION, 2 * VOUCHED_NS) == [True] * (PROBATION // 2) + [False] * (PROBATION // 2)
    again = court.marks(2 * PROBATION, 0)
    # Three of the contradicting ones were left, so that the first good one is judged with them and ends that beginning.
    assert again.index(True) == PROBATION
    assert all(again[PROBATION:])


def test_a_spell_in_which_the_soundings_err_costs_no_trust_while_it_is_short() -> None:
    court = Court()
    court.marks(PROBATION, 0)
    assert all(court.marks(PROBATION // 2, 2 * VOUCHED_NS))
    assert all(court.marks(PROBATION, 0))


def test_marks_beyond_on_both_sides_are_noise_and_no_contradiction() -> None:
    court = Court()
    steered = [court.marks(1, (1 if number % 2 else -1) * 2 * VOUCHED_NS)[0] for number in range(2 * PROBATION)]
    assert steered.index(True) == PROBATION - 1
    assert all(steered[PROBATION:])


def test_an_estimator_that_keeps_no_account_contradicts_nothing() -> None:
    assert Court().marks(PROBATION, SECOND, deviation_ns=math.inf)[-1]


def test_a_clock_of_beacons_alone_contradicts_nothing() -> None:
    assert Court().marks(PROBATION, SECOND, sounded=False)[-1]


def test_a_new_leader_or_radio_begins_with_a_clean_sheet() -> None:
    court = Court(sharp=True)
    court.marks(PROBATION, 2 * VOUCHED_NS)
    court.probation.restart()
    for number in range(DELAYS_KEPT):
        court.probation.note_delay(number * MILLISECOND)
    assert court.marks(SHARP_MINIMUM, 0)[-1]


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("residual_ns", "steers"), [(SIDED_NS - 1, True), (SIDED_NS, False)])
def test_marks_of_hosts_that_stamp_exactly_keep_trust_while_a_crystal_warms(
    residual_ns: int, steers: bool, sign: int
) -> None:
    court = Court()
    for number in range(2 * PROBATION):
        at = LocalInstant(number * SECOND)
        tracked = Estimate(at, 0, 0.0)
        uncorrected = Estimate(at, 0, 0.0, DEVIATION_NS, 0.0, FLOOR_NS)
        court.probation.observe(at, sign * residual_ns, True, tracked, 1e3, uncorrected, sounded=True)
    assert court.probation.is_passed is steers


@pytest.mark.parametrize(
    ("marks", "share", "steers"), [(6, 0.49, True), (6, 0.51, False), (5, 0.24, True), (5, 0.26, False)]
)
def test_marks_steer_early_where_they_agree_far_better_than_the_delays_do(
    marks: int, share: float, steers: bool
) -> None:
    probation = Probation()
    for number in range(DELAYS_KEPT):
        probation.note_delay(number * MILLISECOND)  # 4 ms from their median, at the median
    for number in range(marks):
        apart = round(share * 4 * MILLISECOND) if number % 2 else 0
        at = LocalInstant(number * SECOND)
        probation.observe(at, apart, True, None, math.inf, None, sounded=False)
    assert probation.is_passed is steers


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("on_one_side", "steers"), [(27, True), (28, False)])
def test_marks_are_biased_where_a_fair_coin_falls_so_once_in_ten_thousand(
    on_one_side: int, steers: bool, sign: int
) -> None:
    # Of 32: four deviations of a fair coin are 22.6, and 27 to 5 are 22 apart.
    probation = Probation()
    for number in range(32):
        at = LocalInstant(number * SECOND)
        residual = sign * SIDED_NS * (1 if number < on_one_side else -1)
        probation.observe(at, residual, True, Estimate(at, 0, 0.0), 1e5, None, sounded=False)
    assert probation.is_passed is steers
