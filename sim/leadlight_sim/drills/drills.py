"""Drills: rehearsed faults, and what the crowd sees of each.

A drill takes a scenario's place, people and network, lets one show roll throughout, breaks one thing in it, and looks
at every piece frame by frame. What it tells is held against limits that follow from how corrections are made.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np

from leadlight.errors import LeadlightError
from leadlight.events import SecondSourceReported
from leadlight.playback import SLEW_RATE, Recovery
from leadlight.units import SECOND
from leadlight_sim import world
from leadlight_sim.drills.names import ALL, DRILL_SUMMARIES
from leadlight_sim.drills.watch import DARK, OTHER_SHOW, Watch, Watched, Watcher
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.measures import AddedFlashes, trial_stills, worst_viewpoint
from leadlight_sim.scenario import Scenario

ROLLS_AT_S: Final = 22.0
"""The break then falls into the trial content's steady light, in which any fade or gap is seen."""
BREAKS_AT_S: Final = 120.0
"""Two minutes: clocks have locked and learnt their rates."""
LOOKS_FROM_S: Final = BREAKS_AT_S - 10.0
LOOKS_ON_S: Final = 60.0
"""How long a drill looks on after its fault is over."""
STANDBY: Final = "drill's standby"
RECOVERED_INTERVALS: Final = 3
"""Beacon intervals that a recovery may take where little is to be corrected."""
FORCED_STEP_FLASHES: Final = 1
"""What a piece that must jump may add."""
FRAMES_A_LOOK_MAXIMUM: Final = 2
"""From one frame due to the next a piece that is slewed moves by none, one or two frames; more is a jump."""


class DrillError(LeadlightError, ValueError):
    """A drill that does not exist was asked for, or one that the scenario cannot be put to."""


@dataclass(frozen=True, slots=True)
class Drill:
    """One rehearsed fault.

    ``faults`` makes the scenario's faults from it. ``over_after_s`` is how long after the break the fault is over.
    ``standby`` says whether one is needed (true), must not be there (false), or does not matter. ``has_forced_step``:
    whether a piece stands still, is without power or is told of another place in the show, and so must jump.
    ``moves_s``: how long after the break the music is found how much further on than it was.
    """

    name: str
    faults: Callable[[Scenario], Sequence[Mapping[str, object]]]
    over_after_s: float
    standby: bool | None = None
    has_forced_step: bool = False
    looks_on_s: float = LOOKS_ON_S
    moves_s: tuple[tuple[float, float], ...] = ()

    @property
    def summary(self) -> str:
        """What breaks, in a few words."""
        return DRILL_SUMMARIES[self.name]

    @property
    def over_at_s(self) -> float:
        """When the fault is over, in seconds of the run."""
        return BREAKS_AT_S + self.over_after_s

    @property
    def duration_s(self) -> float:
        """How long the drill runs."""
        return self.over_at_s + self.looks_on_s

    def applied_to(self, scenario: Scenario, rolls_at_s: float = ROLLS_AT_S) -> Scenario:
        """Return the scenario put to this drill. Raises ``ScenarioError`` for one it does not fit.

        ``rolls_at_s`` is when the show begins, and so what part of it is on when something breaks.
        """
        shows = [show.model_dump(mode="json", exclude_unset=True) for show in scenario.shows]
        shows[0]["duration_s"] = math.ceil(self.duration_s)
        if len(shows) == 1:
            # Something else that a second leader could roll.
            shows.append(shows[0] | {"id": f"{shows[0]['id'][:50]}-another"})
        standbys = [standby.model_dump(mode="json", exclude_unset=True) for standby in scenario.standbys]
        if self.standby is False:
            standbys = []
        elif self.standby and not standbys:
            standbys = [{"name": STANDBY}]
        changes: dict[str, object] = {
            "run.duration_s": self.duration_s,
            "run.settle_s": min(scenario.run.settle_s, LOOKS_FROM_S),
            "shows": shows,
            "cues": self._cues(shows[0]["id"], rolls_at_s),
            "standbys": standbys,
            "orders": [],
            "faults": [],
        }
        if "keyed" not in scenario.model_fields_set:
            changes["keyed"] = True  # what a group in earnest should have
        drilled = scenario.with_changes(changes)
        return drilled.with_changes({"faults": [{"at_s": BREAKS_AT_S} | dict(fault) for fault in self.faults(drilled)]})

    def _cues(self, show: str, rolls_at_s: float) -> Sequence[Mapping[str, object]]:
        cues: list[Mapping[str, object]] = [{"at_s": rolls_at_s, "show": show}]
        moved_s = 0.0
        for after_s, move_s in self.moves_s:
            moved_s += move_s
            at_s = BREAKS_AT_S + after_s
            cues.append({"at_s": at_s, "show": show, "position_s": at_s - rolls_at_s + moved_s})
        return cues


def _one(kind: str, **values: object) -> Callable[[Scenario], Sequence[Mapping[str, object]]]:
    return lambda _scenario: [{"kind": kind, **values}]


def _first_piece(kind: str, **values: object) -> Callable[[Scenario], Sequence[Mapping[str, object]]]:
    return lambda scenario: [{"kind": kind, "follower": scenario.followers[0].name, **values}]


