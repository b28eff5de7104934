"""Drawings of a rehearsal: distance over time, its distribution, and beacons on their way.

Each takes a ``Rehearsal`` and draws what it kept; none runs anything. The crowd view is in ``crowd_view``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np
import numpy.typing as npt

from leadlight_sim import scenario as described
from leadlight_sim.drawing import (
    CHARACTER_PX,
    FAULT,
    INK,
    LEFT_PX,
    LEVELS,
    LIMIT,
    NAIVE,
    NIGHT,
    OURS,
    PAPER,
    RIGHT_PX,
    RULE,
    SHOW,
    SOFT,
    WIDTH,
    WORST,
    Area,
    Drawing,
    Tint,
    as_png,
    as_svg,
    decade,
    decades,
    new_figure,
    new_sheet,
    place,
    put_ticks,
    rectangles,
    round_ticks,
    shorter,
    spread,
    style,
    time_axis,
)
from leadlight_sim.measures import (
    FollowerScore,
    Rehearsal,
    Scores,
    distance_of,
    naive_distance_of,
    was_show_on,
    worst_first,
)
from leadlight_sim.report.spans import fault_spans, show_spans
from leadlight_sim.telling import as_share, as_time

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    Plot: TypeAlias = Axes | Area

Floats = npt.NDArray[np.float64]

COLUMNS: Final = 400
"""A run is drawn in so many columns at most, each the largest error within it, so that no spike is lost."""
ROWS_MAXIMUM: Final = 16
"""More pieces than these cannot be told apart on a page: the worst are shown, and the caption says so."""
WORST_CHARACTERS: Final = 11
"""Of the name of the worst piece: the margin has room for these and a word."""
POINTS: Final = 200
"""Of a curve, at most."""
FLOOR_MS: Final = 0.01
"""Errors smaller than this are drawn as this: a logarithmic scale has no zero."""
NOTHING_DUE, DARK, NO_POWER = -1, -2, -3
"""In place of a level, where a piece shows nothing: no show is on; one is, and it has power; it has none."""


# --- Common parts ---------------------------------------------------------------------------------------------------


def distances(score: FollowerScore, scores: Scores, naive: bool = False) -> Floats:
    """Return a piece's distances from the music at every scoring instant: of its light, where a show was ever on."""
    if was_show_on(scores):
        return score.naive_lights if naive else score.lights
    return score.naive_errors if naive else score.errors


def settled_part(score: FollowerScore, rehearsal: Rehearsal, values: Floats) -> Floats:
    """Return the values, in the scoring instants' order, that count: those from when the follower had settled."""
    heard = np.flatnonzero(~np.isnan(score.errors))
    if heard.size == 0:
        return np.empty(0)
    times = rehearsal.scores.times_s
    counted: Floats = values[times >= times[heard[0]] + rehearsal.scenario.run.settle_s]
    return counted[~np.isnan(counted)]


def plain_description(rehearsal: Rehearsal) -> str:
    """Return the main figures in one sentence, for those who cannot see a drawing."""
    scores = rehearsal.scores
    limit = f"The limit is {rehearsal.scenario.error_target_ms:g} ms."
    worst = worst_first(scores.followers)[0]
    p95 = distance_of(worst, scores).p95
    if math.isnan(p95):
        return f"{worst.name} was never in the show while it was scored, so its distance is not known. {limit}"
    naive = max((naive_distance_of(score, scores).p95 for score in scores.followers), key=_nan_last)
    return (
        f"The worst piece, {worst.name}, is within {as_time(p95)} of the music 95 % of the time; "
        f"a board that believed the latest beacon would be within {as_time(naive)}. {limit}"
    )


def _nan_last(value: float) -> float:
    return -math.inf if math.isnan(value) else value


def _peaks(errors: Floats, times: Floats) -> tuple[Floats, Floats]:
    # The largest absolute error of each column, (pieces, columns), and the columns' edges in s.
    count = min(COLUMNS, errors.shape[1])
    starts = np.linspace(0, errors.shape[1], count, endpoint=False).astype(int)
    edges = np.append(times[starts], times[-1] + (times[-1] - times[-2] if len(times) > 1 else 0.25))
    return np.fmax.reduceat(np.abs(errors), starts, axis=1), edges


# --- Distance over time ---------------------------------------------------------------------------------------------


