"""How a playhead removes an error: recovery strategies.

A strategy is shown an error and says what to do about it; the playhead does it. Steps and slews are RFC 5905's terms.
The rules that keep a correction from becoming a flash are here: a dead band, so that nothing hunts; one step in two
seconds at most; and no reversal within a second.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple, Protocol

from leadlight.errors import ConfigurationError
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


class Correction(NamedTuple):
    """A remedy, and for a slew or an absorption how much faster than the show to run, in parts per billion."""

    remedy: Remedy
    rate_ppb: int = 0


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


@dataclass(frozen=True, slots=True)
class BlendedRecovery:
    """The default: absorb what is tiny, slew what is small, step what is not, hold when far ahead.

    ``slew_rate`` is a share of normal speed; times are ns. An error between ``step_above_ns`` and ``hold_above_ns``
    is stepped either way; from ``hold_above_ns`` on, a playhead that is ahead is held. Between two steps at least
    ``step_spacing_ns`` pass, and a slew never turns round within ``reversal_spacing_ns``.
    """

    dead_band_ns: int = 500_000
    absorb_over_ns: int = SECOND
    slew_rate: float = 0.02
    step_above_ns: int = 50 * MILLISECOND
    hold_above_ns: int = SECOND
    step_spacing_ns: int = 2 * SECOND
    reversal_spacing_ns: int = SECOND

    def __post_init__(self) -> None:
        if not 0 < self.slew_rate <= 0.1:
            raise ConfigurationError("slew_rate", self.slew_rate, "above zero, at most 0.1")
        if not 0 <= self.dead_band_ns <= self.step_above_ns <= self.hold_above_ns:
            raise ConfigurationError(
                "dead_band_ns, step_above_ns, hold_above_ns",
                [self.dead_band_ns, self.step_above_ns, self.hold_above_ns],
                "three durations in rising order, none below zero",
            )
        if self.absorb_over_ns <= 0 or self.dead_band_ns > self.absorb_over_ns // 10:
            raise ConfigurationError("absorb_over_ns", self.absorb_over_ns, "at least ten times the dead band")
        for field in ("step_spacing_ns", "reversal_spacing_ns"):
            if getattr(self, field) < 0:
                raise ConfigurationError(field, getattr(self, field), "zero or more")

    def correct(self, error_ns: int, now: LocalInstant, history: History) -> Correction:
        """Return what to do about ``error_ns``; see the class."""
        size = abs(error_ns)
        if size <= self.dead_band_ns:
            return Correction(Remedy.ABSORB, error_ns * BILLION // self.absorb_over_ns)
        if size > self.step_above_ns:
            if error_ns < 0 and size >= self.hold_above_ns:
                return Correction(Remedy.HOLD)
            if history.stepped_at is None or now - history.stepped_at >= self.step_spacing_ns:
                return Correction(Remedy.STEP)
        sign = 1 if error_ns > 0 else -1
        if (
            history.slewed_until is not None
            and sign != history.slew_sign
            and now - history.slewed_until < self.reversal_spacing_ns
        ):
            return Correction(Remedy.ABSORB, 0)
        return Correction(Remedy.SLEW, sign * round(self.slew_rate * BILLION))
