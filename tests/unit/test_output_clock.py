from __future__ import annotations

from itertools import pairwise
from random import Random
from typing import Any

import pytest

from leadlight.errors import ConfigurationError
from leadlight.playback.output_clock import OutputClock, OutputClockSettings, Steering
from leadlight.units import MILLISECOND, SECOND, LocalInstant, ShowPosition

EVERY_NS = SECOND // 2


class Output:
    """A device whose crystal is ``stray_ppb`` fast, steered by what its reports are answered."""

    def __init__(self, stray_ppb: int, settings: OutputClockSettings | None = None, ahead_ns: int = 0) -> None:
        self.clock = OutputClock(settings)
        self.stray_ppb = stray_ppb
        self.now = 0
        self.position = ahead_ns
        self.told: list[Steering] = []
        self.errors: list[int] = []

    def run(self, seconds: float, jitter: Random | None = None, reports: bool = True) -> None:
        for _ in range(round(seconds * SECOND) // EVERY_NS):
            if reports:
                late_ns = 0 if jitter is None else jitter.randint(-5 * MILLISECOND, 5 * MILLISECOND)
                steering = self.clock.report(
                    ShowPosition(self.position + late_ns), ShowPosition(self.now), LocalInstant(self.now)
                )
                self.told.append(steering)
                self.position += steering.step_ns
            self.errors.append(self.position - self.now)
            self.now += EVERY_NS
            rate_ppb = self.stray_ppb + self.clock.rate_ppb
            self.position += EVERY_NS + EVERY_NS * rate_ppb // SECOND


def test_the_first_report_of_an_output_in_its_place_orders_nothing() -> None:
    clock = OutputClock()
    assert clock.report(ShowPosition(5 * SECOND), ShowPosition(5 * SECOND), LocalInstant(0)) == Steering(0, 0)


@pytest.mark.parametrize("stray_ppb", [1_000_000, -1_000_000, 50_000])
def test_a_steady_stray_is_learnt_and_cancelled(stray_ppb: int) -> None:
    output = Output(stray_ppb)
    output.run(120)
    assert output.clock.stray_ppb == pytest.approx(stray_ppb, abs=1_000)
    assert output.clock.rate_ppb == pytest.approx(-stray_ppb, abs=3_000)
    assert abs(output.errors[-1]) < 20_000
    assert all(told.step_ns == 0 for told in output.told)


def test_a_distance_is_closed_by_speed_alone_within_the_limit() -> None:
    output = Output(0, ahead_ns=100 * MILLISECOND)
    output.run(300)
    assert min(told.rate_ppb for told in output.told) == -2_000_000
    assert all(told.step_ns == 0 for told in output.told)
    assert abs(output.errors[-1]) < MILLISECOND // 10


def test_a_large_distance_is_jumped_once_and_then_steered() -> None:
    output = Output(200_000, ahead_ns=-3 * SECOND)
    output.run(60)
    assert [told.step_ns for told in output.told if told.step_ns] == [3 * SECOND]
    assert abs(output.errors[-1]) < MILLISECOND


def test_an_output_beyond_steering_says_so_and_jumps_at_most_once_in_the_spacing() -> None:
    # A file made for 44.1 kHz and played at 48 kHz.
    output = Output(88_435_374, OutputClockSettings(step_above_ns=50 * MILLISECOND))
    output.run(60)
    assert output.clock.is_beyond_steering
    assert output.clock.stray_ppb == pytest.approx(88_435_374, rel=0.01)
    assert all(abs(told.rate_ppb) <= 2_000_000 for told in output.told)
    stepped = [number for number, told in enumerate(output.told) if told.step_ns]
    assert stepped
    assert all(later - earlier >= 4 for earlier, later in pairwise(stepped))


def test_reports_that_jitter_by_a_block_move_the_output_by_a_fraction_of_it() -> None:
    output = Output(1_000_000)
    output.run(60, Random(1))
    output.errors.clear()
    output.run(600, Random(2))
    # Uniform within 5 ms; the filter averages over tens of reports.
    assert max(map(abs, output.errors)) < 2 * MILLISECOND


def test_without_reports_the_learnt_rate_is_kept() -> None:
    output = Output(1_000_000)
    output.run(120)
    before = output.errors[-1]
    output.run(60, reports=False)
    # Left at its own rate it would be 60 ms out.
    assert abs(output.errors[-1] - before) < MILLISECOND // 2


def test_one_wild_report_hardly_moves_it_and_three_are_believed() -> None:
    output = Output(0)
    output.run(60)
    away = ShowPosition(output.now + 200 * MILLISECOND)
    once = output.clock.report(away, ShowPosition(output.now), LocalInstant(output.now))
    assert once.step_ns == 0
    assert abs(output.clock.error_ns) < 5 * MILLISECOND
    for later in (1, 2):
        shift = later * EVERY_NS
        output.clock.report(ShowPosition(away + shift), ShowPosition(output.now + shift),
                            LocalInstant(output.now + shift))  # fmt: skip
    assert output.clock.error_ns == 200 * MILLISECOND
    assert abs(output.clock.stray_ppb) < 1_000


def test_a_report_that_is_not_later_changes_nothing() -> None:
    output = Output(300_000)
    output.run(30)
    rate_ppb, error_ns = output.clock.rate_ppb, output.clock.error_ns
    again = output.clock.report(ShowPosition(0), ShowPosition(SECOND), LocalInstant(output.now - EVERY_NS))
    assert again == Steering(rate_ppb, 0)
    assert (output.clock.rate_ppb, output.clock.error_ns) == (rate_ppb, error_ns)


@pytest.mark.parametrize(
    "wrong",
    [
        {"rate_limit_ppb": 2_000_001},
        {"rate_limit_ppb": 999},
        {"closing_ns": SECOND - 1},
        {"jitter_ns": 0},
        {"jitter_ns": 1e6},
        {"step_above_ns": 9 * MILLISECOND},
        {"step_spacing_ns": 2 * SECOND - 1},
    ],
)
def test_settings_that_make_no_sense_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ConfigurationError):
        OutputClockSettings(**wrong)
