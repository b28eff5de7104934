from __future__ import annotations

from typing import Any

import pytest

from leadlight.errors import ConfigurationError
from leadlight.playback.recovery import (
    BlendedRecovery,
    Correction,
    History,
    HoldRecovery,
    Recovery,
    Remedy,
    SlewOnlyRecovery,
    StepOnlyRecovery,
)
from leadlight.units import MILLISECOND, SECOND, LocalInstant

NOW = LocalInstant(100 * SECOND)
NEVER = History(None, None, 0)
RECOVERY = BlendedRecovery()
TWO_PERCENT = 20_000_000
PATIENCE = 1_500 * MILLISECOND


@pytest.mark.parametrize(
    ("error_ns", "correction"),
    [
        (0, Correction(Remedy.ABSORB, 0)),
        (500_000, Correction(Remedy.ABSORB, 500_000)),
        (-500_000, Correction(Remedy.ABSORB, -500_000)),
        (500_001, Correction(Remedy.SLEW, TWO_PERCENT)),
        (-500_001, Correction(Remedy.SLEW, -TWO_PERCENT)),
        (50 * MILLISECOND, Correction(Remedy.SLEW, TWO_PERCENT)),
        (50 * MILLISECOND + 1, Correction(Remedy.STEP, TWO_PERCENT, PATIENCE)),
        (-50 * MILLISECOND - 1, Correction(Remedy.STEP, -TWO_PERCENT, PATIENCE)),
        (-SECOND + 1, Correction(Remedy.STEP, -TWO_PERCENT, PATIENCE)),
        (-SECOND, Correction(Remedy.HOLD)),
        (-3 * SECOND, Correction(Remedy.HOLD)),
        (3 * SECOND, Correction(Remedy.STEP, TWO_PERCENT, PATIENCE)),
    ],
)
def test_the_size_of_an_error_chooses_its_remedy(error_ns: int, correction: Correction) -> None:
    assert RECOVERY.correct(error_ns, NOW, NEVER) == correction


@pytest.mark.parametrize(("since", "remedy"), [(2 * SECOND - 1, Remedy.SLEW), (2 * SECOND, Remedy.STEP)])
def test_two_seconds_pass_between_steps(since: int, remedy: Remedy) -> None:
    history = History(LocalInstant(NOW - since), None, 0)
    assert RECOVERY.correct(200 * MILLISECOND, NOW, history).remedy is remedy


@pytest.mark.parametrize(
    ("since", "correction"),
    [(SECOND - 1, Correction(Remedy.ABSORB, 0)), (SECOND, Correction(Remedy.SLEW, -TWO_PERCENT))],
)
def test_a_slew_does_not_turn_round_within_a_second(since: int, correction: Correction) -> None:
    history = History(None, LocalInstant(NOW - since), +1)
    assert RECOVERY.correct(-10 * MILLISECOND, NOW, history) == correction


def test_what_runs_while_a_step_waits_does_not_turn_a_slew_round_either() -> None:
    history = History(None, LocalInstant(NOW - SECOND + 1), +1)
    assert RECOVERY.correct(-200 * MILLISECOND, NOW, history) == Correction(Remedy.STEP, 0, PATIENCE)


def test_a_step_has_been_made_before_a_slew_would_be_done() -> None:
    # Of the smallest error that is stepped, with a second for a beacon to tell of it.
    assert SECOND + RECOVERY.step_patience_ns <= RECOVERY.step_above_ns / RECOVERY.slew_rate


def test_a_slew_may_go_on_the_same_way_at_once() -> None:
    history = History(None, NOW, +1)
    assert RECOVERY.correct(10 * MILLISECOND, NOW, history) == Correction(Remedy.SLEW, TWO_PERCENT)