def error_over_time(rehearsal: Rehearsal) -> Drawing:
    """Draw every piece's distance from the music over the run, ours and the latest beacon's, with shows and faults."""
    ranked = worst_first(rehearsal.scores.followers)
    shown = ranked[:ROWS_MAXIMUM]
    caption = (
        "Look whether the blue-green band rises above the dashed limit, and for how long. A band reaches from the "
        "closest piece to the furthest; the dark line in it is the piece that is worst over the whole run. "
        "Below, each piece by itself, the worst on top. What comes before a piece has heard beacons for "
        f"{rehearsal.scenario.run.settle_s:g} s is drawn, but counts in no figure. "
    )
    caption += (
        "Where no show is on there is nothing to see."
        if was_show_on(rehearsal.scores)
        else "No show was on while anything was scored: this is of the clocks, against the leader's."
    )
    if all(np.isnan(distances(score, rehearsal.scores)).all() for score in ranked):
        caption = "No piece shows anything. Below, a piece is black where it stays dark though a show is on."
    if len(shown) < len(ranked):
        caption += f" Of {len(ranked)} pieces the {len(shown)} worst are listed."
    strips = 18 * len(shown)
    figure = new_sheet(384 + strips + 78)
    _events(place(figure, 8, 44), rehearsal)
    axes = place(figure, 56, 310)
    _error_curves(axes, rehearsal)
    axes.tick_params(labelbottom=False)
    _strips(place(figure, 384, strips), rehearsal, shown)
    svg = as_svg(figure, "error-over-time", "Distance over time", plain_description(rehearsal))
    return Drawing("error-over-time", "How far from the music, over the whole run", caption, svg)


