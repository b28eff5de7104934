"""The worst moments of a run, kept as it goes on: of all light, of the latest beacon's, and of two pieces together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from leadlight.units import MILLISECOND
from leadlight_sim.sampling import Flags, Floats, Wholes

BIN_MS: Final = 250.0


@dataclass(frozen=True, slots=True)
class Spell:
    """A piece's worst: when, in ns, by how much in ms, and whether it was dark; ``other`` is a second piece."""

    at: int
    piece: int
    size_ms: float
    is_dark: bool = False
    signed_ms: float = 0.0
    late_ms: float = 0.0
    other: int | None = None


class Extremes:
    """The furthest quarter of a second by its middle, the longest darkness, and the like for comparison.

    A piece that is dark counts for as far off as it has been dark: it shows what was due then, which is nothing.
    """

    def __init__(self, pieces: int, frame_ns: int) -> None:
        self._frame_ns = frame_ns
        self._dark_since: list[int | None] = [None] * pieces
        self.furthest: Spell | None = None
        self.darkest: Spell | None = None
        self.naive: Spell | None = None
        self.pair: Spell | None = None

    @property
    def worst(self) -> Spell | None:
        """The worst of all; ``None`` if nothing was ever to be seen while it counted."""
        known = [spell for spell in (self.furthest, self.darkest) if spell is not None]
        return max(known, key=lambda spell: spell.size_ms, default=None)

    def instants(self) -> list[int]:
        """Return the instants found so far, and where a darkness that is not over began."""
        spells = (self.furthest, self.darkest, self.naive, self.pair)
        return [spell.at for spell in spells if spell is not None] + [at for at in self._dark_since if at is not None]

    def take(
        self,
        begin: int,
        at: Wholes,
        dark: Flags,
        counted: Flags,
        bins: Mapping[str, Floats],
        bin_of_frame: Wholes,
        late: Floats,
    ) -> None:
        """Take the next stretch: its first instant, its frames' and where each piece is dark, its bins, and in ms how
        late each piece's player woke for each frame."""
        count = bins["middle"].shape[1]
        settled = np.zeros((len(dark), count), dtype=np.bool_)
        for piece in range(len(dark)):
            settled[piece, bin_of_frame[counted[piece]]] = True
            self._take_dark(piece, at, dark[piece] & counted[piece])
        middle = np.where(settled, bins["middle"], np.nan)
        furthest = _further(self.furthest, begin, middle)
        if furthest is not self.furthest and furthest is not None:
            here = bin_of_frame == (furthest.at - begin) // round(BIN_MS * MILLISECOND)
            furthest = replace(furthest, late_ms=_middle(late[furthest.piece, here]))
        self.furthest = furthest
        self.naive = _further(self.naive, begin, np.where(settled, bins["naive_middle"], np.nan))
        self._take_pairs(begin, middle)

    def _take_dark(self, piece: int, at: Wholes, dark: Flags) -> None:
        if not dark.any():
            self._dark_since[piece] = None
            return
        edges = np.flatnonzero(np.diff(np.concatenate(([False], dark, [False])).astype(np.int8)))
        for begins, ends in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            carried = self._dark_since[piece] if begins == 0 else None
            since = int(at[begins]) if carried is None else carried
            size_ms = (int(at[ends - 1]) + self._frame_ns - since) / MILLISECOND
            if self.darkest is None or size_ms > self.darkest.size_ms:
                self.darkest = Spell(since, piece, size_ms, is_dark=True)
            self._dark_since[piece] = since if ends == len(dark) else None

    def _take_pairs(self, begin: int, middle: Floats) -> None:
        low, high = np.fmin.reduce(middle, axis=0), np.fmax.reduce(middle, axis=0)
        gaps = np.nan_to_num(high - low)
        place = int(np.argmax(gaps))
        if gaps[place] > (self.pair.size_ms if self.pair else 0.0):
            column = middle[:, place]
            behind, ahead = int(np.nanargmin(column)), int(np.nanargmax(column))
            at = begin + round(place * BIN_MS * MILLISECOND)
            self.pair = Spell(at, behind, float(gaps[place]), other=ahead)


def _further(known: Spell | None, begin: int, middle: Floats) -> Spell | None:
    sizes = np.nan_to_num(np.abs(middle), nan=-1.0)
    piece, place = np.unravel_index(int(np.argmax(sizes)), sizes.shape)
    size_ms = float(sizes[piece, place])
    if size_ms < 0 or (known is not None and size_ms <= known.size_ms):
        return known
    at = begin + round(place * BIN_MS * MILLISECOND)
    return Spell(at, int(piece), size_ms, signed_ms=float(middle[piece, place]))


def _middle(values: Floats) -> float:
    known = np.sort(values[~np.isnan(values)])
    return float(known[(known.size - 1) // 2]) if known.size else 0.0
