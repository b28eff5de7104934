"""The figure of a sweep: small multiples of every measure against the beacon interval.

Where several deliveries were tried, a map of all combinations stands above them, and every measure has a line for each.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any, Final

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from leadlight.storage import write_file
from leadlight.terms import Delivery
from leadlight_sim.tune.advice import Recommendation
from leadlight_sim.tune.results import DELIVERIES, MEASURES, Measure, Standing, by_delivery, digits_of

# Of M. Okabe and K. Ito's set (2008), which all common kinds of colour vision tell apart. Shape and line style tell
# everything a second time.
_BLUE: Final = "#0072B2"
_VERMILION: Final = "#D55E00"
_PURPLE: Final = "#CC79A7"
_RECOMMENDED: Final = "#009E73"
_INK: Final = "#333333"
_RULE: Final = "#dddddd"
_MET: Final = "#d6efe6"

_OFF_SCALE: Final = 2.5
"""A target this many times above everything measured is told in words: drawn, it would flatten the measurements."""
_APART: Final = 0.022
"""Share of the axis by which the lines of two deliveries are set apart, so that none hides another, at most."""
_CELLS_WITH_WORDS: Final = 12
"""With more intervals a cell of the map is too narrow for words."""


@dataclass(frozen=True, slots=True)
class Look:
    """How a line is drawn: every part differs from all others of its panel."""

    colour: str
    marker: str
    style: Any
    is_hollow: bool = False


_FIRST: Final = Look(_BLUE, "o", "-")
_SECOND: Final = Look(_VERMILION, "^", "--")
LOOKS: Final = {
    Delivery.AUTOMATIC: _FIRST,
    Delivery.GROUP: Look(_VERMILION, "s", (0, (5, 2)), is_hollow=True),
    Delivery.COPIES: Look(_PURPLE, "^", (0, (6, 2, 1, 2))),
    Delivery.BOTH: Look(_INK, "D", (0, (1, 1.5)), is_hollow=True),
}


@dataclass(frozen=True, slots=True)
class _Panel:
    title: str
    axis: str
    keys: tuple[str, ...]
    labels: tuple[str, ...] = ("",)
    is_logarithmic: bool = False
    """From zero up: straight below 1."""
    shows_ratios: bool = False
    """Logarithmic throughout, so that as many times as much is as far anywhere."""


_PANELS: Final = (
    _Panel("Error to the leader, p95", "ms", ("error_p95_ms",)),
    _Panel("Error to the leader, worst instant", "ms", ("error_max_ms",)),
    _Panel("Difference of two pieces, p95", "ms", ("pair_p95_ms", "tight_pair_p95_ms"), ("any pair", "tight pair")),
    _Panel("Time to join", "s", ("join_s", "rejoin_s"), ("first time", "after a power cut")),
    _Panel("Latest cue", "ms, logarithmic", ("cue_lateness_ms",), is_logarithmic=True),
    _Panel("Time on a wrong frame", "%", ("wrong_frame_share",)),
    _Panel("Visible jumps", "in a run", ("visible_steps",)),
    _Panel("Airtime that timing takes", "%", ("airtime_share",)),
)
# A panel with a line for each delivery has no room for a second measure.
_PANELS_OF_SEVERAL: Final = (
    _Panel("Airtime that timing takes", "%, logarithmic", ("airtime_share",), shows_ratios=True),
    _Panel("Error to the leader, p95", "ms", ("error_p95_ms",)),
    _Panel("Error, worst instant", "ms", ("error_max_ms",)),
    _Panel("Difference, any pair, p95", "ms", ("pair_p95_ms",)),
    _Panel("Difference, tight pair, p95", "ms", ("tight_pair_p95_ms",)),
    _Panel("Time to join, first time", "s", ("join_s",)),
    _Panel("Time to join after a cut", "s", ("rejoin_s",)),
    _Panel("Latest cue", "ms, logarithmic", ("cue_lateness_ms",), is_logarithmic=True),
    _Panel("Time on a wrong frame", "%", ("wrong_frame_share",)),
    _Panel("Visible jumps", "in a run", ("visible_steps",)),
)
_BY_KEY: Final = {measure.key: measure for measure in MEASURES}


@dataclass(frozen=True, slots=True)
class _Curve:
    """One line of a panel: a measure of some combinations against their interval."""

    measure: Measure
    found: Sequence[Standing]
    look: Look
    label: str = ""
    aside: float | None = None
    """Of several deliveries: share of the axis by which this one is set aside."""


def draw(
    found: Sequence[Standing],
    targets: Mapping[str, float],
    title: str,
    subtitle: str,
    advice: Recommendation | None,
) -> Figure:
    """Return the figure of a sweep. ``advice`` is the recommendation to mark, if any."""
    is_of_several = len(by_delivery(found)) > 1
    marked = None
    if advice is not None and advice.meets_targets:
        (marked,) = (each for each in found if (each.interval_s, each.delivery) == (advice.interval_s, advice.delivery))
    figure = Figure(figsize=(14, 10.2 if is_of_several else 6.9), dpi=120, layout="constrained")
    inch = 1 / figure.get_size_inches()[1]
    rect = (0, 0.2415 * inch, 1, 1 - 0.9315 * inch)
    figure.get_layout_engine().set(w_pad=0.1, h_pad=0.1, rect=rect)  # type: ignore[union-attr, call-arg]
    figure.text(0.012, 1 - 0.1932 * inch, title, fontsize=13, fontweight="bold", color=_INK, va="top")
    # The answer, where it is one of many, is what is looked for first.
    figure.text(0.012, 1 - 0.4692 * inch, subtitle, fontsize=11 if is_of_several else 9.5, color=_INK, va="top")
    if is_of_several:
        _draw_several(figure, found, targets, marked)
        note = "Marks and lines: median of the runs, of the worst piece each. Bars: from the least to the most."
    else:
        _draw_one(figure, found, targets, marked)
        note = "Marks: one run each, its worst piece. Line: median of the runs. Shade: from the least to the most."
    note += " Beacon intervals on a logarithmic axis."
    figure.text(0.012, 0.0828 * inch, note, fontsize=8.5, color=_INK)
    return figure


def save(figure: Figure, path: Path) -> None:
    """Write a figure as PNG or SVG, by the path's ending. Raises ``FileError``."""
    # A fixed salt and no date: the same sweep gives the same bytes.
    metadata: dict[str, Any] = {"Date": None} if path.suffix.lower() == ".svg" else {"Software": None}
    drawn = BytesIO()
    with matplotlib.rc_context({"svg.hashsalt": "leadlight"}):
        figure.savefig(drawn, metadata=metadata, format=path.suffix.lower().removeprefix("."))
    write_file(drawn.getvalue(), path, "--figure")


