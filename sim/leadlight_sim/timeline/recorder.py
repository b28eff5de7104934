"""Watches a world while it runs, and keeps of every frame what a timeline is made of.

A minute at a time is worked out. Of each quarter of a second the least, the middle and the most are kept; frames only
about instants that somebody will want to look at: those known beforehand, and the worst so far.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Sequence
from functools import partial
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from leadlight import CueState
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim import scenario as described
from leadlight_sim.baselines import Accompanied
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.timeline.frames import NOTHING, Floats, Knot, Look, due_frames, lights
from leadlight_sim.timeline.model import DARK, NO_POWER, NOT_DUE, SHOWN
from leadlight_sim.timeline.worst import Extremes
from leadlight_sim.world import FollowerNode, LeaderNode, World

BIN_NS: Final = 250 * MILLISECOND
"""Of each such span the least, the middle and the most are kept."""
MINUTE_BINS: Final = 240
AROUND_NS: Final = 5 * SECOND
"""How long before and after an instant of note every frame is kept."""


class Frames(NamedTuple):
    """A minute's frames: their instants in ns; distances, naive ones, and what each piece does, pieces × frames."""

    at: Floats
    ours: Floats
    naive: Floats
    does: npt.NDArray[np.int8]


class Recorder:
    """Notes what nodes go by as it changes. ``tick`` is called at every multiple of ``BIN_NS`` and at the end."""

    def __init__(self, world: World, wanted: Sequence[int]) -> None:
        """``wanted`` are instants, in ns, about which frames are kept whatever happens there."""
        self._world = world
        self.packets = world.keep_packets()
        self.frame_ns = round(min(show.frame_rate.period_ns for show in world.shows))
        self._lengths = [show.frame_rate.position_of(show.frame_count) for show in world.shows]
        self._shows = {show.key: number for number, show in enumerate(world.shows)}
        self._timebases: dict[int, int] = {}
        self._wanted = list(wanted)
        self._settle_ns = round(world.scenario.run.settle_s * SECOND)
        self._players = [world.player_of(follower) for follower in world.scenario.followers]
        self._chance = [world.streams.stream("player of a timeline", node.name) for node in world.followers]
        self._ticks: list[int] = []
        self._bases = [array("q") for _ in world.followers]
        self._looks: list[list[Look]] = [[] for _ in world.followers]
        self._lives = [0] * len(world.followers)
        self._told: dict[str, object] = {}
        self._knots: list[Knot] = []
        self.first_heard: list[int | None] = [None] * len(world.followers)
        """When each follower first knew a time."""
        self.bins: list[dict[str, Floats]] = []
        """By minute: ``least``, ``middle``, ``most``, the same of ``naive_``, ``late`` and ``does``; pieces × bins."""
        self.frames: dict[int, Frames] = {}
        """By minute, where any is wanted."""
        self.extremes = Extremes(len(world.followers), self.frame_ns)
        self._asleep: dict[str, list[tuple[int, int]]] = {}
        for fault in world.scenario.faults:
            if isinstance(fault, described.BoardSuspended):
                span = round(fault.at_s * SECOND), round((fault.at_s + fault.for_s) * SECOND)
                self._asleep.setdefault(fault.follower, []).append(span)
        for number, node in enumerate(world.followers):
            node.watch = partial(self._look, number, node, node.watch)
        for leading in world.leaders:
            leading.watch = partial(self._look_at_leader, leading)

    def had_power(self, piece: int, at: int) -> bool:
        """Return whether a piece, by its number from 0, had power at an instant."""
        return bool(_powered(self._world.followers[piece], np.array([at], dtype=np.float64))[0])

    # -- while it runs -------------------------------------------------------------------------------------------------

    def _look(self, number: int, node: FollowerNode, before: Callable[[], None] | None) -> None:
        if before is not None:
            before()
        follower = node.follower
        estimator, timebase = follower.clock.uncorrected, follower.timebase
        known = NOTHING
        if timebase is not None:
            known = self._timebases.get(timebase, NOTHING)
            if known == NOTHING:
                known = self._timebases[timebase] = len(self._timebases)
            if self.first_heard[number] is None:
                self.first_heard[number] = self._world.kernel.now
        playhead = follower.stage.playhead
        self._looks[number].append(
            Look(
                self._world.kernel.now,
                node.shift_ns,
                self._shows.get(follower.cue.show, NOTHING) if playhead.is_running else NOTHING,
                known,
                playhead.stretches,
                estimator.others[0].estimate() if isinstance(estimator, Accompanied) and estimator.others else None,
            )
        )

    def _look_at_leader(self, node: LeaderNode) -> None:
        leader = node.leader
        told = leader.is_leading, leader.cue, node.shift_ns, node.life
        if self._told.get(node.name) != told:
            self._told[node.name] = told
            self._note_truth()

    def _note_truth(self) -> None:
        world, now = self._world, self._world.kernel.now
        cue, position = world.ideal(now)
        show = self._shows.get(cue.show, NOTHING) if cue.state is CueState.ROLLING else NOTHING
        readings = tuple(
            np.nan if (reading := world.leader_time(timebase, now)) is None else reading for timebase in self._timebases
        )
        self._knots.append(Knot(now, show, position, readings))

    def tick(self, now: TrueInstant) -> None:
        """Note what only goes on; and once in a minute work out its frames."""
        self._ticks.append(now)
        for base, node in zip(self._bases, self._world.followers, strict=True):
            base.append(node.local_at(now) - node.shift_ns)
        self._note_truth()
        if len(self._ticks) > MINUTE_BINS:
            self._close()

    def finish(self) -> None:
        """Work out what is left of the run."""
        if len(self._ticks) > 1:
            self._close()

    # -- once a minute -------------------------------------------------------------------------------------------------

    def _close(self) -> None:
        begin, end = self._ticks[0], self._ticks[-1]
        first = -(-begin // self.frame_ns)
        at = np.arange(first, -(-end // self.frame_ns), dtype=np.float64) * self.frame_ns
        count = -(-(end - begin) // BIN_NS)
        bins = ((at - begin) // BIN_NS).astype(int)
        due = due_frames(at, self._knots, self._lengths)
        pieces = len(self._looks)
        shown = np.full((pieces, len(at)), np.nan)
        naive = np.full((pieces, len(at)), np.nan)
        late = np.full((pieces, len(at)), np.nan)
        counted = np.zeros((pieces, len(at)), dtype=np.bool_)
        does = np.full((pieces, len(at)), NOT_DUE, dtype=np.int8)
        ticks = np.array(self._ticks, dtype=np.float64)
        for number, node in enumerate(self._world.followers):
            late[number] = self._players[number].players_lateness_ns(self._chance[number], len(at))
            powered = _powered(node, at)
            looks = self._looks[number]
            if looks:
                local = np.interp(at, ticks, np.array(self._bases[number], dtype=np.float64))
                shown[number], naive[number] = lights(
                    due, local, self._held(node, at, local), looks, self._lengths, late[number], powered
                )
                self._looks[number] = looks[-1:]
            heard = self.first_heard[number]
            since = node.switched[0][0] if heard is None and node.switched else heard
            if since is not None:
                counted[number] = powered & (at >= since + self._settle_ns)
            does[number, due.show != NOTHING] = DARK
            does[number, ~np.isnan(shown[number])] = SHOWN
            does[number, ~powered] = NO_POWER
        late /= MILLISECOND
        self.bins.append(_binned(bins, count, shown, naive, late, does))
        minute = len(self.bins) - 1
        self.frames[minute] = Frames(at, shown, naive, does)
        self.extremes.take(begin, at, does == DARK, counted, self.bins[-1], bins)
        self._forget(minute)
        self._ticks = self._ticks[-1:]
        self._knots = self._knots[-1:]
        for base in self._bases:
            del base[:-1]

    def _held(self, node: FollowerNode, at: Floats, local: Floats) -> Floats:
        spans = self._asleep.get(node.name)
        if not spans:
            return local
        held = local.copy()
        for begin, end in spans:
            inside = (at >= begin) & (at < end)
            if inside.any():
                held[inside] = node.local_at(TrueInstant(begin)) - node.shift_ns
        return held

    def _forget(self, minute: int) -> None:
        # The minute that has just ended may yet be needed by an instant at the beginning of the next.
        length = MINUTE_BINS * BIN_NS
        wanted = [*self._wanted, *self.extremes.instants()]
        for kept in [kept for kept in self.frames if kept < minute]:
            low, high = kept * length - AROUND_NS, (kept + 1) * length + AROUND_NS
            if not any(low <= at <= high for at in wanted):
                del self.frames[kept]


def _powered(node: FollowerNode, at: Floats) -> npt.NDArray[np.bool_]:
    # Whether it had power at each instant.
    instants = np.array([when for when, _ in node.switched], dtype=np.float64)
    states = np.array([False, *(is_on for _, is_on in node.switched)])
    return np.asarray(states[np.searchsorted(instants, at, side="right")])


def _binned(
    bins: npt.NDArray[np.int64],
    count: int,
    shown: Floats,
    naive: Floats,
    late: Floats,
    does: npt.NDArray[np.int8],
) -> dict[str, Floats]:
    """Return the least, middle and most of each bin, NaN where there is none, and the last thing that it does in it.

    The middle is a value that occurred: the lower one of two.
    """
    pieces = len(shown)
    starts = np.searchsorted(bins, np.arange(count))
    widest = int(np.diff(np.append(starts, len(bins))).max(initial=1))
    spread = np.full((4, pieces, count * widest), np.nan)
    places = bins * widest + (np.arange(len(bins)) - starts[bins])
    spread[0][:, places] = shown
    spread[1][:, places] = naive
    spread[2][:, places] = np.where(np.isnan(shown), np.nan, late)
    spread[3][:, places] = does
    spread = np.sort(spread.reshape(4, pieces, count, widest), axis=3)  # NaN comes last
    last = np.maximum((~np.isnan(spread)).sum(axis=3) - 1, 0)
    middle = np.take_along_axis(spread, (last // 2)[..., None], axis=3)[..., 0]
    most = np.take_along_axis(spread, last[..., None], axis=3)[..., 0]
    least = spread[..., 0]
    return {
        "least": least[0], "middle": middle[0], "most": most[0], "naive_least": least[1], "naive_middle": middle[1],
        "naive_most": most[1], "late": middle[2], "does": np.nan_to_num(most[3]),
    }  # fmt: skip
