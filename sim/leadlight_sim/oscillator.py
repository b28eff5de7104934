"""Crystals that drift: a node's local clock as a function of true time.

The frequency is constant within a segment of one second and changes between segments: a constant error, a random walk,
a warm-up that decays, and a ramp as the evening cools. Within a segment everything is exact integer arithmetic, so
that both directions of conversion agree to the nanosecond.

Figures behind the defaults: crystal datasheets give 10 to 50 ppm of tolerance; measured boards wander by 0.01 to 0.05
ppm per square root of a second and move by some ppm over an evening outdoors, and by about 11 ppm in the first quarter
of an hour after power-on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from leadlight.errors import ConfigurationError, LeadlightError
from leadlight.units import SECOND, LocalInstant
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.streams import Stream

SEGMENT_NS = SECOND
TRILLION = 1_000_000_000_000
"""Frequencies are whole parts per trillion: a thousandth of a ppb keeps an hour exact to four nanoseconds."""
SEGMENTS_KEPT = 512
"""How far back a clock can be read: at least this many seconds before the latest instant asked for."""


@dataclass(frozen=True, slots=True)
class OscillatorSettings:
    """One crystal. Frequencies in ppm of nominal, times in seconds, readings in ns.

    ``offset_ns`` is what the clock shows when the run begins. ``wander_ppm`` is the random walk per square root of a
    second. ``warm_up_ppm`` decays with ``warm_up_s``. ``cooling_ppm`` is added in a ramp of ``cooling_over_s`` from
    ``cooling_from_s`` on. ``resolution_ns`` is the step in which the clock can be read.
    """

    offset_ns: int = 0
    frequency_ppm: float = 0.0
    wander_ppm: float = 0.0
    warm_up_ppm: float = 0.0
    warm_up_s: float = 600.0
    cooling_ppm: float = 0.0
    cooling_from_s: float = 0.0
    cooling_over_s: float = 1200.0
    resolution_ns: int = 1

    def __post_init__(self) -> None:
        for field in ("frequency_ppm", "warm_up_ppm", "cooling_ppm"):
            value = getattr(self, field)
            if not math.isfinite(value) or abs(value) > 1000:
                raise ConfigurationError(field, value, "a number of ppm within 1000 either way")
        if not math.isfinite(self.wander_ppm) or not 0 <= self.wander_ppm <= 10:
            raise ConfigurationError("wander_ppm", self.wander_ppm, "0 to 10 ppm per square root of a second")
        for field in ("warm_up_s", "cooling_over_s"):
            value = getattr(self, field)
            if not math.isfinite(value) or value <= 0:
                raise ConfigurationError(field, value, "a number of seconds above zero")
        if self.resolution_ns < 1:
            raise ConfigurationError("resolution_ns", self.resolution_ns, "1 ns or more")


class Oscillator:
    """A local clock. ``local_at`` and ``true_at`` may be asked in any order; the answers do not depend on it."""

    __slots__ = (
        "_begin",
        "_end",
        "_first",
        "_frequencies",
        "_frequency",
        "_local",
        "_settings",
        "_starts",
        "_stream",
        "_walk_ppm",
    )

    def __init__(self, settings: OscillatorSettings, stream: Stream) -> None:
        self._settings = settings
        self._stream = stream
        self._walk_ppm = 0.0
        self._first = 0  # number of the oldest segment kept
        self._starts: list[int] = [settings.offset_ns]
        self._frequencies: list[int] = [self._draw(0)]
        self._select(0)

    def local_at(self, true: TrueInstant) -> LocalInstant:
        """Return what the clock shows at a true instant."""
        if not self._begin <= true < self._end:
            self._select(true // SEGMENT_NS)
        elapsed = true - self._begin
        local = self._local + elapsed + elapsed * self._frequency // TRILLION
        resolution = self._settings.resolution_ns
        return LocalInstant(local if resolution == 1 else local - local % resolution)

    def true_at(self, local: LocalInstant) -> TrueInstant:
        """Return the first true instant at which the clock shows ``local`` or more."""
        resolution = self._settings.resolution_ns
        wanted = local if resolution == 1 else -(-local // resolution) * resolution
        while True:
            # The first elapsed with elapsed + floor(elapsed·f) >= wanted - start.
            elapsed = -(-(wanted - self._local) * TRILLION // (TRILLION + self._frequency))
            while elapsed + elapsed * self._frequency // TRILLION < wanted - self._local:
                elapsed += 1
            while (elapsed - 1) + (elapsed - 1) * self._frequency // TRILLION >= wanted - self._local:
                elapsed -= 1
            number = self._begin // SEGMENT_NS
            if elapsed >= SEGMENT_NS:
                self._select(number + max(1, (elapsed - SEGMENT_NS) // (2 * SEGMENT_NS)))
            elif elapsed < 0 or (elapsed == 0 and number > 0 and self._local > wanted):
                if number == 0:
                    return TrueInstant(0)
                self._select(number - 1)
            else:
                return TrueInstant(self._begin + elapsed)

    def frequency_ppm_at(self, true: TrueInstant) -> float:
        """Return by how much the clock runs fast at a true instant, in ppm."""
        if not self._begin <= true < self._end:
            self._select(true // SEGMENT_NS)
        return self._frequency / 1e6

    def _select(self, number: int) -> None:
        """Make a segment the current one, extending the clock or looking back as needed."""
        if number < self._first:
            raise LeadlightError(f"a clock was asked for second {number}, but keeps only from {self._first} on")
        while number >= self._first + len(self._starts):
            last = self._starts[-1] + SEGMENT_NS + SEGMENT_NS * self._frequencies[-1] // TRILLION
            self._starts.append(last)
            self._frequencies.append(self._draw(self._first + len(self._frequencies)))
        if len(self._starts) > 2 * SEGMENTS_KEPT:
            surplus = min(len(self._starts) - SEGMENTS_KEPT, number - self._first - 1)
            if surplus > 0:
                del self._starts[:surplus], self._frequencies[:surplus]
                self._first += surplus
        index = number - self._first
        self._begin = number * SEGMENT_NS
        self._end = self._begin + SEGMENT_NS
        self._local = self._starts[index]
        self._frequency = self._frequencies[index]

    def _draw(self, number: int) -> int:
        """Return the frequency of the next segment in parts per trillion."""
        settings = self._settings
        if settings.wander_ppm and number:
            self._walk_ppm += self._stream.normal(0.0, settings.wander_ppm)
        second = float(number)
        cooled = min(max((second - settings.cooling_from_s) / settings.cooling_over_s, 0.0), 1.0)
        ppm = (
            settings.frequency_ppm
            + self._walk_ppm
            + settings.warm_up_ppm * math.exp(-second / settings.warm_up_s)
            + settings.cooling_ppm * cooled
        )
        return round(ppm * 1e6)
