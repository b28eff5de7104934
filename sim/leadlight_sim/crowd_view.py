"""The crowd view: what people see at a few instants, as it was written, with Leadlight, and by the latest beacon.

A made-up light runs along all pieces laid end to end. Each piece shows it where its own error puts it, so a piece that
is late lags behind its neighbours, and the light tears at the seam.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes

from leadlight_sim.canvas import (
    GLOW,
    INK,
    LEFT_PX,
    NAIVE,
    NIGHT,
    OURS,
    SOFT,
    UNLIT,
    WIDTH,
    Tint,
    as_svg,
    new_figure,
    place,
    rectangles,
    shorter,
    style,
)
from leadlight_sim.figures import Drawing, show_spans
from leadlight_sim.measures import SCORE_EVERY_NS, worst_first
from leadlight_sim.rehearse import Rehearsal
from leadlight_sim.tables import as_time

Floats = npt.NDArray[np.float64]

PIECES_MAXIMUM: Final = 8
LIGHTS: Final = 128
"""Drawn in a strip, however many pixels its pieces have."""
PIECES_PER_S: Final = 2.0
"""How fast the light runs: a piece in half a second, a brisk walk along a hedge."""
APART: Final = 2.0
"""Pieces from one light to the next that follows it."""
TAIL: Final = 0.3
"""Of a piece, in which the light behind its head falls to about a third."""
INSTANTS: Final = 3
BRIGHTNESS: Final = (0.14, 0.32, 0.55, 0.8)
"""Steps of brightness: each is one element of the drawing. Darker is unlit, brighter is full."""
RIGHT: Final = 148
STRIP: Final = 24
GROUP: Final = 3 * STRIP + 34


def crowd_view(rehearsal: Rehearsal) -> Drawing | None:
    """Draw three successive scoring instants; ``None`` if no show was rolling while anything was scored."""
    scores = rehearsal.scores
    shown = worst_first(scores.followers)[:PIECES_MAXIMUM]
    pieces = [index for index, score in enumerate(scores.followers) if score in shown]
    errors = np.array([scores.followers[index].errors for index in pieces])
    naive = np.array([scores.followers[index].naive_errors for index in pieces])
    first = _moment(rehearsal, errors)
    if first is None:
        return None
    with style("crowd-view"):
        figure = new_figure(INSTANTS * GROUP + 34)
        offs: list[tuple[float, float]] = []
        for number in range(INSTANTS):
            tick = first + number
            axes = place(figure, 30 + number * GROUP, GROUP - 6, left=LEFT_PX + 22, right=RIGHT)
            axes.set_axis_off()
            axes.set_xlim(0, len(pieces))
            axes.set_ylim(GROUP - 6, 0)
            elapsed = number * SCORE_EVERY_NS / 1e9
            axes.text(0, 10, f"{elapsed:.2f} s later" if number else _when(float(scores.times_s[tick])),
                      va="center", fontsize=11, color=SOFT.light)  # fmt: skip
            strips: Sequence[tuple[str, Tint, Floats]] = (
                ("as written", INK, np.zeros(len(pieces))),
                ("Leadlight", OURS, errors[:, tick]),
                ("latest beacon", NAIVE, naive[:, tick]),
            )
            for row, (label, tint, off) in enumerate(strips):
                _strip(axes, 20 + row * STRIP, label, tint, off, elapsed)
            offs.append((_furthest(errors[:, tick]), _furthest(naive[:, tick])))
        for number, index in enumerate(pieces):
            left = LEFT_PX + 22 + (number + 0.5) * (WIDTH - LEFT_PX - 22 - RIGHT) / len(pieces)
            room = int((WIDTH - LEFT_PX - RIGHT) / len(pieces) / 7)
            figure.text(left / WIDTH, 1 - 16 / (INSTANTS * GROUP + 34), shorter(scores.followers[index].name, room),
                        ha="center", va="center", fontsize=11.5, color=INK.light)  # fmt: skip
        ours_off, naive_off = (np.fmax.reduce(side) for side in zip(*offs, strict=True))
        about = (
            f"With Leadlight no piece is further than {as_time(float(ours_off))} from where the light should be; "
            f"by the latest beacon they are up to {as_time(float(naive_off))} from it."
        )
        svg = as_svg(figure, "crowd-view", "Crowd view", about)
    chosen = "A poor moment was chosen: 95 % of the time the pieces are closer than this."
    if len(pieces) < len(scores.followers):
        chosen += f" The {len(pieces)} worst of {len(scores.followers)} pieces."
    return Drawing(
        "crowd-view",
        "What the crowd sees: one light running along all pieces",
        f"Look whether the light is where it was written, and whether it tears from one piece to the next. {chosen}",
        svg,
    )


def _when(seconds: float) -> str:
    minutes, rest = divmod(seconds, 60)
    return f"at {int(minutes)}:{rest:05.2f} of the run"


def _furthest(off: Floats) -> float:
    return float(np.fmax.reduce(np.abs(off)))


def _moment(rehearsal: Rehearsal, errors: Floats) -> int | None:
    # The scoring instant whose furthest piece is at the 95th percentile, of those with a show on and everyone in it.
    times = rehearsal.scores.times_s
    rolling = np.zeros(times.shape, dtype=np.bool_)
    for begin, end, _ in show_spans(rehearsal.scenario):
        rolling |= (times >= begin) & (times + INSTANTS * SCORE_EVERY_NS / 1e9 < end)
    usable = rolling & rehearsal.scores.settled
    usable[-INSTANTS:] = False
    complete = usable & ~np.isnan(errors).any(axis=0)
    ticks = np.flatnonzero(complete if complete.any() else usable & ~np.isnan(errors).all(axis=0))
    if ticks.size == 0:
        return None
    order = np.argsort(np.fmax.reduce(np.abs(errors[:, ticks]), axis=0), kind="stable")
    return int(ticks[order[min(ticks.size - 1, int(0.95 * ticks.size))]])


def _strip(axes: Axes, top: float, label: str, tint: Tint, off_ms: Floats, elapsed_s: float) -> None:
    count = len(off_ms)
    rectangles(axes, [(piece + 0.015, piece + 0.985, top, top + STRIP - 4) for piece in range(count)], NIGHT)
    each = LIGHTS // count
    places = (np.arange(each) + 0.5) / each * 0.94 + 0.03
    along = np.arange(count)[:, None] + places
    head = (elapsed_s + 0.3 + off_ms[:, None] / 1000) * PIECES_PER_S
    brightness = np.exp(-((head - along) % APART) / TAIL)
    brightness = np.where(np.isnan(brightness), 0.0, brightness)
    step = np.digitize(brightness, BRIGHTNESS)
    middle = top + STRIP / 2 - 2
    for number in range(len(BRIGHTNESS) + 1):
        chosen = along[step == number]
        if number == 0:
            _dots(axes, chosen, middle, 1.6, UNLIT, 1.0)
        else:
            _dots(axes, chosen, middle, 3.9 + 0.25 * number, GLOW, [0.0, 0.3, 0.5, 0.75, 1.0][number])
    axes.text(-0.01 * count, middle, label, ha="right", va="center", color=tint.light, fontsize=11.5)
    furthest = _furthest(off_ms)
    if tint is INK:
        return
    text = "no time yet" if np.isnan(furthest) else f"up to {as_time(furthest)} off"
    axes.text(count * 1.01, middle, text, va="center", color=tint.light, fontsize=11.5, fontweight="bold")


def _dots(axes: Axes, along: Floats, middle: float, size: float, tint: Tint, alpha: float) -> None:
    # Squares of a size in px, as one element: x counts pieces, y counts px.
    px = (WIDTH - LEFT_PX - 22 - RIGHT) / (axes.get_xlim()[1] or 1)
    half = size / 2 / px
    boxes = [(x - half, x + half, middle - size / 2, middle + size / 2) for x in along.tolist()]
    rectangles(axes, boxes, tint, alpha=alpha)
