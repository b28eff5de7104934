"""Keeps, beside the scoring of a world, what a timeline is made of.

Stretch by stretch it is worked out from what followers went by. Of each quarter of a second the least, the middle and
the most are kept; frames only about instants that somebody will want to look at: those known beforehand, and the worst
so far.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from leadlight import CueState
from leadlight.units import MILLISECOND, SECOND, LeaderInstant
from leadlight_sim.hosts import Host
from leadlight_sim.kernel import Stream, TrueInstant
from leadlight_sim.sampling import NO_SHOW_DUE, Flags, Floats, History, Instants, Sampler, Watch, Wholes
from leadlight_sim.timeline.frames import Knot, due_frames
from leadlight_sim.timeline.model import DARK, NO_POWER, NOT_DUE, SHOWN
from leadlight_sim.timeline.worst import Extremes
from leadlight_sim.world import LeaderNode, World

BIN_NS: Final = 250 * MILLISECOND
"""Of each such span the least, the middle and the most are kept."""
AROUND_NS: Final = 5 * SECOND
"""How long before and after an instant of note every frame is kept."""
FRAMES_AT_ONCE: Final = 12_288
"""So many frames of one piece are worked out at once."""


class Frames(NamedTuple):
    """The frames of a stretch: instants in ns; distances, naive ones, and what each piece does, pieces × frames."""

    begin: int
    end: int
    at: Wholes
    ours: Floats
    naive: Floats
    does: npt.NDArray[np.int8]

    @classmethod
    def blank(cls, begin: int, end: int, at: Wholes, pieces: int) -> Frames:
        """Return frames at which nothing is due."""
        size = pieces, len(at)
        return cls(begin, end, at, np.full(size, np.nan), np.full(size, np.nan), np.full(size, NOT_DUE, np.int8))


class _Wakings:
    """Wakes a player for every frame: by other draws than those that are scored, and many at once."""

    def __init__(self, host: Host, chance: Stream) -> None:
        self._host = host
        self._chance = chance
        self._drawn: Wholes = np.zeros(0, np.int64)
        self._used = 0

    def draw(self, count: int) -> None:
        """Draw how late it wakes the next ``count`` times."""
        self._drawn = self._host.players_lateness_ns(self._chance, count).astype(np.int64)
        self._used = 0

    def player_latenesses_ns(self, count: int) -> Wholes:
        self._used += count
        return self._drawn[self._used - count : self._used]


class Recorder:
    """Notes what is true as it changes; ``note_truth`` is called at every multiple of ``BIN_NS``.

    ``watches`` are the followers', ``show_places`` the places of shows by their keys, ``suspended`` when whose board
    slept. ``wanted`` are instants, in ns, about which frames are kept whatever happens there.
    """

    def __init__(
        self,
        world: World,
        watches: Sequence[Watch],
        show_places: Mapping[int, int],
        suspended: Mapping[str, Sequence[tuple[TrueInstant, TrueInstant]]],
        wanted: Sequence[int],
    ) -> None:
        self._world = world
        self._watches = watches
        self._places = show_places
        self._wanted = wanted
        self.pieces = len(watches)
        self.packets = world.keep_packets()
        self.frame_ns = round(min(show.frame_rate.period_ns for show in world.shows))
        self._lengths = [show.frame_rate.position_of(show.frame_count) for show in world.shows]
        self._settle_ns = round(world.scenario.run.settle_s * SECOND)
        self._players = [
            _Wakings(world.player_of(follower), world.streams.stream("player of a timeline", follower.name))
            for follower in world.scenario.followers
        ]
        self._samplers = [
            Sampler(watch.node, player, suspended.get(watch.node.name, ()))
            for watch, player in zip(watches, self._players, strict=True)
        ]
        self._believed: Iterable[int] = ()
        self._knots: list[Knot] = []
        self._worked_out_to = 0
        self.bins: list[dict[str, Floats]] = []
        """By stretch: ``least``, ``middle``, ``most``, the same of ``naive_``, ``late`` and ``does``; pieces × bins."""
        self.frames: list[Frames] = []
        """Of the stretches where any are wanted."""
        self.extremes = Extremes(self.pieces, self.frame_ns)
        for leading in world.leaders:
            leading.watch = partial(self._look_at_leader, leading, [])

    def first_heard(self, piece: int) -> int | None:
        """Return when a piece, by its number from 0, first knew a time."""
        return self._watches[piece].first_beacon

    def powered_at(self, piece: int, at: Wholes) -> Flags:
        """Return where among rising instants a piece, by its number from 0, had power."""
        return self._samplers[piece].powered_at(at)

    # -- while it runs -------------------------------------------------------------------------------------------------

    def _look_at_leader(self, node: LeaderNode, told: list[object]) -> None:
        leader = node.leader
        found = [leader.cue, leader.is_leading, node.shift_ns, node.life]
        if found != told:
            told[:] = found
            now = self._world.kernel.now
            self.note_truth({timebase: self._world.leader_time(timebase, now) for timebase in self._believed})

    def note_truth(self, readings: Mapping[int, LeaderInstant | None]) -> None:
        """Note what is true now: what ought to be seen, and ``readings``, what the clocks of timebases show."""
        world, now = self._world, self._world.kernel.now
        self._believed = readings
        cue, position = world.ideal(now)
        show = self._places.get(cue.show, NO_SHOW_DUE) if cue.state is CueState.ROLLING else NO_SHOW_DUE
        self._knots.append(Knot(now, show, position, readings))

    # -- stretch by stretch --------------------------------------------------------------------------------------------

    def work_out(self, end: int, histories: Sequence[History]) -> None:
        """Work out the frames before a scoring instant, of which ``histories`` tell what each piece went by."""
        begin = self._worked_out_to
        if end <= begin:
            return
        at = np.arange(-(-begin // self.frame_ns), -(-end // self.frame_ns), dtype=np.int64) * self.frame_ns
        frames = Frames.blank(begin, end, at, self.pieces)
        counted = np.zeros(frames.ours.shape, np.bool_)
        late = np.full(frames.ours.shape, np.nan)
        due, places = due_frames(at, self._knots, self._lengths)
        for number, watch in enumerate(self._watches):
            powered = self.powered_at(number, at)
            if histories[number].count:
                self._show(number, frames, late[number], histories[number], due, places, powered)
            frames.does[number, places] = DARK
            frames.does[number, ~np.isnan(frames.ours[number])] = SHOWN
            frames.does[number, ~powered] = NO_POWER
            heard, switched = watch.first_beacon, watch.node.switched
            since = switched[0][0] if heard is None and switched else heard
            if since is not None:
                first = int(np.searchsorted(at, since + self._settle_ns))
                counted[number, first:] = powered[first:]
        bins = (at - begin) // BIN_NS
        self.bins.append(_binned(bins, -(-(end - begin) // BIN_NS), frames))
        self.frames.append(frames)
        self.extremes.take(begin, at, frames.does == DARK, counted, self.bins[-1], bins, late)
        self._forget()
        self._knots = self._knots[-1:]
        self._worked_out_to = end

    def _show(
        self, number: int, frames: Frames, late: Floats, history: History, due: Instants, places: Wholes, powered: Flags
    ) -> None:
        """Work out what a piece shows of the frames that are due, which are at ``places`` among all."""
        self._players[number].draw(int(np.count_nonzero(powered[places])))
        # A part at a time: what is worked out of one stays near the processor.
        for first in range(0, len(places), FRAMES_AT_ONCE):
            part = slice(first, first + FRAMES_AT_ONCE)
            samples, _ = self._samplers[number].sample(history, due.part(part), with_errors=False)
            frames.ours[number, places[part]] = samples.lights
            frames.naive[number, places[part]] = samples.naive_lights
            late[places[part]] = np.where(np.isnan(samples.lights), np.nan, samples.naive - samples.naive_lights)

    def _forget(self) -> None:
        # The stretch that has just ended may yet be needed by an instant at the beginning of the next.
        wanted = [*self._wanted, *self.extremes.instants()]
        kept = [
            frames
            for frames in self.frames[:-1]
            if any(frames.begin - AROUND_NS <= at <= frames.end + AROUND_NS for at in wanted)
        ]
        self.frames = [*kept, self.frames[-1]]


def _binned(bins: Wholes, count: int, frames: Frames) -> dict[str, Floats]:
    """Return the least, middle and most of each bin, NaN where there is none, and the last thing that it does in it.

    The middle is a value that occurred: the lower one of two.
    """
    pieces = len(frames.ours)
    starts = np.searchsorted(bins, np.arange(count))
    widest = int(np.diff(np.append(starts, len(bins))).max(initial=1))
    if len(bins) == count * widest:
        spread = np.array([frames.ours, frames.naive])
    else:
        spread = np.full((2, pieces, count * widest), np.nan)
        places = bins * widest + (np.arange(len(bins)) - starts[bins])
        spread[0][:, places] = frames.ours
        spread[1][:, places] = frames.naive
    spread = spread.reshape(2, pieces, count, widest)
    spread.sort(axis=3)  # NaN comes last
    last = np.maximum((~np.isnan(spread)).sum(axis=3) - 1, 0)
    middle = np.take_along_axis(spread, (last // 2)[..., None], axis=3)[..., 0]
    most = np.take_along_axis(spread, last[..., None], axis=3)[..., 0]
    least = spread[..., 0]
    return {
        "least": least[0], "middle": middle[0], "most": most[0],
        "naive_least": least[1], "naive_middle": middle[1], "naive_most": most[1],
        "does": np.maximum.reduceat(frames.does, starts, axis=1).astype(np.float64),
    }  # fmt: skip
