"""What is told of drills, as measures: the worst of any drill and piece; jumps and flashes are sums."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Final

from leadlight_sim.drills.breaking import drills_named
from leadlight_sim.drills.drills import DrillResult, PieceSeen, run_drill
from leadlight_sim.measures import Figures, Measure
from leadlight_sim.scenario import Scenario

Results = Sequence[DrillResult]


def _pieces(results: Results) -> Iterable[PieceSeen]:
    # What a suspended board shows no recovery can help, so it is told only where it is what was asked for.
    return [piece for one in results if one.drill != "suspended" or len(results) == 1 for piece in one.pieces]


def _worst(value: Callable[[PieceSeen], float | None]) -> Callable[[Results], Iterable[tuple[str, float]]]:
    def places(results: Results) -> Iterable[tuple[str, float]]:
        for piece in _pieces(results):
            found = value(piece)
            if found is None or not math.isnan(found):
                yield piece.name, math.inf if found is None else found

    return places


def _sum(value: Callable[[DrillResult], float]) -> Callable[[Results], Iterable[tuple[str, float]]]:
    return lambda results: [("", float(sum(value(one) for one in results)))]


DRILL_MEASURES: Final[tuple[Measure[Results], ...]] = (
    Measure("error_ms", "largest error", "error", "ms", _worst(lambda piece: piece.error_ms)),
    Measure("wrong_s", "time on a wrong frame", "wrong", "s", _worst(lambda piece: piece.wrong_s)),
    Measure("dark_s", "time dark", "dark", "s", _worst(lambda piece: piece.dark_s)),
    Measure("dimmed_s", "time dimmed", "dimmed", "s", _worst(lambda piece: piece.dimmed_s)),
    Measure("back_s", "time until back", "back", "s", _worst(lambda piece: piece.back_after_s)),
    Measure("freeze_s", "longest freeze", "freeze", "s", _worst(lambda piece: piece.freeze_s)),
    Measure("other_show_s", "time on another show", "other show", "s", _worst(lambda piece: piece.other_show_s)),
    Measure("jumps", "jumps", "jumps", "", _sum(lambda one: sum(piece.jumps for piece in one.pieces))),
    Measure("flashes", "flashes added", "flashes", "", _sum(lambda one: one.flashes.total)),
    Measure("beyond", "drills beyond their limits", "beyond limits", "", _sum(lambda one: bool(one.troubles))),
)


def drilled(scenario: Scenario, seed: int, name: str) -> Figures:
    """Put a scenario to a drill, or to all of them, and return its figures; it removes errors as it says itself."""
    recovery = scenario.playback.recovery
    results = [run_drill(drill, scenario, seed, recovery) for drill in drills_named(name, scenario)]
    return Figures.of(results, DRILL_MEASURES, " ".join(one.trace_hash for one in results))
