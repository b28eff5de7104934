"""Drawings written as SVG at once, for the page of a rehearsal: a plotting library takes half as long as the rehearsal.

An ``Area`` understands what drawings ask of matplotlib's axes, no more, and in its words: what is drawn on one can be
drawn on the other. Lengths are in px, which here are points.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final

import numpy as np

from leadlight_sim.drawing.palette import INK, SOFT, TEXT_PX

TICK_PX: Final = 4
ASCENT: Final = 0.36
"""From the middle of a line of text to its baseline, in sizes of its type."""
WORDS_BELOW_PX: Final = 17


class Sheet:
    """A drawing of a size in px, and the areas on it."""

    def __init__(self, height: int, width: int) -> None:
        self.height = height
        self.width = width
        self._areas: list[Area] = []
        self._words: list[str] = []

    def add_area(self, left: float, top: float, width: float, height: float) -> Area:
        """Return a new area by its place in px."""
        area = Area(self, left, top, width, height)
        self._areas.append(area)
        return area

    def text(self, x: float, y: float, words: str, **more: Any) -> None:
        """Write words at a place in shares of the sheet, from its lower left corner."""
        self._words.append(_text(x * self.width, (1 - y) * self.height, words, **more))

    def body(self) -> str:
        """Return everything on it as SVG elements."""
        return "\n".join([*(area.body() for area in self._areas), *self._words])


class Axis:
    """One axis of an area: where its ticks are and what they say."""

    def __init__(self) -> None:
        self.ticks: Sequence[float] = ()
        self.said: Callable[[float, int], str] = lambda value, _: f"{value:g}"
        self.has_words = True
        self.has_ticks = True
        self.grid: dict[str, Any] | None = None
        self.label = ""
        self.is_log = False
        self.low, self.high = 0.0, 1.0

    def share(self, values: Any) -> Any:
        """Return how far along the axis values lie, 0 to 1."""
        if self.is_log:
            low, high = math.log10(self.low), math.log10(self.high)
            with np.errstate(divide="ignore", invalid="ignore"):
                return (np.log10(values) - low) / (high - low)
        return (np.asarray(values, dtype=np.float64) - self.low) / ((self.high - self.low) or 1.0)

    def visible(self) -> list[float]:
        """Return the ticks that lie within the limits."""
        low, high = sorted((self.low, self.high))
        slack = 1e-9 * max(abs(low), abs(high), 1e-9)
        return [tick for tick in self.ticks if low - slack <= tick <= high + slack]


@dataclass(slots=True)
class Spine:
    """One edge of an area."""

    is_visible: bool = True

    def set_visible(self, is_visible: bool) -> None:
        """Show it or not."""
        self.is_visible = is_visible


@dataclass(slots=True)
class _Drawn:
    order: float
    make: Callable[[], str]


class Area:
    """A rectangle with axes on a sheet. Values are turned into px when all is known, at the end."""

    transAxes: Final = "area"  # noqa: N815 - matplotlib's word

    def __init__(self, sheet: Sheet, left: float, top: float, width: float, height: float) -> None:
        self.figure = sheet
        self._box = (left, top, width, height)
        self.xaxis, self.yaxis = Axis(), Axis()
        self.spines = {"left": Spine(), "bottom": Spine()}
        self._is_off = False
        self._title = ""
        self._drawn: list[_Drawn] = []

    # -- scales ----------------------------------------------------------------------------------------------------

    def set_axis_off(self) -> None:
        """Draw no axes."""
        self._is_off = True

    def set_xlim(self, low: float, high: float) -> None:
        """Set what the area reaches over, from left to right."""
        self.xaxis.low, self.xaxis.high = float(low), float(high)

    def set_ylim(self, low: float, high: float) -> None:
        """Set what the area reaches over, from below."""
        self.yaxis.low, self.yaxis.high = float(low), float(high)

    def get_xlim(self) -> tuple[float, float]:
        """Return what ``set_xlim`` set."""
        return self.xaxis.low, self.xaxis.high

    def get_ylim(self) -> tuple[float, float]:
        """Return what ``set_ylim`` set."""
        return self.yaxis.low, self.yaxis.high

    def set_xscale(self, scale: str) -> None:
        """Make the scale ``log``."""
        self.xaxis.is_log = scale == "log"

    def set_yscale(self, scale: str) -> None:
        """Make the scale ``log``."""
        self.yaxis.is_log = scale == "log"

    def set_xlabel(self, words: str) -> None:
        """Name the axis below."""
        self.xaxis.label = words

    def set_ylabel(self, words: str) -> None:
        """Name the axis at the left."""
        self.yaxis.label = words

    def set_title(self, words: str, **_more: Any) -> None:
        """Write above the area."""
        self._title = words

    def set_yticks(self, ticks: Iterable[float], words: Sequence[str] = ()) -> None:
        """Set ticks, and words in the place of numbers."""
        self._set_ticks(self.yaxis, [*ticks], words)

    def set_xticks(self, ticks: Iterable[float], words: Sequence[str] = ()) -> None:
        """Set ticks, and words in the place of numbers."""
        self._set_ticks(self.xaxis, [*ticks], words)

    def _set_ticks(self, axis: Axis, ticks: list[float], words: Sequence[str]) -> None:
        axis.ticks = ticks
        if words:
            named = dict(zip(ticks, words, strict=True))
            axis.said = lambda value, _: named[value]

    def tick_params(
        self, axis: str = "both", labelbottom: bool = True, length: float | None = None, **_more: Any
    ) -> None:
        """Leave out the words below, or with a ``length`` of 0 the ticks of an axis."""
        self.xaxis.has_words = self.xaxis.has_words and labelbottom
        if length == 0:
            (self.yaxis if axis == "y" else self.xaxis).has_ticks = False

    def grid(self, axis: str = "both", **more: Any) -> None:
        """Draw a line at every tick."""
        for one, name in ((self.xaxis, "x"), (self.yaxis, "y")):
            if axis in (name, "both"):
                one.grid = more

    def set_axisbelow(self, _is_below: bool) -> None:
        """The grid always lies below."""

    # -- px --------------------------------------------------------------------------------------------------------

    def _x(self, values: Any) -> Any:
        return self._box[0] + self.xaxis.share(values) * self._box[2]

    def _y(self, values: Any) -> Any:
        return self._box[1] + (1 - self.yaxis.share(values)) * self._box[3]

    def _add(self, make: Callable[[], str], order: float = 2.0) -> None:
        self._drawn.append(_Drawn(order, make))

    # -- marks -----------------------------------------------------------------------------------------------------

    def add_boxes(self, boxes: Sequence[tuple[float, float, float, float]], color: str, **more: Any) -> None:
        """Draw boxes, (left, right, bottom, top), as one element; with ``hatch`` in outline, and crossed."""

        def make() -> str:
            left, right, bottom, top = np.array(boxes, dtype=np.float64).T
            corners = zip(self._x(left).tolist(), self._x(right).tolist(), self._y(bottom).tolist(),
                          self._y(top).tolist(), strict=True)  # fmt: skip
            path = "".join(f"M{l:.2f} {b:.2f}H{r:.2f}V{t:.2f}H{l:.2f}Z" for l, r, b, t in corners)  # noqa: E741
            if more.get("hatch"):
                path += self._hatch(boxes)
                return f'<path d="{path}" fill="none" stroke="{more["edgecolor"]}" stroke-width="0.8"/>'
            return f'<path d="{path}" fill="{color}"{_opacity(more.get("alpha"), "fill-")}/>'

        self._add(make, more.get("zorder", 1.0))

    def _hatch(self, boxes: Sequence[tuple[float, float, float, float]]) -> str:
        # Slanting lines within each box: what has no power is told apart from what is dark without any colour.
        path = []
        for left, right, bottom, top in boxes:
            x1, x2 = float(self._x(left)), float(self._x(right))
            y1, y2 = sorted((float(self._y(bottom)), float(self._y(top))))
            high = y2 - y1
            for start in np.arange(x1 - high, x2, 5.0).tolist():
                low, end = max(start, x1), min(start + high, x2)
                if end > low:
                    path.append(f"M{low:.2f} {y2 - (low - start):.2f}L{end:.2f} {y2 - (end - start):.2f}")
        return "".join(path)

    def step(self, x: Any, y: Any, **more: Any) -> None:
        """Draw a line that holds each value until the next."""
        self._add(lambda: _line(self._steps(x, y), **more))

    def _steps(self, x: Any, y: Any) -> str:
        path, before = [], math.nan
        bottom = self._box[1] + self._box[3]
        for left, level in zip(self._x(np.asarray(x)).tolist(), self._y(np.asarray(y)).tolist(), strict=True):
            if math.isinf(level):
                level = bottom  # where a logarithmic scale has no place for nothing
            if math.isnan(level):
                if not math.isnan(before):
                    path.append(f"H{left:.2f}")
            elif math.isnan(before):
                path.append(f"M{left:.2f} {level:.2f}")
            else:
                path.append(f"H{left:.2f}" + (f"V{level:.2f}" if level != before else ""))
            before = level
        return "".join(path)

    def fill_between(self, x: Any, low: Any, high: Any, **more: Any) -> None:
        """Fill what lies between two lines that hold each value until the next."""

        def make() -> str:
            path = []
            edges = self._x(np.asarray(x)).tolist()
            below, above = self._y(np.asarray(low)).tolist(), self._y(np.asarray(high)).tolist()
            for place in range(len(edges) - 1):
                bottom, top = below[place], above[place]
                if not (math.isnan(bottom) or math.isnan(top)):
                    left, right = edges[place], edges[place + 1]
                    path.append(f"M{left:.2f} {bottom:.2f}H{right:.2f}V{top:.2f}H{left:.2f}Z")
            return f'<path d="{"".join(path)}" fill="{more["color"]}"{_opacity(more.get("alpha"), "fill-")}/>'

        self._add(make, 1.0)

    def axhline(self, y: float, **more: Any) -> None:
        """Draw a line over the whole width."""
        left, _, width, _ = self._box
        self._add(lambda: _line(f"M{left:.2f} {float(self._y(y)):.2f}H{left + width:.2f}", **more))

    def axvline(self, x: float, **more: Any) -> None:
        """Draw a line over the whole height."""
        _, top, _, height = self._box
        self._add(lambda: _line(f"M{float(self._x(x)):.2f} {top:.2f}V{top + height:.2f}", **more))

    def hlines(self, y: Any, left: Any, right: Any, **more: Any) -> None:
        """Draw level lines; none where an end is not known."""
        self._add(lambda: _line("".join(
            f"M{a:.2f} {h:.2f}H{b:.2f}"
            for h, a, b in zip(np.atleast_1d(self._y(y)).tolist(), np.atleast_1d(self._x(left)).tolist(),
                               np.atleast_1d(self._x(right)).tolist(), strict=True)
            if not (math.isnan(a) or math.isnan(b))
        ), **more))  # fmt: skip

    def vlines(self, x: Any, low: float, high: float, **more: Any) -> None:
        """Draw upright lines."""

        def make() -> str:
            bottom, top = float(self._y(low)), float(self._y(high))
            return _line("".join(f"M{at:.2f} {bottom:.2f}V{top:.2f}" for at in np.atleast_1d(self._x(x))), **more)

        self._add(make, 1.5)

    def plot(self, x: Any, y: Any, marker: str, color: str, markersize: float, **more: Any) -> None:
        """Draw marks: ``v`` a triangle, ``o`` a dot, ``x`` a cross."""

        def make() -> str:
            places = zip(np.atleast_1d(self._x(np.asarray(x))).tolist(), np.atleast_1d(self._y(np.asarray(y))).tolist(),
                         strict=True)  # fmt: skip
            half = markersize / 2
            path = "".join(_MARKS[marker](a, b, half) for a, b in places if not (math.isnan(a) or math.isnan(b)))
            if marker == "x":
                return _line(path, color=color, linewidth=more.get("markeredgewidth", 1))
            return f'<path d="{path}" fill="{color}"/>'

        self._add(make, 2.5)

    def text(self, x: float, y: float, words: str, transform: Any = None, **more: Any) -> None:
        """Write words at a place; with ``transform=area.transAxes`` in shares of the area."""

        def make() -> str:
            left, top, width, height = self._box
            if transform is not None:
                return _text(left + x * width, top + (1 - y) * height, words, **more)
            return _text(float(self._x(x)), float(self._y(y)), words, **more)

        self._add(make, 3.0)

    def annotate(self, words: str, at: tuple[float, float], xytext: tuple[float, float] = (0, 0), **more: Any) -> None:
        """Write words beside a place: x in shares of the width, y a value, moved by ``xytext`` px to the right."""
        left, _, width, _ = self._box
        kept = {key: value for key, value in more.items() if key not in ("xycoords", "textcoords")}
        self._add(lambda: _text(left + at[0] * width + xytext[0], float(self._y(at[1])), words, **kept), 3.0)

    # -- all of it -------------------------------------------------------------------------------------------------

    def body(self) -> str:
        """Return the area as SVG elements."""
        marks = [one.make() for one in sorted(self._drawn, key=lambda one: one.order)]
        return "\n".join([*([] if self._is_off else self._axes()), *marks])

    def _axes(self) -> list[str]:
        left, top, width, height = self._box
        bottom = top + height
        parts = []
        for tick in self.xaxis.visible():
            x = float(self._x(tick))
            if self.xaxis.grid is not None:
                parts.append(_line(f"M{x:.2f} {top:.2f}V{bottom:.2f}", **self.xaxis.grid))
            if self.xaxis.has_ticks:
                parts.append(_line(f"M{x:.2f} {bottom:.2f}v{TICK_PX}", color=SOFT.light, linewidth=0.8))
            if self.xaxis.has_words:
                words = self.xaxis.said(tick, 0)
                parts.append(_text(x, bottom + WORDS_BELOW_PX, words, ha="center", color=SOFT.light))
        for tick in self.yaxis.visible():
            y = float(self._y(tick))
            if self.yaxis.grid is not None:
                parts.append(_line(f"M{left:.2f} {y:.2f}H{left + width:.2f}", **self.yaxis.grid))
            if self.yaxis.has_ticks:
                parts.append(_line(f"M{left:.2f} {y:.2f}h-{TICK_PX}", color=SOFT.light, linewidth=0.8))
            parts.append(_text(left - 8, y, self.yaxis.said(tick, 0), ha="right", va="center", color=SOFT.light))
        if self.spines["left"].is_visible:
            parts.append(_line(f"M{left:.2f} {top:.2f}V{bottom:.2f}", color=SOFT.light, linewidth=0.8))
        parts.append(_line(f"M{left:.2f} {bottom:.2f}H{left + width:.2f}", color=SOFT.light, linewidth=0.8))
        if self.xaxis.label:
            parts.append(_text(left + width / 2, bottom + 2 * WORDS_BELOW_PX, self.xaxis.label, ha="center",
                               color=SOFT.light))  # fmt: skip
        if self.yaxis.label:
            middle = top + height / 2
            parts.append(_text(left - 72, middle, self.yaxis.label, ha="center", color=SOFT.light, turned=True))
        if self._title:
            parts.append(_text(left, top - 14, self._title, color=SOFT.light))
        return parts


def _triangle(x: float, y: float, half: float) -> str:
    return f"M{x - half:.2f} {y - half:.2f}h{2 * half:.2f}L{x:.2f} {y + half:.2f}Z"


def _dot(x: float, y: float, half: float) -> str:
    arc = f"a{half:.2f} {half:.2f} 0 1 0"
    return f"M{x - half:.2f} {y:.2f}{arc} {2 * half:.2f} 0{arc} {-2 * half:.2f} 0Z"


def _cross(x: float, y: float, half: float) -> str:
    return (
        f"M{x - half:.2f} {y - half:.2f}l{2 * half:.2f} {2 * half:.2f}"
        f"M{x - half:.2f} {y + half:.2f}l{2 * half:.2f} {-2 * half:.2f}"
    )


_MARKS: Final[dict[str, Callable[[float, float, float], str]]] = {"v": _triangle, "o": _dot, "x": _cross}


def _opacity(alpha: float | None, of: str = "") -> str:
    return "" if alpha is None or alpha == 1 else f' {of}opacity="{alpha:g}"'


def _line(path: str, color: str, linewidth: float = 1.0, **more: Any) -> str:
    dashes = more.get("dashes")
    dashed = "" if dashes is None else f' stroke-dasharray="{" ".join(map(str, dashes))}"'
    return (
        f'<path d="{path}" fill="none" stroke="{color}" stroke-width="{linewidth:g}"{dashed}'
        f"{_opacity(more.get('alpha'))}/>"
    )


def _text(x: float, y: float, words: str, ha: str = "left", va: str = "baseline", color: str = INK.light,
          fontsize: float = TEXT_PX, fontweight: str = "normal", turned: bool = False, **_: Any) -> str:  # fmt: skip
    anchor = {"left": "start", "center": "middle", "right": "end"}[ha]
    # A baseline is where the text stands; centred, its capitals reach as far above as below. A top hangs.
    down = {"baseline": 0.0, "center": ASCENT, "top": 0.8}[va] * fontsize
    weight = "" if fontweight == "normal" else f' font-weight="{fontweight}"'
    turn = f' transform="rotate(-90 {x:.2f} {y:.2f})"' if turned else ""
    place = f'x="{x:.2f}" y="{y + down:.2f}" text-anchor="{anchor}"'
    return f'<text {place} font-size="{fontsize:g}" fill="{color}"{weight}{turn}>{escape(words)}</text>'
