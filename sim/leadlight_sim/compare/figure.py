"""The figure of a comparison: a panel for every measure, a bar for every pair of variants."""

from __future__ import annotations

import math
from typing import Final

from matplotlib.figure import Figure

from leadlight_sim.compare.comparing import Comparison

# Of M. Okabe and K. Ito's set (2008), which all common kinds of colour vision tell apart. Filling tells it again.
_REAL: Final = "#D55E00"
_NOT: Final = "#56748a"
_INK: Final = "#333333"
_RULE: Final = "#dddddd"
COLUMNS: Final = 3


def draw(found: Comparison, title: str) -> Figure:
    """Return the differences with their intervals; what is unbounded reaches the panel's edge."""
    pairs = list(found.pairs)
    # Without measures in which nothing differs anywhere: a panel of zeros says nothing.
    numbers = [
        number
        for number in range(len(next(iter(found.pairs.values()))))
        if any(own[number].first != own[number].second or own[number].median for own in found.pairs.values())
    ]
    rows = max(1, math.ceil(len(numbers) / COLUMNS))
    figure = Figure(figsize=(13, 1.2 + rows * (1.0 + 0.3 * len(pairs))), dpi=120, layout="constrained")
    figure.suptitle(title, x=0.01, ha="left", fontsize=12, fontweight="bold", color=_INK)
    grid = figure.subplots(rows, COLUMNS, squeeze=False, sharey=True)
    for axes in grid.flat[len(numbers) :]:
        axes.set_axis_off()
    names = [f"{found.variants[second].name} − {found.variants[first].name}" for first, second in pairs]
    for axes, number in zip(grid.flat, numbers, strict=False):
        measure = found.pairs[pairs[0]][number].measure
        scale = 100.0 if measure.unit == "%" else 1.0
        finite = [
            abs(value) * scale
            for own in found.pairs.values()
            for value in (own[number].low, own[number].high, own[number].median)
            if math.isfinite(value)
        ]
        edge = 1.15 * max(finite, default=1.0) or 1.0
        for place, pair in enumerate(pairs):
            each = found.pairs[pair][number]
            low, middle, high = (max(-edge, min(edge, v * scale)) for v in (each.low, each.median, each.high))
            colour = _REAL if each.is_real else _NOT
            axes.plot([low, high], [place, place], color=colour, linewidth=2.5, alpha=0.6)
            fill = colour if each.is_real else "white"
            axes.plot([middle], [place], "o", color=colour, markerfacecolor=fill, markersize=6)
        axes.axvline(0, color=_INK, linewidth=1)
        axes.set_xlim(-edge, edge)
        axes.set_ylim(len(pairs) - 0.5, -0.5)
        axes.set_title(measure.titled, fontsize=9, loc="left", color=_INK)
        axes.set_yticks(range(len(pairs)), names)
        axes.grid(axis="x", color=_RULE, linewidth=0.6)
        axes.tick_params(labelsize=8, labelcolor=_INK)
        axes.spines[["top", "right"]].set_visible(False)
    figure.supxlabel(
        "Left of the line the second is less. Filled and orange: real. Bars: 95 % intervals, all together.", fontsize=8
    )
    return figure
