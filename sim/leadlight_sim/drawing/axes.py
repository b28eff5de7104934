"""Axes and labels that several drawings share: time, decades, names that must not collide."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from leadlight_sim.drawing.sheet import Area, Axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CHARACTER_PX: Final = 7.3
"""About the width of one character of a label."""


@dataclass(frozen=True, slots=True)
class Drawing:
    """One drawing for the page: an ``<svg>`` element, its title, and a line that says what to look for."""

    name: str
    title: str
    caption: str
    svg: str


def _clock(seconds: float, with_hours: bool = False) -> str:
    whole = round(seconds)
    if with_hours:
        return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"
    return f"{whole // 60}:{whole % 60:02}"


def _time_ticks(start: float, end: float, most: int) -> list[float]:
    for step in (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400):
        if (end - start) / step <= most:
            break
    first = math.ceil(start / step) * step
    return [float(tick) for tick in range(first, math.floor(end) + 1, step)]


def time_axis(axes: Axes | Area, start: float, end: float, label: str = "time of the run", most: int = 12) -> None:
    """Make an axis one of time, from ``start`` to ``end`` in s, with ticks at round minutes, about ``most`` of them."""
    with_hours = end >= 3600
    axes.set_xlim(start, end)
    put_ticks(axes.xaxis, _time_ticks(start, end, most), lambda value: _clock(value, with_hours))
    if label:
        axes.set_xlabel(f"{label}, {'hours:' if with_hours else ''}minutes:seconds")


def put_ticks(axis: Any, ticks: Sequence[float], label: Callable[[float], str]) -> None:
    """Give an axis of either kind ticks and what they say, and no smaller ones."""
    if isinstance(axis, Axis):
        axis.ticks, axis.said = ticks, lambda value, _: label(value)
        return
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    axis.set_major_locator(FixedLocator(list(ticks)))
    axis.set_major_formatter(FuncFormatter(lambda value, _: label(value)))
    axis.set_minor_locator(NullLocator())


def round_ticks(high: float, most: int) -> list[float]:
    """Return at most so many steps of 1, 2 or 5 times a power of ten from 0 up to ``high``."""
    if high <= 0:
        return [0.0]
    power = 10.0 ** math.floor(math.log10(high / most))
    step = next(power * times for times in (1, 2, 5, 10) if high / (power * times) <= most)
    return [step * number for number in range(math.floor(high / step + 1e-9) + 1)]


def decade(value: float) -> str:
    """Return a power of ten of ms in the unit that reads best."""
    for unit, size in (("µs", 1e-3), ("ms", 1.0), ("s", 1e3)):
        if value < size * 999:
            return f"{value / size:g} {unit}"
    return f"{value / 1000:g} s"


def decades(axis: Any, lowest: float, highest: float, label: Callable[[float], str]) -> None:
    """Make an axis logarithmic to the eye: one labelled tick a power of ten."""
    exponents = range(math.ceil(math.log10(lowest) - 1e-9), math.floor(math.log10(highest) + 1e-9) + 1)
    put_ticks(axis, [10.0**exponent for exponent in exponents], label)


def spread(wanted: Sequence[float], gap: float) -> list[float]:
    """Return positions as wanted, moved up where they would come closer to each other than ``gap``."""
    order = sorted(range(len(wanted)), key=lambda index: wanted[index])
    placed = list(wanted)
    lowest = -math.inf
    for index in order:
        placed[index] = max(wanted[index], lowest + gap)
        lowest = placed[index]
    return placed
