"""What the crowd sees of a drill, piece by piece and frame by frame, and the limits that it is held against.

The limits follow from how corrections are made.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np

from leadlight.events import SecondSourceReported
from leadlight.playback import SLEW_RATE, Recovery
from leadlight.units import SECOND
from leadlight_sim import world
from leadlight_sim.drills.breaking import Drill
from leadlight_sim.drills.watch import DARK, OTHER_SHOW, Watch, Watched, Watcher
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.measures import AddedFlashes, Floats, Rehearsal, scored, trial_stills, worst_viewpoint
from leadlight_sim.scenario import Scenario

RECOVERED_INTERVALS: Final = 3
"""Beacon intervals that a recovery may take where little is to be corrected."""
FORCED_STEP_FLASHES: Final = 1
"""What a piece that must jump may add."""
FRAMES_A_LOOK_MAXIMUM: Final = 2
"""From one frame due to the next a piece that is slewed moves by none, one or two frames; more is a jump."""

RECOVERIES: Final[Mapping[str, Callable[[], Recovery]]] = {
    "blended": world.RECOVERIES["blended"],
    "unmarked": world.RECOVERIES["blended"],
    **world.RECOVERIES,
}
DEFAULT_RECOVERY: Final = "blended"
UNMARKED: Final = frozenset({"unmarked"})
"""Those of them whose players mark no frame as dark or unchanging."""


# -- what is seen --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PieceSeen:
    """What was seen of one piece from the break on; times in seconds."""

    name: str
    error_ms: float
    """The largest error of what it showed."""
    wrong_s: float
    """How long it was lit and more than half a frame off."""
    dark_s: float
    """How long it had power and was dark although the show rolled."""
    other_show_s: float
    """How long it showed another show."""
    back_after_s: float | None
    """From the end of the fault until it was within half a frame for good; ``None``: not before the drill ended."""
    error_after_ms: float
    """The largest error of its playhead after the end of the fault."""
    jumps: int
    freeze_s: float
    """The longest it stood on one frame, beyond that frame's own time."""
    dimmed_s: float
    """How long it was lit below its authored level, in a fade: no wrong frame, but not what was authored."""

    @property
    def noticed(self) -> tuple[float, float, float, float]:
        """How much of it the crowd noticed, by which pieces are ranked."""
        return self.other_show_s, self.wrong_s + self.dark_s, self.error_ms, self.jumps


@dataclass(frozen=True, slots=True)
class DrillResult:
    """What the crowd saw of one drill."""

    drill: str
    label: str
    """How it was asked for, with all that was chosen."""
    summary: str
    recovery: str
    seed: int
    trace_hash: str
    pieces: tuple[PieceSeen, ...]
    flashes: AddedFlashes
    """Those of what was shown, beyond those of pieces in perfect step with the same power and suspended boards."""
    fault_flashes: AddedFlashes
    """Those of such pieces, beyond those of what was authored: what a fault does by itself, whatever the timing."""
    reported: bool | None
    """Whether the leader was told of live data; ``None`` in a drill without."""
    troubles: tuple[str, ...]
    """What went beyond the limits, in words."""

    @property
    def worst(self) -> PieceSeen:
        """The piece that the crowd noticed most."""
        return max(self.pieces, key=lambda piece: piece.noticed)

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain values."""
        plain = asdict(self) | {"good": not self.troubles}
        for piece in plain["pieces"]:
            for key, value in piece.items():
                if isinstance(value, float) and math.isnan(value):
                    piece[key] = None
        return plain


def run_drill(
    drill: Drill,
    scenario: Scenario,
    seed: int | None = None,
    recovery: str = DEFAULT_RECOVERY,
    progress: Callable[[float], None] | None = None,
    rolls_at_s: float | None = None,
) -> DrillResult:
    """Put a scenario to a drill and return what the crowd sees.

    ``recovery`` names one of ``RECOVERIES``. ``progress`` is called with the share done. ``rolls_at_s``: see
    ``Drill.applied_to``.
    """
    drilled = _world(drill, scenario, seed, recovery, rolls_at_s)
    watcher = Watcher(drilled, drilled.shows[0], TrueInstant(round(drill.looks_from_s * SECOND)))
    at = 0
    while at < drilled.end:
        at = min(at + 10 * SECOND, drilled.end)
        watcher.run_to(TrueInstant(at))
        if progress is not None:
            progress(at / drilled.end)
    watch = watcher.watched()
    pieces = tuple(_piece_seen(piece, watch, drill) for piece in watch.pieces)
    seen_from, light = _viewpoints(drilled.scenario), np.array([piece.light for piece in watch.pieces])
    flashes = worst_viewpoint(seen_from, watch.times_s, light, watch.possible)
    reported = None
    if drill.name == "live-data":
        reported = any(isinstance(event, SecondSourceReported) for _, event in drilled.leader.events)
    return DrillResult(
        drill=drill.name,
        label=drill.label,
        summary=drill.summary,
        recovery=recovery,
        seed=drilled.seed,
        trace_hash=drilled.trace.hexdigest(),
        pieces=pieces,
        flashes=flashes,
        fault_flashes=worst_viewpoint(seen_from, watch.times_s, watch.possible, watch.authored),
        reported=reported,
        troubles=tuple(_troubles(drill, drilled.scenario, pieces, flashes, reported)),
    )


def _world(
    drill: Drill, scenario: Scenario, seed: int | None, recovery: str, rolls_at_s: float | None = None
) -> world.World:
    pieces_count = len(scenario.followers)
    return world.World(
        drill.applied_to(scenario, rolls_at_s),
        seed,
        recovery=RECOVERIES[recovery],
        stills=None
        if recovery in UNMARKED
        else lambda show, piece: trial_stills(show.frame_count, show.frame_rate, piece, pieces_count),
    )


def evening_of(drill: Drill, scenario: Scenario, seed: int, recovery: str = DEFAULT_RECOVERY) -> Rehearsal:
    """Return the same run as ``run_drill``'s, with the timeline that one can move through."""
    return scored(_world(drill, scenario, seed, recovery), timeline=True)


