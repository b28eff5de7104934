"""What drawings are made on: colours, sizes, and the ways out as inline SVG and as PNG.

The object interface alone is used, never the one that keeps a current figure. A rehearsal must run where there is no
display and must leave the caller's own plots alone.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from html import escape
from typing import TYPE_CHECKING, Any, Final, overload

from leadlight_sim.drawing.axes import Drawing
from leadlight_sim.drawing.palette import INK, LEFT_PX, NARROW, PAPER, RIGHT_PX, SOFT, TEXT_PX, TINTS, WIDTH, Tint
from leadlight_sim.drawing.sheet import Area, Sheet

# The plotting library is loaded by who draws on it: a page whose drawings are sheets must not wait for it.
if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

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
    import matplotlib

    with matplotlib.rc_context():
        defaults = matplotlib.rcParamsDefault.items()
        changes: dict[Any, Any] = {key: value for key, value in defaults if "backend" not in key}
        changes |= _STYLE | {"svg.hashsalt": salt}
        matplotlib.rcParams.update(changes)
        yield


def new_figure(height: int, width: int = WIDTH) -> Figure:
    """Return an empty figure of a size in px."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width / 72, height / 72), dpi=72)


def new_sheet(height: int, width: int = WIDTH) -> Sheet:
    """Return an empty sheet of a size in px, which is SVG at once."""
    return Sheet(height, width)


@overload
def place(figure: Figure, top: float, height: float, left: float = ..., right: float = ...) -> Axes: ...
@overload
def place(figure: Sheet, top: float, height: float, left: float = ..., right: float = ...) -> Area: ...
def place(
    figure: Figure | Sheet, top: float, height: float, left: float = LEFT_PX, right: float = RIGHT_PX
) -> Axes | Area:
    """Add axes by their place in px: from the top, and from the left and right edges."""
    if isinstance(figure, Sheet):
        return figure.add_area(left, top, figure.width - left - right, height)
    width, full = figure.get_size_inches() * 72
    return figure.add_axes((left / width, 1 - (top + height) / full, (width - left - right) / width, height / full))


def rectangles(axes: Axes | Area, boxes: Iterable[tuple[float, float, float, float]], tint: Tint, **more: Any) -> None:
    """Draw any number of boxes, (left, right, bottom, top), as one element: thousands would make a page heavy."""
    if isinstance(axes, Area):
        if found := list(boxes):
            axes.add_boxes(found, tint.light, **more)
        return
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Outline

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


def as_svg(figure: Figure | Sheet, name: str, title: str, description: str) -> str:
    """Return a figure as an ``<svg>`` element for a page, coloured by the page's variables, that needs nothing else.

    ``name`` sets its identifiers apart from those of other drawings on the page; a narrow one may have the same.
    """
    if isinstance(figure, Sheet):
        size, body = f"0 0 {figure.width} {figure.height}", f"{figure.body()}\n</svg>"
    else:
        from matplotlib.backends.backend_svg import FigureCanvasSVG

        buffer = io.StringIO()
        metadata = dict.fromkeys(("Date", "Creator", "Format", "Type"))
        FigureCanvasSVG(figure).print_figure(buffer, format="svg", metadata=metadata)
        text = buffer.getvalue()
        text = text[text.index("<svg") :]
        text = re.sub(r"<metadata>.*?</metadata>", "", text, count=1, flags=re.DOTALL)
        box = re.search(r'viewBox="([^"]*)"', text)
        assert box is not None
        size, body = box[1], text[text.index(">") + 1 :]
    narrow = ""
    if float(size.split()[2]) <= NARROW:
        name, narrow = f"{name}-narrow", 'class="narrow" '
    head = (
        f'<svg {narrow}viewBox="{size}" role="img" aria-labelledby="{name}-title {name}-about">'
        f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-about">{escape(description)}</desc>'
    )
    # Within tags only: a piece may be called id="x".
    body = re.sub(r"<[^<>]*>", lambda tag: _adapted(tag[0], name), body)
    return head + re.sub(r"[ \t]*\n[ \t]*", "\n", body)


def in_both_widths(*draws: Callable[[int], Drawing | None]) -> list[Drawing]:
    """Return drawings that are drawn for a page and for a phone, which shows the one that fits.

    Each of ``draws`` is given the width in px; what it does not draw is left out.
    """
    both = [(wide, draw(NARROW)) for draw in draws if (wide := draw(WIDTH)) is not None]
    return [replace(wide, svg=f"{wide.svg}\n{narrow.svg}") for wide, narrow in both if narrow is not None]


def _adapted(tag: str, name: str) -> str:
    tag = tag.replace("xlink:href=", "href=")
    tag = re.sub(r'(\bid="|\bhref="#|url\(#)', rf"\g<1>{name}-", tag)
    for tint in TINTS:
        tag = tag.replace(tint.light, f"var(--{tint.name})")
    return tag


def as_png(figure: Figure) -> bytes:
    """Return a figure as a PNG on light paper, five dots to four px."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure.set_facecolor(PAPER.light)
    buffer = io.BytesIO()
    FigureCanvasAgg(figure).print_figure(buffer, format="png", dpi=90, metadata={"Software": None})
    return buffer.getvalue()
