"""One evening held against every promise."""

from __future__ import annotations

import time
import traceback
from dataclasses import dataclass
from typing import Final

from leadlight.units import SECOND
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.scenario import Scenario
from leadlight_sim.soak import liveness, safety  # noqa: F401 - they enter their promises
from leadlight_sim.soak.calm import Calm
from leadlight_sim.soak.looks import Group, Seam, Watcher
from leadlight_sim.soak.promises import LIVENESS, SAFETY, Evening, Promise, Violation
from leadlight_sim.world import World

NOTHING_RAISES: Final = "nothing raises"
NOTHING_RAISES_REQUIREMENTS: Final = "R-WIRE-3, R-WIRE-10, R-CLOCK-3"
PLACES_TOLD: Final = 3
LOOKS_A_JUDGEMENT: Final = 3


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


class _Judge:
    """Holds what is seen against the promises, and keeps the first violation of each."""

    def __init__(self, evening: Evening) -> None:
        self._evening = evening
        self.found: dict[str, Violation] = {}
        self._looks = 0
        self._wrong_since: dict[tuple[str, str], TrueInstant] = {}
        self._patience_ns = {
            promise.name: round(promise.patience_s(evening) * SECOND)
            for promise in LIVENESS
            if promise.patience_s is not None
        }

    def _break(self, promise: Promise, node: str, at: TrueInstant, told: str) -> None:
        if promise.name not in self.found:
            at_s = self._evening.seconds(at)
            self.found[promise.name] = Violation(promise.name, promise.requirements, node, at_s, told)

    def at_seam(self, seam: Seam) -> None:
        """Judge a plan that was changed."""
        for promise in SAFETY:
            if promise.at_seam is not None and (told := promise.at_seam(seam, self._evening)) is not None:
                self._break(promise, seam.name, seam.at, told)

    def at_look(self, group: Group) -> None:
        """Judge everybody at one look."""
        evening = self._evening
        before = evening.before
        now = {}
        for seen in group.seen:
            last = before.get(seen.name)
            if evening.lives.get(seen.name) != seen.life:
                last = None
                evening.begin_life(seen)
            for promise in SAFETY:
                if promise.at_look is not None and (told := promise.at_look(seen, last, evening)) is not None:
                    self._break(promise, seen.name, group.at, told)
            now[seen.name] = seen
        evening.before = now
        self._looks += 1
        if self._looks % LOOKS_A_JUDGEMENT:
            return  # what comes about in seconds need not be asked for ten times in each
        for promise in LIVENESS:
            if promise.at_group is not None:
                self._judge_lasting(promise, group)

    def _judge_lasting(self, promise: Promise, group: Group) -> None:
        assert promise.at_group is not None
        wrong = promise.at_group(group, self._evening)
        name = promise.name
        if not wrong and not self._wrong_since:
            return
        for key in [key for key in self._wrong_since if key[0] == name and key[1] not in wrong]:
            del self._wrong_since[key]
        for node, told in wrong.items():
            since = self._wrong_since.setdefault((name, node), group.at)
            lasted_ns = group.at - since
            if lasted_ns > self._patience_ns[name]:
                self._break(promise, node, group.at, f"{told}, for {lasted_ns / SECOND:.1f} s")


def hold(scenario: Scenario) -> Outcome:
    """Run a scenario by its own seed and hold it against every promise. Ends early only where something raises."""
    began = time.process_time()
    world = World(scenario)
    judge = _Judge(Evening(scenario, world, Calm(scenario)))
    violations = []
    try:
        Watcher(world, judge.at_look, judge.at_seam).run()
    except Exception as error:  # noqa: BLE001 - that nothing raises is the first promise
        places = traceback.extract_tb(error.__traceback__)[-PLACES_TOLD:]
        where = " < ".join(f"{place.name}:{place.lineno}" for place in reversed(places))
        at_s = world.kernel.now / SECOND
        told = f"{type(error).__name__}: {error} in {where}"
        violations.append(Violation(NOTHING_RAISES, NOTHING_RAISES_REQUIREMENTS, "", at_s, told))
    violations += judge.found.values()
    return Outcome(
        tuple(sorted(violations, key=lambda violation: violation.at_s)),
        world.kernel.now / SECOND,
        time.process_time() - began,
        world.trace.hexdigest(),
    )
