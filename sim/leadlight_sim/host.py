"""Hosts that dawdle: how late a program learns of a packet, and how late it wakes.

A packet's arrival is stamped when the program reads it. Between the two lie the interrupt, the scheduler and whatever
the program's own loop was doing. The presets are laws for that delay.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND, MILLISECOND
from leadlight_sim.streams import Stream


class HostPreset(StrEnum):
    """Kinds of host by name."""

    EXACT = "exact"
    KERNEL_STAMPS = "kernel-stamps"
    STEADY = "steady"
    SMALL_BOARD = "small-board"
    BUSY = "busy"


@dataclass(frozen=True, slots=True)
class HostSettings:
    """The law of a host's delays, in ns.

    ``jitter_ns`` is the scale of a half-normal delay; a share ``spike_share`` of packets waits another
    ``spike_from_ns`` to ``spike_to_ns``. A loop that works ``busy_ns`` in every ``busy_period_ns`` adds the rest of
    its working time to what arrives meanwhile. Timers are late by an exponential of mean ``timer_late_ns``.
    """

    jitter_ns: int = 0
    spike_share: float = 0.0
    spike_from_ns: int = 0
    spike_to_ns: int = 0
    busy_ns: int = 0
    busy_period_ns: int = 0
    timer_late_ns: int = 0

    def __post_init__(self) -> None:
        if not 0 <= self.spike_share <= 1:
            raise ConfigurationError("spike_share", self.spike_share, "0 to 1")
        if not 0 <= self.spike_from_ns <= self.spike_to_ns:
            raise ConfigurationError("spike_from_ns", self.spike_from_ns, "0 to spike_to_ns")
        for field in ("jitter_ns", "timer_late_ns", "busy_ns"):
            if getattr(self, field) < 0:
                raise ConfigurationError(field, getattr(self, field), "zero or more")
        if self.busy_ns and self.busy_ns >= self.busy_period_ns:
            raise ConfigurationError("busy_ns", self.busy_ns, "less than busy_period_ns")

    @classmethod
    def preset(cls, preset: HostPreset) -> HostSettings:
        """Return a kind of host.

        ``exact`` has no delay. ``kernel-stamps``: the kernel stamped the packet, about 20 µs. ``steady``: an idle
        computer, median 18 µs, 99 % within 0.1 ms (measured, asyncio on an idle x86 machine). ``small-board``:
        half-normal of 0.1 ms and one packet in 200 late by 2.5 to 7.5 ms, five times the computer's. ``busy``: 8 ms of
        work in every 25 ms besides (measured: p90 4.9 ms, largest 7 ms).
        """
        return _PRESETS[preset]


_PRESETS = {
    HostPreset.EXACT: HostSettings(),
    HostPreset.KERNEL_STAMPS: HostSettings(jitter_ns=20 * MICROSECOND),
    HostPreset.STEADY: HostSettings(
        jitter_ns=27 * MICROSECOND,
        spike_share=0.002,
        spike_from_ns=200 * MICROSECOND,
        spike_to_ns=1300 * MICROSECOND,
        timer_late_ns=100 * MICROSECOND,
    ),
    HostPreset.SMALL_BOARD: HostSettings(
        jitter_ns=100 * MICROSECOND,
        spike_share=0.005,
        spike_from_ns=2500 * MICROSECOND,
        spike_to_ns=7500 * MICROSECOND,
        timer_late_ns=500 * MICROSECOND,
    ),
    HostPreset.BUSY: HostSettings(
        jitter_ns=100 * MICROSECOND,
        spike_share=0.005,
        spike_from_ns=2500 * MICROSECOND,
        spike_to_ns=7500 * MICROSECOND,
        busy_ns=8 * MILLISECOND,
        busy_period_ns=25 * MILLISECOND,
        timer_late_ns=1 * MILLISECOND,
    ),
}


class Host:
    """Draws one host's delays from its own stream."""

    __slots__ = ("_busy_share", "_settings", "_stream")

    def __init__(self, settings: HostSettings, stream: Stream) -> None:
        self._settings = settings
        self._stream = stream
        self._busy_share = settings.busy_ns / settings.busy_period_ns if settings.busy_ns else 0.0

    def receive_delay_ns(self) -> int:
        """Return how long after its arrival the next packet is stamped and handled."""
        settings = self._settings
        if settings.jitter_ns == 0 and not settings.busy_ns:
            return 0
        stream = self._stream
        delay = abs(stream.normal(0.0, settings.jitter_ns))
        if settings.spike_share and stream.chance(settings.spike_share):
            delay += stream.uniform(settings.spike_from_ns, settings.spike_to_ns)
        if self._busy_share and stream.chance(self._busy_share):
            delay += stream.uniform(0, settings.busy_ns)
        return int(delay)

    def timer_lateness_ns(self) -> int:
        """Return how long after its due instant a timer runs."""
        late = self._settings.timer_late_ns
        return int(self._stream.exponential(late)) if late else 0