# --- One delivery -----------------------------------------------------------------------------------------------------


def _draw_one(figure: Figure, found: Sequence[Standing], targets: Mapping[str, float], marked: Standing | None) -> None:
    grid = figure.subplots(2, 4, sharex=True, squeeze=False)
    for axes, panel in zip(grid.flat, _PANELS, strict=True):
        looks = zip(panel.keys, panel.labels, (_FIRST, _SECOND), strict=False)
        _draw_panel(axes, panel, [_Curve(_BY_KEY[key], found, look, label) for key, label, look in looks], targets)
        if marked is not None:
            axes.axvline(marked.interval_s, color=_RECOMMENDED, linewidth=9, alpha=0.22, zorder=0)
    _interval_axis(grid.flat[0], [standing.interval_s for standing in found], room=1.12)
    for axes in grid[-1]:
        axes.set_xlabel("beacon interval, s", color=_INK)


# --- Several deliveries -----------------------------------------------------------------------------------------------


def _draw_several(
    figure: Figure, found: Sequence[Standing], targets: Mapping[str, float], marked: Standing | None
) -> None:
    intervals = sorted({standing.interval_s for standing in found})
    grouped = by_delivery(found)
    rows = figure.add_gridspec(2, 1, height_ratios=(0.44, 1))
    above = rows[0].subgridspec(1, 2, width_ratios=(1, 0.36))
    _draw_map(figure.add_subplot(above[0]), grouped, intervals, marked)
    _draw_key(figure.add_subplot(above[1]), list(grouped))
    grid = rows[1].subgridspec(2, 5).subplots(sharex=True, squeeze=False)
    middle = (len(grouped) - 1) / 2
    apart = min(_APART, 0.5 / len(intervals) / len(grouped))
    for axes, panel in zip(grid.flat, _PANELS_OF_SEVERAL, strict=True):
        curves = [
            _Curve(_BY_KEY[panel.keys[0]], of_one, LOOKS[delivery], aside=(place - middle) * apart)
            for place, (delivery, of_one) in enumerate(grouped.items())
        ]
        _interval_axis(axes, intervals, room=1.3)
        _draw_panel(axes, panel, curves, targets, marked)
    for axes in grid[-1]:
        axes.set_xlabel("beacon interval, s", color=_INK)


