"""Delay distributions: small frozen objects that draw a delay in nanoseconds from a stream.

Distributions compose: ``Sum`` adds independent parts, ``Sometimes`` adds a rare one, ``Mixture`` picks one of several.
``AirTables`` names the distributions of one network, wherever they come from: a preset, a fitted recording, a
contended run.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from leadlight.errors import ConfigurationError
from leadlight_sim.kernel import Stream


class DelayDistribution(Protocol):
    """Anything that draws delays."""

    def draw(self, stream: Stream) -> int:
        """Return one delay in nanoseconds, 0 or more."""
        ...


@dataclass(frozen=True, slots=True)
class Fixed:
    """Always the same delay."""

    delay_ns: int

    def __post_init__(self) -> None:
        _check_whole("delay_ns", self.delay_ns, 0)

    def draw(self, stream: Stream) -> int:  # noqa: ARG002 - nothing here is left to chance
        """Return the delay."""
        return self.delay_ns


@dataclass(frozen=True, slots=True)
class Uniform:
    """Any delay from ``low_ns`` to ``high_ns``."""

    low_ns: float
    high_ns: float

    def __post_init__(self) -> None:
        _check_not_negative("low_ns", self.low_ns)
        if not self.low_ns <= self.high_ns < math.inf:
            raise ConfigurationError("high_ns", self.high_ns, "finite, at least low_ns")

    def draw(self, stream: Stream) -> int:
        """Return one delay in nanoseconds."""
        return round(stream.uniform(self.low_ns, self.high_ns))


@dataclass(frozen=True, slots=True)
class Exponential:
    """A delay without memory."""

    mean_ns: float

    def __post_init__(self) -> None:
        _check_above_zero("mean_ns", self.mean_ns)

    def draw(self, stream: Stream) -> int:
        """Return one delay in nanoseconds."""
        return round(stream.exponential(self.mean_ns))


@dataclass(frozen=True, slots=True)
class Gamma:
    """A delay of ``stages`` exponential stages, each of mean ``stage_ns``."""

    stages: int
    stage_ns: float

    def __post_init__(self) -> None:
        _check_whole("stages", self.stages, 1)
        _check_above_zero("stage_ns", self.stage_ns)

    def draw(self, stream: Stream) -> int:
        """Return one delay in nanoseconds."""
        return round(stream.gamma(self.stages, self.stage_ns))


@dataclass(frozen=True, slots=True)
class HalfNormal:
    """The size of a normal deviation of standard deviation ``scale_ns``."""

    scale_ns: float

    def __post_init__(self) -> None:
        _check_above_zero("scale_ns", self.scale_ns)

    def draw(self, stream: Stream) -> int:
        """Return one delay in nanoseconds."""
        return round(stream.half_normal(self.scale_ns))


@dataclass(frozen=True, slots=True)
class LogNormal:
    """A delay whose logarithm is normal: ``median_ns``, deviation ``sigma``, never above ``cap_ns`` if
    given."""

    median_ns: float
    sigma: float
    cap_ns: float = math.inf

    def __post_init__(self) -> None:
        _check_above_zero("median_ns", self.median_ns)
        _check_not_negative("sigma", self.sigma)
        if not self.cap_ns > 0:
            raise ConfigurationError("cap_ns", self.cap_ns, "above 0")

    def draw(self, stream: Stream) -> int:
        """Return one delay in nanoseconds."""
        delay_ns = self.median_ns * math.exp(stream.normal(0.0, self.sigma))
        return round(delay_ns if delay_ns < self.cap_ns else self.cap_ns)


@dataclass(frozen=True, slots=True)
class Pareto:
    """A heavy tail: P(above x) = (minimum / x)^shape, cut off at ``cap_ns``."""

    minimum_ns: float
    shape: float
    cap_ns: float

    def __post_init__(self) -> None:
        _check_above_zero("minimum_ns", self.minimum_ns)
        _check_above_zero("shape", self.shape)
        if not self.minimum_ns <= self.cap_ns < math.inf:
            raise ConfigurationError("cap_ns", self.cap_ns, "finite, at least minimum_ns")

    def draw(self, stream: Stream) -> int:
        """Return one delay in nanoseconds."""
        return round(stream.pareto(self.minimum_ns, self.shape, self.cap_ns))


@dataclass(frozen=True, slots=True)
class Empirical:
    """A delay as it was seen: equally spaced quantiles, smallest and largest included, straight lines between."""

    quantiles_ns: tuple[int, ...]

    def __post_init__(self) -> None:
        values = self.quantiles_ns
        whole = all(type(value) is int and value >= 0 for value in values)
        if not values or not whole or list(values) != sorted(values):
            raise ConfigurationError("quantiles_ns", values, "one rising delay or more, whole ns, 0 or more")

    def draw(self, stream: Stream) -> int:
        """Return one delay in nanoseconds."""
        values = self.quantiles_ns
        place = stream.uniform(0.0, len(values) - 1)
        index = int(place)
        low = values[index]
        return low + round((values[min(index + 1, len(values) - 1)] - low) * (place - index))


@dataclass(frozen=True, slots=True)
class Sum:
    """Independent delays that follow one another."""

    parts: tuple[DelayDistribution, ...]

    def draw(self, stream: Stream) -> int:
        """Return one delay in nanoseconds."""
        total = 0
        for part in self.parts:
            total += part.draw(stream)
        return total


@dataclass(frozen=True, slots=True)
class Sometimes:
    """A delay that happens with a certain chance, and is 0 otherwise."""

    chance: float
    distribution: DelayDistribution

    def __post_init__(self) -> None:
        if not 0.0 <= self.chance <= 1.0:
            raise ConfigurationError("chance", self.chance, "0 to 1")

    def draw(self, stream: Stream) -> int:
        """Return one delay in nanoseconds."""
        return self.distribution.draw(stream) if stream.random() < self.chance else 0


@dataclass(frozen=True, slots=True)
class Mixture:
    """One of several distributions, by weight; the weights add up to 1."""

    parts: tuple[tuple[float, DelayDistribution], ...]

    def __post_init__(self) -> None:
        weights = [weight for weight, _ in self.parts]
        if any(not weight >= 0 for weight in weights) or abs(sum(weights) - 1.0) > 1e-9:
            raise ConfigurationError("parts", weights, "weights of 0 or more that sum to 1")

    def draw(self, stream: Stream) -> int:
        """Return one delay in nanoseconds."""
        left = stream.uniform(0.0, 1.0)
        for weight, distribution in self.parts:
            left -= weight
            if left < 0.0:
                return distribution.draw(stream)
        return self.parts[-1][1].draw(stream)


@dataclass(frozen=True, slots=True)
class StretchedExcess:
    """Another distribution with its excess over ``floor_ns`` multiplied by ``factor``; what is below stays as it
    is."""

    distribution: DelayDistribution
    floor_ns: int
    factor: float

    def __post_init__(self) -> None:
        _check_not_negative("floor_ns", self.floor_ns)
        _check_not_negative("factor", self.factor)

    def draw(self, stream: Stream) -> int:
        """Return one delay in nanoseconds."""
        delay_ns = self.distribution.draw(stream)
        excess_ns = delay_ns - self.floor_ns
        return self.floor_ns + round(excess_ns * self.factor) if excess_ns > 0 else delay_ns


@dataclass(frozen=True, slots=True, kw_only=True)
class AirTables:
    """The delay distributions of one network.

    ``up`` and ``down`` are one unicast crossing of the radio, station to access point and back. ``group`` is the part
    of a group transmission that all receivers share (the access point's queue and the medium). ``private`` is what each
    receiver adds of its own, to unicast too. ``cable`` is the wire between access point and wired stations.
    ``first_hop`` stands in for ``up`` where a second crossing of the radio follows; None means ``up``. ``forwarded``
    stands in for ``down`` where a first crossing went before, and ``reply`` for ``up`` in what is sent within
    ``reply_within_ns`` of hearing from its destination. The medium has just been busy, so that both count down first.
    None means that nothing is known of that. ``floor_ns`` is the smallest delay of one crossing, of which asymmetries
    are shares. ``group_loss`` is the chance that a group frame collides, and is lost to all. ``behind`` is how long a
    group frame takes that goes right behind another of those that a DTIM beacon let go, from the end of that one.
    ``behind_loss`` is its chance to collide. None means that both are as with any other. ``apart`` stands in for
    ``private`` in group frames: what each receiver adds to what all share; None means that ``private`` holds.
    ``count_stretch`` is how many times as long as on an idle medium the count before another try takes.
    """

    up: DelayDistribution
    down: DelayDistribution
    group: DelayDistribution
    private: DelayDistribution
    cable: DelayDistribution
    floor_ns: int = 0
    first_hop: DelayDistribution | None = None
    forwarded: DelayDistribution | None = None
    reply: DelayDistribution | None = None
    reply_within_ns: int = 0
    group_loss: float = 0.0
    behind: DelayDistribution | None = None
    behind_loss: float = 0.0
    apart: DelayDistribution | None = None
    count_stretch: float = 1.0

    def __post_init__(self) -> None:
        _check_not_negative("floor_ns", self.floor_ns)
        for name in ("group_loss", "behind_loss"):
            loss = getattr(self, name)
            if not 0.0 <= loss <= 1.0:
                raise ConfigurationError(name, loss, "0 to 1")
        if not 1.0 <= self.count_stretch < math.inf:
            raise ConfigurationError("count_stretch", self.count_stretch, "a finite number, 1 or more")


def _check_whole(field: str, value: object, least: int) -> None:
    if type(value) is not int or value < least:
        raise ConfigurationError(field, value, f"a whole number, {least} or more")


def _check_not_negative(field: str, value: float) -> None:
    if not 0 <= value < math.inf:
        raise ConfigurationError(field, value, "a finite number, 0 or more")


def _check_above_zero(field: str, value: float) -> None:
    if not 0 < value < math.inf:
        raise ConfigurationError(field, value, "a finite number above 0")
