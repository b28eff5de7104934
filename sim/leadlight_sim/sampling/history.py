"""What one follower went by over a stretch of a run, as columns: made once, for whoever samples it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import chain
from typing import Final, TypeAlias

import numpy as np
import numpy.typing as npt

from leadlight.units import BILLION
from leadlight_sim.sampling.watching import Change

Wholes: TypeAlias = npt.NDArray[np.int64]
Floats: TypeAlias = npt.NDArray[np.float64]
Flags: TypeAlias = npt.NDArray[np.bool_]

NOT_KNOWN: Final = -2
"""In place of a show's place among the evening's: it is none of them."""


class Lines:
    """Estimates, one for each change; an unknown one has no rate."""

    def __init__(self, at: Sequence[int], offset_ns: Sequence[int], rate: Sequence[float]) -> None:
        count = len(at)
        self._at = np.fromiter(at, np.int64, count)
        self._offset_ns = np.fromiter(offset_ns, np.int64, count)
        self._rate = np.fromiter(rate, np.float64, count)
        self.known: Flags = ~np.isnan(self._rate)

    def leader_at(self, which: Wholes, local: Wholes) -> Wholes:
        """Return what the leader's clock shows at local instants, each by one of the estimates."""
        moved: Wholes = np.rint(self._rate[which] * (local - self._at[which])).astype(np.int64)
        return local - self._offset_ns[which] - moved


class Plans:
    """Playheads' plans, one for each change: all their stretches in one row."""

    def __init__(self, plans: Sequence[tuple[int, ...]]) -> None:
        numbers = np.fromiter(map(len, plans), np.int64, len(plans))
        self.counts: Wholes = numbers // 3
        self._firsts: Wholes = np.cumsum(self.counts) - self.counts
        stretches = np.fromiter(chain.from_iterable(plans), np.int64, int(numbers.sum())).reshape(-1, 3)
        self._at, self._position, self._rate_ppb = (np.ascontiguousarray(column) for column in stretches.T)

    def position_at(self, which: Wholes, local: Wholes) -> Wholes:
        """Return the planned positions at local instants, each by one of the plans, none of which is empty."""
        stretch = self._firsts[which]
        last = stretch + self.counts[which] - 1
        going = np.flatnonzero(stretch < last)
        while going.size:
            going = going[local[going] >= self._at[stretch[going] + 1]]
            stretch[going] += 1
            going = going[stretch[going] < last[going]]
        elapsed = local - self._at[stretch]
        rate = self._rate_ppb[stretch]
        billions, rest = whole_and_rest(elapsed, BILLION)
        # elapsed·rate // 10⁹ in parts, for the product does not fit: whole billions divide without a rest.
        position: Wholes = self._position[stretch] + elapsed + (billions * rate + rest * rate // BILLION)
        return position


class History:
    """Changes of one follower, of which the first was in force at the beginning; ``show_places`` are by shows' keys."""

    def __init__(self, changes: Sequence[Change], show_places: Mapping[int, int]) -> None:
        columns = tuple(zip(*changes, strict=True)) or ((),) * 12
        began, shifts, timebases, *line, own_timebases, naive_at, naive_offset, naive_rate, shows, plans = columns
        count = len(changes)
        self.count: Final = count
        self._began = np.fromiter(began, np.int64, count)
        self.shifts: Wholes = np.fromiter(shifts, np.int64, count)
        self.timebases: tuple[int | None, ...] = timebases
        self.own_timebases: tuple[int | None, ...] = own_timebases
        self.believed: Final = Lines(*line)
        self.naive: Final = Lines(naive_at, naive_offset, naive_rate)
        places = (show_places.get(show, NOT_KNOWN) for show in shows)
        self.shows: Wholes = np.fromiter(places, np.int64, count)
        self.plans: Final = Plans(plans)

    def in_force(self, at: Wholes) -> Wholes:
        """Return the number of the change in force at each of some instants, which rise."""
        return rows_at(at, self._began)


def rows_at(at: Wholes, begins: Wholes) -> Wholes:
    """Return which of some spans, told by where each begins, each of rising instants is in; 0 before the first."""
    # There are far fewer spans than instants: each is looked up once, and not the other way round.
    firsts = np.searchsorted(at, begins)
    firsts[:1] = 0
    return np.repeat(np.arange(len(begins)), np.diff(firsts, append=len(at)))


def whole_and_rest(values: Wholes, by: int) -> tuple[Wholes, Wholes]:
    """Return quotients, rounded down, and what is left: a third of the time that ``divmod`` takes."""
    whole = values // by
    return whole, values - whole * by
