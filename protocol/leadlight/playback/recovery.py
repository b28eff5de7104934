"""How a playhead removes an error: recovery strategies.

A strategy is shown an error and says what to do about it; the playhead does it. Steps and slews are RFC 5905's terms.
The rules that keep a correction from becoming a flash are here. There is a dead band, so that nothing hunts. There is
one step in two seconds at most, and that where it is not seen, if such a place comes soon. There is no reversal within
a second.

``BlendedRecovery`` is the one to use. The others do one thing alone, each under the same rules, and are there to be
compared with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import Final, NamedTuple, Protocol

from leadlight.errors import ConfigurationError, check_number, check_whole
from leadlight.units import BILLION, MILLISECOND, SECOND, LocalInstant


class Remedy(Enum):
    """What is done about an error."""

    ABSORB = "absorb"
    """Inside the dead band: spread over a second, at a rate nobody can see."""
    SLEW = "slew"
    """Run a little fast or slow until the error is gone."""
    STEP = "step"
    """Jump."""
    HOLD = "hold"
    """Freeze until the show has caught up."""


ABSORB: Final = Remedy.ABSORB
SLEW: Final = Remedy.SLEW
STEP: Final = Remedy.STEP
HOLD: Final = Remedy.HOLD
"""For what runs at every sample: to reach a member through its class takes Python 3.11 ten times as long."""


@dataclass(slots=True)
class Correction:
    """A remedy, and for a slew or an absorption how much faster than the show to run, in parts per billion.

    A step may wait up to ``patience_ns``, counted from when one was first wanted, for an instant at which the player
    has said that nobody sees it. ``rate_ppb`` is then how much faster than the show to run until it comes.
    """

    remedy: Remedy
    rate_ppb: int = 0
    patience_ns: int = 0


class History(NamedTuple):
    """What a strategy may know of the past: when the last step was, and when and which way the last slew ran.

    ``slew_sign`` is +1 for fast, −1 for slow, 0 before the first.
    """

    stepped_at: LocalInstant | None
    slewed_until: LocalInstant | None
    slew_sign: int


class Recovery(Protocol):
    """Decides how an error is removed."""

    def correct(self, error_ns: int, now: LocalInstant, history: History) -> Correction:
        """Return what to do about an error: the show's position minus the playhead's, positive when it is behind."""


DEAD_BAND_NS: Final = 500_000
ABSORB_OVER_NS: Final = SECOND
SLEW_RATE: Final = 0.02
STEP_SPACING_NS: Final = 2 * SECOND
REVERSAL_SPACING_NS: Final = SECOND
STEP_PATIENCE_NS: Final = 1500 * MILLISECOND
"""With a second for the next beacon to tell of an error, well within the time that the least one stepped would take to
slew: 50 ms at 2 %, 2.5 s."""


def _absorbed(error_ns: int) -> Correction:
    return Correction(ABSORB, error_ns * BILLION // ABSORB_OVER_NS)


def _slewed(error_ns: int, rate: float, now: LocalInstant, history: History, spacing_ns: int) -> Correction:
    """Return a slew, or nothing where that would turn the last one round too soon."""
    sign = 1 if error_ns > 0 else -1
    is_reversal = history.slewed_until is not None and sign != history.slew_sign
    if is_reversal and history.slewed_until is not None and now - history.slewed_until < spacing_ns:
        return Correction(Remedy.ABSORB, 0)
    return Correction(Remedy.SLEW, sign * round(rate * BILLION))


def _may_step(now: LocalInstant, history: History, spacing_ns: int) -> bool:
    return history.stepped_at is None or now - history.stepped_at >= spacing_ns


def _check_rate(rate: float) -> None:
    check_number("slew_rate", rate, 0, 0.1, "above zero, at most 0.1")


def _check_dead_band(dead_band_ns: int) -> None:
    check_whole("dead_band_ns", dead_band_ns, 0, ABSORB_OVER_NS // 10, "0 to 100 ms in ns")


def _check_not_negative(field: str, value: int) -> None:
    check_whole(field, value, 0, math.inf, "zero or more ns")


@dataclass(frozen=True, slots=True)
class BlendedRecovery:
    """The default: absorb what is tiny, slew what is small, step what is not, hold when far ahead.

    ``slew_rate`` is a share of normal speed; times are ns. An error between ``step_above_ns`` and ``hold_above_ns``
    is stepped either way; from ``hold_above_ns`` on, a playhead that is ahead is held. Between two steps at least
    ``step_spacing_ns`` pass, and a slew never turns round within ``reversal_spacing_ns``. A step waits up to
    ``step_patience_ns`` for frames that the player has marked as dark or unchanging, and slews meanwhile.
    """

    dead_band_ns: int = DEAD_BAND_NS
    absorb_over_ns: int = ABSORB_OVER_NS
    slew_rate: float = SLEW_RATE
    step_above_ns: int = 50 * MILLISECOND
    hold_above_ns: int = SECOND
    step_spacing_ns: int = STEP_SPACING_NS
    reversal_spacing_ns: int = REVERSAL_SPACING_NS
    step_patience_ns: int = STEP_PATIENCE_NS

    def __post_init__(self) -> None:
        _check_rate(self.slew_rate)
        for field in ("dead_band_ns", "absorb_over_ns", "step_above_ns", "hold_above_ns"):
            _check_not_negative(field, getattr(self, field))
        if not self.dead_band_ns <= self.step_above_ns <= self.hold_above_ns:
            raise ConfigurationError(
                "dead_band_ns, step_above_ns, hold_above_ns",
                [self.dead_band_ns, self.step_above_ns, self.hold_above_ns],
                "three durations in rising order",
            )
        if self.absorb_over_ns <= 0 or self.dead_band_ns > self.absorb_over_ns // 10:
            raise ConfigurationError("absorb_over_ns", self.absorb_over_ns, "at least ten times the dead band")
        _check_not_negative("step_spacing_ns", self.step_spacing_ns)
        _check_not_negative("reversal_spacing_ns", self.reversal_spacing_ns)
        _check_not_negative("step_patience_ns", self.step_patience_ns)

    def correct(self, error_ns: int, now: LocalInstant, history: History) -> Correction:
        """Return what to do about ``error_ns``; see the class."""
        size = abs(error_ns)
        if size <= self.dead_band_ns:
            return Correction(ABSORB, error_ns * BILLION // self.absorb_over_ns)
        slewed = _slewed(error_ns, self.slew_rate, now, history, self.reversal_spacing_ns)
        if size > self.step_above_ns:
            if error_ns < 0 and size >= self.hold_above_ns:
                return Correction(Remedy.HOLD)
            if _may_step(now, history, self.step_spacing_ns):
                return Correction(Remedy.STEP, slewed.rate_ppb, self.step_patience_ns)
        return slewed


@dataclass(frozen=True, slots=True)
class SlewOnlyRecovery:
    """Never jumps: runs fast or slow until the error is gone, however long that takes.

    ``slew_rate`` is a share of normal speed: a second of error takes fifty at 2 %.
    """

    dead_band_ns: int = DEAD_BAND_NS
    slew_rate: float = SLEW_RATE
    reversal_spacing_ns: int = REVERSAL_SPACING_NS

    def __post_init__(self) -> None:
        _check_rate(self.slew_rate)
        _check_dead_band(self.dead_band_ns)
        _check_not_negative("reversal_spacing_ns", self.reversal_spacing_ns)

    def correct(self, error_ns: int, now: LocalInstant, history: History) -> Correction:
        """Return what to do about ``error_ns``; see the class."""
        if abs(error_ns) <= self.dead_band_ns:
            return _absorbed(error_ns)
        return _slewed(error_ns, self.slew_rate, now, history, self.reversal_spacing_ns)


@dataclass(frozen=True, slots=True)
class StepOnlyRecovery:
    """Jumps to where the show is, whatever the error; between two jumps ``step_spacing_ns`` pass.

    A jump waits up to ``step_patience_ns`` for frames that the player has marked as dark or unchanging.
    """

    dead_band_ns: int = DEAD_BAND_NS
    step_spacing_ns: int = STEP_SPACING_NS
    step_patience_ns: int = STEP_PATIENCE_NS

    def __post_init__(self) -> None:
        _check_dead_band(self.dead_band_ns)
        _check_not_negative("step_spacing_ns", self.step_spacing_ns)
        _check_not_negative("step_patience_ns", self.step_patience_ns)

    def correct(self, error_ns: int, now: LocalInstant, history: History) -> Correction:
        """Return what to do about ``error_ns``; see the class."""
        if abs(error_ns) <= self.dead_band_ns:
            return _absorbed(error_ns)
        if not _may_step(now, history, self.step_spacing_ns):
            return Correction(Remedy.ABSORB)
        return Correction(Remedy.STEP, patience_ns=self.step_patience_ns)


@dataclass(frozen=True, slots=True)
class HoldRecovery:
    """Freezes when ahead, until the show has caught up; jumps forward when behind, and never back.

    Between two jumps ``step_spacing_ns`` pass, and one waits up to ``step_patience_ns`` for frames that the player has
    marked as dark or unchanging.
    """

    dead_band_ns: int = DEAD_BAND_NS
    step_spacing_ns: int = STEP_SPACING_NS
    step_patience_ns: int = STEP_PATIENCE_NS

    def __post_init__(self) -> None:
        _check_dead_band(self.dead_band_ns)
        _check_not_negative("step_spacing_ns", self.step_spacing_ns)
        _check_not_negative("step_patience_ns", self.step_patience_ns)

    def correct(self, error_ns: int, now: LocalInstant, history: History) -> Correction:
        """Return what to do about ``error_ns``; see the class."""
        if abs(error_ns) <= self.dead_band_ns:
            return _absorbed(error_ns)
        if error_ns < 0:
            return Correction(Remedy.HOLD)
        if not _may_step(now, history, self.step_spacing_ns):
            return Correction(Remedy.ABSORB)
        return Correction(Remedy.STEP, patience_ns=self.step_patience_ns)
