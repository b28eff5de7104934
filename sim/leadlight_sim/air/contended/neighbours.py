"""Neighbours: stations of other networks on the same channel, whose frames take air and collide, and reach nobody here.

Each sends unicast frames of one size, acknowledged by its own access point, and gives a frame up after the retry limit.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from leadlight.errors import ConfigurationError
from leadlight.units import SECOND
from leadlight_sim.air import ExponentialSojourn
from leadlight_sim.air.contended.contention import RETRY_LIMIT, Contender, Medium
from leadlight_sim.kernel import Kernel, Stream, TrueInstant

NEIGHBOUR_PAYLOAD_BYTES = 1472
"""The UDP payload of a full Ethernet frame: bulk traffic; assumed."""
NEIGHBOUR_QUEUE_FRAMES = 1000
"""The transmit queue of an unmanaged network interface on Linux (``txqueuelen``); further frames are dropped."""
FRAMES_PER_SECOND_MAXIMUM = 1_000_000


@dataclass(frozen=True, slots=True)
class Saturated:
    """Always something to send."""


@dataclass(frozen=True, slots=True)
class Poisson:
    """Frames that come independently of each other, ``frames_per_second`` on average."""

    frames_per_second: float

    def __post_init__(self) -> None:
        # No channel carries a hundredth of the most; more would only stop the clock.
        if not 0 <= self.frames_per_second <= FRAMES_PER_SECOND_MAXIMUM:
            raise ConfigurationError("frames_per_second", self.frames_per_second, f"0 to {FRAMES_PER_SECOND_MAXIMUM:,}")


@dataclass(frozen=True, slots=True)
class OnOff:
    """Saturated for a while, silent for a while; both exponential, means in seconds; silent first."""

    mean_on_seconds: float
    mean_off_seconds: float

    def __post_init__(self) -> None:
        for name in ("mean_on_seconds", "mean_off_seconds"):
            value = getattr(self, name)
            if not 1e-3 <= value < math.inf:
                raise ConfigurationError(name, value, "a finite number of seconds, at least 0.001")


@dataclass(frozen=True, slots=True)
class Neighbour:
    """One station: what it sends, how large, and at which HT20 rate (None for the rate of the network's own)."""

    traffic: Saturated | Poisson | OnOff = field(default_factory=Saturated)
    payload_bytes: int = NEIGHBOUR_PAYLOAD_BYTES
    mcs: int | None = None

    def __post_init__(self) -> None:
        if type(self.payload_bytes) is not int or not 0 <= self.payload_bytes <= 1472:
            raise ConfigurationError("payload_bytes", self.payload_bytes, "0 to 1472")
        if self.mcs is not None and not 0 <= self.mcs <= 7:
            raise ConfigurationError("mcs", self.mcs, "0 to 7 or None")


class NeighbourStation(Contender):
    """A neighbour as it contends.

    ``frame_ns`` is a frame's time on the air, ``answer_ns`` that of SIFS and ACK; ``tries`` is the retry limit, None
    for no limit (as Bianchi's model has it). Counts: ``carried`` frames, ``given_up`` and ``overflowed`` ones;
    ``on_air_ns`` is how long its frames and their answers kept the medium busy, collisions included.
    """

    __slots__ = (
        "_answer_ns",
        "_frame_ns",
        "_is_saturated",
        "_queued",
        "_tries",
        "carried",
        "given_up",
        "on_air_ns",
        "overflowed",
    )

    def __init__(self, stream: Stream, frame_ns: int, answer_ns: int, tries: int | None = RETRY_LIMIT) -> None:
        super().__init__(stream)
        self._frame_ns = frame_ns
        self._answer_ns = answer_ns
        self._tries = math.inf if tries is None else tries
        self._is_saturated = False
        self._queued = 0
        self.carried = 0
        self.given_up = 0
        self.on_air_ns = 0
        self.overflowed = 0

    def saturate(self, medium: Medium) -> None:
        """Begin to have something to send at all times."""
        self._is_saturated = True
        medium.request(self)

    def desist(self) -> None:
        """Have nothing more to send, and give up the frame that is being tried."""
        self._is_saturated = False
        self.failures = 0

    def enqueue(self, medium: Medium) -> None:
        """Take one more frame to send."""
        if self._queued >= NEIGHBOUR_QUEUE_FRAMES:
            self.overflowed += 1
            return
        self._queued += 1
        medium.request(self)

    def begin(self, now: int) -> int:  # noqa: ARG002 - all frames are alike
        """Return the frame's time on the air."""
        return self._frame_ns if self._is_saturated or self._queued else 0

    def finish(self, now: int, frame_ns: int, collided: bool) -> int:  # noqa: ARG002 - all instants are alike
        """Count a try."""
        if collided:
            self.on_air_ns += frame_ns
            self.failures += 1
            if self.failures < self._tries:
                return frame_ns
            self.given_up += 1
        else:
            self.carried += 1
            self.on_air_ns += frame_ns + self._answer_ns
        self.failures = 0
        if self._queued:
            self._queued -= 1
        self.is_waiting = self._is_saturated or self._queued > 0
        return frame_ns + self._answer_ns


def start(
    kernel: Kernel, medium: Medium, traffic: Saturated | Poisson | OnOff, station: NeighbourStation, stream: Stream
) -> None:
    """Have a station of the medium send its traffic from now on; ``stream`` gives its arrivals."""
    if isinstance(traffic, Saturated):
        station.saturate(medium)
    elif isinstance(traffic, Poisson):
        if traffic.frames_per_second > 0:
            _start_poisson(kernel, medium, station, stream, SECOND / traffic.frames_per_second)
    else:
        _start_bursts(kernel, medium, station, stream, traffic)


def _start_poisson(
    kernel: Kernel, medium: Medium, station: NeighbourStation, stream: Stream, mean_interval_ns: float
) -> None:
    def arrive() -> None:
        station.enqueue(medium)
        plan()

    def plan() -> None:
        kernel.schedule_after(round(stream.exponential(mean_interval_ns)), arrive)

    plan()


def _start_bursts(kernel: Kernel, medium: Medium, station: NeighbourStation, stream: Stream, traffic: OnOff) -> None:
    on = ExponentialSojourn(traffic.mean_on_seconds * SECOND)
    off = ExponentialSojourn(traffic.mean_off_seconds * SECOND)

    def after(stay: ExponentialSojourn, action: Callable[[], None]) -> None:
        kernel.schedule(TrueInstant(kernel.now + stay.draw(stream)), action)

    def begin() -> None:
        station.saturate(medium)
        after(on, end)

    def end() -> None:
        station.desist()
        after(off, begin)

    after(off, begin)