@pytest.mark.parametrize(
    "wrong",
    [
        {"slew_rate": 0.0},
        {"slew_rate": 0.11},
        {"slew_rate": float("nan")},
        {"dead_band_ns": -1},
        {"dead_band_ns": 51 * MILLISECOND},
        {"step_above_ns": 2 * SECOND},
        {"absorb_over_ns": 0},
        {"absorb_over_ns": 4_999_999},
        {"step_spacing_ns": -1},
        {"reversal_spacing_ns": -1},
        {"step_patience_ns": -1},
    ],
)
def test_settings_that_make_no_sense_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ConfigurationError):
        BlendedRecovery(**wrong)


# -- the ones that do one thing alone ----------------------------------------------------------------------------------


@pytest.mark.parametrize("recovery", [SlewOnlyRecovery(), StepOnlyRecovery(), HoldRecovery()])
@pytest.mark.parametrize("error_ns", [500_000, 0, -500_000])
def test_each_of_them_absorbs_what_is_tiny(recovery: Recovery, error_ns: int) -> None:
    assert recovery.correct(error_ns, NOW, NEVER) == Correction(Remedy.ABSORB, error_ns)


@pytest.mark.parametrize("size_ns", [500_001, 50 * MILLISECOND, 10 * SECOND])
def test_slew_only_slews_whatever_the_size(size_ns: int) -> None:
    assert SlewOnlyRecovery().correct(size_ns, NOW, NEVER) == Correction(Remedy.SLEW, TWO_PERCENT)
    assert SlewOnlyRecovery().correct(-size_ns, NOW, NEVER) == Correction(Remedy.SLEW, -TWO_PERCENT)


def test_slew_only_does_not_turn_round_within_a_second() -> None:
    history = History(None, LocalInstant(NOW - SECOND + 1), +1)
    assert SlewOnlyRecovery().correct(-10 * SECOND, NOW, history) == Correction(Remedy.ABSORB, 0)


@pytest.mark.parametrize("error_ns", [500_001, -500_001, 10 * SECOND, -10 * SECOND])
def test_step_only_steps_whatever_the_size_but_not_twice_in_two_seconds(error_ns: int) -> None:
    assert StepOnlyRecovery().correct(error_ns, NOW, NEVER) == Correction(Remedy.STEP, 0, PATIENCE)
    lately = History(LocalInstant(NOW - 2 * SECOND + 1), None, 0)
    assert StepOnlyRecovery().correct(error_ns, NOW, lately) == Correction(Remedy.ABSORB, 0)
    before = History(LocalInstant(NOW - 2 * SECOND), None, 0)
    assert StepOnlyRecovery().correct(error_ns, NOW, before) == Correction(Remedy.STEP, 0, PATIENCE)


def test_hold_freezes_when_ahead_and_steps_forward_alone() -> None:
    lately = History(LocalInstant(NOW - SECOND), None, 0)
    for size_ns in (500_001, 10 * SECOND):
        assert HoldRecovery().correct(-size_ns, NOW, NEVER) == Correction(Remedy.HOLD)
        assert HoldRecovery().correct(-size_ns, NOW, lately) == Correction(Remedy.HOLD)
        assert HoldRecovery().correct(size_ns, NOW, NEVER) == Correction(Remedy.STEP, 0, PATIENCE)
        assert HoldRecovery().correct(size_ns, NOW, lately) == Correction(Remedy.ABSORB, 0)


@pytest.mark.parametrize(
    ("kind", "wrong"),
    [
        (SlewOnlyRecovery, {"slew_rate": 0.0}),
        (SlewOnlyRecovery, {"dead_band_ns": 100 * MILLISECOND + 1}),
        (SlewOnlyRecovery, {"reversal_spacing_ns": -1}),
        (StepOnlyRecovery, {"dead_band_ns": -1}),
        (StepOnlyRecovery, {"step_spacing_ns": -1}),
        (StepOnlyRecovery, {"step_patience_ns": -1}),
        (HoldRecovery, {"dead_band_ns": -1}),
        (HoldRecovery, {"step_spacing_ns": -1}),
        (HoldRecovery, {"step_patience_ns": -1}),
    ],
)
def test_their_settings_are_checked_too(kind: Any, wrong: dict[str, Any]) -> None:
    with pytest.raises(ConfigurationError):
        kind(**wrong)
