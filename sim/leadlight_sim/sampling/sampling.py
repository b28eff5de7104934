"""Samples: what followers were off by at many instants, worked out in arrays from what they went by.

Every figure is the one that asking the follower itself at that instant would have given, to the last digit. Whole
nanoseconds stay whole, divisions round down as they do there, and products of rates are rounded as there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol, TypeAlias

import numpy as np

from leadlight.units import MILLISECOND
from leadlight_sim.hosts import TRILLION, Oscillator
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.sampling.history import Flags, Floats, History, Lines, Wholes, rows_at, whole_and_rest
from leadlight_sim.world import FollowerNode

Places: TypeAlias = Wholes | slice
"""Where in an array: some places, or all of it."""

MILLION: Final = 1_000_000
EXACT: Final = 1 << 53
"""Whole numbers up to this are doubles."""
NO_SHOW_DUE: Final = -1


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

    def part(self, part: slice) -> Instants:
        """Return some of them."""
        at = self.at[part]
        light_at = at if self.light_at is self.at else self.light_at[part]
        return Instants(
            at=at,
            show=self.show[part],
            light_at=light_at,
            position=self.position[part],
            begin=self.begin[part],
            end=self.end[part],
            show_end=self.show_end[part],
            truths={timebase: (shown[part], known[part]) for timebase, (shown, known) in self.truths.items()},
        )


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
        suspended: Sequence[tuple[TrueInstant, TrueInstant]],
    ) -> None:
        self._node = node
        self._player = player
        self._suspended = suspended

    def powered_at(self, at: Wholes) -> Flags:
        """Return where among rising instants it had power."""
        switched = self._node.switched
        instants = np.array([0, *(when for when, _ in switched)], np.int64)
        states = np.array([False, *(is_on for _, is_on in switched)], np.bool_)
        first, last = np.searchsorted(instants, at[[0, -1]], "right") if at.size else (1, 1)
        if first == last:  # by far the commonest
            return np.full(len(at), states[first - 1])
        powered: Flags = states[rows_at(at, instants)]
        return powered

    def sample(self, history: History, instants: Instants, with_errors: bool = True) -> tuple[Samples, Flags]:
        """Return the samples at ``instants``, for which ``history`` tells what it went by, and where the frame that its
        light showed was the one that was due. The errors of its clock are left out where nobody asks for them."""
        is_powered = self.powered_at(instants.at)
        samples = Samples.blank(is_powered)
        is_right = np.zeros(len(is_powered), np.bool_)
        if not history.count or not is_powered.any():
            return samples, is_right
        powered = _where(is_powered)
        at = instants.at[powered]
        change = history.in_force(at)
        shift = history.shifts[change]
        local = locals_at(self._node.oscillator, at) + shift
        truth, known = _truth(instants, powered, history.timebases, change)
        known = known & history.believed.known[change]
        if with_errors:
            samples.errors[powered] = _off_ms(history.believed, change, local, truth, known)
        own_truth, own_known = _truth(instants, powered, history.own_timebases, change)
        own_known = own_known & known & history.naive.known[change]
        naive = _off_ms(history.naive, change, local, own_truth, own_known)
        samples.naive[powered] = naive
        is_due = instants.show[powered] != NO_SHOW_DUE
        if is_due.any():
            due = _where(is_due)
            where = _within(powered, due)
            change, shift, local = change[due], shift[due], local[due]
            late_ns = np.asarray(self._player.player_latenesses_ns(len(change)), np.int64)
            samples.naive_lights[where] = naive[due] - in_ms(late_ns)
            if instants.light_at is not instants.at or self._suspended:
                local = locals_at(self._node.oscillator, self._asked_at(instants.light_at[where])) + shift
            # A player sleeps until a frame is due and wakes late, so all it shows is late by as much. The output's
            # latency and the trim are not in here: by the one it starts early, by the other it is meant to be off.
            is_shown = history.shows[change] == instants.show[where]
            is_shown &= history.plans.counts[change] > 0
            showing = _where(is_shown)
            where, position = _within(where, showing), history.plans.position_at(change[showing], local[showing])
            on = _where((position >= 0) & (position < instants.show_end[where]))
            lit, shown = _within(where, on), position[on] - late_ns[showing][on]
            samples.lights[lit] = in_ms(shown - instants.position[lit])
            is_right[lit] = (instants.begin[lit] <= shown) & (shown < instants.end[lit])
        return samples, is_right

    def _asked_at(self, light_at: Wholes) -> Wholes:
        # A suspended board's output repeats what it was last given.
        asked_at = light_at.copy()
        for begin, end in reversed(self._suspended):
            asked_at[(light_at >= begin) & (light_at < end)] = begin
        return asked_at


def locals_at(oscillator: Oscillator, true: Wholes) -> Wholes:
    """Return what a clock shows at true instants: ``Oscillator.local_at`` of each."""
    if not true.size:
        return true
    segment, elapsed = whole_and_rest(true - oscillator.started_at, oscillator.segment_ns)
    first, last = int(segment.min()), int(segment.max())
    begins, frequencies = oscillator.segments(first, last)
    row = segment - first
    frequency = np.array(frequencies, np.int64)[row]
    # elapsed·frequency // 10¹² in parts, for the product may not fit.
    millions, rest = whole_and_rest(elapsed, MILLION)
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


def _where(flags: Flags) -> Places:
    # Of flags that are all set a slice: what it is put to is looked at, and not copied.
    return slice(None) if flags.all() else np.flatnonzero(flags)


def _within(outer: Places, inner: Places) -> Places:
    # The places, in the whole, of places in a part of it.
    if isinstance(inner, slice):
        return outer
    return inner if isinstance(outer, slice) else outer[inner]


def _off_ms(lines: Lines, change: Wholes, local: Wholes, truth: Wholes, known: Flags) -> Floats:
    # How far what estimates say is from the truth, NaN where either is not known.
    places = _where(known)
    off = np.full(len(known), np.nan)
    off[places] = in_ms(lines.leader_at(change[places], local[places]) - truth[places])
    return off


def _truth(instants: Instants, where: Places, timebases: Sequence[int | None], change: Wholes) -> tuple[Wholes, Flags]:
    """Return what the clocks of the timebases show, each that of the change in force, and where they show anything."""
    truth, is_known = np.zeros(len(change), np.int64), np.zeros(len(change), np.bool_)
    wanted = [timebase for timebase in dict.fromkeys(timebases) if timebase in instants.truths]
    for timebase in wanted:
        assert timebase is not None
        values, known = instants.truths[timebase]
        if timebases.count(timebase) == len(timebases):  # by far the commonest
            return values[where], known[where]
        here = np.array([other == timebase for other in timebases], np.bool_)[change]
        truth[here], is_known[here] = values[where][here], known[where][here]
    return truth, is_known
