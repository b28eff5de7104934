"""The budget's page: one HTML file with the tables and two drawings, which needs nothing outside itself."""

from __future__ import annotations

from functools import partial
from typing import Final

import numpy as np
from markupsafe import Markup
from matplotlib.ticker import FuncFormatter

from leadlight_sim.budget.measuring import ERRORS_APART
from leadlight_sim.budget.sheet import Budget
from leadlight_sim.budget.site import sound_lead_ms
from leadlight_sim.budget.tables import NOT_HERE, assumed, by_gain, headline, sentences, sheets
from leadlight_sim.drawing import (
    INK,
    LEVELS,
    NAIVE,
    OURS,
    RIGHT_PX,
    RULE,
    SOFT,
    WIDTH,
    WORST,
    Drawing,
    as_svg,
    in_both_widths,
    new_figure,
    place,
    rectangles,
    rendered,
    style,
)
from leadlight_sim.telling import as_time

TEMPLATE: Final = "budget.html.j2"
ROW_PX: Final = 30
ROW_NARROW_PX: Final = 48
NAMES_PX: Final = 280


def page(found: Budget, command: str = "") -> str:
    """Return a budget as HTML; ``command`` is the command line that repeats it.

    The same budget gives the same text, whenever and wherever it is made with the same versions.
    """
    good, words = headline(found)
    drawings = in_both_widths(partial(by_cause, found), partial(sound_over_distance, found))
    return rendered(
        TEMPLATE,
        scenario=found.scenario,
        good=good,
        headline=words,
        sentences=sentences(found),
        drawings=[(drawing, Markup(drawing.svg)) for drawing in drawings],
        sheets=sheets(found),
        assumed=assumed(found),
        cautions=NOT_HERE,
        digest=found.scenario.digest(),
        command=command,
    )


def by_cause(found: Budget, width: int = WIDTH) -> Drawing:
    """Draw what removing each cause would gain, the most first, each with two standard errors either way."""
    narrow = width < WIDTH
    row_px = ROW_NARROW_PX if narrow else ROW_PX
    effects = by_gain(found)
    with style("budget-causes"):
        figure = new_figure(40 + len(effects) * row_px + 46, width)
        axes = place(figure, 34, len(effects) * row_px, left=8 if narrow else NAMES_PX, right=RIGHT_PX - 30)
        spans = [(effect.gain.value, ERRORS_APART * effect.gain.error) for effect in effects]
        right = 1.2 * max(max(gain + apart for gain, apart in spans), 1e-3)
        left = min(0.0, 1.1 * min(gain - apart for gain, apart in spans))
        axes.set_xlim(left, right)
        axes.set_ylim(len(effects), 0)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.axvline(0, color=SOFT.light, linewidth=0.8)
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.set_xlabel("ms gained")
        axes.grid(axis="x", color=RULE.light, linewidth=0.8)
        axes.set_axisbelow(True)
        for row, (effect, (gain, apart)) in enumerate(zip(effects, spans, strict=True)):
            tint = WORST if effect.cause is None else OURS if effect.gain.is_distinguishable else LEVELS[1]
            # On a phone a cause's name stands above its bar.
            middle = row + (0.68 if narrow else 0.5)
            rectangles(axes, [(min(gain, 0.0), max(gain, 0.0), middle - 8 / row_px, middle + 8 / row_px)], tint)
            axes.plot([gain - apart, gain + apart], [middle] * 2, color=INK.light, linewidth=1.4)
            name = "all of these together" if effect.cause is None else effect.cause.value
            if narrow:
                axes.text(left, row + 0.24, name, va="center", color=INK.light)
            else:
                axes.text(left - 0.01 * right, middle, name, ha="right", va="center", color=INK.light)
            told = as_time(gain) if effect.gain.is_distinguishable else "not distinguishable"
            axes.text(max(gain + apart, 0.0) + 0.01 * right, middle, told, va="center",
                      color=INK.light)  # fmt: skip
        of = "worst piece" if found.measured.pair is None else "worst pair"
        about = f"What removing each cause would gain for the {of}, in ms (p95 of light)."
        svg = as_svg(figure, "budget-causes", "Gain by cause", about)
    return Drawing(
        "budget-causes",
        f"What removing each cause would gain for the {of}",
        "Look for the longest bar. The thin line is two standard errors either way: where it crosses zero, chance "
        "alone explains the bar.",
        svg,
    )


