"""The budget's page: one HTML file with the tables and two drawings, which needs nothing outside itself."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from markupsafe import Markup
from matplotlib.ticker import FuncFormatter

from leadlight_sim.budget.sheet import Budget, Cause
from leadlight_sim.budget.site import sound_lead_ms
from leadlight_sim.budget.tables import NOT_HERE, alike, assumed, headline, sentences, sheets
from leadlight_sim.drawing import (
    FAULT,
    GLOW,
    INK,
    LEVELS,
    LIMIT,
    NAIVE,
    OURS,
    RIGHT_PX,
    RULE,
    SOFT,
    WORST,
    Drawing,
    as_svg,
    new_figure,
    place,
    rectangles,
    rendered,
    shorter,
    style,
)
from leadlight_sim.telling import as_time

TEMPLATE: Final = "budget.html.j2"
PAIRS_DRAWN: Final = 8
ROW_PX: Final = 30
NAMES_PX: Final = 220
CAUSE_TINTS: Final = {
    Cause.FLOORS: LEVELS[4],
    Cause.STAMPING: LEVELS[3],
    Cause.ESTIMATOR: OURS,
    Cause.DRIFT: LEVELS[1],
    Cause.WAKING: FAULT,
    Cause.TICK: NAIVE,
    Cause.STRING: LIMIT,
    Cause.TRIM: GLOW,
}


def page(found: Budget, command: str = "") -> str:
    """Return a budget as HTML; ``command`` is the command line that repeats it.

    The same budget gives the same text, whenever and wherever it is made with the same versions.
    """
    good, words = headline(found)
    drawings = [drawing for drawing in (by_cause(found), sound_over_distance(found)) if drawing is not None]
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


def by_cause(found: Budget) -> Drawing | None:
    """Draw the worst pairs and all tight ones, each bar cut by cause; ``None`` where there is one piece only.

    Pairs that come to the same are one bar.
    """
    groups = alike(found.pairs)
    groups = [group for number, group in enumerate(groups) if number < PAIRS_DRAWN or group[0].tight]
    if not groups:
        return None
    pairs = [group[0] for group in groups]
    causes = [cause for cause in Cause if any(pair.part_ms(cause) > 0 for pair in pairs)]
    limits = [(found.one_pixel_ms, "tears by 1 px"), (found.half_frame_ms, "half a frame")]
    with style("budget-causes"):
        legend_rows = math.ceil(len(causes) / 3)
        height = 40 + len(pairs) * ROW_PX + 46 + 22 * legend_rows
        figure = new_figure(height)
        axes = place(figure, 34, len(pairs) * ROW_PX, left=NAMES_PX, right=RIGHT_PX - 30)
        longest = max(pair.allow_ms() for pair in pairs)
        right = 1.08 * max([longest, *(limit for limit, _ in limits if limit < 6 * longest)])
        axes.set_xlim(0, right)
        axes.set_ylim(len(pairs), 0)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.set_xlabel("ms between the two", fontsize=11.5)
        axes.grid(axis="x", color=RULE.light, linewidth=0.8)
        axes.set_axisbelow(True)
        for row, pair in enumerate(pairs):
            begin = 0.0
            for cause in causes:
                wide = pair.part_ms(cause)
                rectangles(axes, [(begin, begin + wide, row + 0.2, row + 0.8)] if wide else [], CAUSE_TINTS[cause])
                begin += wide
            names = f"{shorter(pair.names[0])} – {shorter(pair.names[1])}"
            # The sheet holds the worst pairs alone, and says how many there are like the worst.
            tied = sum(other[0].tight and as_time(other[0].allow_ms()) == as_time(pair.allow_ms()) for other in groups)
            more = (len(groups[row]) if row or pair.tight else found.as_bad - tied) - 1
            begin_text = f"{as_time(begin)}{f', {more} more alike' if more else ''}"
            axes.text(
                -0.01 * right, row + 0.5, names, ha="right", va="center", fontsize=11.5,
                color=LIMIT.light if pair.tight else INK.light,
            )  # fmt: skip
            axes.text(begin + 0.008 * right, row + 0.5, begin_text, va="center", fontsize=11.5,
                      fontweight="bold", color=WORST.light)  # fmt: skip
        near = abs(limits[0][0] - limits[1][0]) < 0.16 * right
        for number, (limit, meaning) in enumerate(sorted(limits)):
            if limit > right:
                continue
            axes.axvline(limit, color=LIMIT.light, linewidth=1.4, linestyle=(0, (4, 3)))
            side = "right" if near and number == 0 else "left"
            shift = -0.006 * right if side == "right" else 0.006 * right
            axes.text(limit + shift, -0.28, f"{meaning}: {limit:.1f}", ha=side, va="center", fontsize=11,
                      color=LIMIT.light)  # fmt: skip
        key = place(figure, 34 + len(pairs) * ROW_PX + 46, 22 * legend_rows, left=NAMES_PX, right=30)
        key.set_axis_off()
        key.set_xlim(0, 3)
        key.set_ylim(legend_rows, 0)
        for number, cause in enumerate(causes):
            row, column = divmod(number, 3)
            rectangles(key, [(column, column + 0.05, row + 0.2, row + 0.8)], CAUSE_TINTS[cause])
            key.text(column + 0.08, row + 0.5, cause.value, va="center", fontsize=11, color=INK.light)
        about = (
            f"The worst pair, {pairs[0].names[0]} and {pairs[0].names[1]}, may be {as_time(pairs[0].allow_ms())} "
            f"apart; a pattern tears by one pixel at {as_time(found.one_pixel_ms)}."
        )
        svg = as_svg(figure, "budget-causes", "Pairs by cause", about)
    tight = " Pairs that share a surface have coloured names." if any(pair.tight for pair in pairs) else ""
    if any(len(group) > 1 for group in groups):
        tight += " Pairs that come to the same are one bar."
    return Drawing(
        "budget-causes",
        "What may lie between two pieces, by cause",
        f"Look whether a bar reaches a dashed line, and at its widest part. Constants are drawn at their largest; what "
        f"varies is drawn as what it keeps within 95 % of the time, shared out by its squares.{tight}",
        svg,
    )


def sound_over_distance(found: Budget) -> Drawing:
    """Draw sound against light over the distance, the windows behind it, with the best delay for the tightest."""
    site = found.scenario.site
    tightest = found.sound[0]
    windows = [fit.window for fit in found.sound[:2]]
    with style("budget-sound"):
        figure = new_figure(300)
        axes = place(figure, 30, 210)
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
            axes.text(edge, high, f" {edge:g} m ", ha=side, va="bottom",
                      fontsize=11, color=INK.light)  # fmt: skip
        best_ms = tightest.light_delay_ms
        for delay, tint, label in (
            (0.0, NAIVE, "as it is"),
            (best_ms, OURS, f"lights {abs(best_ms):.0f} ms {'later' if best_ms >= 0 else 'sooner'}"),
        ):
            leads = [sound_lead_ms(distance, delay, found.ms_per_m) for distance in distances.tolist()]
            axes.plot(distances, leads, color=tint.light, linewidth=2.2, clip_on=True)
            if low <= leads[1] <= high:
                axes.annotate(label, (far, leads[1]), xytext=(6, 0), textcoords="offset points", va="center",
                              fontsize=11, color=tint.light, annotation_clip=False)  # fmt: skip
            for edge in edges:
                axes.plot([edge], [sound_lead_ms(edge, delay, found.ms_per_m)], "o", color=tint.light, markersize=5)
        for window in windows:
            # To the right of the audience and above the lines, whatever the depth.
            limits = f"{window.name} +{window.early_ms:g} −{window.late_ms:g}"
            at = (0.995 * far, window.early_ms - 1)
            axes.text(*at, limits, ha="right", va="top", fontsize=10, color=SOFT.light)
        axes.set_xlabel("metres from the loudspeaker", fontsize=11.5)
        axes.set_ylabel("sound early, ms", fontsize=11.5)
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
