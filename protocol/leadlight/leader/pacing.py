"""Pacing: a show line that follows the music, whose second is not the system's.

An audio device counts time by a crystal of its own, off by tens to hundreds of parts per million. A player knows its
position only as finely as its driver tells it. Lights follow the music and never the reverse: the player reports where
it is, and the pacer bends the show line after it, so gently that nobody sees it.

Two parts. A two-state Kalman filter (R. E. Kalman, "A new approach to linear filtering and prediction problems", 1960;
constant rate with a random walk, as in the clock's tracker) learns where the music is and how fast it runs. Its noise
is learnt from its own residuals, single strays are clipped, and six strays in a row to one side are believed. A
steering law then closes the distance between line and music under a limit on how fast the rate may move. Near by it
goes in proportion, and from further away along a braking curve, ``rate = sqrt(2 · slope · distance)``, so that it
arrives without overshooting.

A bias that all reports share, such as an output latency that the player does not know, cannot be seen here: that is
what trims are for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, NamedTuple

from leadlight.clock import RATE_WANDER
from leadlight.cue import RATE_LIMIT_PPB, ShowLine
from leadlight.errors import check_whole
from leadlight.leader.settings import BEACON_INTERVAL_NS
from leadlight.terms import MusicChange
from leadlight.units import BILLION, MILLISECOND, MINUTE, SECOND, LeaderInstant, ShowPosition

LATENCY_MAXIMUM_NS: Final = 10 * SECOND

RATE_START: Final = 250e-6
"""Standard deviation of the rate before anything is known: cheap devices are off by up to 500 ppm."""
RATE_REOPENED: Final = 2e-6
"""Standard deviation that a new line adds to the rate: minutes may have passed since the last."""
RATE_LIMIT: Final = RATE_LIMIT_PPB / BILLION
"""Music that runs further off than a line may follow ends in a jump."""
NOISE_MINIMUM: Final = 0.2e-3
NOISE_MAXIMUM: Final = 100e-3
NOISE_GAIN: Final = 0.02
MEAN_DEVIATION_TO_SIGMA: Final = 1.25
"""A Gaussian's standard deviation over its mean absolute deviation, sqrt(pi / 2)."""
CLIP_SIGMAS: Final = 4.0
STRAYS_BEFORE_BELIEF: Final = 6

CLOSING_SECONDS: Final = 30.0
"""Near by, a distance falls to 1/e in this time."""
BRAKING_SHARE: Final = 0.4
"""How much of the slope the braking curve plans with; the rest is for what the filter still learns."""
CHANGE_MINIMUM_PPB: Final = 1_000
"""A smaller change of rate is not worth a new line: left alone it costs a distance of 30 µs, ``CLOSING_SECONDS`` at
this rate."""

JUMP_REPORTS: Final = 3
JUMP_SPAN_NS: Final = SECOND // 2
"""A jump is told when so many reports in a row, over so long, lie beyond the limit on one side."""


@dataclass(frozen=True, slots=True)
class PacerSettings:
    """How a line may follow the music.

    ``interval_ns``: a new line at most so often; the beacon interval is a good choice. ``slope_ppb``: how far the rate
    may move in a second, parts per billion. ``jump_ns``: music further from the line than this has jumped and is not
    chased. ``jitter_ns``: standard deviation of the reports, to begin with; it is learnt.
    """

    interval_ns: int = BEACON_INTERVAL_NS
    slope_ppb: int = 10_000
    jump_ns: int = 250 * MILLISECOND
    jitter_ns: int = 20 * MILLISECOND

    def __post_init__(self) -> None:
        for field, low, high, allowed in (
            ("interval_ns", 50 * MILLISECOND, 10 * SECOND, "0.05 s to 10 s"),
            ("slope_ppb", 100, 100_000, "100 to 100 000 parts per billion in a second"),
            ("jump_ns", 50 * MILLISECOND, MINUTE, "50 ms to 60 s"),
            ("jitter_ns", 100_000, 100 * MILLISECOND, "0.1 ms to 100 ms"),
        ):
            check_whole(field, getattr(self, field), low, high, allowed)


class Jumped(NamedTuple):
    """The music is somewhere else: a seek, a pause, a stall. Nothing is paced until a line begins anew."""

    at: LeaderInstant
    position: ShowPosition
    """Where the music is heard to be at ``at``."""
    distance_ns: int
    """How far that is ahead of the line; negative behind it."""
    what: MusicChange


