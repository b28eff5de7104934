"""When an access point lets group frames go while a station dozes.

IEEE 802.11 clause 11.2 (power management) and RFC 9119 section 4.3: with any associated station dozing, group frames
are held and sent right after the next DTIM beacon. The instants are a fixed grid of the access point's own clock, so a
sender with a fixed interval sees its delay walk like a sawtooth. Drawing the wait at random would hide it.
"""

from __future__ import annotations

from dataclasses import dataclass

from leadlight.errors import ConfigurationError
from leadlight.units import BILLION
from leadlight_sim.kernel import Stream, TrueInstant

TIME_UNIT_NS = 1_024_000
"""The 802.11 time unit, 1024 µs."""
BEACON_INTERVAL_NS = 100 * TIME_UNIT_NS
"""The usual target beacon interval: 100 time units, 102.4 ms."""
CLOCK_ERROR_LIMIT_PPB = 20_000
"""An access point's clock may be off by 20 ppm (the tolerance IEEE 802.11 sets for the transmit clock)."""


@dataclass(frozen=True, slots=True)
class BeaconGrid:
    """The beacon instants of one access point, in true time, exact to the nanosecond.

    ``period`` counts beacons from one DTIM to the next (1 to 10; access points ship with 1 to 3). ``phase_ns`` is the
    first DTIM instant. ``clock_error_ppb`` above 0 means that the access point's clock is fast, so beacons come sooner.
    """

    period: int = 2
    phase_ns: int = 0
    clock_error_ppb: int = 0
    interval_ns: int = BEACON_INTERVAL_NS

    def __post_init__(self) -> None:
        check_period(self.period)
        check_clock_error(self.clock_error_ppb)
        if self.interval_ns <= 0:
            raise ConfigurationError("interval_ns", self.interval_ns, "above 0")
        if not 0 <= self.phase_ns < self.period * self.interval_ns:
            raise ConfigurationError("phase_ns", self.phase_ns, "0 up to one DTIM interval")

    @classmethod
    def drawn(cls, stream: Stream, period: int, phase_ns: int | None, clock_error_ppb: int | None) -> BeaconGrid:
        """Return a grid whose phase and clock error are drawn where they are None, over one DTIM interval and ±20 ppm.

        Both are drawn even where one is given, so that giving one leaves the other alone.
        """
        dtim_interval_ns = period * BEACON_INTERVAL_NS
        drawn_phase_ns = int(stream.uniform(0.0, dtim_interval_ns)) % dtim_interval_ns
        drawn_error_ppb = round(stream.uniform(-CLOCK_ERROR_LIMIT_PPB, CLOCK_ERROR_LIMIT_PPB))
        return cls(
            period,
            drawn_phase_ns if phase_ns is None else phase_ns,
            drawn_error_ppb if clock_error_ppb is None else clock_error_ppb,
        )

    def next_dtim(self, instant: TrueInstant) -> TrueInstant:
        """Return the first DTIM instant that is not before ``instant``."""
        return self._next(instant, self.period * self.interval_ns)

    def next_beacon(self, instant: TrueInstant) -> TrueInstant:
        """Return the first beacon instant, DTIM or not, that is not before ``instant``."""
        return self._next(instant, self.interval_ns)

    def _next(self, instant: TrueInstant, nominal_ns: int) -> TrueInstant:
        # Beacon k leaves at phase + floor(k·nominal / (1 + error)); an integer is at most floor(x) exactly
        # when it is at most x, so the index can be found without rounding.
        scale = BILLION + self.clock_error_ppb
        index = -(-(instant - self.phase_ns) * scale // (nominal_ns * BILLION))
        return TrueInstant(self.phase_ns + index * nominal_ns * BILLION // scale)


@dataclass(frozen=True, slots=True)
class GroupHold:
    """An access point that holds group frames for DTIM, because some station dozes.

    ``phase_ns`` and ``clock_error_ppb`` are drawn from the seed where None: the phase over one DTIM interval, the error
    over ±20 ppm. ``queue_frames`` is the depth of the held queue, oldest dropped first (128 in Linux ``mac80211``,
    AP_MAX_BC_BUFFER). ``doze_share`` is the chance that a unicast frame finds its station asleep and waits for a
    beacon; stations named in ``awake`` never sleep. ``held_share`` is the share of time in which some station dozes, in
    runs of ``mean_held_seconds`` on average (exponential, as are those between them). A group frame that comes at
    another time goes at once.
    """

    period: int = 2
    phase_ns: int | None = None
    clock_error_ppb: int | None = None
    queue_frames: int = 128
    doze_share: float = 0.0
    awake: tuple[str, ...] = ()
    held_share: float = 1.0
    mean_held_seconds: float = 30.0

    def __post_init__(self) -> None:
        check_period(self.period)
        if self.phase_ns is not None and not 0 <= self.phase_ns < self.period * BEACON_INTERVAL_NS:
            raise ConfigurationError("phase_ns", self.phase_ns, "0 up to one DTIM interval, or None")
        if self.clock_error_ppb is not None:
            check_clock_error(self.clock_error_ppb)
        if self.queue_frames < 1:
            raise ConfigurationError("queue_frames", self.queue_frames, "at least 1")
        if not 0.0 <= self.doze_share <= 1.0:
            raise ConfigurationError("doze_share", self.doze_share, "0 to 1")
        if not 0.0 <= self.held_share <= 1.0:
            raise ConfigurationError("held_share", self.held_share, "0 to 1")
        if not 0.001 <= self.mean_held_seconds < float("inf"):
            raise ConfigurationError("mean_held_seconds", self.mean_held_seconds, "a finite number, 0.001 or more")
        check_names("awake", self.awake)


def check_names(field: str, names: object) -> None:
    """Raise ``ConfigurationError`` unless ``names`` is a tuple of different station names."""
    # A bare word would pass for a tuple of its letters.
    is_tuple = isinstance(names, tuple) and all(isinstance(name, str) and name for name in names)
    if not is_tuple or len(set(names)) != len(names):  # type: ignore[arg-type, call-overload]
        raise ConfigurationError(field, names, "a tuple of station names, each once")


def check_period(period: int) -> None:
    """Raise ``ConfigurationError`` unless ``period`` is a DTIM period that access points use."""
    # The standard allows 255; above some ten beacons, a second, group delivery is of no use to anybody.
    if type(period) is not int or not 1 <= period <= 10:
        raise ConfigurationError("period", period, "1 to 10 beacons")


def check_clock_error(clock_error_ppb: int) -> None:
    """Raise ``ConfigurationError`` unless the access point's clock is within its tolerance."""
    if not -CLOCK_ERROR_LIMIT_PPB <= clock_error_ppb <= CLOCK_ERROR_LIMIT_PPB:
        raise ConfigurationError("clock_error_ppb", clock_error_ppb, "-20000 to 20000")
