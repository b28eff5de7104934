"""Crystals that drift: a node's local clock as a function of true time.

The frequency is constant within a segment and changes between segments: a constant error, a random walk, a warm-up
that decays, and a ramp as the evening cools. Within a segment everything is exact integer arithmetic, so that each
direction of conversion is the other's inverse to the nanosecond.

What is promised
----------------
- Answers depend on the settings, the stream and the instant, never on what was asked before, nor in what order.
- A clock never goes back. It shows 0, 1 or 2 ns more after each nanosecond, since it counts whole ones too. A fast one
  rises at every nanosecond, a slow one stands still at some, and always rises within three.
- Nothing is forgotten: any instant since the start may be asked for at any time. A segment costs 12 bytes, so that
  12 hours of 128 clocks, at the default length, are 17 MB.

Figures behind the settings: crystal datasheets give 10 to 50 ppm of tolerance. A random walk of 0.01 to 0.05 ppm per
square root of a second covers small boards without temperature control (the steadiest ones wander by some ppb). About
1 ppm per °C moves a clock by 1 to 5 ppm over an evening outdoors, and a warm-up of 11 ppm after power-on settles in
10 to 20 minutes (NTP FAQ, "Clock quality"; D. Mills, Computer Network Time Synchronization, ch. 16).
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from leadlight.errors import ConfigurationError, LeadlightError
from leadlight.units import MINUTE, SECOND, LocalInstant
from leadlight_sim.kernel import Stream, TrueInstant

TRILLION = 1_000_000_000_000
"""Frequencies are whole parts per trillion: rounding them costs an hour less than four nanoseconds."""
FREQUENCY_LIMIT = 2_000_000_000
"""In parts per trillion: no sum of errors, walk, warm-up and cooling takes a clock further than 2000 ppm."""
HORIZON_S = 100 * 24 * 3600
"""How long after its start a clock may be asked for: an instant beyond is taken for a mistake, not computed."""


@dataclass(frozen=True, slots=True)
class OscillatorSettings:
    """One crystal. Frequencies in ppm of nominal, times in seconds, readings and lengths in ns.

    ``offset_ns`` is what the clock shows when it starts. ``wander_ppm`` is the random walk per square root of a second.
    ``warm_up_ppm`` is there at the start and decays with the time constant ``warm_up_s``. ``cooling_ppm`` is added in a
    ramp of ``cooling_over_s`` that begins at the true time ``cooling_from_s``, whenever the clock started.
    ``resolution_ns`` is the step in which the clock can be read, ``segment_ns`` how long its frequency stays the same.
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
    segment_ns: int = 4 * SECOND

    def __post_init__(self) -> None:
        for field in ("offset_ns", "resolution_ns", "segment_ns"):
            if type(getattr(self, field)) is not int:
                raise ConfigurationError(field, getattr(self, field), "a whole number of ns")
        if abs(self.offset_ns) > 1 << 62:
            raise ConfigurationError("offset_ns", self.offset_ns, "within 2^62 ns, 146 years, either way")
        for field in ("frequency_ppm", "warm_up_ppm", "cooling_ppm"):
            value = getattr(self, field)
            if not abs(value) <= 1000:
                raise ConfigurationError(field, value, "a number of ppm within 1000 either way")
        if not 0 <= self.wander_ppm <= 10:
            raise ConfigurationError("wander_ppm", self.wander_ppm, "0 to 10 ppm per square root of a second")
        for field in ("warm_up_s", "cooling_over_s"):
            value = getattr(self, field)
            if not math.isfinite(value) or value <= 0:
                raise ConfigurationError(field, value, "a number of seconds above zero")
        if not math.isfinite(self.cooling_from_s):
            raise ConfigurationError("cooling_from_s", self.cooling_from_s, "a finite number of seconds")
        if not 1 <= self.resolution_ns <= SECOND:
            raise ConfigurationError("resolution_ns", self.resolution_ns, "1 ns to 1 s")
        if not SECOND // 10 <= self.segment_ns <= MINUTE:
            raise ConfigurationError("segment_ns", self.segment_ns, "0.1 s to 1 minute")