def _draw_map(
    axes: Axes, grouped: Mapping[Delivery, Sequence[Standing]], intervals_s: Sequence[float], marked: Standing | None
) -> None:
    """Draw a cell for each combination: filled where it meets every target, hatched where it misses one."""
    axes.set_title(
        "Which combinations meet every target?", fontsize=10, fontweight="bold", loc="left", pad=24, color=_INK
    )
    _subtitle(
        axes,
        "Green: met, with the most airtime that a run took. Hatched: missed, with the target that is missed by most."
        + (" Framed: recommended." if marked is not None else ""),
        above=10,
    )
    for row, of_one in enumerate(grouped.values()):
        for standing in of_one:
            _draw_cell(axes, intervals_s.index(standing.interval_s), row, standing, standing is marked, intervals_s)
    axes.set_xlim(0, len(intervals_s))
    axes.set_ylim(len(grouped), 0)
    axes.set_yticks([row + 0.5 for row in range(len(grouped))], [delivery.value for delivery in grouped], fontsize=10)
    every = math.ceil(len(intervals_s) / 20)
    axes.set_xticks(
        [place + 0.5 for place in range(0, len(intervals_s), every)],
        [f"{interval_s:g} s" for interval_s in intervals_s[::every]],
        fontsize=9,
    )
    axes.tick_params(length=0, labelcolor=_INK)
    axes.spines[:].set_visible(False)


