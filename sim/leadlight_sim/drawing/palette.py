"""Colours by their use, and the sizes that all drawings share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

WIDTH: Final = 960
"""Of a drawing on the page, in px; it shrinks to fit."""
NARROW: Final = 400
"""Of one for a phone, in px, so that its text is as large there as that of a page's notes."""
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