class Oscillator:
    """A local clock that starts at the true instant ``started_at`` and draws its wander from ``stream``.

    Nobody else may draw from that stream. A node that reboots gets a new clock.
    """

    __slots__ = (
        "_begin",
        "_end",
        "_frequencies",
        "_local",
        "_local_end",
        "_rate",
        "_resolution",
        "_segment_ns",
        "_settings",
        "_starts",
        "_stream",
        "_walk_deviation_ppm",
        "_walk_ppm",
        "started_at",
    )

    def __init__(
        self,
        settings: OscillatorSettings,
        stream: Stream,
        started_at: TrueInstant = TrueInstant(0),  # noqa: B008
    ) -> None:
        self.started_at = started_at
        self._settings = settings
        self._stream = stream
        self._resolution = settings.resolution_ns
        self._segment_ns = settings.segment_ns
        self._walk_ppm = 0.0
        self._walk_deviation_ppm = settings.wander_ppm * math.sqrt(settings.segment_ns / SECOND)
        # Segment k begins at the local instant starts[k] and ends at starts[k + 1]. Arrays: a fifth of lists' memory.
        self._starts = array("q", [settings.offset_ns])
        self._frequencies = array("i")
        self._extend()
        self._select(0)

    def local_at(self, true: TrueInstant) -> LocalInstant:
        """Return what the clock shows at a true instant.

        Raises ``LeadlightError`` for an instant before the start or beyond ``HORIZON_S``.
        """
        if not self._begin <= true < self._end:
            self._select_true(true)
        # With f in parts per trillion, e + floor(e·f/10¹²) is floor(e·(10¹² + f)/10¹²): one rounding, always down.
        local = self._local + (true - self._begin) * self._rate // TRILLION
        resolution = self._resolution
        return LocalInstant(local if resolution == 1 else local - local % resolution)

    def true_at(self, local: LocalInstant) -> TrueInstant:
        """Return the first true instant, from the start on, at which the clock shows ``local`` or more.

        Raises ``LeadlightError`` if that lies beyond ``HORIZON_S``.
        """
        resolution = self._resolution
        # A clock read in steps shows ``local`` once it has reached the next step.
        wanted = local if resolution == 1 else local + -local % resolution
        begin, shown, rate = self._begin, self._local, self._rate
        if not shown < wanted <= self._local_end:
            if wanted <= self._starts[0]:
                return self.started_at
            # The current segment stays the current one: who asks when a timer is due goes on to ask what is shown now.
            number = self._segment_showing(wanted)
            begin = TrueInstant(self.started_at + number * self._segment_ns)
            shown, rate = self._starts[number], TRILLION + self._frequencies[number]
        # The least e with floor(e·rate/10¹²) >= w is ceil(w·10¹²/rate).
        return TrueInstant(begin - ((shown - wanted) * TRILLION // rate))

    @property
    def segment_ns(self) -> int:
        """How long its frequency stays the same, in ns of true time from its start on."""
        return self._segment_ns

    @property
    def resolution_ns(self) -> int:
        """The step in which it can be read, in ns."""
        return self._resolution

    def segments(self, first: int, last: int) -> tuple[Sequence[int], Sequence[int]]:
        """Return what it shows where each segment from ``first`` to ``last`` begins, and each one's frequency.

        Frequencies are in parts per trillion beyond nominal. For whoever works out many readings at once.
        """
        while last >= len(self._frequencies):
            self._extend()
        return self._starts[first : last + 1], self._frequencies[first : last + 1]

    def frequency_ppm_at(self, true: TrueInstant) -> float:
        """Return by how much the clock runs fast at a true instant, in ppm; raises as ``local_at`` does."""
        if not self._begin <= true < self._end:
            self._select_true(true)
        return (self._rate - TRILLION) / 1e6

    def _select_true(self, true: TrueInstant) -> None:
        elapsed = true - self.started_at
        if not 0 <= elapsed <= HORIZON_S * SECOND:
            raise LeadlightError(
                f"a clock that started at {self.started_at} ns was asked for {true} ns; allowed: from its start to "
                f"{HORIZON_S // 86400} days after it"
            )
        number = elapsed // self._segment_ns
        while number >= len(self._frequencies):
            self._extend()
        self._select(number)

    def _segment_showing(self, wanted: int) -> int:
        """Return the number of the segment in which the clock comes to show ``wanted``."""
        starts = self._starts
        if wanted - starts[0] > HORIZON_S * SECOND:
            raise LeadlightError(
                f"a clock that started at {self.started_at} ns, showing {starts[0]} ns, was asked when it shows "
                f"{wanted} ns; allowed: up to {HORIZON_S // 86400} days after its start"
            )
        while starts[-1] < wanted:
            self._extend()
        last = len(starts) - 2
        return last if starts[last] < wanted else bisect_left(starts, wanted) - 1

    def _select(self, number: int) -> None:
        """Make a segment the current one."""
        self._begin = TrueInstant(self.started_at + number * self._segment_ns)
        self._end = self._begin + self._segment_ns
        self._local = self._starts[number]
        self._local_end = self._starts[number + 1]
        self._rate = TRILLION + self._frequencies[number]

    def _extend(self) -> None:
        """Draw the next segment. They are drawn in order only, whatever is asked, so draws are spent the same way."""
        settings = self._settings
        length_s = self._segment_ns / SECOND
        number = len(self._frequencies)
        if self._walk_deviation_ppm and number:
            self._walk_ppm += self._stream.normal(0.0, self._walk_deviation_ppm)
        # What changes within the segment counts with its value in the middle.
        running_s = (number + 0.5) * length_s
        ppm = settings.frequency_ppm + self._walk_ppm
        if settings.warm_up_ppm:
            ppm += settings.warm_up_ppm * math.exp(-running_s / settings.warm_up_s)
        if settings.cooling_ppm:
            cooling_s = self.started_at / SECOND + running_s - settings.cooling_from_s
            ppm += settings.cooling_ppm * min(max(cooling_s / settings.cooling_over_s, 0.0), 1.0)
        frequency = min(max(round(ppm * 1e6), -FREQUENCY_LIMIT), FREQUENCY_LIMIT)
        self._frequencies.append(frequency)
        self._starts.append(self._starts[-1] + self._segment_ns * (TRILLION + frequency) // TRILLION)
