"""What the crowd sees when something breaks: every drill, many seeds, and how far each stays from its limits.

Runs the shipped scenario through every drill with seeds counted up from 1, tells the worst of each, and last prints one
line of JSON. Then ten minutes without a leader after five minutes of lock: crystals 50 ppm out either way and a change
of 5 ppm while they last, beside boards that keep the nominal rate. Exits with 1 if a limit is passed.

Run with ``PYTHONPATH=protocol:sim python tests/bench/drills.py``; ``--quick`` takes 1 seed in place of 20,
``--compare`` tries every way of removing an error, ``--wider`` other networks and beacon intervals as well, and
``--phases`` lets what forces a step break every part of the show, with and without frames marked as still.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from time import perf_counter
from typing import Any

import numpy as np

from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.drills.breaking import DRILLS, ROLLS_AT_S
from leadlight_sim.drills.drills import DEFAULT_RECOVERY, RECOVERIES, UNMARKED, DrillResult, run_drill
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.measures.flashes import CYCLE_S
from leadlight_sim.scenario.files import load_shipped
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.world.assembly import World

SEEDS = 20
QUICK_SEEDS = 1
LOST_AT_S = 310
HOLDOVER_S = 600
WIDER = (
    {"air.preset": "busy"},
    {"air.preset": "idle"},
    {"leader.interval_s": 0.25},
    {"leader.interval_s": 5.0},
    {"clocks.tolerance_ppm": 200.0},
)
PAIR_P95_LIMIT_MS = 4.0
PAIR_LARGEST_LIMIT_MS = 8.0
CONTROL_MINIMUM_MS = 25.0


def summed_up(results: Sequence[DrillResult]) -> dict[str, Any]:
    """Return the worst of a drill's runs."""
    pieces = [piece for result in results for piece in result.pieces]
    backs = [piece.back_after_s for piece in pieces]
    return {
        "runs": len(results),
        "troubled": sum(bool(result.troubles) for result in results),
        "error_ms": round(float(np.nanmax([piece.error_ms for piece in pieces])), 2),
        "error_after_ms": round(float(np.nanmax([piece.error_after_ms for piece in pieces])), 2),
        "wrong_s": round(max(piece.wrong_s for piece in pieces), 2),
        "dark_s": round(max(piece.dark_s for piece in pieces), 2),
        "other_show_s": round(max(piece.other_show_s for piece in pieces), 2),
        "back_s": None if None in backs else round(max(back for back in backs if back is not None), 2),
        "jumps": max(piece.jumps for piece in pieces),
        "freeze_s": round(max(piece.freeze_s for piece in pieces), 2),
        "flashes_in_a_second": max(result.flashes.in_a_second for result in results),
        "flashes_total": max(result.flashes.total for result in results),
        "flashes_all_runs": sum(result.flashes.total for result in results),
        "fault_flashes": max(result.fault_flashes.total for result in results),
        "dimmed_s": round(max(piece.dimmed_s for piece in pieces), 2),
    }


def lonely_garden() -> Scenario:
    """Return eight boards that lose their leader for good; their crystals change by 5 ppm in ten minutes."""
    return check_scenario(
        {
            "name": "holdover",
            "run": {"duration_s": LOST_AT_S + HOLDOVER_S + 10},
            "followers": [
                {"name": f"piece {number}", "pixels": 500, "oscillator_ppm": 50.0 if number % 2 else -50.0}
                for number in range(8)
            ],
            "clocks": {"cooling_ppm": [5.0, 5.0], "cooling_over_s": HOLDOVER_S},
            "shows": [{"id": "embers", "duration_s": LOST_AT_S + HOLDOVER_S + 10}],
            "cues": [{"at_s": 5, "show": "embers"}],
            "faults": [{"kind": "leader-lost", "at_s": LOST_AT_S}],
        },
        "holdover",
    )


