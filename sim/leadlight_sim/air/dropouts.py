"""Loss in time: a channel that is good or bad for a while, and loses a share of what is tried in each state.

The states last for spans of time, not for numbers of packets, so a 1 Hz beacon and a 240 Hz stream meet the same
channel. The two-state model is Gilbert's and Elliott's (E. O. Elliott, Bell System Technical Journal 42, 1963) with
exponential sojourns. Bad spells may also be heavy-tailed, as measured burst lengths indoors are.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_right
from dataclasses import dataclass
from typing import Protocol

from leadlight.errors import ConfigurationError
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.kernel import Stream, TrueInstant

SHORTEST_MEAN_NS = MILLISECOND
"""Spells shorter than a frame exchange are independent loss; ``Dropout.steady`` says that without the
cost."""


FAR_FUTURE_NS = 2**63 - 1
"""The end of what eight bytes hold, 292 years: a spell that would outlast it never ends."""


class Sojourn(Protocol):
    """How long the channel stays in one state."""

    @property
    def mean_ns(self) -> float:
        """The mean stay."""
        ...

    def draw(self, stream: Stream) -> int:
        """Return one stay, at least 1 ns."""
        ...


@dataclass(frozen=True, slots=True)
class ExponentialSojourn:
    """Stays without memory."""

    mean_ns: float

    def draw(self, stream: Stream) -> int:
        """Return one stay, at least 1 ns."""
        return max(1, round(stream.exponential(self.mean_ns)))


@dataclass(frozen=True, slots=True)
class ParetoSojourn:
    """Heavy-tailed stays: P(longer than x) = (minimum / x)^shape, cut off at the cap."""

    minimum_ns: float
    shape: float
    cap_ns: float

    @property
    def mean_ns(self) -> float:
        """The mean stay, the cap included."""
        return self.minimum_ns * capped_pareto_mean(self.shape, self.cap_ns / self.minimum_ns)

    def draw(self, stream: Stream) -> int:
        """Return one stay, at least 1 ns."""
        return max(1, round(stream.pareto(self.minimum_ns, self.shape, self.cap_ns)))


def capped_pareto_mean(shape: float, cap: float) -> float:
    """Return the mean of min(X, ``cap``) for X Pareto with minimum 1: 1 + ∫₁^cap x^(−shape) dx."""
    if shape == 1.0:
        return 1.0 + math.log(cap)
    return 1.0 + math.expm1((1.0 - shape) * math.log(cap)) / (1.0 - shape)


@dataclass(frozen=True, slots=True)
class HeavyTail:
    """The shape of heavy-tailed bad spells, and how many times the shortest one the longest may last."""

    shape: float = 1.5
    cap_ratio: float = 1000.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.shape) and self.shape > 0):
            raise ConfigurationError("shape", self.shape, "a finite number above 0")
        if not (math.isfinite(self.cap_ratio) and self.cap_ratio > 1):
            raise ConfigurationError("cap_ratio", self.cap_ratio, "a finite number above 1")


def _check_share(field: str, value: float) -> None:
    if not 0.0 <= value <= 1.0:
        raise ConfigurationError(field, value, "0 to 1")


@dataclass(frozen=True, slots=True)
class LossFigures:
    """What was asked of a dropout and what its parameters amount to: mean loss, and mean bad spell."""

    asked_loss: float
    asked_burst_ns: float
    mean_loss: float
    mean_burst_ns: float


@dataclass(frozen=True, slots=True)
class Dropout:
    """A two-state channel: a loss share in each state and how long each lasts; no ``bad`` means always
    good."""

    good_loss: float = 0.0
    bad_loss: float = 1.0
    good: Sojourn | None = None
    bad: Sojourn | None = None
    asked_loss: float | None = None
    asked_burst_ns: float | None = None

    def __post_init__(self) -> None:
        _check_share("good_loss", self.good_loss)
        _check_share("bad_loss", self.bad_loss)
        if (self.good is None) != (self.bad is None):
            raise ConfigurationError("good, bad", (self.good, self.bad), "both sojourns or neither")
        for field, sojourn in (("good", self.good), ("bad", self.bad)):
            if sojourn is not None and not sojourn.mean_ns >= SHORTEST_MEAN_NS:
                raise ConfigurationError(field, sojourn, "a mean of at least 1 ms")

    @classmethod
    def steady(cls, loss: float) -> Dropout:
        """Return a channel that loses each try with the same chance, independently."""
        return cls(good_loss=loss, asked_loss=loss)

    @classmethod
    def from_mean(
        cls,
        mean_loss: float,
        mean_burst_seconds: float,
        *,
        good_loss: float = 0.0,
        bad_loss: float = 1.0,
        heavy_tail: HeavyTail | None = None,
    ) -> Dropout:
        """Return the channel with a given long-run loss whose bad spells have a given mean length.

        The bad share of time is π = (loss − good_loss) / (bad_loss − good_loss), the mean good spell
        burst · (1 − π) / π (G. Haßlinger and O. Hohlfeld, MMB 2008). Raises ``ConfigurationError`` where no
        such channel exists: the loss must lie from ``good_loss`` up to but not at ``bad_loss``, and both mean
        spells be at least 1 ms.
        """
        _check_share("good_loss", good_loss)
        _check_share("bad_loss", bad_loss)
        if not (math.isfinite(mean_burst_seconds) and mean_burst_seconds > 0):
            raise ConfigurationError("mean_burst_seconds", mean_burst_seconds, "a finite number above 0")
        if not (good_loss <= mean_loss < bad_loss):
            allowed = f"from the good state's {good_loss:g} to below the bad state's {bad_loss:g}"
            raise ConfigurationError("mean_loss", mean_loss, allowed)
        burst_ns = mean_burst_seconds * SECOND
        if mean_loss == good_loss:
            return cls(good_loss, bad_loss, asked_loss=mean_loss, asked_burst_ns=burst_ns)
        bad_share = (mean_loss - good_loss) / (bad_loss - good_loss)
        good_ns = burst_ns * (1.0 - bad_share) / bad_share
        if burst_ns < SHORTEST_MEAN_NS or good_ns < SHORTEST_MEAN_NS:
            raise ConfigurationError(
                "mean_burst_seconds", mean_burst_seconds, "mean bad and good spells of at least 1 ms each"
            )
        bad: Sojourn = ExponentialSojourn(burst_ns)
        if heavy_tail is not None:
            minimum_ns = burst_ns / capped_pareto_mean(heavy_tail.shape, heavy_tail.cap_ratio)
            bad = ParetoSojourn(minimum_ns, heavy_tail.shape, minimum_ns * heavy_tail.cap_ratio)
        return cls(good_loss, bad_loss, ExponentialSojourn(good_ns), bad, mean_loss, burst_ns)

    @classmethod
    def packet_bursts(cls, loss: float, packets: float, interval_seconds: float) -> Dropout:
        """Return a channel that loses ``loss`` of a stream with this interval in bursts of about ``packets``.

        Bad spells of mean ``packets`` · interval lose everything. The runs that the stream sees are a little longer,
        since a run that touches a packet is not a mean run.
        """
        if not (math.isfinite(packets) and packets > 0):
            raise ConfigurationError("packets", packets, "a finite number above 0")
        if not (math.isfinite(interval_seconds) and interval_seconds > 0):
            raise ConfigurationError("interval_seconds", interval_seconds, "a finite number above 0")
        return cls.from_mean(loss, packets * interval_seconds)

    @property
    def bad_share(self) -> float:
        """The long-run share of time in the bad state."""
        if self.good is None or self.bad is None:
            return 0.0
        return self.bad.mean_ns / (self.good.mean_ns + self.bad.mean_ns)

    @property
    def mean_loss(self) -> float:
        """The long-run loss of single tries: the state losses weighted by time."""
        share = self.bad_share
        return share * self.bad_loss + (1.0 - share) * self.good_loss

    @property
    def figures(self) -> LossFigures:
        """What was asked (what was given, if nothing was) beside what the parameters amount to."""
        burst_ns = self.bad.mean_ns if self.bad is not None else 0.0
        return LossFigures(
            self.mean_loss if self.asked_loss is None else self.asked_loss,
            burst_ns if self.asked_burst_ns is None else self.asked_burst_ns,
            self.mean_loss,
            burst_ns,
        )


NO_DROPOUT = Dropout()
"""A channel that loses nothing."""


class Trajectory:
    """One channel's states over time, from true time 0, as its sojourn stream alone decides them.

    It is drawn ahead as far as anybody asks, and never depends on who asked, when or how often. ``begin_bad``
    is the chance to start in the bad state; None takes the long-run share.
    """

    __slots__ = (
        "_bad_distribution",
        "_begin",
        "_end",
        "_ends",
        "_good_distribution",
        "_is_bad",
        "_starts_bad",
        "_stream",
    )

    def __init__(self, good: Sojourn, bad: Sojourn, stream: Stream, begin_bad: float | None = None) -> None:
        self._good_distribution = good
        self._bad_distribution = bad
        self._stream = stream
        if begin_bad is None:
            begin_bad = bad.mean_ns / (good.mean_ns + bad.mean_ns)
        self._starts_bad = stream.chance(begin_bad)
        # Eight bytes a spell, for a night of short spells has a million of them.
        self._ends = array("q")
        # The segment of the latest question, since most questions fall into the same one.
        self._begin = self._end = 0
        self._is_bad = self._starts_bad

    def is_bad(self, instant: TrueInstant) -> bool:
        """Tell whether the channel is bad at an instant from 0 on."""
        if not self._begin <= instant < self._end:
            self._seek(instant)
        return self._is_bad

    def spell_at(self, instant: TrueInstant) -> tuple[int, int, bool]:
        """Return the spell about an instant from 0 on: where it begins, where the next one does, and if it is bad."""
        is_bad = self.is_bad(instant)
        return self._begin, self._end, is_bad

    def bad_time_ns(self, until: TrueInstant) -> int:
        """Return how much of the time from 0 to ``until`` is bad: the share achieved, beside the one
        asked."""
        self._draw_beyond(until)
        total = begin = 0
        bad = self._starts_bad
        for end in self._ends:
            if begin >= until:
                break
            if bad:
                total += min(end, until) - begin
            begin, bad = end, not bad
        return total

    def _seek(self, instant: int) -> None:
        self._draw_beyond(instant)
        index = bisect_right(self._ends, instant)
        self._begin = self._ends[index - 1] if index else 0
        self._end = self._ends[index]
        self._is_bad = self._starts_bad ^ bool(index & 1)

    def _draw_beyond(self, instant: int) -> None:
        ends = self._ends
        end = ends[-1] if ends else 0
        while not ends or end <= instant:
            bad = self._starts_bad ^ bool(len(ends) & 1)
            end += (self._bad_distribution if bad else self._good_distribution).draw(self._stream)
            ends.append(min(end, FAR_FUTURE_NS))


class LossAt(Protocol):
    """Something that tells the loss at an instant."""

    def loss_at(self, instant: TrueInstant) -> float:
        """Return the chance that one try at this instant is lost."""
        ...


class JointChannel:
    """Two channels in a row: a frame must get through both."""

    __slots__ = ("_first", "_second")

    def __init__(self, first: LossAt, second: LossAt) -> None:
        self._first = first
        self._second = second

    def loss_at(self, instant: TrueInstant) -> float:
        """Return the chance that one try at this instant is lost."""
        first = self._first.loss_at(instant)
        return first + (1.0 - first) * self._second.loss_at(instant)


class Channel:
    """A dropout as it happens: tells the loss at an instant."""

    __slots__ = ("_bad_loss", "_begin", "_end", "_good_loss", "_loss", "trajectory")

    def __init__(self, dropout: Dropout, stream: Stream) -> None:
        self._good_loss = dropout.good_loss
        self._bad_loss = dropout.bad_loss
        self.trajectory: Trajectory | None = None
        # The loss of the latest question's spell; for ever if nothing changes.
        self._begin, self._end = 0, FAR_FUTURE_NS
        self._loss = dropout.good_loss
        if dropout.good is not None and dropout.bad is not None:
            self.trajectory = Trajectory(dropout.good, dropout.bad, stream)
            self._end = 0

    def loss_at(self, instant: TrueInstant) -> float:
        """Return the chance that one try at this instant is lost."""
        if not self._begin <= instant < self._end and self.trajectory is not None:
            self._begin, self._end, is_bad = self.trajectory.spell_at(instant)
            self._loss = self._bad_loss if is_bad else self._good_loss
        return self._loss
