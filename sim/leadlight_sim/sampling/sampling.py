"""Samples: what followers were off by at many instants, worked out in arrays from what they went by.

Every figure is the one that asking the follower itself at that instant would have given, to the last digit. Whole
nanoseconds stay whole, divisions round down as they do there, and products of rates are rounded as there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol, TypeAlias

import numpy as np
import numpy.typing as npt

from leadlight.units import BILLION, MILLISECOND
from leadlight_sim.hosts import TRILLION, Oscillator
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.sampling.watching import Change
from leadlight_sim.world import FollowerNode

Wholes: TypeAlias = npt.NDArray[np.int64]
Floats: TypeAlias = npt.NDArray[np.float64]
Flags: TypeAlias = npt.NDArray[np.bool_]

MILLION: Final = 1_000_000
EXACT: Final = 1 << 53
"""Whole numbers up to this are doubles."""
NO_SHOW_DUE: Final = -1
NOT_KNOWN: Final = -2


@dataclass(frozen=True, slots=True)
class Instants:
    """Some scoring instants in a row, and what was right at each of them.

    ``at`` is true time. Where a frame is due, ``show`` is its show's place among the evening's, and ``light_at``,
    ``position``, ``begin``, ``end`` and ``show_end`` tell which; elsewhere ``show`` is ``NO_SHOW_DUE``. ``truths`` is
    for each timebase what its clock shows, and where it shows anything.
    """

    at: Wholes
    show: Wholes
    light_at: Wholes
    position: Wholes
    begin: Wholes
    end: Wholes
    show_end: Wholes
    truths: Mapping[int, tuple[Wholes, Flags]]


@dataclass(slots=True)
class Samples:
    """One follower at the same instants, in ms; NaN where there is nothing to compare."""

    errors: Floats
    naive: Floats
    lights: Floats
    naive_lights: Floats
    powered: Flags

    @classmethod
    def blank(cls, powered: Flags) -> Samples:
        """Return samples with nothing to compare."""
        count = len(powered)
        return cls(
            np.full(count, np.nan), np.full(count, np.nan), np.full(count, np.nan), np.full(count, np.nan), powered
        )

    @classmethod
    def joined(cls, parts: Sequence[Samples]) -> Samples:
        """Return samples of one follower that follow one another as one."""
        if len(parts) == 1:
            return parts[0]
        if not parts:
            return cls.blank(np.zeros(0, np.bool_))
        return cls(
            np.concatenate([part.errors for part in parts]),
            np.concatenate([part.naive for part in parts]),
            np.concatenate([part.lights for part in parts]),
            np.concatenate([part.naive_lights for part in parts]),
            np.concatenate([part.powered for part in parts]),
        )


class Wakings(Protocol):
    """What draws how late a player is woken: a ``Host`` does, each draw by itself."""

    def player_latenesses_ns(self, count: int) -> Sequence[int] | Wholes:
        """Return how late the player is woken the next ``count`` times."""


class Sampler:
    """Samples one follower. ``player`` draws how late it wakes, ``suspended`` is when its board slept."""

    def __init__(
        self,
        node: FollowerNode,
        player: Wakings,
        show_places: Mapping[int, int],
        suspended: Sequence[tuple[TrueInstant, TrueInstant]],
    ) -> None:
        self._node = node
        self._player = player
        self._places = show_places
        self._suspended = suspended

    def sample(self, changes: Sequence[Change], instants: Instants) -> tuple[Samples, Flags]:
        """Return the samples at ``instants``, during which ``changes`` were all there were, and where the frame that
        its light showed was the one that was due."""
        is_powered = _powered(self._node, instants.at)
        samples = Samples.blank(is_powered)
        is_right = np.zeros(len(is_powered), np.bool_)
        powered = np.flatnonzero(is_powered)
        if not powered.size or not changes:
            return samples, is_right
        at = instants.at[powered]
        began, shifts, timebases, *line, own_timebases, naive_at, naive_offset, naive_rate, shows, plans = zip(
            *changes, strict=True
        )
        change = np.searchsorted(np.array(began, np.int64), at, side="right") - 1
        shift = np.array(shifts, np.int64)[change]
        local = locals_at(self._node.oscillator, at) + shift
        truth, known = _truth(instants, powered, timebases, change)
        believed = _Lines(*line)
        known &= believed.known[change]
        errors = np.full(len(at), np.nan)
        errors[known] = in_ms(believed.leader_at(change[known], local[known]) - truth[known])
        samples.errors[powered] = errors
        own_truth, own_known = _truth(instants, powered, own_timebases, change)
        naive_line = _Lines(naive_at, naive_offset, naive_rate)
        own_known &= known & naive_line.known[change]
        naive = np.full(len(at), np.nan)
        naive[own_known] = in_ms(naive_line.leader_at(change[own_known], local[own_known]) - own_truth[own_known])
        samples.naive[powered] = naive
        due = np.flatnonzero(instants.show[powered] != NO_SHOW_DUE)
        if due.size:
            late_ns = np.array(self._player.player_latenesses_ns(due.size), np.int64)
            samples.naive_lights[powered[due]] = naive[due] - in_ms(late_ns)
            places = np.array([self._places.get(show, NOT_KNOWN) for show in shows], np.int64)
            showing = np.flatnonzero(places[change[due]] == instants.show[powered[due]])
            where, due = powered[due[showing]], due[showing]
            lit, shown = self._shown(_Plans(plans), instants, where, change[due], shift[due], late_ns[showing])
            samples.lights[lit] = in_ms(shown - instants.position[lit])
            is_right[lit] = (instants.begin[lit] <= shown) & (shown < instants.end[lit])
        return samples, is_right

    def _shown(
        self, plans: _Plans, instants: Instants, where: Wholes, change: Wholes, shift: Wholes, late_ns: Wholes
    ) -> tuple[Wholes, Wholes]:
        """Return at which of the instants ``where`` the piece's light shows anything, and which position.

        A player sleeps until a frame is due and wakes late, so all it shows is late by as much. The output's latency
        and the trim are not in here: by the one it starts early, by the other it is meant to be off.
        """
        planned = plans.counts[change] > 0
        where, change, shift, late_ns = where[planned], change[planned], shift[planned], late_ns[planned]
        light_at = instants.light_at[where]
        asked_at = light_at.copy()
        for begin, end in reversed(self._suspended):
            # A suspended board's output repeats what it was last given.
            asked_at[(light_at >= begin) & (light_at < end)] = begin
        position = plans.position_at(change, locals_at(self._node.oscillator, asked_at) + shift)
        on = (position >= 0) & (position < instants.show_end[where])
        return where[on], position[on] - late_ns[on]


class _Lines:
    """Estimates as arrays; an unknown one has no rate."""

    def __init__(self, at: Sequence[int], offset_ns: Sequence[int], rate: Sequence[float]) -> None:
        self._at = np.array(at, np.int64)
        self._offset_ns = np.array(offset_ns, np.int64)
        self._rate = np.array(rate, np.float64)
        self.known: Flags = ~np.isnan(self._rate)

    def leader_at(self, which: Wholes, local: Wholes) -> Wholes:
        """Return what the leader's clock shows at local instants, each by one of the estimates."""
        moved: Wholes = np.rint(self._rate[which] * (local - self._at[which])).astype(np.int64)
        return local - self._offset_ns[which] - moved


