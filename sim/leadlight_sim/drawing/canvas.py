"""What drawings are made on: colours, sizes, and the ways out as inline SVG and as PNG.

The object interface alone is used, never the one that keeps a current figure. A rehearsal must run where there is no
display and must leave the caller's own plots alone.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator, Mapping
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
TEXT_PX: Final = 13
"""Of every label: at 728 px, which a small screen shows without scrolling, it still measures ten."""
LEFT_PX: Final = 104
RIGHT_PX: Final = 178


@dataclass(frozen=True, slots=True)
class Tint:
    """One colour by its use, on light and on dark paper. Every light value is a different one: it is found by it."""

    name: str
    light: str
    dark: str


# Whatever stands in one drawing differs in lightness, so that it is told apart with every kind of colour vision and in
# grey; blue-green against orange, and purple beyond a limit, say it again to most. `MEANINGS` is what must differ.
PAPER: Final = Tint("paper", "#fcfbf7", "#20262b")
INK: Final = Tint("ink", "#1f2a30", "#f1ede4")
SOFT: Final = Tint("soft", "#56616a", "#a7b0b6")
RULE: Final = Tint("rule", "#d3d0c5", "#454e55")
OURS: Final = Tint("ours", "#0f6070", "#3f97a9")
WORST: Final = Tint("worst", "#01141a", "#e2fbff")
NAIVE: Final = Tint("naive", "#ba6416", "#ea993f")
LIMIT: Final = Tint("limit", "#6a0f46", "#f6bddb")
FAULT: Final = Tint("fault", "#8d8796", "#8a8494")
SHOW: Final = Tint("show", "#e6dfc9", "#3d3a2c")
NIGHT: Final = Tint("night", "#0c1015", "#000000")
UNLIT: Final = Tint("unlit", "#39434d", "#38424c")
GLOW: Final = Tint("glow", "#ffd98a", "#ffd98b")
GOOD: Final = Tint("good", "#1c766f", "#1c766f")
BAD: Final = Tint("bad", "#6f2410", "#6f2410")
LEVELS: Final = (
    Tint("level-0", "#bfdcda", "#205059"),
    Tint("level-1", "#84bac0", "#34798a"),
    Tint("level-2", "#3f8594", "#5fa6b3"),
    Tint("level-3", "#8f3568", "#efb6d5"),
    Tint("level-4", "#5b143d", "#fff3f9"),
)
"""From close to far: the further, the more it stands out from the paper; beyond the limit in the limit's own hue."""
TINTS: Final = (
    PAPER, INK, SOFT, RULE, OURS, WORST, NAIVE, LIMIT, FAULT, SHOW, NIGHT, UNLIT, GLOW, GOOD, BAD, *LEVELS
)  # fmt: skip
MEANINGS: Final[Mapping[str, tuple[Tint, ...]]] = {
    "a piece's distance over time": (PAPER, *LEVELS, NIGHT),
    "curves": (PAPER, NAIVE, OURS, LIMIT, WORST),
    "beacons": (PAPER, INK, OURS, NAIVE),
    "what comes over a run": (PAPER, RULE, FAULT),
    "lights": (NIGHT, UNLIT, GLOW),
    "verdicts": (GOOD, BAD),
}
"""What stands side by side and means different things, by where."""

_STYLE: Final = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": TEXT_PX,
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
    "xtick.labelsize": TEXT_PX,
    "ytick.labelsize": TEXT_PX,
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