def _error_curves(axes: Plot, rehearsal: Rehearsal, label: str = "") -> None:
    scores, limit = rehearsal.scores, rehearsal.scenario.error_target_ms
    ours, edges = _peaks(np.array([distances(score, scores) for score in scores.followers]), scores.times_s)
    naive, _ = _peaks(np.array([distances(score, scores, naive=True) for score in scores.followers]), scores.times_s)
    peaks = [np.fmax.reduce(values, axis=None, initial=0.0) for values in (ours, naive)]
    highest = 1.7 * max(*peaks, limit)
    axes.set_yscale("log")
    axes.set_ylim(FLOOR_MS, highest)
    decades(axes.yaxis, FLOOR_MS, highest, decade)
    axes.grid(axis="y", color=RULE.light, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_ylabel("distance from the music")
    end = rehearsal.simulated_s
    labels: list[tuple[float, str, Tint]] = [(limit, f"limit: {limit:g} ms", LIMIT)]
    for values, tint, alpha, text in ((naive, NAIVE, 0.22, "latest beacon"), (ours, OURS, 0.3, "Leadlight")):
        furthest = np.maximum(np.fmax.reduce(values, axis=0), FLOOR_MS)
        closest = np.maximum(np.fmin.reduce(values, axis=0), FLOOR_MS)
        if np.isnan(furthest).all():
            continue
        # Columns as steps: each value holds from edge to edge.
        band = _held(closest), _held(furthest)
        axes.fill_between(edges, band[0], band[1], step="post", color=tint.light, alpha=alpha, linewidth=0)
        axes.step(edges, _held(furthest), where="post", color=tint.light, linewidth=1.1)
        labels.append((float(np.nanmedian(furthest)), text, tint))
    ranked = worst_first(scores.followers)
    worst = next((score for score in ranked if not np.isnan(distances(score, scores)).all()), None)
    if worst is not None and len(ranked) > 1:
        line = np.maximum(ours[scores.followers.index(worst)], FLOOR_MS)
        axes.step(edges, _held(line), where="post", color=WORST.light, linewidth=1.3)
        labels.append((float(np.nanmedian(line)), f"{shorter(worst.name, WORST_CHARACTERS)} (worst)", WORST))
    if len(labels) == 1:
        axes.text(0.5, 0.5, "nothing is shown", transform=axes.transAxes, ha="center", va="center", color=SOFT.light)
    axes.axhline(limit, color=LIMIT.light, linewidth=1.4, dashes=(6, 3))
    _shade_faults(axes, rehearsal)
    time_axis(axes, 0, end, label)
    heights = spread([math.log10(value) for value, _, _ in labels], 0.055 * math.log10(highest / FLOOR_MS))
    for height, (_, text, tint) in zip(heights, labels, strict=True):
        axes.annotate(text, (1, 10**height), xycoords=("axes fraction", "data"), xytext=(8, 0),
                      textcoords="offset points", color=tint.light, va="center", fontweight="bold")  # fmt: skip


def _held(values: Floats) -> Floats:
    # One value more, as there is one edge more than there are columns.
    return np.append(values, values[-1])


def _shade_faults(axes: Plot, rehearsal: Rehearsal) -> None:
    bottom, top = axes.get_ylim()
    boxes = [(left, right, bottom, top) for left, right, _ in fault_spans(rehearsal.scenario)]
    rectangles(axes, boxes, FAULT, alpha=0.16, zorder=0.5)


def _events(axes: Plot, rehearsal: Rehearsal) -> None:
    # Shows and faults as bars over the time axis, labelled where there is room.
    scenario, end = rehearsal.scenario, rehearsal.simulated_s
    axes.set_axis_off()
    axes.set_xlim(0, end)
    axes.set_ylim(0, 2)
    px_per_s = (WIDTH - LEFT_PX - RIGHT_PX) / end
    shows = show_spans(scenario)
    rectangles(axes, [(left, right, 1.12, 1.92) for left, right, _ in shows], SHOW)
    for left, right, title in shows:
        room = int((right - left) * px_per_s / CHARACTER_PX) - 1
        if room >= 4:
            axes.text(left + 5 / px_per_s, 1.5, shorter(title, room), va="center", color=INK.light)
    settle = min(scenario.run.settle_s, end)
    faults = fault_spans(scenario)
    bars = ([(0.0, settle, "not scored")] if settle else []) + faults
    rectangles(axes, [(left, right, 0.12, 0.92) for left, right, _ in faults], FAULT)
    rectangles(axes, [(0.0, settle, 0.12, 0.92)] if settle else [], RULE)
    free_from = -math.inf
    for number, (_, right, text) in enumerate(bars):
        width = len(text) * CHARACTER_PX / px_per_s
        start = right + 4 / px_per_s
        following = bars[number + 1][0] if number + 1 < len(bars) else end + 120 / px_per_s
        if start >= free_from and start + width <= following:
            axes.text(start, 0.5, text, va="center", color=SOFT.light)
            free_from = start + width
    for row, text in ((1.5, "shows"), (0.5, "faults" if faults else "")):
        axes.text(-8 / px_per_s, row, text, ha="right", va="center", color=SOFT.light)


def _strips(axes: Plot, rehearsal: Rehearsal, shown: Sequence[FollowerScore]) -> None:
    # One row a piece, coloured by how far it is from the music; and a spell of darkness, however short, is not hidden.
    scores = rehearsal.scores
    target = rehearsal.scenario.error_target_ms
    limits = [0.0, target / 10, target / 2.5, target, 2 * target, math.inf]
    values, edges = _peaks(np.array([distances(score, scores) for score in shown]), scores.times_s)
    has_power = np.array([score.powered for score in shown])
    is_dark = has_power & np.isnan([distances(score, scores) for score in shown]) & scores.due
    dark, _ = _peaks(is_dark.astype(np.float64), scores.times_s)
    powered, _ = _peaks(has_power.astype(np.float64), scores.times_s)
    level = np.where(np.isnan(values), np.where(powered > 0, NOTHING_DUE, NO_POWER), np.digitize(values, limits) - 1)
    level = np.where(dark > 0, DARK, level)
    boxes: dict[int, list[tuple[float, float, float, float]]] = {}
    for row, levels in enumerate(level):
        bounds = [0, *(np.flatnonzero(np.diff(levels)) + 1), len(levels)]
        for start, stop in pairwise(bounds):
            box = (float(edges[start]), float(edges[stop]), row + 0.08, row + 0.92)
            boxes.setdefault(int(levels[start]), []).append(box)
    for number, found in sorted(boxes.items()):
        if number >= 0:
            rectangles(axes, found, LEVELS[number])
        elif number == DARK:
            rectangles(axes, found, NIGHT)
        elif number == NO_POWER:
            rectangles(axes, found, PAPER, fill=False, edgecolor=FAULT.light, linewidth=0.8, hatch="////")
    axes.set_ylim(len(shown), 0)
    axes.set_yticks([row + 0.5 for row in range(len(shown))], [shorter(score.name) for score in shown])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    time_axis(axes, 0, rehearsal.simulated_s)
    texts = [f"within {target / 10:g} ms", f"{target / 2.5:g} ms", f"{target:g} ms (limit)", f"{2 * target:g} ms"]
    texts += ["further"]
    key = place(axes.figure, 384 + 18 * len(shown) + 52, 24, right=16)  # type: ignore[arg-type]
    key.set_axis_off()
    key.set_xlim(0, WIDTH - LEFT_PX - 16)
    key.set_ylim(0, 24)
    left = 0.0
    for tint, text in zip((*LEVELS, NIGHT), (*texts, "dark"), strict=True):
        rectangles(key, [(left, left + 18, 6, 18)], tint)
        key.text(left + 24, 12, text, va="center", color=SOFT.light)
        left += 24 + len(text) * CHARACTER_PX + 12
    rectangles(key, [(left, left + 18, 6, 18)], PAPER, fill=False, edgecolor=FAULT.light, linewidth=0.8, hatch="////")
    key.text(left + 24, 12, "no power", va="center", color=SOFT.light)


def picture(rehearsal: Rehearsal) -> bytes:
    """Return the distance over time, ours and the latest beacon's, as a PNG of 1200 × 500 dots."""
    with style("picture"):
        figure = new_figure(400)
        figure.text(LEFT_PX / WIDTH, 1 - 20 / 400, f"{rehearsal.scenario.name}: distance of every piece from the music",
                    va="center", fontsize=14, fontweight="bold", color=INK.light)  # fmt: skip
        _events(place(figure, 40, 44), rehearsal)
        axes = place(figure, 88, 256)
        _error_curves(axes, rehearsal, "time of the run")
        return as_png(figure)


# --- Error distribution ---------------------------------------------------------------------------------------------


def error_distribution(rehearsal: Rehearsal, width: int = WIDTH) -> Drawing | None:
    """Draw the share of time for which each piece is further from the music than a distance, ours and naive.

    ``None`` where nothing was scored.
    """
    scores, scenario = rehearsal.scores, rehearsal.scenario
    count = max(1, int(scores.settled.sum()))
    lowest = 10 ** math.floor(math.log10(1 / count))
    ranked = worst_first(scores.followers)
    if all(math.isnan(distance_of(score, scores).p95) for score in ranked):
        return None
    worst_name = next(score.name for score in ranked if not math.isnan(distance_of(score, scores).p95))
    largest = scenario.error_target_ms
    figure = new_sheet(390, width)
    axes = place(figure, 22, 310) if width == WIDTH else place(figure, 22, 310, left=64, right=16)
    axes.set_xscale("log")
    axes.set_yscale("log")
    worst_line: Floats | None = None
    for tint, alpha, curves in zip((NAIVE, OURS), (0.6, 0.8), _curves(rehearsal), strict=True):
        for curve in curves:
            largest = max(largest, float(curve[0][-1]))
            axes.step(*curve, where="post", color=tint.light, linewidth=1, alpha=alpha)
        worst_line = next(iter(curves), None)
    if worst_line is not None and len(ranked) > 1:
        axes.step(*worst_line, where="post", color=WORST.light, linewidth=2)
    right = 1.7 * largest
    axes.set_xlim(FLOOR_MS, right)
    axes.set_ylim(lowest, 1.15)
    decades(axes.xaxis, FLOOR_MS, right, decade)
    axes.tick_params(axis="x", pad=8)  # clear of the lowest share
    decades(axes.yaxis, lowest, 1.0, lambda value: f"{100 * value:g} %")
    axes.grid(color=RULE.light, linewidth=0.8)
    axes.set_axisbelow(True)
    axes.axvline(scenario.error_target_ms, color=LIMIT.light, linewidth=1.4, dashes=(6, 3))
    axes.axhline(0.05, color=SOFT.light, linewidth=1, dashes=(2, 3))
    limit = scenario.error_target_ms
    axes.text(limit, 1.3, f"limit: {limit:g} ms", ha="center", color=LIMIT.light, fontweight="bold")
    keys = [(0.05, "5 % of the time", SOFT, "normal")]
    keys += [(0.9, "latest beacon", NAIVE, "bold"), (0.5, "Leadlight", OURS, "bold")]
    if worst_line is not None and len(ranked) > 1:
        keys.append((0.28, f"{shorter(worst_name, WORST_CHARACTERS)} (worst)", WORST, "bold"))
    for row, (height, text, tint, weight) in enumerate(keys):
        if width == WIDTH:
            axes.annotate(text, (1, height), xycoords=("axes fraction", "data"), xytext=(8, 0),
                          textcoords="offset points", color=tint.light, va="center", fontweight=weight)  # fmt: skip
        elif row:  # there is no room beside the curves, but in the corner from which they fall away
            at = 0.03, 0.05 * (len(keys) - row)
            axes.text(*at, text, transform=axes.transAxes, va="center", color=tint.light, fontweight=weight)
        else:
            axes.text(1.2 * FLOOR_MS, 1.3 * height, "5 %", va="center", color=tint.light)
    axes.set_xlabel("further from the music than …")
    axes.set_ylabel("… for this share of the time")
    svg = as_svg(figure, "error-distribution", "Share of time beyond a distance", plain_description(rehearsal))
    return Drawing(
        "error-distribution",
        "How often, how far",
        "Look where a line crosses the dotted level: 95 % of the time that piece is closer to the music than this. "
        "One line a piece; further left is better, and what is right of the dashed limit should be rare.",
        svg,
    )


@lru_cache(maxsize=1)  # drawn for a page and for a phone
def _curves(rehearsal: Rehearsal) -> tuple[list[Floats], list[Floats]]:
    """Return the curves of the latest beacon's distances and of ours, the worst piece's first."""
    scores = rehearsal.scores
    ranked = worst_first(scores.followers)
    points = POINTS if len(ranked) <= ROWS_MAXIMUM else POINTS // 4  # many lines are a band
    naive, ours = (
        [_beyond(settled_part(score, rehearsal, distances(score, scores, way)), points) for score in ranked]
        for way in (True, False)
    )
    return [one for one in naive if one is not None], [one for one in ours if one is not None]


def _beyond(values: Floats, points: int = POINTS) -> Floats | None:
    # (distance, share of time beyond it), as few points as show the same line.
    if values.size == 0:
        return None
    sizes = np.maximum(np.sort(np.abs(values)), FLOOR_MS)
    kept = np.unique(np.round(sizes.size * (1 - np.geomspace(1 / sizes.size, 1, points))).astype(int))
    return np.array([np.append(FLOOR_MS, sizes[kept]), np.append(1.0, 1 - (kept + 1) / sizes.size)])


# --- Beacons on their way -------------------------------------------------------------------------------------------


def beacon_timeline(rehearsal: Rehearsal) -> Drawing | None:
    """Draw the beacons of a few seconds from sending to arrival, ``None`` if no timeline was kept or none was sent."""
    beacons = rehearsal.scores.beacons
    if not beacons:
        return None
    sent = np.array([at for at, _ in beacons])
    delays = np.array([row for _, row in beacons])
    powered = _powered(rehearsal, sent)
    lost = np.isnan(delays) & powered
    length = min(max(2.0, 7 * rehearsal.scenario.leader.interval_s), 30.0, rehearsal.simulated_s)
    start = _window(rehearsal, sent, lost, length)
    inside = (sent >= start) & (sent < start + length)
    rows = np.argsort(-lost[inside].sum(axis=0), kind="stable")[:ROWS_MAXIMUM]
    names = [rehearsal.scores.followers[row].name for row in rows]
    heard = delays[~np.isnan(delays)]
    share_lost = lost.sum() / max(1, powered.sum())
    height = 28 * (len(rows) + 1)
    figure = new_sheet(height + 88)
    axes = place(figure, 30, height, left=136, right=250)
    axes.set_ylim(len(rows) + 0.6, -0.6)
    axes.set_yticks(range(len(rows) + 1), [f"{shorter(rehearsal.scenario.leader.name)} sends",
                                           *(shorter(name) for name in names)])  # fmt: skip
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    _shade_faults(axes, rehearsal)
    axes.vlines(sent[inside], 0, len(rows) + 0.4, color=RULE.light, linewidth=0.8)
    axes.plot(sent[inside], np.zeros(inside.sum()), "v", color=INK.light, markersize=6, clip_on=False)
    for line, row in enumerate(rows, start=1):
        went, took = sent[inside], delays[inside, row]
        arrived = went + took / 1000
        axes.hlines(np.full(went.size, line), went, arrived, color=OURS.light, linewidth=2.4)
        axes.plot(arrived, np.full(went.size, line), "o", color=OURS.light, markersize=4.5)
        gone = went[lost[inside, row]]
        axes.plot(gone, np.full(gone.size, line), "x", color=NAIVE.light, markersize=7, markeredgewidth=2,
                  clip_on=False)  # fmt: skip
    # From a little before it: the first beacon may be sent as the stretch begins.
    time_axis(axes, start - 0.015 * length, start + length)
    _beacon_key(place(figure, 4, 20, left=136, right=250))
    _delay_histogram(place(figure, 30, height, left=WIDTH - 190, right=16), heard, float(share_lost))
    about, look = "No beacon arrived anywhere.", ""
    if heard.size:
        half, most = (as_time(float(np.quantile(heard, share))) for share in (0.5, 0.95))
        about = f"Half of all beacons take {half} or less, 95 % of them {most} or less; "
        about += f"{as_share(float(share_lost))} are lost."
        look = "Look at how unequal the bars are: who takes each beacon at its word is wrong by a bar's length. "
    svg = as_svg(figure, "beacon-timeline", "Beacons on their way", about)
    return Drawing("beacon-timeline", "What the network does to the beacons", f"{look}{about}", svg)


def _beacon_key(key: Plot) -> None:
    key.set_axis_off()
    key.set_xlim(0, WIDTH - 136 - 250)
    key.set_ylim(0, 20)
    marks: Sequence[tuple[str, str, Tint, float]] = (
        ("v", "sent", INK, 8), ("o", "on its way, then there", OURS, 110), ("x", "lost", NAIVE, 320),
    )  # fmt: skip
    for marker, text, tint, left in marks:
        if marker == "o":
            key.hlines([10], [left - 22], [left], color=tint.light, linewidth=2.4)
        key.plot([left], [10], marker, color=tint.light, markersize=6, markeredgewidth=2 if marker == "x" else 1)
        key.text(left + 10, 10, text, va="center", color=SOFT.light)


def _powered(rehearsal: Rehearsal, instants: Floats) -> npt.NDArray[np.bool_]:
    # Whether each follower had power at each instant, by the nearest scoring instant before it.
    ticks = np.clip(np.searchsorted(rehearsal.scores.times_s, instants, side="right") - 1, 0, None)
    powered = np.array([score.powered for score in rehearsal.scores.followers])
    return np.asarray(powered[:, ticks].T, dtype=np.bool_)


def _window(rehearsal: Rehearsal, sent: Floats, lost: npt.NDArray[np.bool_], length: float) -> float:
    # The stretch with most losses; of equals the one in which a leader comes back, then the first settled one.
    candidates = [0.0, min(rehearsal.scenario.run.settle_s, rehearsal.simulated_s - length)]
    ends = [described.over_at_s(fault) for fault in rehearsal.scenario.faults]
    candidates += [end - length / 3 for end in ends if end is not None]
    candidates += [float(at) - length / 4 for at in sent[lost.any(axis=1)]]
    best, most = 0.0, (-1.0, -1.0)
    for candidate in candidates[1:]:
        start = math.floor(min(max(0.0, candidate), rehearsal.simulated_s - length))
        inside = (sent >= start) & (sent < start + length)
        worth = (float(lost[inside].sum()), float(inside.sum()))
        if worth > most:
            best, most = float(start), worth
    return best


def _delay_histogram(axes: Plot, heard: Floats, share_lost: float) -> None:
    axes.set_title("arrived, by delay", color=SOFT.light, loc="left", pad=8)
    if heard.size == 0:
        axes.set_xticks([])
        axes.set_yticks([])
        axes.text(0.5, 0.5, "none arrived", transform=axes.transAxes, ha="center", color=SOFT.light)
        return
    highest = float(np.quantile(heard, 0.995)) * 1.05
    counts, edges = np.histogram(heard, bins=36, range=(0.0, highest))
    shares = 100 * counts / heard.size
    rectangles(axes, [(left, right, 0.0, share) for left, right, share in
                       zip(edges[:-1], edges[1:], shares.tolist(), strict=True) if share], OURS)  # fmt: skip
    axes.set_xlim(0, highest)
    axes.set_ylim(0, shares.max() * 1.25)
    put_ticks(axes.xaxis, round_ticks(highest, 3), lambda value: f"{value:g}")
    put_ticks(axes.yaxis, round_ticks(float(shares.max()) * 1.25, 4), lambda value: f"{value:g} %")
    axes.set_xlabel("ms from sending to arrival")
    axes.text(1, 1, f"lost: {as_share(share_lost)}", transform=axes.transAxes, ha="right", va="top", color=NAIVE.light,
              fontweight="bold")  # fmt: skip
