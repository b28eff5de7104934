"""What drawings are made on: colours, sizes, and the ways out as inline SVG and as PNG.

The object interface alone is used, never the one that keeps a current figure: a rehearsal must run where there is no
display and must leave the caller's own plots alone.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from html import escape
from typing import Any, Final

import matplotlib
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline

WIDTH: Final = 960
"""Of a drawing on the page, in px; it shrinks to fit."""
LEFT_PX: Final = 96
RIGHT_PX: Final = 150


@dataclass(frozen=True, slots=True)
class Tint:
    """One colour by its use, on light and on dark paper. Every light value is a different one: it is found by it."""

    name: str
    light: str
    dark: str


# Blue-green against orange is told apart with every common kind of colour blindness, and the two differ in lightness
# as well; what matters is also said by a label or a line's kind.
PAPER: Final = Tint("paper", "#fcfbf7", "#15191c")
INK: Final = Tint("ink", "#1f2a30", "#ece8de")
SOFT: Final = Tint("soft", "#56616a", "#a7b0b6")
RULE: Final = Tint("rule", "#dcd9cf", "#353d43")
OURS: Final = Tint("ours", "#1c7c8c", "#4fb3c4")
WORST: Final = Tint("worst", "#0a4554", "#b4ebf4")
NAIVE: Final = Tint("naive", "#c76a1b", "#f0a052")
LIMIT: Final = Tint("limit", "#8c2f63", "#ef93c4")
FAULT: Final = Tint("fault", "#8d8796", "#8a8494")
SHOW: Final = Tint("show", "#e6dfc9", "#3d3a2c")
NIGHT: Final = Tint("night", "#10161d", "#07090c")
UNLIT: Final = Tint("unlit", "#39434d", "#2c343c")
GLOW: Final = Tint("glow", "#ffd98a", "#ffd98b")
LEVELS: Final = (
    Tint("level-0", "#d8e9e7", "#1d3b40"),
    Tint("level-1", "#93c6ca", "#2f6f7a"),
    Tint("level-2", "#3f8f9e", "#6dbcc8"),
    Tint("level-3", "#c97aa3", "#e39ac0"),
    Tint("level-4", "#6e1f4c", "#ffd9ec"),
)
"""From close to far: the further, the more it stands out from the paper; beyond the limit in the limit's own hue."""
TINTS: Final = (PAPER, INK, SOFT, RULE, OURS, WORST, NAIVE, LIMIT, FAULT, SHOW, NIGHT, UNLIT, GLOW, *LEVELS)

_STYLE: Final = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 12,
    "text.color": INK.light,
    "text.parse_math": False,  # a piece may be called "$5 & $6"
    "axes.edgecolor": SOFT.light,
    "axes.labelcolor": SOFT.light,
    "axes.facecolor": "none",
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "xtick.color": SOFT.light,
    "ytick.color": SOFT.light,
    "xtick.labelsize": 11.5,
    "ytick.labelsize": 11.5,
    "figure.facecolor": "none",
    "path.simplify": True,
    "hatch.linewidth": 0.8,
}


@contextmanager
def style(salt: str) -> Iterator[None]:
    """Draw in the house style, whatever the user's own settings; ``salt`` makes identifiers repeatable."""
    with matplotlib.rc_context():
        defaults = matplotlib.rcParamsDefault.items()
        changes: dict[Any, Any] = {key: value for key, value in defaults if "backend" not in key}
        changes |= _STYLE | {"svg.hashsalt": salt}
        matplotlib.rcParams.update(changes)
        yield


def new_figure(height: int, width: int = WIDTH) -> Figure:
    """Return an empty figure of a size in px."""
    return Figure(figsize=(width / 72, height / 72), dpi=72)


def place(figure: Figure, top: float, height: float, left: float = LEFT_PX, right: float = RIGHT_PX) -> Axes:
    """Add axes by their place in px: from the top, and from the left and right edges."""
    width, full = figure.get_size_inches() * 72
    return figure.add_axes((left / width, 1 - (top + height) / full, (width - left - right) / width, height / full))


def rectangles(axes: Axes, boxes: Iterable[tuple[float, float, float, float]], tint: Tint, **more: Any) -> None:
    """Draw any number of boxes, (left, right, bottom, top), as one element: thousands would make a page heavy."""
    vertices: list[tuple[float, float]] = []
    for left, right, bottom, top in boxes:
        vertices += [(left, bottom), (right, bottom), (right, top), (left, top), (left, bottom)]
    if not vertices:
        return
    codes = [Outline.MOVETO, Outline.LINETO, Outline.LINETO, Outline.LINETO, Outline.CLOSEPOLY] * (len(vertices) // 5)
    axes.add_patch(PathPatch(Outline(vertices, codes), **{"facecolor": tint.light, "linewidth": 0} | more))


def shorter(name: str, characters: int = 12) -> str:
    """Return a name cut to so many characters in its middle: names in a row often differ at their end."""
    if len(name) <= characters:
        return name
    end = min(4, characters // 3)
    return f"{name[: characters - end - 1].rstrip()}…{name[len(name) - end :]}"


def as_svg(figure: Figure, name: str, title: str, description: str) -> str:
    """Return a figure as an ``<svg>`` element for a page, coloured by the page's variables, that needs nothing else.

    ``name`` sets its identifiers apart from those of other drawings on the page.
    """
    buffer = io.StringIO()
    metadata = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    FigureCanvasSVG(figure).print_figure(buffer, format="svg", metadata=metadata)
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, count=1, flags=re.DOTALL)
    box = re.search(r'viewBox="([^"]*)"', text)
    assert box is not None
    head = (
        f'<svg viewBox="{box[1]}" role="img" aria-labelledby="{name}-title {name}-about">'
        f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-about">{escape(description)}</desc>'
    )
    body = text[text.index(">") + 1 :]
    # Within tags only: a piece may be called id="x".
    body = re.sub(r"<[^<>]*>", lambda tag: _adapted(tag[0], name), body)
    return head + re.sub(r"[ \t]*\n[ \t]*", "\n", body)


def _adapted(tag: str, name: str) -> str:
    tag = tag.replace("xlink:href=", "href=")
    tag = re.sub(r'(\bid="|\bhref="#|url\(#)', rf"\g<1>{name}-", tag)
    for tint in TINTS:
        tag = tag.replace(tint.light, f"var(--{tint.name})")
    return tag


def as_png(figure: Figure) -> bytes:
    """Return a figure as a PNG on light paper, five dots to four px."""
    figure.set_facecolor(PAPER.light)
    buffer = io.BytesIO()
    FigureCanvasAgg(figure).print_figure(buffer, format="png", dpi=90, metadata={"Software": None})
    return buffer.getvalue()
