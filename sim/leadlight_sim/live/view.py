"""The live view: one piece as its stored show lights it, beside the same piece fed live, at one instant.

A made-up pattern of slanting bands runs over the piece, drawn as a net of pixels hung column by column. Stored, the
whole net shows one frame, a little early or late as its clock was. Fed live, each packet's 170 pixels show the newest
frame that has come.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from leadlight_sim.drawing import (
    GLOW,
    NAIVE,
    NIGHT,
    OURS,
    SOFT,
    UNLIT,
    WIDTH,
    Drawing,
    Tint,
    as_svg,
    new_figure,
    place,
    rectangles,
    style,
)
from leadlight_sim.live.feed import NEVER, LiveRun, PieceFeed, sentences
from leadlight_sim.live.load import PIXELS_PER_UNIVERSE
from leadlight_sim.measures import FollowerScore, Rehearsal
from leadlight_sim.telling import as_share, as_time

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

COLUMNS_TO_ROWS: Final = 2.7
"""The shape of a net that hangs beside a path, such as 108 columns of 40."""
PIXELS_DRAWN_MAXIMUM: Final = 6_000
"""Of a larger piece its first packets are drawn."""
BAND_PX: Final = 36.0
"""From one band of light to the next, across."""
SLANT: Final = 0.6
"""Columns by which a band leans in each row."""
BRIGHTNESS: Final = (0.15, 0.4, 0.65, 0.87)
"""Steps of brightness, each one element of the drawing."""
OPACITY: Final = (0.0, 0.2, 0.45, 0.7, 1.0)
GAP: Final = 24
MARGIN: Final = 8


def live_view(runs: Sequence[LiveRun], rehearsal: Rehearsal, width: int = WIDTH) -> Drawing:
    """Draw the piece with most pixels, stored and live, at an instant at which the live one is badly off.

    ``runs`` is one or more, of which the one is drawn by which that piece gets most; ``rehearsal`` is of the same
    scenario. Of all frames' ends the one is taken whose parts are as far apart as in nineteen of twenty, or further.
    The stored piece is off by its own 95th percentile.
    """
    number = max(range(len(runs[0].pieces)), key=lambda place: runs[0].pieces[place].pixels)
    feed = max(runs, key=lambda run: (run.pieces[number].whole, -run.pieces[number].missing, run.pieces[number].torn))
    piece = feed.pieces[number]
    score = next(score for score in rehearsal.scores.followers if score.name == piece.name)
    rate = feed.frame_rate.numerator / feed.frame_rate.denominator
    shown = piece.shown()
    frame = _poor_moment(shown)
    parts = shown[frame]
    error_ms = _stored_error_ms(score)
    pixels = min(piece.pixels, PIXELS_DRAWN_MAXIMUM)
    columns, rows = net_shape(pixels)
    speed = rehearsal.scenario.site.pattern_px_per_s
    stored_frame = math.nan if math.isnan(error_ms) else math.floor(frame + 0.5 + error_ms / 1000 * rate)
    of_pixel = np.where(parts == NEVER, np.nan, parts)[np.arange(pixels) // PIXELS_PER_UNIVERSE]
    stored_text = (
        "stored: never in the show"
        if math.isnan(error_ms)
        else f"stored, with Leadlight: one frame, {as_time(abs(error_ms))} {'early' if error_ms > 0 else 'late'}"
    )
    live_text = f"sent live by {feed.delivery.value}: {_parts_text(parts, frame, rate)}"
    with style("live-view"):
        # Side by side, or one below the other on a phone.
        beside = width == WIDTH
        net_px = (width - 2 * MARGIN - GAP) / 2 if beside else width - 2 * MARGIN
        height = round(net_px * rows / columns)
        full = height + 62 if beside else 2 * height + 102
        figure = new_figure(full, width)
        nets: tuple[tuple[str, Tint, Floats], ...] = (
            (stored_text, OURS, np.full(pixels, stored_frame)),
            (live_text, NAIVE, of_pixel),
        )
        for number, (text, tint, frames) in enumerate(nets):
            left = MARGIN + number * (net_px + GAP) * beside
            top = 34 + number * (height + 40) * (not beside)
            axes = place(figure, top, height, left=left, right=width - left - net_px)
            _net(axes, columns, rows, _levels(frames, columns, rows, speed / rate))
            figure.text(left / width, 1 - (top - 18) / full, text, va="center", fontweight="bold",
                        color=tint.light)  # fmt: skip
        about = f"{piece.name}: {stored_text}; {live_text}."
        figure.text(MARGIN / width, 14 / full, f"{piece.name}, {columns} columns of {rows} pixels",
                    va="center", color=SOFT.light)  # fmt: skip
        svg = as_svg(figure, "live-view", "Live view", about)
    return Drawing(
        "live-view",
        "Stored and sent live: the same bands of light on one piece",
        " ".join(
            (
                _look_for(piece, score),
                *(said for run in runs for said in sentences(run, rehearsal.scores.airtime_share)),
            )
        ),
        svg,
    )


def _look_for(piece: PieceFeed, score: FollowerScore) -> str:
    stored = "" if not math.isnan(score.light_ms.p95) else f" Stored, {score.name} was never in the show either."
    if piece.dark == 1:
        return f"Sent live, nothing of {piece.name} comes at all: it stays black.{stored}"
    some = f" and nothing yet at the end of {as_share(piece.dark)}" if piece.dark else ""
    return (
        "Look whether the bands are straight. A poor moment was chosen: 95 % of the time parts are no further apart. "
        f"Live, {piece.name} shows parts of different frames at the end of {as_share(piece.mixed)} of its frames{some}."
        f"{stored}"
    )


def net_shape(pixels: int) -> tuple[int, int]:
    """Return columns and rows of a net: whole columns if a shape from 1 : 1 to 7 : 1 has them, else the last short."""
    whole = [(pixels // rows, rows) for rows in range(1, pixels + 1) if pixels % rows == 0]
    columns, rows = min(whole, key=lambda shape: abs(math.log(shape[0] / shape[1] / COLUMNS_TO_ROWS)))
    if columns < rows or columns > 7 * rows:
        rows = max(1, round(math.sqrt(pixels / COLUMNS_TO_ROWS)))
        columns = -(-pixels // rows)
    return columns, rows


def _poor_moment(shown: Counts) -> int:
    # Later frames first among equals, for a feed that fails takes time to.
    apart = shown.max(axis=1) - shown.min(axis=1)
    order = np.argsort(apart, kind="stable")
    return int(order[min(len(order) - 1, int(0.95 * len(order)))])


def _stored_error_ms(score: FollowerScore) -> float:
    # A signed error of the size of its 95th percentile.
    p95 = score.light_ms.p95
    if math.isnan(p95):
        return math.nan
    return math.copysign(p95, score.light_bias_ms)


def _parts_text(parts: Counts, frame: int, rate: float) -> str:
    came = parts[parts != NEVER]
    if came.size == 0:
        return "nothing has come"
    ages_ms = (frame - came) * 1000 / rate
    least, most = float(ages_ms.min()), float(ages_ms.max())
    dark = "" if came.size == parts.size else ", some dark"
    if least == most:
        return f"one frame, {as_time(most)} old{dark}" if most else f"one frame, the right one{dark}"
    return f"parts {'0' if least == 0 else as_time(least)} to {as_time(most)} old{dark}"


def _levels(frames: Floats, columns: int, rows: int, px_per_frame: float) -> Counts:
    # Steps of brightness, columns × rows; NEVER past the last pixel.
    number = np.arange(frames.size)
    phase = (number // rows + SLANT * (number % rows) - frames * px_per_frame) / BAND_PX
    brightness = 0.5 + 0.5 * np.cos(2 * math.pi * phase)
    levels = np.full(columns * rows, NEVER, dtype=np.int64)
    levels[: frames.size] = np.where(np.isnan(brightness), 0, np.digitize(brightness, BRIGHTNESS))
    return levels.reshape(columns, rows)


def _net(axes: Axes, columns: int, rows: int, levels: Counts) -> None:
    axes.set_axis_off()
    axes.set_xlim(0, columns)
    axes.set_ylim(rows, 0)
    rectangles(axes, [(0, columns, 0, rows)], NIGHT)
    # Runs of one brightness down a column are one box, or a page would weigh megabytes.
    runs: list[list[tuple[float, float, float, float]]] = [[] for _ in OPACITY]
    for column, levels_down in enumerate(levels):
        begins = np.flatnonzero(np.diff(levels_down, prepend=-2))
        for begin, end in zip(begins, [*begins[1:], rows], strict=True):
            if levels_down[begin] != NEVER:
                box = (column + 0.15, column + 0.85, float(begin) + 0.15, float(end) - 0.15)
                runs[levels_down[begin]].append(box)
    for level, boxes in enumerate(runs):
        rectangles(axes, boxes, GLOW if level else UNLIT, alpha=OPACITY[level] if level else 1.0)
    rectangles(axes, [(0, columns, row - 0.15, row + 0.15) for row in range(1, rows)], NIGHT)
