"""Panels of a page: what was measured of several settings, each panel scaled to its own limit, to be read on a phone.

A panel is a table whose cells are drawn by the page's style sheet: the words stay words, however narrow the page.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

LIMIT_AT: Final = 0.6
"""Where on every scale the limit stands: room to see how far beyond it something is, and more to see how close."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One value on a scale, by its place from 0 to 1, with the interval that it has, if any. ``kind`` is its look."""

    at: float
    kind: str
    low: float | None = None
    high: float | None = None

    @property
    def is_beyond(self) -> bool:
        """Whether the scale ends before it."""
        return self.at > 1


@dataclass(frozen=True, slots=True)
class Gauge:
    """One cell: marks on a scale, beside what they say in words."""

    marks: tuple[Mark, ...]
    told: str


@dataclass(frozen=True, slots=True)
class Line:
    """One row of a panel; ``is_chosen``: the one that the page is about."""

    name: str
    gauges: tuple[Gauge, ...]
    is_chosen: bool = False


@dataclass(frozen=True, slots=True)
class Scale:
    """One column: what it shows, and where its limit, or the middle of it, stands and is called."""

    title: str
    limit_at: float | None = None
    limit_told: str = ""


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel: a title, a caption, its columns and its rows."""

    title: str
    caption: str
    scales: tuple[Scale, ...]
    lines: tuple[Line, ...]


def to_limit(value: float, limit: float, largest: float) -> float:
    """Return a value's place on a scale on which its limit stands at ``LIMIT_AT``, above 1 if it is further off.

    Where the limit is zero it stands at the left end, and the scale reaches to ``largest``.
    """
    if math.isinf(value):
        return 2.0
    if limit:
        return value / limit * LIMIT_AT
    return value / largest if largest and math.isfinite(largest) else float(value > 0)


def of_share(share: float) -> float:
    """Return a share's place, by its root: shares of a few in a hundred are what matters, and have room."""
    return math.sqrt(share)