def _viewpoints(scenario: Scenario) -> Mapping[str, Sequence[int]]:
    """Each piece from close by, each tight pair, and the whole garden."""
    names = [follower.name for follower in scenario.followers]
    seen: dict[str, Sequence[int]] = {"everything": range(len(names))}
    seen |= {name: (place,) for place, name in enumerate(names)}
    for pair in scenario.tight_pairs:
        seen[" and ".join(pair.pieces)] = [names.index(name) for name in pair.pieces]
    return seen


def _piece_seen(piece: Watched, watch: Watch, drill: Drill) -> PieceSeen:
    since = watch.times_s >= drill.at_s
    over = watch.times_s >= drill.over_at_s
    frame_s = watch.frame_period_ms / 1000
    lit = piece.frames >= 0
    wrong = lit & _is_off(piece.errors_ms, watch)
    # Back is who is right but for how late a host wakes, which is no part of recovering.
    is_right = lit & ~_is_off(piece.playhead_errors_ms, watch)
    not_right = np.flatnonzero(over & ~is_right)
    back_after_s: float | None = 0.0
    if not_right.size:
        last = int(not_right[-1])
        back_after_s = None if last == len(watch.due) - 1 else float(watch.times_s[last + 1]) - drill.over_at_s
    moves = np.diff(piece.frames)
    both = lit[1:] & lit[:-1] & since[1:]
    jumps = int(np.count_nonzero(both & ((moves < 0) | (moves > FRAMES_A_LOOK_MAXIMUM))))
    return PieceSeen(
        name=piece.name,
        error_ms=_largest(piece.errors_ms[since]),
        wrong_s=float(np.count_nonzero(wrong & since)) * frame_s,
        dark_s=float(np.count_nonzero((piece.frames == DARK) & since)) * frame_s,
        other_show_s=float(np.count_nonzero(piece.frames == OTHER_SHOW)) * frame_s,
        back_after_s=back_after_s,
        error_after_ms=_largest(piece.playhead_errors_ms[over]),
        jumps=jumps,
        freeze_s=_longest_run(both & (moves == 0)) * frame_s,
        dimmed_s=float(np.count_nonzero(since & (piece.levels > 0) & (piece.levels < 1))) * frame_s,
    )


def _is_off(errors_ms: Floats, watch: Watch) -> np.typing.NDArray[np.bool_]:
    off: np.typing.NDArray[np.bool_] = np.abs(np.nan_to_num(errors_ms)) > watch.frame_period_ms / 2
    return off


def _largest(errors_ms: Floats) -> float:
    known = errors_ms[~np.isnan(errors_ms)]
    return float(np.abs(known).max()) if known.size else math.nan


def _longest_run(flags: np.typing.NDArray[np.bool_]) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max()) if edges.size else 0


def limits_told(scenario: Scenario) -> Sequence[str]:
    """Return what a drill is held to, a sentence each."""
    return (
        "Limits: no piece shows another show, at any time; each is back within half a frame, for good, within "
        f"{RECOVERED_INTERVALS} beacon intervals ({RECOVERED_INTERVALS * scenario.leader.interval_s:g} s) of the "
        f"fault's end, or within the time it takes to slew its error away at {SLEW_RATE * 100:g} %; and no flash is "
        f"added, or {FORCED_STEP_FLASHES} where a piece must jump. Of live data the leader must be told.",
        "What a fault does to a piece while it lasts, such as one that stands still while its board is suspended, is "
        "told and not judged: no timing can help it.",
    )


def recovery_limit_s(scenario: Scenario, error_ms: float) -> float:
    """Return how long a recovery may take: three beacon intervals, or the time to slew the error away."""
    slewing_s = 0.0 if math.isnan(error_ms) else error_ms / 1000 / SLEW_RATE
    return max(RECOVERED_INTERVALS * scenario.leader.interval_s, slewing_s)


def _troubles(
    drill: Drill, scenario: Scenario, pieces: Sequence[PieceSeen], flashes: AddedFlashes, reported: bool | None
) -> list[str]:
    troubles = [f"{piece.name} showed another show for {piece.other_show_s:.2g} s" for piece in pieces
                if piece.other_show_s]  # fmt: skip
    for piece in pieces:
        limit_s = recovery_limit_s(scenario, piece.error_after_ms)
        if piece.back_after_s is None:
            troubles.append(f"{piece.name} did not come back within half a frame")
        elif piece.back_after_s > limit_s:
            troubles.append(f"{piece.name} was back after {piece.back_after_s:.1f} s, not within {limit_s:.1f} s")
    count = max(flashes.in_a_second, flashes.total)  # those that only crowd into a second have none to themselves
    if count > (FORCED_STEP_FLASHES if drill.has_forced_step else 0):
        troubles.append(f"{count} flash{'es' if count > 1 else ''} added, seen from {flashes.viewpoint}")
    if reported is False:
        troubles.append("the leader was not told of the live data")
    return troubles
