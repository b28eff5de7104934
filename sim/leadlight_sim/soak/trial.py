"""One evening held against every promise."""

from __future__ import annotations

import time
import traceback
from dataclasses import dataclass
from typing import Final

from leadlight.units import SECOND
from leadlight_sim.scenario import Scenario
from leadlight_sim.soak.calm import Calm
from leadlight_sim.soak.judging import Judge
from leadlight_sim.soak.looks import Watcher
from leadlight_sim.soak.promises import Evening
from leadlight_sim.world import World

NOTHING_RAISES: Final = "nothing raises"
NOTHING_RAISES_REQUIREMENTS: Final = "R-WIRE-3, R-WIRE-10, R-CLOCK-3"
PLACES_TOLD: Final = 3


@dataclass(frozen=True, slots=True)
class Violation:
    """A promise that was broken: which, by whom, when in seconds of the run, and how, in words."""

    promise: str
    requirements: str
    node: str
    at_s: float
    told: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one evening: the first violation of every promise that was broken, in order of time.

    ``simulated_s`` is how far it came, ``work_s`` the seconds of a core that it took, ``trace_hash`` names everything
    that happened.
    """

    violations: tuple[Violation, ...]
    simulated_s: float
    work_s: float
    trace_hash: str


def hold(scenario: Scenario) -> Outcome:
    """Run a scenario by its own seed and hold it against every promise. Ends early only where something raises."""
    began = time.process_time()
    world = World(scenario)
    judge = Judge(Evening(scenario, world, Calm(scenario)))
    violations = []
    try:
        Watcher(world, judge.at_look, judge.at_seam).run()
    except Exception as error:  # noqa: BLE001 - that nothing raises is the first promise
        places = traceback.extract_tb(error.__traceback__)[-PLACES_TOLD:]
        where = " < ".join(f"{place.name}:{place.lineno}" for place in reversed(places))
        at_s = world.kernel.now / SECOND
        told = f"{type(error).__name__}: {error} in {where}"
        violations.append(Violation(NOTHING_RAISES, NOTHING_RAISES_REQUIREMENTS, "", at_s, told))
    violations += [
        Violation(promise.name, promise.requirements, node, at / SECOND, told)
        for promise, node, at, told in judge.found.values()
    ]
    return Outcome(
        tuple(sorted(violations, key=lambda violation: violation.at_s)),
        world.kernel.now / SECOND,
        time.process_time() - began,
        world.trace.hexdigest(),
    )
