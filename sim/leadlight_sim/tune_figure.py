"""The figure of a sweep: small multiples of every measure against the beacon interval."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from leadlight.errors import LeadlightError
from leadlight_sim.tune import MEASURES, Measure, Standing

FORMATS: Final = (".png", ".svg")

# Three colours of M. Okabe and K. Ito's set (2008), which all common kinds of colour vision tell apart. Shape and line
# style tell everything a second time.
_FIRST: Final = "#0072B2"
_SECOND: Final = "#D55E00"
_RECOMMENDED: Final = "#009E73"
_INK: Final = "#333333"

_OFF_SCALE: Final = 2.5
"""A target this many times above everything measured is told in words: drawn, it would flatten the measurements."""


@dataclass(frozen=True, slots=True)
class _Panel:
    title: str
    axis: str
    first: str
    second: str | None = None
    first_label: str = ""
    second_label: str = ""
    is_logarithmic: bool = False


_PANELS: Final = (
    _Panel("Error to the leader, p95", "ms", "error_p95_ms"),
    _Panel("Error to the leader, worst instant", "ms", "error_max_ms"),
    _Panel("Difference of two pieces, p95", "ms", "pair_p95_ms", "tight_pair_p95_ms", "any pair", "tight pair"),
    _Panel("Time to join", "s", "join_s", "rejoin_s", "first time", "after a power cut"),
    _Panel("Latest cue", "ms, logarithmic", "cue_lateness_ms", is_logarithmic=True),
    _Panel("Time on a wrong frame", "%", "wrong_frame_share"),
    _Panel("Visible jumps", "in a run", "visible_steps"),
    _Panel("Airtime that timing takes", "%", "airtime_share"),
)


def draw(
    found: Sequence[Standing],
    targets: Mapping[str, float],
    title: str,
    subtitle: str,
    recommended_s: float | None,
) -> Figure:
    """Return the figure of a sweep. ``recommended_s`` is the interval to mark, if any."""
    figure = Figure(figsize=(14, 6.9), dpi=120, layout="constrained")
    figure.get_layout_engine().set(w_pad=0.1, h_pad=0.1, rect=(0, 0.035, 1, 0.865))  # type: ignore[union-attr, call-arg]
    figure.text(0.012, 0.972, title, fontsize=13, fontweight="bold", color=_INK, va="top")
    figure.text(0.012, 0.932, subtitle, fontsize=9.5, color=_INK, va="top")
    figure.text(
        0.012,
        0.012,
        "Marks: one run each, its worst piece. Line: median of the runs. Shade: from the least to the most. "
        "Beacon intervals on a logarithmic axis.",
        fontsize=8.5,
        color=_INK,
    )
    by_key = {measure.key: measure for measure in MEASURES}
    grid = figure.subplots(2, 4, sharex=True)
    for axes, panel in zip(grid.flat, _PANELS, strict=True):
        _draw_panel(axes, panel, by_key, found, targets, recommended_s)
    _interval_axis(grid.flat[0], [standing.interval_s for standing in found])
    for axes in grid[-1]:
        axes.set_xlabel("beacon interval, s", color=_INK)
    return figure


def save(figure: Figure, path: Path) -> None:
    """Write a figure as PNG or SVG, by the path's ending. Raises ``LeadlightError``."""
    # A fixed salt and no date: the same sweep gives the same bytes.
    metadata: dict[str, Any] = {"Date": None} if path.suffix.lower() == ".svg" else {"Software": None}
    try:
        with matplotlib.rc_context({"svg.hashsalt": "leadlight"}):
            figure.savefig(path, metadata=metadata)
    except OSError as error:
        raise LeadlightError(f"{path}: cannot be written: {error.strerror}") from error


def _draw_panel(
    axes: Axes,
    panel: _Panel,
    by_key: Mapping[str, Measure],
    found: Sequence[Standing],
    targets: Mapping[str, float],
    recommended_s: float | None,
) -> None:
    axes.set_title(panel.title, fontsize=10, fontweight="bold", loc="left", pad=19, color=_INK)
    axes.set_ylabel(panel.axis, color=_INK)
    axes.tick_params(labelsize=9, labelcolor=_INK)
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(axis="y", color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)
    scale = 100.0 if panel.axis == "%" else 1.0
    if recommended_s is not None:
        axes.axvline(recommended_s, color=_RECOMMENDED, linewidth=9, alpha=0.22, zorder=0)

    drawn: list[tuple[Measure, str, str]] = []
    most = 0.0
    for key, colour, marker, style, label in (
        (panel.first, _FIRST, "o", "-", panel.first_label),
        (panel.second, _SECOND, "^", "--", panel.second_label),
    ):
        measure = by_key.get(key or "")
        if measure is None or all(standing.spread(measure) is None for standing in found):
            continue
        most = max(most, _draw_measure(axes, measure, found, scale, colour, marker, style, label))
        drawn.append((measure, colour, label))
    if len(drawn) == 1:
        # One alone needs no telling apart.
        drawn = [(drawn[0][0], drawn[0][1], "")]
    _draw_targets(axes, drawn, targets, scale, most)
    if panel.is_logarithmic:
        _logarithmic(axes, most)
    if panel.first == "visible_steps":
        axes.yaxis.set_major_locator(MaxNLocator(integer=True))
    if panel.second in {measure.key for measure, _, _ in drawn}:
        axes.legend(fontsize=8, frameon=False, loc="best", labelcolor=_INK)
    if not drawn:
        axes.text(0.5, 0.5, "nothing of the kind\nin this scenario", transform=axes.transAxes, ha="center", fontsize=9)
        axes.set_yticks([])