class _Report(NamedTuple):
    at: LeaderInstant
    position: int
    ahead: bool


class Pacer:
    """Follows one player. ``line`` is the show line in force, ``None`` before the first ``begin``."""

    def __init__(self, settings: PacerSettings | None = None) -> None:
        self.settings = settings or PacerSettings()
        self.line: ShowLine | None = None
        self.jumped: Jumped | None = None
        """Why pacing rests, where it does."""
        self._filter = _MusicFilter(self.settings.jitter_ns * 1e-9)
        self._changed_at = LeaderInstant(0)
        self._reported_at: LeaderInstant | None = None
        self._beyond: list[_Report] = []
        # After a jump: where the music was heard last, and when.
        self._heard = 0
        self._heard_at = LeaderInstant(0)

    def begin(self, line: ShowLine) -> None:
        """Take up the line of a cue that rolls: a new show, a jump that was cued, a restart.

        What was learnt of the music's rate is kept; a cue for the next show may use ``rate_ppb`` from the start.
        """
        self.line = line
        self.jumped = None
        self._changed_at = line.leader_at
        self._reported_at = None
        self._beyond.clear()
        self._filter.begin()

    @property
    def rate_ppb(self) -> int:
        """The music's rate as learnt, in parts per billion fast of leader time; 0 before anything is known."""
        return min(max(round(self._filter.rate * BILLION), -RATE_LIMIT_PPB), RATE_LIMIT_PPB)

    @property
    def deviation_ns(self) -> float:
        """Standard deviation of where the music is believed to be, in ns; infinite before the first report."""
        return self._filter.deviation * 1e9

    def report(self, position: ShowPosition, latency_ns: int, at: LeaderInstant) -> Jumped | None:
        """Take the player's word: at ``at`` it hands over ``position``, which is heard ``latency_ns`` later.

        ``at`` is on the leader's clock. Reports from before the line begins, and out of order, count for nothing.
        Returns what is known of a jump, once it is sure, and of each thing that the music does afterwards: pause, go
        on, or go elsewhere. The reports that tell of it do not bend the line.
        Raises ``ConfigurationError`` for a latency outside 0 to 10 s.
        """
        check_whole("latency_ns", latency_ns, 0, LATENCY_MAXIMUM_NS, "0 to 10 s in ns")
        line = self.line
        if line is None or at < line.leader_at:
            return None
        if self._reported_at is not None and at <= self._reported_at:
            return None
        self._reported_at = at
        heard = position - latency_ns
        distance_ns = heard - line.position_at(at)
        jumped = self.jumped
        stands = jumped is not None and jumped.what is MusicChange.PAUSED
        stray_ns = distance_ns if jumped is None else heard - self._heard - (0 if stands else at - self._heard_at)
        if abs(stray_ns) > self.settings.jump_ns:
            return self._note_beyond(_Report(at, heard, stray_ns > 0), distance_ns)
        self._beyond.clear()
        if jumped is None:
            self._filter.observe(at, heard - at)
        elif not stands:
            self._heard, self._heard_at = heard, at  # at its own pace, which may not be the leader's
        return None

    def _note_beyond(self, report: _Report, distance_ns: int) -> Jumped | None:
        if self._beyond and self._beyond[0].ahead is not report.ahead:
            self._beyond.clear()
        self._beyond.append(report)
        first = self._beyond[0]
        span_ns = report.at - first.at
        if len(self._beyond) < JUMP_REPORTS or span_ns < JUMP_SPAN_NS:
            return None
        stands = abs(report.position - first.position) * 2 < span_ns
        stood = self.jumped is not None and self.jumped.what is MusicChange.PAUSED
        what = MusicChange.SOUGHT
        if stands is not stood:
            what = MusicChange.PAUSED if stands else MusicChange.RESUMED
        elif stands:
            what = MusicChange.PAUSED  # sought while it stands, and it stands there
        self.jumped = Jumped(report.at, ShowPosition(report.position), distance_ns, what)
        self._heard, self._heard_at = report.position, report.at
        self._beyond.clear()
        return self.jumped

    def amend(self, now: LeaderInstant) -> ShowLine | None:
        """Return the line to publish from ``now`` on, or ``None`` while the one in force will do.

        It meets the old line at ``now`` to the nanosecond. Call it as often as you like: a new line comes at most once
        an interval. Its rate differs from the last by at most the slope times the time between, and at most one
        interval's worth.
        """
        line = self.line
        distance = self._distance(now)
        if line is None or distance is None:
            return None
        elapsed_ns = now - self._changed_at
        if elapsed_ns < self.settings.interval_ns:
            return None
        slope = self.settings.slope_ppb * 1e-9
        closing = min(abs(distance) / CLOSING_SECONDS, math.sqrt(2 * BRAKING_SHARE * slope * abs(distance)))
        wanted = round((self._filter.rate + math.copysign(closing, distance)) * BILLION)
        most = self.settings.slope_ppb * self.settings.interval_ns // SECOND
        change = min(max(wanted - line.rate_ppb, -most), most)
        rate_ppb = min(max(line.rate_ppb + change, -RATE_LIMIT_PPB), RATE_LIMIT_PPB)
        if abs(rate_ppb - line.rate_ppb) < CHANGE_MINIMUM_PPB:
            return None
        self.line = ShowLine(now, line.position_at(now), rate_ppb)
        self._changed_at = now
        return self.line

    def _distance(self, now: LeaderInstant) -> float | None:
        """How far the music is ahead of the line, in seconds."""
        if self.line is None or self.jumped is not None:
            return None
        return self._filter.ahead_of(now, self.line.position_at(now) - now)


