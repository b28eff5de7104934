"""Tables as text: columns as wide as their cells, fitted to a screen where they have to be."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterable, Sequence
from typing import Final

GAP: Final = "  "
CUT: Final = "…"
_FLUSH_RIGHT: Final = "0123456789+-–±"


def columns(header: Sequence[str], rows: Iterable[Sequence[str]], usual: Sequence[str] | None = None) -> list[str]:
    """Return the lines of a table: the header and the rows, each column as wide as its widest cell.

    The cells of ``usual`` are not shown, and make room. A column whose cells all begin with a digit, a sign or a dash
    is set flush right.
    """
    table = [list(header), *map(list, rows)]
    widths = _widths(table if usual is None else [*table, usual])
    flush_right = [
        len(table) > 1 and all(row[column][:1] in _FLUSH_RIGHT for row in table[1:]) for column in range(len(header))
    ]
    return [
        GAP.join(
            _padded(cell, width, right) for cell, width, right in zip(row, widths, flush_right, strict=True)
        ).rstrip()
        for row in table
    ]


def fitted(
    header: Sequence[str],
    rows: Sequence[Sequence[str]],
    width: int,
    given_up_first: Sequence[str],
    usual: Sequence[str],
) -> list[str]:
    """Return the lines of a table that is at most ``width`` wide.

    Each column has room for its cell of ``usual`` too. The columns named in ``given_up_first`` are left out one after
    the other until the others fit; at last cells of the first column are cut.
    """
    kept = list(range(len(header)))
    widths = _widths([header, *rows, usual])
    for name in given_up_first:
        if _width_of(kept, widths) <= width:
            break
        kept.remove(header.index(name))
    over = max(_width_of(kept, widths) - width, 0)
    table = [[row[column] for column in kept] for row in (header, *rows, usual)]
    if over:
        for row in table:
            row[0] = cut(row[0], max(widths[0] - over, 1))
    return columns(table[0], table[1:-1], table[-1])


def display_width(text: str) -> int:
    """Return how many columns of a screen a text takes (Unicode Standard Annex 11: wide ones take two)."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(character) else 2 if unicodedata.east_asian_width(character) in "WF" else 1
        for character in text
    )


def cut(text: str, width: int) -> str:
    """Return a text in at most ``width`` columns, with a sign where something is missing."""
    if display_width(text) <= width:
        return text
    kept = ""
    for character in text:
        if display_width(kept + character) > width - 1:
            break
        kept += character
    return kept.rstrip() + CUT


def apart(left: str, right: str, width: int) -> str:
    """Return a line with one text at its left and one at its right; the left one is cut where both do not fit."""
    left = cut(left, max(width - display_width(right) - len(GAP), 1))
    return left + " " * max(width - display_width(left) - display_width(right), 1) + right


def wrapped(text: str, width: int, indent: str = "") -> list[str]:
    """Return a text in lines of at most ``width``; all but the first begin with ``indent``."""
    lines = textwrap.wrap(text, width, subsequent_indent=indent)
    return [cut(line, width) for line in lines]


def _widths(table: Sequence[Sequence[str]]) -> list[int]:
    return [max(map(display_width, cells)) for cells in zip(*table, strict=True)]


def _width_of(kept: Sequence[int], widths: Sequence[int]) -> int:
    return sum(widths[column] for column in kept) + len(GAP) * (len(kept) - 1)


def _padded(cell: str, width: int, right: bool) -> str:
    padding = " " * (width - display_width(cell))
    return padding + cell if right else cell + padding
