"""The crowd view: what people see at a few instants, as it was written, with Leadlight, and by the latest beacon.

Made-up lights run along all pieces laid end to end, one behind the other. Each piece shows them where its own distance
from the music puts them, so a piece that is late lags behind its neighbours, and a light tears at the seam.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from leadlight_sim.drawing import (
    CHARACTER_PX,
    GLOW,
    INK,
    LEFT_PX,
    NAIVE,
    NIGHT,
    OURS,
    SOFT,
    UNLIT,
    WIDTH,
    Area,
    Drawing,
    Tint,
    as_svg,
    new_sheet,
    place,
    rectangles,
    shorter,
)
from leadlight_sim.measures import SCORE_EVERY_NS, Rehearsal, worst_first
from leadlight_sim.report.spans import show_spans
from leadlight_sim.telling import as_time

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
RIGHT: Final = 156
STRIP: Final = 24
GROUP: Final = 3 * STRIP + 34


def crowd_view(rehearsal: Rehearsal) -> Drawing | None:
    """Draw three successive scoring instants; ``None`` if no show was rolling while anything was scored."""
    scores = rehearsal.scores
    shown = worst_first(scores.followers)[:PIECES_MAXIMUM]
    pieces = [index for index, score in enumerate(scores.followers) if score in shown]
    ours = np.array([scores.followers[index].lights for index in pieces])
    naive = np.array([scores.followers[index].naive_lights for index in pieces])
    first = _moment(rehearsal, ours, naive)
    if first is None:
        return None
    figure = new_sheet(INSTANTS * GROUP + 34)
    offs: list[tuple[float, float]] = []
    for number in range(INSTANTS):
        tick = first + number
        axes = place(figure, 30 + number * GROUP, GROUP - 6, left=LEFT_PX + 22, right=RIGHT)
        axes.set_axis_off()
        axes.set_xlim(0, len(pieces))
        axes.set_ylim(GROUP - 6, 0)
        elapsed = number * SCORE_EVERY_NS / 1e9
        axes.text(0, 10, f"{elapsed:.2f} s later" if number else _when(float(scores.times_s[tick])),
                  va="center", color=SOFT.light)  # fmt: skip
        strips: Sequence[tuple[str, Tint, Floats]] = (
            ("as written", INK, np.zeros(len(pieces))),
            ("Leadlight", OURS, ours[:, tick]),
            ("latest beacon", NAIVE, naive[:, tick]),
        )
        for row, (label, tint, off) in enumerate(strips):
            _strip(axes, 20 + row * STRIP, label, tint, off, elapsed)
        offs.append((_furthest(ours[:, tick]), _furthest(naive[:, tick])))
    for number, index in enumerate(pieces):
        left = LEFT_PX + 22 + (number + 0.5) * (WIDTH - LEFT_PX - 22 - RIGHT) / len(pieces)
        room = int((WIDTH - LEFT_PX - RIGHT) / len(pieces) / CHARACTER_PX) - 1
        figure.text(left / WIDTH, 1 - 16 / (INSTANTS * GROUP + 34), shorter(scores.followers[index].name, room),
                    ha="center", va="center", color=INK.light)  # fmt: skip
    ours_off, naive_off = (np.fmax.reduce(side) for side in zip(*offs, strict=True))
    about = (
        f"With Leadlight no piece is further than {as_time(float(ours_off))} from where the lights should be; "
        f"by the latest beacon they are up to {as_time(float(naive_off))} from it."
    )
    svg = as_svg(figure, "crowd-view", "Crowd view", about)
    chosen = (
        "A moment was chosen that is poor for both: 95 % of the time the furthest piece is closer than in the first of "
        "the three, with Leadlight and by the latest beacon alike, or nearly so."
    )
    if len(pieces) < len(scores.followers):
        chosen += f" The {len(pieces)} worst of {len(scores.followers)} pieces."
    return Drawing(
        "crowd-view",
        "What the crowd sees: lights running along all pieces",
        f"Look whether the lights are where they were written, and whether they tear from one piece to the next. "
        f"{chosen}",
        svg,
    )


def _when(seconds: float) -> str:
    minutes, rest = divmod(seconds, 60)
    return f"at {int(minutes)}:{rest:05.2f} of the run"


def _furthest(off: Floats) -> float:
    return float(np.fmax.reduce(np.abs(off)))


def _moment(rehearsal: Rehearsal, ours: Floats, naive: Floats) -> int | None:
    # The scoring instant whose furthest piece is nearest to the 95th percentile, by rank and of both ways, of those
    # with a show on and everyone in it.
    times = rehearsal.scores.times_s
    rolling = np.zeros(times.shape, dtype=np.bool_)
    for begin, end, _ in show_spans(rehearsal.scenario):
        rolling |= (times >= begin) & (times + INSTANTS * SCORE_EVERY_NS / 1e9 < end)
    usable = rolling & rehearsal.scores.settled
    usable[-INSTANTS:] = False
    complete = usable & ~np.isnan(ours).any(axis=0)
    ticks = np.flatnonzero(complete if complete.any() else usable & ~np.isnan(ours).all(axis=0))
    if ticks.size == 0:
        return None
    apart = sum(np.abs(_ranks(side[:, ticks]) - 0.95) for side in (ours, naive))
    return int(ticks[np.argmin(apart)])


def _ranks(off: Floats) -> Floats:
    # For each instant the share of them at which the furthest piece is closer, from 0 to 1.
    furthest = np.nan_to_num(np.fmax.reduce(np.abs(off), axis=0))
    ranks = np.empty(furthest.size)
    ranks[np.argsort(furthest, kind="stable")] = np.arange(furthest.size) / furthest.size
    return ranks


def _strip(axes: Area, top: float, label: str, tint: Tint, off_ms: Floats, elapsed_s: float) -> None:
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
    axes.text(-0.01 * count, middle, label, ha="right", va="center", color=tint.light)
    furthest = _furthest(off_ms)
    if tint is INK:
        return
    text = "no time yet" if np.isnan(furthest) else f"up to {as_time(furthest)} off"
    axes.text(count * 1.01, middle, text, va="center", color=tint.light, fontweight="bold")


def _dots(axes: Area, along: Floats, middle: float, size: float, tint: Tint, alpha: float) -> None:
    # Squares of a size in px, as one element: x counts pieces, y counts px.
    px = (WIDTH - LEFT_PX - 22 - RIGHT) / (axes.get_xlim()[1] or 1)
    half = size / 2 / px
    boxes = [(x - half, x + half, middle - size / 2, middle + size / 2) for x in along.tolist()]
    rectangles(axes, boxes, tint, alpha=alpha)
