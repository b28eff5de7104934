"""The page of a fit: what it assumes first, then how good it is, with drawings; one HTML file that needs no other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import Final

import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.drawing import (
    INK,
    LEVELS,
    LIMIT,
    NAIVE,
    OURS,
    RULE,
    SOFT,
    WIDTH,
    Drawing,
    as_svg,
    decade,
    decades,
    in_both_widths,
    new_figure,
    place,
    rectangles,
    rendered,
    style,
    time_axis,
)
from leadlight_sim.fitting.air import Fit
from leadlight_sim.fitting.goodness import Goodness, WayJudged
from leadlight_sim.fitting.tables import sheets
from leadlight_sim.fitting.words import assumed, findings, headline, longer, span_words, steadiness
from leadlight_sim.recording import Floats, Observed, Way

TEMPLATE: Final = "fit.html.j2"
TIMES_MAXIMUM: Final = 300
"""Spans of time in the drawing over time."""
BEAT_BINS: Final = 128
NARROW_EDGES: Final = {"left": 64.0, "right": 76.0}


def page(found: Fit, observed: Observed, judged: Goodness, warnings: Sequence[str]) -> str:
    """Return a judged fit as HTML; the same recording gives the same text."""
    good, words = headline(judged, observed)
    drawings = in_both_widths(
        partial(against, judged), partial(over_time, observed), partial(in_the_beat, found, observed),
        partial(in_time, judged),
    )  # fmt: skip
    return rendered(
        TEMPLATE,
        source=observed.source,
        span=span_words(observed.length_ns / SECOND),
        hosts=len(observed.hosts),
        packets=found.packets,
        recorded_at=f"{observed.begun_at:%Y-%m-%d %H:%M} UTC" if observed.begun_at is not None else "",
        good=good,
        headline=words,
        assumed=assumed(found, observed),
        warnings=warnings,
        findings=findings(found, observed),
        sentences=[steadiness(judged), longer(judged, observed)],
        drawings=[(drawing, Markup(drawing.svg)) for drawing in drawings],
        sheets=sheets(judged, observed),
    )


def against(judged: Goodness, width: int = WIDTH) -> Drawing:
    """Draw quantile against quantile: what the fit draws over what was recorded in the seconds not fitted."""
    size, gap, left = 158.0, 66.0, 84.0
    in_a_row = len(judged.ways) if width == WIDTH else 1
    with style("fit-against"):
        figure = new_figure(280 + (-(-len(judged.ways) // in_a_row) - 1) * 240, width)
        for number, way in enumerate(judged.ways):
            row, column = divmod(number, in_a_row)
            begin = left + column * (size + gap)
            axes = place(figure, 40 + row * 240, size, left=begin, right=width - begin - size)
            _quantiles(axes, way, first=column == 0)
        about = "; ".join(
            f"{way.name}: worst of p50, p90 and p99 is {way.worst_ratio:.2f} times off" for way in judged.ways
        )
        svg = as_svg(figure, "fit-against", "Quantile against quantile", about + ".")
    return Drawing(
        "fit-against",
        "Drawn against recorded, quantile by quantile",
        "Look whether the dots stay in the band, which is a tenth either way. Each dot is a hundredth of all packets, "
        "p50, p90 and p99 are the large ones; the last dots hang on a few packets each. Even seconds against an air "
        "made of the odd ones.",
        svg,
    )


def _quantiles(axes: Axes, way: WayJudged, first: bool) -> None:
    x, y = (np.array(curve) / MILLISECOND for curve in (way.judged_curve, way.drawn_curve))
    low = max(1e-3, 0.8 * min(float(np.min(x)), float(np.min(y))))
    high = max(1.3 * max(float(np.max(x)), float(np.max(y))), 3 * low)
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(low, high)
    axes.set_ylim(low, high)
    ends = np.array([low, high])
    axes.fill_between(ends, ends / 1.1, ends * 1.1, color=LEVELS[0].light, linewidth=0)
    axes.plot(ends, ends, color=SOFT.light, linewidth=0.8)
    axes.plot(x, y, "o", color=OURS.light, markersize=3)
    marked_x, marked_y = (np.array(values) / MILLISECOND for values in (way.judged, way.drawn))
    axes.plot(marked_x, marked_y, "o", color=NAIVE.light, markersize=7, markeredgewidth=0)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_minor_locator(NullLocator())
        if high / low > 12:
            decades(axis, low, high, decade)
        else:
            axis.set_major_locator(_round_ticks(low, high))
            axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g} ms"))
    axes.set_title(way.name, color=INK.light, loc="left")
    axes.set_xlabel("recorded")
    if first:
        axes.set_ylabel("drawn")


def _round_ticks(low: float, high: float) -> FixedLocator:
    steps = [base * 10.0**power for power in range(-3, 5) for base in (1, 2, 5)]
    return FixedLocator([step for step in steps if low <= step <= high])


def over_time(observed: Observed, width: int = WIDTH) -> Drawing:
    """Draw what packets took over the recording: median and p90 of each span of time, and what was lost."""
    rows = [("group", observed.ways("group")), ("both ways", observed.ways("round_trip"))]
    rows = [(name, ways) for name, ways in rows if any(way.came.any() for way in ways)] or [
        ("packets", observed.ways("up") + observed.ways("down"))
    ]
    length_s = max(observed.length_ns / SECOND, 1e-3)
    spans = int(min(TIMES_MAXIMUM, max(10, sum(len(way) for way in rows[0][1]) // 12)))
    height = 150
    with style("fit-over-time"):
        figure = new_figure(len(rows) * (height + 66) + 30, width)
        for number, (name, ways) in enumerate(rows):
            top = 34 + number * (height + 66)
            axes = place(figure, top, height) if width == WIDTH else place(figure, top, height, **NARROW_EDGES)
            middle, slow, lost = _spans(ways, spans, length_s)
            at = (np.arange(spans) + 0.5) * length_s / spans
            axes.set_yscale("log")
            known = slow[~np.isnan(slow)]
            low, high = 0.7 * float(np.nanmin(middle)), 1.6 * float(np.max(known))
            high = max(high, 12 * low)
            axes.set_ylim(low, high)
            axes.fill_between(at, middle, slow, color=LEVELS[1].light, linewidth=0)
            axes.plot(at, middle, color=OURS.light, linewidth=1.6)
            worst = np.flatnonzero(lost > 0)
            boxes = [(at[i] - length_s / spans / 2, at[i] + length_s / spans / 2, high / 1.25, high) for i in worst]
            for box, share in zip(boxes, lost[worst], strict=True):
                rectangles(axes, [box], LIMIT, alpha=float(0.25 + 0.75 * share))
            decades(axes.yaxis, low, high, decade)
            axes.grid(axis="y", color=RULE.light, linewidth=0.8)
            axes.set_axisbelow(True)
            time_axis(axes, 0, length_s, "time of the recording" if number == len(rows) - 1 else "",
                      12 if width == WIDTH else 5)  # fmt: skip
            axes.set_title(name, color=INK.light, loc="left")
        svg = as_svg(figure, "fit-over-time", "Delays over the recording", "Median and p90 of each span, losses above.")
    return Drawing(
        "fit-over-time",
        "The recording from its beginning to its end",
        "Look whether the left half is as the right one. The line is the median of each span of time, the band "
        "reaches to its p90; marks along the top are losses, the stronger the more.",
        svg,
    )


def _spans(ways: Sequence[Way], spans: int, length_s: float) -> tuple[Floats, Floats, Floats]:
    sent = np.concatenate([way.sent_ns for way in ways]) / SECOND
    delays = np.concatenate([way.delay_ns for way in ways]) / MILLISECOND
    place_of = np.clip((sent / length_s * spans).astype(int), 0, spans - 1)
    middle, slow, lost = np.full(spans, np.nan), np.full(spans, np.nan), np.zeros(spans)
    for number in range(spans):
        found = delays[place_of == number]
        came = found[~np.isnan(found)]
        if len(found):
            lost[number] = 1 - len(came) / len(found)
        if len(came):
            middle[number], slow[number] = np.quantile(came, [0.5, 0.9])
    return middle, slow, lost


def in_the_beat(found: Fit, observed: Observed, width: int = WIDTH) -> Drawing | None:
    """Draw at which points of the access point's beat the group's packets were sent, and at which they came."""
    beat = found.beat
    ways = [way for way in observed.ways("group") if way.came.any()]
    if beat is None or not ways:
        return None
    sent = np.concatenate([way.sent_ns[way.came] for way in ways])
    arrived = sent + np.concatenate([way.delays for way in ways])
    period_ms = beat.period_ns / MILLISECOND
    with style("fit-beat"):
        figure = new_figure(250, width)
        axes = place(figure, 20, 170) if width == WIDTH else place(figure, 20, 170, **NARROW_EDGES)
        edges = np.linspace(0, period_ms, BEAT_BINS + 1)
        tops = []
        for instants, tint, label in ((arrived, OURS, "heard"), (sent, NAIVE, "sent")):
            folded = ((instants - beat.phase_ns) % beat.period_ns) / MILLISECOND
            counts, _ = np.histogram(folded, edges)
            shares = counts / max(1, len(instants))
            tops.append(float(np.max(shares)))
            axes.step(edges, np.append(shares, shares[-1]), where="post", color=tint.light, linewidth=1.8, label=label)
            at = int(np.argmax(shares)) if label == "heard" else BEAT_BINS // 2
            axes.annotate(label, (edges[at], shares[at]), xytext=(8, 4), textcoords="offset points",
                          color=tint.light, annotation_clip=False)  # fmt: skip
        axes.set_xlim(0, period_ms)
        axes.set_ylim(0, 1.15 * max(tops))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{100 * value:g} %"))
        axes.set_xlabel(f"ms since a release, every {period_ms:.1f} ms")
        svg = as_svg(figure, "fit-beat", "The access point's beat", f"Shares of packets over {period_ms:.1f} ms.")
    return Drawing(
        "fit-beat",
        "The group's packets in the access point's beat",
        "Look for a peak of what was heard, right after zero: packets that waited for the access point's beacon and "
        "came with it. What was sent lies level, as it should: probes leave at irregular instants.",
        svg,
    )


def in_time(judged: Goodness, width: int = WIDTH) -> Drawing | None:
    """Draw how much delays a while apart resemble each other, recorded and drawn."""
    if not judged.likeness:
        return None
    lags = [one.lag_s for one in judged.likeness]
    with style("fit-likeness"):
        figure = new_figure(250, width)
        axes = place(figure, 20, 170) if width == WIDTH else place(figure, 20, 170, **NARROW_EDGES)
        axes.set_xscale("log")
        axes.set_xlim(min(lags) * 0.9, max(max(lags) * 1.1, min(lags) * 2))
        axes.set_ylim(-0.25, 1.0)
        axes.axhline(0, color=SOFT.light, linewidth=0.8)
        for values, tint, label in (
            ([one.recorded for one in judged.likeness], NAIVE, "recorded"),
            ([one.drawn for one in judged.likeness], OURS, "drawn"),
        ):
            axes.plot(lags, values, "-o", color=tint.light, linewidth=1.8, markersize=5)
            shown = [(lag, value) for lag, value in zip(lags, values, strict=True) if not math.isnan(value)]
            if shown:
                axes.annotate(label, shown[-1], xytext=(8, 10 if label == "recorded" else -12),
                              textcoords="offset points", color=tint.light, annotation_clip=False)  # fmt: skip
        axes.xaxis.set_minor_locator(NullLocator())
        axes.set_xticks(lags)
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g} s"))
        axes.set_ylabel("correlation")
        svg = as_svg(
            figure, "fit-likeness", "Likeness in time", "Rank correlation of delays by how far apart they are."
        )
    return Drawing(
        "fit-likeness",
        "Delays resemble those of a while before",
        "Look whether both lines fall together. Where they stay up, a busy moment lasts; at nought every packet is on "
        "its own.",
        svg,
    )