def holdover(seed: int) -> tuple[float, float, float]:
    """Return p95 and largest difference of any two boards over ten minutes, and p95 at the nominal rate, in ms."""
    world = World(lonely_garden(), seed)
    lost = TrueInstant(LOST_AT_S * SECOND)
    world.run_to(lost)
    timebase = world.followers[0].follower.timebase
    assert timebase is not None
    errors, nominal = [], []
    begun: list[tuple[int, int]] = []
    for second in range(HOLDOVER_S + 1):
        at = TrueInstant(lost + second * SECOND)
        world.run_to(at)
        truth = world.leader_time(timebase, at)
        assert truth is not None
        beliefs = [node.follower.belief_at(node.now) for node in world.followers]
        readings = [belief[1] for belief in beliefs if belief is not None]
        assert len(readings) == len(world.followers)
        if not second:
            begun = [(reading, node.now) for reading, node in zip(readings, world.followers, strict=True)]
        errors.append([(reading - truth) / MILLISECOND for reading in readings])
        nominal.append(
            [
                (reading + node.now - local - truth) / MILLISECOND
                for (reading, local), node in zip(begun, world.followers, strict=True)
            ]
        )
    gaps, control = (np.abs(pairs(np.array(values))) for values in (errors, nominal))
    return float(np.quantile(gaps, 0.95)), float(gaps.max()), float(np.quantile(control, 0.95))


def pairs(values: np.typing.NDArray[np.float64]) -> np.typing.NDArray[np.float64]:
    """Return the differences of all pairs of columns."""
    first, second = np.triu_indices(values.shape[1], 1)
    return np.asarray(values[:, first] - values[:, second])


def main() -> int:
    """Run everything; return 1 if a limit was passed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--compare", action="store_true")
    parser.add_argument("--wider", action="store_true")
    parser.add_argument("--phases", action="store_true")
    arguments = parser.parse_args()
    seeds = range(1, 1 + (QUICK_SEEDS if arguments.quick else SEEDS))
    began = perf_counter()
    scenario = load_shipped()
    found: dict[str, Any] = {}
    troubles = []
    for recovery in RECOVERIES if arguments.compare else (DEFAULT_RECOVERY,):
        found[recovery] = {}
        for drill in DRILLS:
            results = [run_drill(drill, scenario, seed, recovery) for seed in seeds]
            found[recovery][drill.name] = summary = summed_up(results)
            print(f"{recovery:<10} {drill.name:<14} {json.dumps(summary)}", flush=True)
            if recovery == DEFAULT_RECOVERY:
                troubles += [f"{drill.name}, seed {each.seed}: {text}" for each in results for text in each.troubles]
    for changes in WIDER if arguments.wider else ():
        elsewhere = scenario.with_changes(changes)
        name = ", ".join(f"{key}={value}" for key, value in changes.items())
        found[name] = {}
        for drill in DRILLS:
            results = [run_drill(drill, elsewhere, seed) for seed in seeds]
            found[name][drill.name] = summary = summed_up(results)
            print(f"{name:<27} {drill.name:<14} {json.dumps(summary)}", flush=True)
            troubles += [f"{name}: {drill.name}, seed {run.seed}: {text}" for run in results for text in run.troubles]
    for recovery in (DEFAULT_RECOVERY, *UNMARKED) if arguments.phases else ():
        for drill in DRILLS:
            if not drill.has_forced_step:
                continue
            # Each seed breaks into the trial content at another place: a cycle of it is gone through evenly.
            places = [ROLLS_AT_S + CYCLE_S * number / len(seeds) for number in range(len(seeds))]
            results = [
                run_drill(drill, scenario, seed, recovery, rolls_at_s=at_s)
                for seed, at_s in zip(seeds, places, strict=True)
            ]
            name = f"{recovery}, all of the show"
            found.setdefault(name, {})[drill.name] = summary = summed_up(results)
            print(f"{name:<27} {drill.name:<14} {json.dumps(summary)}", flush=True)
            if recovery == DEFAULT_RECOVERY:
                found_here = [(run.seed, text) for run in results for text in run.troubles]
                troubles += [f"{name}: {drill.name}, seed {seed}: {text}" for seed, text in found_here]
    held = [holdover(seed) for seed in seeds]
    p95, largest, control = max(row[0] for row in held), max(row[1] for row in held), min(row[2] for row in held)
    print(f"holdover of {HOLDOVER_S} s: pair p95 {p95:.2f} ms, largest {largest:.2f} ms; nominal rate {control:.1f} ms")
    if p95 > PAIR_P95_LIMIT_MS or largest > PAIR_LARGEST_LIMIT_MS or control <= CONTROL_MINIMUM_MS:
        troubles.append("holdover beyond its limits")
    for trouble in troubles:
        print(f"BEYOND: {trouble}")
    told = {"seeds": len(seeds), "drills": found, "pair_p95_ms": p95, "pair_largest_ms": largest, "control_ms": control}
    print(json.dumps(told | {"troubles": troubles, "wall_s": round(perf_counter() - began, 1)}))
    return 1 if troubles else 0


if __name__ == "__main__":
    sys.exit(main())