def _nothing(_scenario: Scenario) -> Sequence[Mapping[str, object]]:
    return []


def _half_away(scenario: Scenario) -> Sequence[Mapping[str, object]]:
    names = [follower.name for follower in scenario.followers]
    away = [*names[len(names) // 2 :], *(standby.name for standby in scenario.standbys)]
    return [{"kind": "split-network", "away": away, "for_s": 60}]


def _clash(scenario: Scenario) -> Sequence[Mapping[str, object]]:
    return [{"kind": "clashing-leader", "show": scenario.shows[1].id, "for_s": 60}]


DRILLS: Final = (
    Drill("leader-reboot", _one("leader-reboot", for_s=20), 20, False),
    Drill("standby", _one("leader-lost"), 0, True),
    Drill("leader-lost", _one("leader-lost"), 0, False, looks_on_s=180),
    Drill("power-cut", _first_piece("power-cut", for_s=20), 20, has_forced_step=True),
    Drill("access-point", _one("access-point-reboot", for_s=90), 90),
    Drill("split-network", _half_away, 60, True),
    Drill("suspended", _first_piece("board-suspended", for_s=60), 60, has_forced_step=True),
    Drill("loss", _one("loss-spell", loss_fraction=0.3, for_s=60), 60),
    Drill("roam", _first_piece("roam", for_s=0.2, slower_ms=20), 0.2),
    Drill("clash", _clash, 60),
    Drill("live-data", _first_piece("live-data", for_s=30), 30),
    Drill("music-moved", _nothing, 20, has_forced_step=True, moves_s=((0.0, 0.2), (20.0, -0.2))),
)

RECOVERIES: Final[Mapping[str, Callable[[], Recovery]]] = {
    "blended": world.RECOVERIES["blended"],
    "unmarked": world.RECOVERIES["blended"],
    **world.RECOVERIES,
}
DEFAULT_RECOVERY: Final = "blended"
UNMARKED: Final = frozenset({"unmarked"})
"""Those of them whose players mark no frame as dark or unchanging."""


def drills_named(name: str) -> tuple[Drill, ...]:
    """Return the drill of this name, or every one for ``all``. Raises ``DrillError`` that gives the nearest name."""
    if name == ALL:
        return DRILLS
    found = tuple(drill for drill in DRILLS if drill.name == name)
    if not found:
        known = [*(drill.name for drill in DRILLS), ALL]
        near = difflib.get_close_matches(name, known, n=1, cutoff=0.0)
        raise DrillError(f"--drill: there is no {name!r}; did you mean {near[0]}? allowed: {', '.join(known)}")
    return found


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
    """The largest error of what it showed after the end of the fault."""
    jumps: int
    freeze_s: float
    """The longest it stood on one frame, beyond that frame's own time."""
    dimmed_s: float
    """How long it was lit below its authored level, in a fade: no wrong frame, but not what was authored."""


@dataclass(frozen=True, slots=True)
class DrillResult:
    """What the crowd saw of one drill."""

    drill: str
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
        return max(
            self.pieces,
            key=lambda piece: (piece.other_show_s, piece.wrong_s + piece.dark_s, piece.error_ms, piece.jumps),
        )

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
    rolls_at_s: float = ROLLS_AT_S,
) -> DrillResult:
    """Put a scenario to a drill and return what the crowd sees.

    ``recovery`` names one of ``RECOVERIES``. ``progress`` is called with the share done. ``rolls_at_s``: see
    ``Drill.applied_to``.
    """
    pieces_count = len(scenario.followers)
    drilled = world.World(
        drill.applied_to(scenario, rolls_at_s),
        seed,
        recovery=RECOVERIES[recovery],
        stills=None
        if recovery in UNMARKED
        else lambda show, piece: trial_stills(show.frame_count, show.frame_rate, piece, pieces_count),
    )
    watcher = Watcher(drilled, drilled.shows[0], TrueInstant(round(LOOKS_FROM_S * SECOND)))
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


def _viewpoints(scenario: Scenario) -> Mapping[str, Sequence[int]]:
    """Each piece from close by, each tight pair, and the whole garden."""
    names = [follower.name for follower in scenario.followers]
    seen: dict[str, Sequence[int]] = {"everything": range(len(names))}
    seen |= {name: (place,) for place, name in enumerate(names)}
    for pair in scenario.tight_pairs:
        seen[" and ".join(pair.pieces)] = [names.index(name) for name in pair.pieces]
    return seen


def _piece_seen(piece: Watched, watch: Watch, drill: Drill) -> PieceSeen:
    since = watch.times_s >= BREAKS_AT_S
    over = watch.times_s >= drill.over_at_s
    frame_s = watch.frame_period_ms / 1000
    lit = piece.frames >= 0
    is_off_by = np.abs(np.nan_to_num(piece.errors_ms)) > watch.frame_period_ms / 2
    wrong = lit & is_off_by
    is_right = lit & ~is_off_by
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
        error_after_ms=_largest(piece.errors_ms[over]),
        jumps=jumps,
        freeze_s=_longest_run(both & (moves == 0)) * frame_s,
        dimmed_s=float(np.count_nonzero(since & (piece.levels > 0) & (piece.levels < 1))) * frame_s,
    )


def _largest(errors_ms: np.typing.NDArray[np.float64]) -> float:
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