def sound_over_distance(found: Budget, width: int = WIDTH) -> Drawing:
    """Draw sound against light over the distance, the windows behind it, with the best delay for the tightest."""
    site = found.scenario.site
    tightest = found.sound[0]
    windows = [fit.window for fit in found.sound[:2]]
    with style("budget-sound"):
        figure = new_figure(300, width)
        axes = place(figure, 30, 210) if width == WIDTH else place(figure, 30, 210, left=64, right=136)
        far = max(site.audience_far_m * 1.25, 10.0)
        distances = np.array([0.0, far])
        lowest_delay = min(tightest.light_delay_ms, 0.0)
        low = min(sound_lead_ms(far, lowest_delay, found.ms_per_m), -windows[-1].late_ms) - 12
        high = max(tightest.light_delay_ms, windows[-1].early_ms) + 12
        axes.set_xlim(0, far)
        axes.set_ylim(low, high)
        for window, tint in zip(reversed(windows), (LEVELS[0], LEVELS[1]), strict=True):
            rectangles(axes, [(0, far, -window.late_ms, window.early_ms)], tint, alpha=0.55)
        axes.axhline(0, color=SOFT.light, linewidth=0.8)
        edges = [site.audience_near_m, site.audience_far_m]
        for edge, side in zip(edges, ("right", "left"), strict=True):
            axes.axvline(edge, color=INK.light, linewidth=1.0, linestyle=(0, (2, 2)))
            axes.text(edge, high, f" {edge:g} m ", ha=side, va="bottom", color=INK.light)  # fmt: skip
        best_ms = tightest.light_delay_ms
        for delay, tint, label in (
            (0.0, NAIVE, "as it is"),
            (best_ms, OURS, f"lights {abs(best_ms):.0f} ms {'later' if best_ms >= 0 else 'sooner'}"),
        ):
            leads = [sound_lead_ms(distance, delay, found.ms_per_m) for distance in distances.tolist()]
            axes.plot(distances, leads, color=tint.light, linewidth=2.2, clip_on=True)
            if low <= leads[1] <= high:
                axes.annotate(label, (far, leads[1]), xytext=(6, 0), textcoords="offset points", va="center",
                              color=tint.light, annotation_clip=False)  # fmt: skip
            for edge in edges:
                axes.plot([edge], [sound_lead_ms(edge, delay, found.ms_per_m)], "o", color=tint.light, markersize=5)
        for window in windows:
            # To the right of the audience and above the lines, whatever the depth.
            limits = f"{window.name} +{window.early_ms:g} −{window.late_ms:g}"
            at = (0.995 * far, window.early_ms - 1)
            axes.text(*at, limits, ha="right", va="top", color=SOFT.light)
        axes.set_xlabel("metres from the loudspeaker")
        axes.set_ylabel("sound early, ms")
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:+.0f}" if value else "0"))
        about = (
            f"With the lights delayed by {tightest.light_delay_ms:.0f} ms sound is "
            f"{tightest.near_sound_lead_ms:+.0f} ms early at {site.audience_near_m:g} m and "
            f"{tightest.far_sound_lead_ms:+.0f} ms at {site.audience_far_m:g} m."
        )
        svg = as_svg(figure, "budget-sound", "Sound against light", about)
    return Drawing(
        "budget-sound",
        "Sound against light, from the nearest listener to the farthest",
        "Look whether the line stays inside the darker band between the two dotted edges. Delaying the lights moves "
        "the line up or down; nothing but moving people or loudspeakers changes its slope.",
        svg,
    )