def _draw_cell(
    axes: Axes, column: int, row: int, standing: Standing, is_marked: bool, intervals_s: Sequence[float]
) -> None:
    place = (column + 0.02, row + 0.06)
    is_met = not standing.shortfalls
    axes.add_patch(
        Rectangle(
            place,
            0.96,
            0.88,
            facecolor=_MET if is_met else "white",
            edgecolor=_RULE,
            linewidth=0.8,
            hatch=None if is_met else "////",
        )
    )
    if is_marked:
        axes.add_patch(
            Rectangle(place, 0.96, 0.88, fill=False, edgecolor=_RECOMMENDED, linewidth=3.5, zorder=4, clip_on=False)
        )
    if len(intervals_s) > _CELLS_WITH_WORDS:
        return
    if is_met:
        told = f"{digits_of(standing.airtime_share * 100)} %"
    else:
        worst = standing.worst_shortfall
        told = f"{worst.measure.short}\n{worst.excess_told or worst.measure.told(worst.worst)}"
    axes.text(
        column + 0.5,
        row + 0.5,
        told,
        ha="center",
        va="center",
        fontsize=9.5 if is_met else 7.5,
        fontweight="bold" if is_marked else "normal",
        color=_INK,
        bbox=None if is_met else {"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        zorder=5,
    )


def _draw_key(axes: Axes, deliveries: Sequence[Delivery]) -> None:
    """Tell the lines apart, once for all panels, and what each delivery is."""
    axes.set_axis_off()
    axes.set_title("Deliveries, and their lines below", fontsize=10, fontweight="bold", loc="left", pad=24, color=_INK)
    axes.set_xlim(0, 1)
    axes.set_ylim(len(deliveries), 0)
    for row, delivery in enumerate(deliveries):
        look = LOOKS[delivery]
        axes.add_line(Line2D([0.0, 0.06, 0.12], [row + 0.5] * 3, **_line(look), markersize=6, clip_on=False))
        way = DELIVERIES[delivery]
        axes.text(0.16, row + 0.18, delivery.value, fontsize=9.5, fontweight="bold", color=_INK, va="center")
        axes.text(0.16, row + 0.48, way.out, fontsize=7.5, color=_INK, va="center")
        axes.text(0.16, row + 0.74, way.meaning, fontsize=7.5, color=_INK, va="center")


# --- A panel ----------------------------------------------------------------------------------------------------------


def _draw_panel(
    axes: Axes,
    panel: _Panel,
    curves: Sequence[_Curve],
    targets: Mapping[str, float],
    marked: Standing | None = None,
) -> None:
    axes.set_title(panel.title, fontsize=10, fontweight="bold", loc="left", pad=19, color=_INK)
    axes.set_ylabel(panel.axis, color=_INK)
    axes.tick_params(labelsize=9, labelcolor=_INK)
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(axis="y", color=_RULE, linewidth=0.6)
    axes.set_axisbelow(True)
    scale = 100.0 if panel.axis.startswith("%") else 1.0
    drawn = [curve for curve in curves if any(each.spread(curve.measure) is not None for each in curve.found)]
    most = max((_draw_curve(axes, curve, scale, marked) for curve in drawn), default=0.0)
    _draw_targets(axes, drawn, targets, scale, most)
    if panel.is_logarithmic:
        _logarithmic(axes, most)
    if panel.shows_ratios:
        _ratios(axes)
    if panel.keys == ("visible_steps",):
        axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    if len({curve.measure.key for curve in drawn}) > 1:
        axes.legend(fontsize=8, frameon=False, loc="best", labelcolor=_INK)
    if not drawn:
        axes.text(0.5, 0.5, "nothing of the kind\nin this scenario", transform=axes.transAxes, ha="center", fontsize=9)
        axes.set_yticks([])


def _line(look: Look) -> dict[str, Any]:
    return {
        "color": look.colour,
        "marker": look.marker,
        "linestyle": look.style,
        "linewidth": 1.6,
        "markerfacecolor": "white" if look.is_hollow else look.colour,
    }


def _draw_curve(axes: Axes, curve: _Curve, scale: float, marked: Standing | None) -> float:
    """Draw one measure and return the largest finite value in it."""
    measure, look = curve.measure, curve.look
    low_s, high_s = axes.get_xlim()
    aside = 1.0 if curve.aside is None else (high_s / low_s) ** curve.aside
    positions: list[float] = []
    medians: list[float] = []
    lows: list[float] = []
    highs: list[float] = []
    most = 0.0
    for standing in curve.found:
        spread = standing.spread(measure)
        if spread is None:
            continue
        at = standing.interval_s * aside
        values = [value * scale for run in standing.runs if (value := measure.value(run)) is not None]
        finite = [value for value in values if math.isfinite(value)]
        most = max([most, *finite])
        if curve.aside is None:
            axes.plot([at] * len(finite), finite, look.marker, color=look.colour, markersize=3.2, alpha=0.55, zorder=3)
        elif finite:
            axes.plot([at, at], [min(finite), max(finite)], color=look.colour, linewidth=1.0, alpha=0.7, zorder=2)
        if len(finite) < len(values):
            # At the top edge, since no height would be true of it.
            told = f"{len(values) - len(finite)} {measure.told(math.inf)}"
            place = (standing.interval_s, 1.0)
            axes.annotate(
                told, place, xycoords=("data", "axes fraction"), ha="center", va="top", fontsize=7.5, color=look.colour
            )
        positions.append(at)
        for kept, value in zip((medians, lows, highs), (spread.median, spread.low, spread.high), strict=True):
            kept.append(value * scale if math.isfinite(value) else math.nan)
        if standing is marked:
            _ring(axes, at, medians[-1])
    if curve.aside is None:
        axes.fill_between(positions, lows, highs, color=look.colour, alpha=0.15, linewidth=0)
        axes.plot(
            positions, medians, linestyle=look.style, color=look.colour, linewidth=1.6, label=curve.label, zorder=2
        )
    else:
        axes.plot(positions, medians, **_line(look), markersize=4.5, zorder=3)
    return most


def _ring(axes: Axes, x: float, y: float) -> None:
    look: dict[str, Any] = {"markerfacecolor": "none", "markeredgecolor": _RECOMMENDED, "markeredgewidth": 2.2}
    axes.plot([x], [y], "o", markersize=13, clip_on=False, **look)


def _draw_targets(axes: Axes, drawn: Sequence[_Curve], targets: Mapping[str, float], scale: float, most: float) -> None:
    """Draw target lines and tell the targets under the panel's title; leave room for both above the values."""
    top = most
    words: list[str] = []
    above: list[str] = []
    limits = {curve.measure.key: targets.get(curve.measure.key) for curve in drawn}
    is_shared = len(set(limits.values())) == 1
    told_keys: set[str] = set()
    for curve in drawn:
        key = curve.measure.key
        limit = limits[key]
        if limit is None or key in told_keys or (is_shared and (words or above)):
            continue
        told_keys.add(key)
        told = curve.measure.told(limit) + (f" {curve.label}" if curve.label and not is_shared else "")
        if most and limit * scale > _OFF_SCALE * most:
            above.append(told)
            continue
        words.append(told)
        colour = _INK if len(limits) == 1 and len(drawn) > 1 else curve.look.colour
        axes.axhline(limit * scale, color=colour, linewidth=1.3, linestyle=(0, (1, 1.5)), zorder=1)
        top = max(top, limit * scale)
    told = "target: " + ", ".join(words) if words else ""
    if above:
        told += f"{', ' if told else 'target '}off the scale: {', '.join(above)}"
    _subtitle(axes, told or "no target", above=5)
    axes.set_ylim(0, top * 1.15 or 1)


def _subtitle(axes: Axes, text: str, above: int) -> None:
    """Write a line so many points above a panel, which does not make the panel narrower."""
    axes.annotate(
        text,
        (0, 1),
        xycoords="axes fraction",
        xytext=(0, above),
        textcoords="offset points",
        fontsize=8,
        color=_INK,
    ).set_in_layout(False)


def _logarithmic(axes: Axes, most: float) -> None:
    # Straight below 1, since values may be zero.
    axes.set_yscale("symlog", linthresh=1.0)
    powers = [10.0**power for power in range(7) if 10**power <= 1.15 * most]
    axes.yaxis.set_major_locator(FixedLocator([0.0, *powers]))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.set_ylim(0, axes.get_ylim()[1] * 1.5)


def _ratios(axes: Axes) -> None:
    heights = [float(height) for line in axes.lines for height in np.asarray(line.get_ydata(), dtype=float)]
    finite = [height for height in heights if math.isfinite(height)]
    if not finite or min(finite) <= 0:
        return  # nothing has no place on such an axis
    low, high = min(finite) / 1.3, max(finite) * 1.3
    axes.set_yscale("log")
    steps = [first * 10.0**power for power in range(-4, 3) for first in (1, 2, 3, 5)]
    axes.yaxis.set_major_locator(FixedLocator([step for step in steps if low <= step <= high]))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.set_ylim(low, high)


def _interval_axis(axes: Axes, intervals: Sequence[float], room: float) -> None:
    axes.set_xscale("log")
    axes.set_xlim(intervals[0] / 1.35, intervals[-1] * 1.35)
    # Every tried interval is labelled where there is room for it.
    labelled: list[float] = []
    apart = room * (intervals[-1] / intervals[0]) ** 0.045
    for interval in intervals:
        if not labelled or interval / labelled[-1] > apart:
            labelled.append(interval)
    axes.xaxis.set_major_locator(FixedLocator(labelled))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
