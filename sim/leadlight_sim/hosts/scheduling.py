"""Scheduling latency: how late a program learns of a packet, and how late it wakes.

A packet's arrival is stamped when the program reads it, unless the kernel stamps it. Between the two lie the
interrupt, the scheduler and whatever the program's own loop was doing; a timer waits for the last two as well. Here are
kinds of host and their distributions, from which ``Host`` draws.

Figures marked "measured" are of Python 3.11 and asyncio on loopback UDP on an idle x86 virtual machine with two
processors, 100 packets a second, 1500 packets. From the kernel's stamp to the callback it is p50 18 µs, p90 35, p99 94,
p99.9 721, largest 1303. Small boards are taken to be three to ten times slower, which nobody here measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND, MILLISECOND
from leadlight_sim import scenario as described
from leadlight_sim.hosts.lateness import MICROCONTROLLER, RECORDED, Lateness


class HostPreset(StrEnum):
    """Kinds of host by name."""

    EXACT = "exact"
    KERNEL_STAMPS = "kernel-stamps"
    STEADY = "steady"
    SMALL_BOARD = "small-board"
    BUSY = "busy"
    LOADED = "loaded"
    MICROCONTROLLER = "microcontroller"


@dataclass(frozen=True, slots=True)
class HostSettings:
    """The distribution of a host's delays, in ns.

    ``jitter_ns`` is the scale of a half-normal delay: its mean is 0.8 of that, its 99th percentile 2.6 times. A share
    ``spike_share`` of packets waits another ``spike_from_ns`` to ``spike_to_ns``, uniformly. A loop that works
    ``busy_ns`` in every ``busy_period_ns`` adds the rest of its working time to what arrives or falls due meanwhile.
    Timers are late by an exponential of mean ``timer_late_ns`` besides. A player is woken as late as ``waking`` says,
    and as timers are where that is left out. ``is_stamped``: the kernel stamps packets, whatever the loop is doing.
    """

    jitter_ns: int = 0
    spike_share: float = 0.0
    spike_from_ns: int = 0
    spike_to_ns: int = 0
    busy_ns: int = 0
    busy_period_ns: int = 0
    timer_late_ns: int = 0
    waking: Lateness | None = None
    is_stamped: bool = False

    def __post_init__(self) -> None:
        for field in ("jitter_ns", "spike_from_ns", "spike_to_ns", "busy_ns", "busy_period_ns", "timer_late_ns"):
            value = getattr(self, field)
            if type(value) is not int or value < 0:
                raise ConfigurationError(field, value, "a whole number of ns, zero or more")
        if not 0 <= self.spike_share <= 1:
            raise ConfigurationError("spike_share", self.spike_share, "0 to 1")
        if self.spike_from_ns > self.spike_to_ns:
            raise ConfigurationError("spike_from_ns", self.spike_from_ns, "0 to spike_to_ns")
        if self.busy_ns and self.busy_ns >= self.busy_period_ns:
            raise ConfigurationError("busy_ns", self.busy_ns, "less than busy_period_ns")

    @classmethod
    def exact(cls) -> HostSettings:
        """Return a host without any delay: what is left is the network's and the clock's."""
        return cls()

    @classmethod
    def kernel_stamps(cls) -> HostSettings:
        """Return a host whose kernel stamps packets, half-normal of 20 µs.

        Such stamps (Linux, SO_TIMESTAMPNS: kernel documentation, networking/timestamping) leave out the program's
        waking. Its timers are as late as an idle computer's.
        """
        return cls(timer_late_ns=200 * MICROSECOND).with_kernel_stamps()

    def with_kernel_stamps(self) -> HostSettings:
        """Return this host with a kernel that stamps packets, whatever the program is doing."""
        return replace(
            self, jitter_ns=20 * MICROSECOND, spike_share=0.0, spike_from_ns=0, spike_to_ns=0, is_stamped=True
        )

    @classmethod
    def steady(cls) -> HostSettings:
        """Return an idle computer that stamps in the program, as measured: median 18 µs, rarely up to 1.3 ms.

        A half-normal's median is 0.674 of its scale, so that the scale is 27 µs; two packets in a thousand wait 0.2 to
        1.3 ms more. Timers: 0.2 ms is the usual lateness of a sleep on such a system.
        """
        return cls(
            jitter_ns=27 * MICROSECOND,
            spike_share=0.002,
            spike_from_ns=200 * MICROSECOND,
            spike_to_ns=1300 * MICROSECOND,
            timer_late_ns=200 * MICROSECOND,
        )

    @classmethod
    def board(cls) -> HostSettings:
        """Return a small board that stamps in the program: half-normal of 0.1 ms, one packet in 200 by 2.5 to 7.5 ms.

        About five times the idle computer's figures, with spikes as collector and scheduler pauses make them. Timers:
        an exponential of mean 0.5 ms has its 99th percentile at 2.3 ms, where asyncio's sleeps had theirs, measured at
        2 to 3 ms.
        """
        return cls(
            jitter_ns=100 * MICROSECOND,
            spike_share=0.005,
            spike_from_ns=2500 * MICROSECOND,
            spike_to_ns=7500 * MICROSECOND,
            timer_late_ns=500 * MICROSECOND,
        )

    @classmethod
    def loaded(cls) -> HostSettings:
        """Return a small board whose cores are all taken by others: its player and its timers wait for their turn.

        Lateness is as recorded beside one busy process a core; see ``lateness``. The exponential of the timers has the
        recording's median.
        """
        late = RECORDED["loaded", "rounded-timer"]
        middle_ns = late.percentiles_ns[0]
        return replace(cls.board(), timer_late_ns=int(middle_ns / math.log(2)), waking=late)

    @classmethod
    def microcontroller(cls) -> HostSettings:
        """Return a board without an operating system, that stamps and wakes by interrupts; see ``lateness``.

        Of the published offsets the median, 5 µs, is a half-normal's of scale 7 µs.
        """
        return cls(jitter_ns=7 * MICROSECOND, timer_late_ns=7 * MICROSECOND, waking=MICROCONTROLLER)

    def with_stalls(self, period_ns: int, work_ns: int) -> HostSettings:
        """Return this host with a loop that also works ``work_ns`` in every ``period_ns``, and so stalls.

        Measured with 8 ms of work in every 25 ms: p50 23 µs, p90 4.9 ms, p99 6.9 ms, largest 7.0 ms. That is the
        residual of a busy period: with the probability work/period a packet waits a uniform part of the work.
        """
        return replace(self, busy_ns=work_ns, busy_period_ns=period_ns)

    @classmethod
    def preset(cls, preset: HostPreset) -> HostSettings:
        """Return a kind of host by name; ``busy`` is a board that renders 8 ms in every 25 ms, a frame at 40 a second.

        The others are the constructors of the same names, ``small-board`` being ``board``.
        """
        match preset:
            case HostPreset.EXACT:
                return cls.exact()
            case HostPreset.KERNEL_STAMPS:
                return cls.kernel_stamps()
            case HostPreset.STEADY:
                return cls.steady()
            case HostPreset.SMALL_BOARD:
                return cls.board()
            case HostPreset.BUSY:
                return cls.board().with_stalls(period_ns=25 * MILLISECOND, work_ns=8 * MILLISECOND)
            case HostPreset.LOADED:
                return cls.loaded()
            case HostPreset.MICROCONTROLLER:
                return cls.microcontroller()


def settings_of(host: described.Host) -> HostSettings:
    """Return the settings of a host that a scenario describes."""
    made = HostSettings.preset(HostPreset(host.machine))
    waking = made.waking
    if host.wakes_late_us is not None:
        waking = Lateness([late * MICROSECOND for late in host.wakes_late_us])
    elif host.machine == "loaded":
        waking = RECORDED["loaded", host.waking]
    elif host.machine == "steady" or (host.machine != "microcontroller" and host.waking != "rounded-timer"):
        waking = RECORDED["idle", host.waking]
    made = replace(made, waking=waking)
    return made.with_kernel_stamps() if host.stamps == "kernel" else made