class _MusicFilter:
    """Where the music is, as its position less the leader's clock, and how fast that grows. Values inside are seconds,
    relative to the first report's."""

    __slots__ = ("_base", "_noise", "_strays", "_t", "_x", "_xr", "_xx", "rate", "rate_variance")

    def __init__(self, noise: float) -> None:
        self.rate = 0.0
        self.rate_variance = RATE_START**2
        self._noise = noise
        self.begin()

    def begin(self) -> None:
        """Forget where the music is; keep how fast it runs."""
        self.rate_variance = min(self.rate_variance + RATE_REOPENED**2, RATE_START**2)
        self._base: int | None = None
        self._t = LeaderInstant(0)
        self._x = 0.0
        self._xx = math.inf
        self._xr = 0.0
        self._strays = 0

    @property
    def deviation(self) -> float:
        return math.sqrt(self._xx)

    def ahead_of(self, now: LeaderInstant, offset_ns: int) -> float | None:
        """How far the music at ``now`` is ahead of a line whose position less the clock is ``offset_ns``."""
        if self._base is None:
            return None
        return self._x + self.rate * ((now - self._t) * 1e-9) - (offset_ns - self._base) * 1e-9

    def observe(self, at: LeaderInstant, offset_ns: int) -> None:
        if self._base is None:
            self._base, self._t = offset_ns, at
            self._x, self._xx, self._xr = 0.0, self._noise**2, 0.0
            return
        elapsed = (at - self._t) * 1e-9
        q = RATE_WANDER * RATE_WANDER * elapsed
        self._t = at
        self._x += self.rate * elapsed
        self._xx += elapsed * (2 * self._xr + elapsed * self.rate_variance) + q * elapsed * elapsed / 3
        self._xr += elapsed * self.rate_variance + q * elapsed / 2
        self.rate_variance += q
        residual = (offset_ns - self._base) * 1e-9 - self._x
        variance = self._xx + self._noise**2
        limit = CLIP_SIGMAS * math.sqrt(variance)
        if abs(residual) > limit:
            side = 1 if residual > 0 else -1
            self._strays = self._strays + side if self._strays * side > 0 else side
            if abs(self._strays) >= STRAYS_BEFORE_BELIEF:
                # So many to one side are no strays: the music has moved. How fast it runs was not wrong for that.
                self._strays = 0
                self._x += residual
                self._xx, self._xr = self._noise**2, 0.0
                return
            residual = math.copysign(limit, residual)
        else:
            self._strays = 0
        gain_x, gain_r = self._xx / variance, self._xr / variance
        self._x += gain_x * residual
        self.rate = min(max(self.rate + gain_r * residual, -RATE_LIMIT), RATE_LIMIT)
        self.rate_variance = max(self.rate_variance - gain_r * self._xr, 1e-24)
        self._xr -= gain_r * self._xx
        self._xx = max(self._xx - gain_x * self._xx, 1e-18)
        surprise = min(abs(residual) * (1 - gain_x), CLIP_SIGMAS * self._noise)
        learnt = self._noise + NOISE_GAIN * (MEAN_DEVIATION_TO_SIGMA * surprise - self._noise)
        self._noise = min(max(learnt, NOISE_MINIMUM), NOISE_MAXIMUM)
