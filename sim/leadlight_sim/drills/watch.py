"""Watches a world frame by frame while something is broken: what each piece shows, and what it ought to show.

It is looked at once a frame, at the middle of the frame that is due by true time. A piece within half a frame of the
music shows that very frame then.
"""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from leadlight import CueState, StoredShow
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim import scenario as described
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.measures import Floats, trial_content
from leadlight_sim.world import FollowerNode, World

DARK: Final = -1
"""In place of a frame's number: nothing is shown."""
OTHER_SHOW: Final = -2
"""In place of a frame's number: a frame of another show than the one that is due."""
OFF: Final = -3
"""In place of a frame's number: no power."""


@dataclass(frozen=True, slots=True, eq=False)
class Watched:
    """What was seen of one piece, one value a frame that was due."""

    name: str
    frames: npt.NDArray[np.int64]
    """The frame shown, or ``DARK``, ``OTHER_SHOW`` or ``OFF``."""
    errors_ms: Floats
    """Position of what is shown, less the music's, with how late its player wakes; NaN where nothing due is shown."""
    light: Floats
    """Relative luminance."""
    levels: Floats
    """The fade that what is authored was multiplied by: 1 as authored, 0 dark, NaN where it is the fault's to say."""
    playhead_errors_ms: Floats
    """The errors but for how late the player wakes."""


@dataclass(frozen=True, slots=True, eq=False)
class Watch:
    """What was seen of all pieces: ``times_s`` of the run, ``due`` frames, ``authored`` light by piece.

    ``possible`` is the light of pieces in perfect step that have the same power and the same suspended boards.
    """

    times_s: Floats
    due: npt.NDArray[np.int64]
    frame_period_ms: float
    pieces: tuple[Watched, ...]
    authored: Floats
    possible: Floats


@dataclass(slots=True)
class _Kept:
    frames: array[int] = field(default_factory=lambda: array("q"))
    errors: array[float] = field(default_factory=lambda: array("d"))
    late: array[float] = field(default_factory=lambda: array("d"))
    light: array[float] = field(default_factory=lambda: array("d"))
    levels: array[float] = field(default_factory=lambda: array("d"))
    stuck_ns: int | None = None
    """The position at which a suspended board's output stands."""


class Watcher:
    """Looks at a world's pieces at every frame. Drive it with ``run_to`` in place of the world's own.

    ``show`` is the show that all of them should show from ``begin`` on.
    """

    def __init__(self, world: World, show: StoredShow, begin: TrueInstant) -> None:
        self._world = world
        self._show = show
        self._at = begin
        self._times = array("d")
        self._due = array("q")
        self._kept = [_Kept() for _ in world.followers]
        self._players = [world.player_of(follower) for follower in world.scenario.followers]
        pieces = len(world.followers)
        self._content = {
            stored.key: [
                trial_content(stored.frame_count, stored.frame_rate, piece, pieces).tolist() for piece in range(pieces)
            ]
            for stored in world.shows
        }
        self._suspensions = [
            (fault.follower, fault.at_s * SECOND, (fault.at_s + fault.for_s) * SECOND)
            for fault in world.scenario.faults
            if isinstance(fault, described.BoardSuspended)
        ]

    def run_to(self, instant: TrueInstant) -> None:
        """Run the world to a true instant, looking on the way."""
        period_ns = round(self._show.frame_rate.period_ns)
        while self._at <= instant:
            self._world.run_to(self._at)
            cue, ideal = self._world.ideal(self._at)
            if cue.show == self._show.key and cue.state is CueState.ROLLING:
                frame = self._show.frame_rate.frame_at(ideal)
                self._look(frame, ideal)
                # From here to the middle of the next frame: the looks stay in step with the music.
                middle = (self._show.frame_rate.position_of(frame) + self._show.frame_rate.position_of(frame + 1)) // 2
                self._at = TrueInstant(self._at + middle + period_ns - ideal)
            else:
                self._at = TrueInstant(self._at + period_ns)
        self._world.run_to(instant)

    def _look(self, due: int, ideal: int) -> None:
        self._times.append(self._at / SECOND)
        self._due.append(due)
        for piece, (node, kept, player) in enumerate(
            zip(self._world.followers, self._kept, self._players, strict=True)
        ):
            frame, error_ns, light, level = self._seen(piece, node, kept, ideal)
            # What stands still is woken for nothing.
            late_ns = 0 if error_ns is None or kept.stuck_ns is not None else player.player_lateness_ns()
            kept.levels.append(level)
            kept.frames.append(frame)
            kept.late.append(late_ns / MILLISECOND)
            kept.errors.append(math.nan if error_ns is None else error_ns / MILLISECOND)
            kept.light.append(light)

    def _seen(self, piece: int, node: FollowerNode, kept: _Kept, ideal: int) -> tuple[int, int | None, float, float]:
        if not node.powered:
            kept.stuck_ns = None
            return OFF, None, 0.0, math.nan
        if self._is_suspended(node.name):
            # Its output repeats what it was last given.
            if kept.stuck_ns is None and kept.frames and not math.isnan(kept.errors[-1]):
                kept.stuck_ns = self._show.frame_rate.position_of(max(kept.frames[-1], 0)) + round(
                    self._show.frame_rate.period_ns / 2
                )
            error_ns = None if kept.stuck_ns is None else kept.stuck_ns - ideal
            return (kept.frames[-1], error_ns, kept.light[-1], math.nan) if kept.frames else (DARK, None, 0.0, 0.0)
        kept.stuck_ns = None
        follower = node.follower
        now = node.now
        show, level = follower.stage.lit(now)
        position = follower.position_at(now)
        if show is None or position is None or level <= 0.0:
            return DARK, None, 0.0, 0.0
        frame = show.frame_rate.frame_at(position)
        if not 0 <= frame < show.frame_count:
            return DARK, None, 0.0, 0.0
        light = level * self._content[show.key][piece][frame]
        if show.key != self._show.key:
            return OTHER_SHOW, None, light, level
        return frame, position - ideal, light, level

    def _is_suspended(self, name: str) -> bool:
        return any(name == who and begin <= self._at < end for who, begin, end in self._suspensions)

    def watched(self) -> Watch:
        """Return all that was seen."""
        due = np.array(self._due, dtype=np.int64)
        inside = np.clip(due, 0, self._show.frame_count - 1)
        on = (due >= 0) & (due < self._show.frame_count)
        authored = np.array([np.where(on, np.array(light)[inside], 0.0) for light in self._content[self._show.key]])
        light = np.array([kept.light for kept in self._kept])
        is_fault = np.isnan([kept.levels for kept in self._kept])
        return Watch(
            times_s=np.array(self._times),
            due=due,
            frame_period_ms=self._show.frame_rate.period_ns / MILLISECOND,
            pieces=tuple(
                Watched(
                    node.name,
                    np.array(kept.frames, dtype=np.int64),
                    np.array(kept.errors) - np.array(kept.late),
                    np.array(kept.light),
                    np.array(kept.levels),
                    np.array(kept.errors),
                )
                for node, kept in zip(self._world.followers, self._kept, strict=True)
            ),
            authored=authored,
            possible=np.where(is_fault, light, authored),
        )