class _Plans:
    """Playheads' plans as arrays: all their stretches in one row."""

    def __init__(self, plans: Sequence[tuple[int, ...]]) -> None:
        self.counts: Wholes = np.array(list(map(len, plans)), np.int64) // 3
        self._firsts: Wholes = np.cumsum(self.counts) - self.counts
        numbers = np.array([number for plan in plans for number in plan], np.int64)
        self._at, self._position, self._rate_ppb = numbers.reshape(-1, 3).T

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
        billions, rest = np.divmod(elapsed, BILLION)
        # elapsed·rate // 10⁹ in parts, for the product does not fit: whole billions divide without a rest.
        position: Wholes = self._position[stretch] + elapsed + (billions * rate + rest * rate // BILLION)
        return position


def locals_at(oscillator: Oscillator, true: Wholes) -> Wholes:
    """Return what a clock shows at true instants: ``Oscillator.local_at`` of each."""
    if not true.size:
        return true
    since = true - oscillator.started_at
    segment, elapsed = np.divmod(since, oscillator.segment_ns)
    first, last = int(segment.min()), int(segment.max())
    begins, frequencies = oscillator.segments(first, last)
    row = segment - first
    frequency = np.array(frequencies, np.int64)[row]
    # elapsed·frequency // 10¹² in parts, for the product may not fit.
    millions, rest = np.divmod(elapsed, MILLION)
    local: Wholes = np.array(begins, np.int64)[row] + elapsed + (
        (millions * frequency + rest * frequency // MILLION) // (TRILLION // MILLION)
    )
    resolution = oscillator.resolution_ns
    return local if resolution == 1 else local - local % resolution


def in_ms(values_ns: Wholes) -> Floats:
    """Return whole nanoseconds in ms, rounded once, as the division of two whole numbers is."""
    values: Floats = values_ns / float(MILLISECOND)
    for place in np.flatnonzero((values_ns > EXACT) | (values_ns < -EXACT)):
        values[place] = int(values_ns[place]) / MILLISECOND
    return values


def _powered(node: FollowerNode, at: Wholes) -> Flags:
    if not node.switched:
        return np.zeros(len(at), np.bool_)
    instants, switched_on = zip(*node.switched, strict=True)
    last = np.searchsorted(np.array(instants, np.int64), at, side="right") - 1
    return np.asarray((last >= 0) & np.array(switched_on, np.bool_)[last])


def _truth(
    instants: Instants, where: Wholes, timebases: Sequence[int | None], change: Wholes
) -> tuple[Wholes, Flags]:
    """Return what the clocks of the timebases show, each that of the change in force, and where they show anything."""
    truth, is_known = np.zeros(len(where), np.int64), np.zeros(len(where), np.bool_)
    wanted = [timebase for timebase in dict.fromkeys(timebases) if timebase in instants.truths]
    for timebase in wanted:
        assert timebase is not None
        values, known = instants.truths[timebase]
        if timebases.count(timebase) == len(timebases):  # by far the commonest
            return values[where], known[where]
        here = np.array([other == timebase for other in timebases], np.bool_)[change]
        truth[here], is_known[here] = values[where[here]], known[where[here]]
    return truth, is_known
