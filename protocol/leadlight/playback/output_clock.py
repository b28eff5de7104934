"""Steering an output that counts time by a crystal of its own.

A player hands frames or samples to a device whose second is not this host's. Cheap crystals are tens to thousands of
parts per million off, and a device tells how far it has come in blocks. Left alone, one that is 1000 ppm out is 3.6 s
wrong after an hour. A player that can run its output a little fast or slow reports where the output is and where the
show is. It is told the rate to run at and, should it be far out, by how much to jump.

Two parts, as for the music that a leader follows. A two-state Kalman filter (R. E. Kalman, "A new approach to linear
filtering and prediction problems", 1960) that learns how far out the output is and how fast it strays when not steered,
and a law that cancels the straying and closes the distance, under a limit on the rate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, NamedTuple

from leadlight.errors import check_whole
from leadlight.units import BILLION, MILLISECOND, SECOND, LocalInstant, ShowPosition

RATE_LIMIT_PPB: Final = 2_000_000
"""An output is never told to run further from its own speed than this."""
STRAY_START: Final = 1e-3
"""Standard deviation of the straying before anything is known: crystals and clocks of on-chip oscillators."""
STRAY_WANDER: Final = 0.1e-6
"""Random walk of the straying, per square root of a second: a crystal outdoors, with a margin of two."""
CLIP_SIGMAS: Final = 4.0
STRAYS_BEFORE_BELIEF: Final = 3
"""So many reports in a row far off to one side are believed: the output has stalled or sought."""


@dataclass(frozen=True, slots=True)
class OutputClockSettings:
    """How an output may be steered; times in ns.

    ``rate_limit_ppb``: how far from its own speed it may be told to run. ``closing_ns``: near by, a distance falls to
    1/e in this time. ``jitter_ns``: standard deviation of the player's reports, for a device that counts in blocks
    about a third of a block. ``step_above_ns``: a distance beyond this is jumped, at most once in ``step_spacing_ns``.
    """

    rate_limit_ppb: int = RATE_LIMIT_PPB
    closing_ns: int = 10 * SECOND
    jitter_ns: int = 3 * MILLISECOND
    step_above_ns: int = 250 * MILLISECOND
    step_spacing_ns: int = 2 * SECOND

    def __post_init__(self) -> None:
        for field, low, high, allowed in (
            ("rate_limit_ppb", 1_000, RATE_LIMIT_PPB, "1000 to 2 000 000 parts per billion"),
            ("closing_ns", SECOND, 600 * SECOND, "1 s to 600 s"),
            ("jitter_ns", 1_000, 100 * MILLISECOND, "1 µs to 100 ms"),
            ("step_above_ns", 10 * MILLISECOND, 10 * SECOND, "10 ms to 10 s"),
            ("step_spacing_ns", 2 * SECOND, 60 * SECOND, "2 s to 60 s"),
        ):
            check_whole(field, getattr(self, field), low, high, allowed)


class Steering(NamedTuple):
    """What the player should do: run at ``rate_ppb`` more than the output's own speed, and first jump by ``step_ns``.

    ``step_ns`` is positive forward, and 0 in all but rare cases.
    """

    rate_ppb: int
    step_ns: int = 0


class _Beyond(NamedTuple):
    elapsed: float
    unordered: float
    stray: float


class OutputClock:
    """Steers one output. Report, and run it as told until the next report.

    The player must do what it is told: what the output does by itself is what is left when the orders are subtracted.
    """

    def __init__(self, settings: OutputClockSettings | None = None) -> None:
        self.settings = settings or OutputClockSettings()
        self.rate_ppb = 0
        """The order in force. With no reports it stands: the straying that was learnt goes on being cancelled."""
        self._at: LocalInstant | None = None
        self._stepped_at: LocalInstant | None = None
        self._error = 0.0
        self._stray = 0.0
        # Their covariance, in s², s and 1.
        self._p_ee = self._p_es = 0.0
        self._p_ss = STRAY_START**2
        self._beyond = 0
        # Of the first report of a row far off: when, what it said, and the straying believed before it.
        self._first_beyond = _Beyond(0.0, 0.0, 0.0)
        # Seconds since the first report, and what the orders alone have moved the output by since then.
        self._elapsed = self._ordered = 0.0

    @property
    def error_ns(self) -> int:
        """How far the output is ahead of the show as of the last report, as far as that is known."""
        return round(self._error * SECOND)

    @property
    def stray_ppb(self) -> int:
        """How much faster than this host's clock the output runs by itself."""
        return round(self._stray * BILLION)

    @property
    def is_beyond_steering(self) -> bool:
        """Whether the output strays by more than it may be steered: it must jump from time to time."""
        return abs(self.stray_ppb) > self.settings.rate_limit_ppb

    def report(self, output: ShowPosition, wanted: ShowPosition, at: LocalInstant) -> Steering:
        """Take the position that the output has reached and the one it should have at ``at``; return what to do.

        A report that is not later than the one before changes nothing.
        """
        seen = (output - wanted) / SECOND
        if self._at is None:
            self._at = at
            self._error = seen
            self._p_ee = self._noise
        elif at <= self._at:
            return Steering(self.rate_ppb)
        else:
            self._predict((at - self._at) / SECOND)
            self._at = at
            self._correct(seen)
        step_ns = self._step(at)
        self.rate_ppb = self._order()
        return Steering(self.rate_ppb, step_ns)

    @property
    def _noise(self) -> float:
        return (self.settings.jitter_ns / SECOND) ** 2

    def _predict(self, elapsed: float) -> None:
        self._elapsed += elapsed
        self._ordered += self.rate_ppb / BILLION * elapsed
        self._error += (self._stray + self.rate_ppb / BILLION) * elapsed
        wander = STRAY_WANDER**2
        self._p_ee += 2 * elapsed * self._p_es + elapsed**2 * self._p_ss + wander * elapsed**3 / 3
        self._p_es += elapsed * self._p_ss + wander * elapsed**2 / 2
        self._p_ss += wander * elapsed

    def _correct(self, seen: float) -> None:
        residual = seen - self._error
        variance = self._p_ee + self._noise
        limit = CLIP_SIGMAS * math.sqrt(variance)
        if abs(residual) > limit:
            side = 1 if residual > 0 else -1
            if self._beyond * side <= 0:
                self._beyond = 0
                self._first_beyond = _Beyond(self._elapsed, seen - self._ordered, self._stray)
            self._beyond += side
            if abs(self._beyond) >= STRAYS_BEFORE_BELIEF:
                self._begin_anew(seen)
                return
            residual = side * limit
        else:
            self._beyond = 0
        gain_e, gain_s = self._p_ee / variance, self._p_es / variance
        self._error += gain_e * residual
        self._stray += gain_s * residual
        self._p_ss -= gain_s * self._p_es
        self._p_es -= gain_e * self._p_es
        self._p_ee -= gain_e * self._p_ee

    def _begin_anew(self, seen: float) -> None:
        """Believe that the output is somewhere else, and if the reports say so clearly, that its speed is another."""
        self._beyond = 0
        first = self._first_beyond
        span = self._elapsed - first.elapsed
        speed = (seen - self._ordered - first.unordered) / span
        doubt = math.sqrt(2 * self._noise) / span
        self._stray = first.stray
        if abs(speed - first.stray) > CLIP_SIGMAS * doubt:
            self._stray, self._p_ss = speed, doubt**2
        self._error, self._p_ee, self._p_es = seen, self._noise, 0.0

    def _step(self, at: LocalInstant) -> int:
        settings = self.settings
        is_far = abs(self.error_ns) > settings.step_above_ns
        if not is_far or (self._stepped_at is not None and at - self._stepped_at < settings.step_spacing_ns):
            return 0
        self._stepped_at = at
        step_ns = -self.error_ns
        self._ordered += step_ns / SECOND
        self._error = 0.0
        return step_ns

    def _order(self) -> int:
        limit = self.settings.rate_limit_ppb
        wanted = -self._stray - self._error * SECOND / self.settings.closing_ns
        return max(-limit, min(limit, round(wanted * BILLION)))
