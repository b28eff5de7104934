"""Marks that went another way than they should: what they cost, and whether they are found.

A mark is exact only if leader and follower heard the same transmission. A leader on the cable hears the marker before
the access point has sent anything; with two access points, or one that sends group frames as copies to each station,
everybody hears one of his own; and any of these may be off by a constant besides. Here each of them happens to
followers who know their radio, and so have no reason to doubt.

An error that can be seen must cost next to nothing: clocks then go by soundings and shared delay. A constant one that
is smaller than what soundings vouch for cannot be seen by anybody; one between that and what they prove is often seen.
Both are told as such.

Run with ``PYTHONPATH=protocol:sim python tests/bench/path_asymmetry.py``: three seeds of a quarter of an hour, five
minutes on two cores; ``--quick`` makes one short run of each. ``clock.py`` puts the table into ``sim/CLOCK.md``. The
last line printed is JSON.
"""

from __future__ import annotations

import argparse
import json
import os
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import NamedTuple
from unittest.mock import patch

from clock_comparison import COMMON_VIEW, SOUNDINGS, Seen, all_runs, pooled, run
from leadlight.clock import CommonViewClock
from leadlight.units import MILLISECOND, LocalInstant
from leadlight_sim.air.choice import preset
from leadlight_sim.kernel import Streams

MODELS = {"model-a": "A idle", "model-b": "B busy", "model-c": "C dozing", "model-e": "E congested"}
"""Not the cable's: leader and followers there share no radio at all."""
FIRST_SEED = 6500
SEEDS = 3
DURATION_S = 900
TIMES_TARGET = 1.1
"""Error by marks over that by soundings alone, p95, at most, where the error of marks is seen."""


class PathAsymmetry(NamedTuple):
    """How marks go astray: by a constant, in ms, by a way of each listener's own, or past a leader on the cable."""

    told: str
    constant_ms: float = 0.0
    own_way: bool = False
    wired: bool = False


PATH_ASYMMETRIES = (
    PathAsymmetry("none"),
    PathAsymmetry("the leader is on a cable", wired=True),
    PathAsymmetry("everybody hears a copy, or a radio, of his own", own_way=True),
    *(PathAsymmetry(f"later by {ms} ms, always", constant_ms=ms) for ms in (0.3, 0.5, 0.7, 0.9, 1.1, 1.5)),
    *(PathAsymmetry(f"earlier by {ms} ms, always", constant_ms=-ms) for ms in (0.7, 1.5)),
    PathAsymmetry("copies of his own, and later by 0.7 ms", constant_ms=0.7, own_way=True),
)


class Task(NamedTuple):
    """One run of a model with one detour."""

    model: str
    asymmetry: PathAsymmetry
    seed: int
    duration_s: int


def perform(task: Task) -> tuple[Task, dict[str, Seen]]:
    """Make one run."""
    asymmetry = task.asymmetry
    stream = Streams(task.seed).stream("detours")
    distribution = preset(task.model).tables.down
    at_leader: dict[int, int] = {}
    hear = CommonViewClock.note_heard

    def hear_astray(self: CommonViewClock, turn: int, heard_at: LocalInstant) -> None:
        astray_ns = round(asymmetry.constant_ms * MILLISECOND)
        if asymmetry.own_way:
            astray_ns += distribution.draw(stream) - at_leader.setdefault(turn, distribution.draw(stream))
        hear(self, turn, LocalInstant(heard_at + astray_ns))

    # No setting of the library would do such a thing: it is changed in this process alone.
    with patch.object(CommonViewClock, "note_heard", hear_astray):
        return task, run(task.model, task.seed, task.duration_s, {}, changes={"leader.wired": asymmetry.wired})


class Outcome(NamedTuple):
    """What a detour did, in ms: half of what soundings prove and what they vouch for, both medians, and the p95 of the
    error by them alone and as served."""

    causality: float
    vouched: float
    alone: float
    served: float
    covered: float

    @property
    def times(self) -> float:
        """The error as served over that by soundings alone."""
        return self.served / self.alone


def outcomes(seeds: int, duration_s: int, workers: int) -> dict[tuple[str, PathAsymmetry], Outcome]:
    """Run every detour in every model."""
    tasks = [
        Task(model, asymmetry, FIRST_SEED + number, duration_s)
        for model in MODELS
        for asymmetry in PATH_ASYMMETRIES
        for number in range(seeds)
    ]
    runs: dict[tuple[str, PathAsymmetry], list[dict[str, Seen]]] = defaultdict(list)
    for task, seen in all_runs(tasks, workers, perform):
        runs[task.model, task.asymmetry].append(seen)
    return {key: outcome_of(each) for key, each in runs.items()}


def outcome_of(runs: Sequence[Mapping[str, Seen]]) -> Outcome:
    """Return what several runs of one detour in one model showed together."""
    alone, served = [one[SOUNDINGS] for one in runs], [one[COMMON_VIEW] for one in runs]
    return Outcome(
        pooled([one.causality for one in alone]).percentile(50),
        pooled([one.statistical for one in alone]).percentile(50),
        pooled([one.error for one in alone]).percentile(95),
        pooled([one.error for one in served]).percentile(95),
        sum(one.covered for one in served) / max(sum(one.scored for one in served), 1),
    )


def verdict(asymmetry: PathAsymmetry, outcome: Outcome) -> str:
    """Return whether a detour was seen, and if it should have been, whether it cost too much."""
    if outcome.times <= TIMES_TARGET:
        return "no harm"
    is_small = 0 < abs(asymmetry.constant_ms) <= outcome.causality
    return "not seen" if is_small else "**missed**"


def section(found: Mapping[tuple[str, PathAsymmetry], Outcome]) -> list[str]:
    """Return the table in Markdown."""
    lines = [
        "| model | marks go astray | soundings vouch for | error p95, soundings alone | as served | times "
        "| statistical bound held | |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for (model, asymmetry), outcome in found.items():
        lines.append(
            f"| {MODELS[model]} | {asymmetry.told} "
            f"| {outcome.vouched:.2f} | {outcome.alone:.3f} | {outcome.served:.3f} "
            f"| {outcome.times:.2f} | {outcome.covered:.1%} | {verdict(asymmetry, outcome)} |"
        )
    return lines


def main() -> None:
    """Run, and print the table and the JSON line."""
    parser = argparse.ArgumentParser(description="Send marks astray and see what it costs.")
    parser.add_argument("--quick", action="store_true", help="one short run of each")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args()
    found = outcomes(*((1, 300) if asked.quick else (SEEDS, DURATION_S)), asked.workers)
    print("\n".join(section(found)))
    print(
        json.dumps({f"{model}, {asymmetry.told}": outcome._asdict() for (model, asymmetry), outcome in found.items()})
    )


if __name__ == "__main__":
    main()