def _draw_measure(
    axes: Axes,
    measure: Measure,
    found: Sequence[Standing],
    scale: float,
    colour: str,
    marker: str,
    style: str,
    label: str,
) -> float:
    """Draw one measure and return the largest finite value in it."""
    intervals: list[float] = []
    medians: list[float] = []
    lows: list[float] = []
    highs: list[float] = []
    most = 0.0
    for standing in found:
        spread = standing.spread(measure)
        if spread is None:
            continue
        values = [value * scale for run in standing.runs if (value := measure.value(run)) is not None]
        finite = [value for value in values if math.isfinite(value)]
        most = max([most, *finite])
        axes.plot(
            [standing.interval_s] * len(finite), finite, marker, color=colour, markersize=3.2, alpha=0.55, zorder=3
        )
        if len(finite) < len(values):
            # At the top edge, since no height would be true of it.
            told = f"{len(values) - len(finite)} {measure.told(math.inf)}"
            axes.annotate(
                told,
                (standing.interval_s, 1.0),
                xycoords=("data", "axes fraction"),
                ha="center",
                va="top",
                fontsize=7.5,
                color=colour,
            )
        intervals.append(standing.interval_s)
        for kept, value in zip((medians, lows, highs), (spread.median, spread.low, spread.high), strict=True):
            kept.append(value * scale if math.isfinite(value) else math.nan)
    axes.fill_between(intervals, lows, highs, color=colour, alpha=0.15, linewidth=0)
    axes.plot(intervals, medians, style, color=colour, linewidth=1.6, label=label or None, zorder=2)
    return most


def _draw_targets(
    axes: Axes, drawn: Sequence[tuple[Measure, str, str]], targets: Mapping[str, float], scale: float, most: float
) -> None:
    """Draw target lines and tell the targets under the panel's title; leave room for both above the values."""
    top = most
    words: list[str] = []
    for measure, colour, label in drawn:
        if measure.key not in targets:
            continue
        target = targets[measure.key] * scale
        shared = len({targets.get(other.key) for other, _, _ in drawn}) == 1
        told = measure.told(targets[measure.key]) + (f" {label}" if label and not shared else "")
        if shared and words:
            continue
        if most and target > _OFF_SCALE * most:
            words.append(f"{told} (off the scale)")
            continue
        words.append(told)
        axes.axhline(target, color=colour, linewidth=1.3, linestyle=(0, (1, 1.5)), zorder=1)
        top = max(top, target)
    # It must not make the panel narrower.
    axes.annotate(
        f"target: {', '.join(words)}" if words else "no target",
        (0, 1),
        xycoords="axes fraction",
        xytext=(0, 5),
        textcoords="offset points",
        fontsize=8,
        color=_INK,
    ).set_in_layout(False)
    axes.set_ylim(0, top * 1.15 or 1)


def _logarithmic(axes: Axes, most: float) -> None:
    # Straight below 1, since values may be zero.
    axes.set_yscale("symlog", linthresh=1.0)
    powers = [10.0**power for power in range(7) if 10**power <= 1.15 * most]
    axes.yaxis.set_major_locator(FixedLocator([0.0, *powers]))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.set_ylim(0, axes.get_ylim()[1] * 1.5)


def _interval_axis(axes: Axes, intervals: Sequence[float]) -> None:
    axes.set_xscale("log")
    axes.set_xlim(intervals[0] / 1.35, intervals[-1] * 1.35)
    # Every tried interval is labelled where there is room for it.
    labelled: list[float] = []
    room = 1.12 * (intervals[-1] / intervals[0]) ** 0.045
    for interval in intervals:
        if not labelled or interval / labelled[-1] > room:
            labelled.append(interval)
    axes.xaxis.set_major_locator(FixedLocator(labelled))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
