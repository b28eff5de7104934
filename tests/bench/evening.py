"""How fast an evening is rehearsed: four simulated hours of 32 followers, a beacon a second, soundings on.

Preset ``idle``: hardly a datagram is lost, and each costs its whole way through air, host, decoder, clock and playhead.
One Tally an interval goes to the group as a mark, the others to the leader alone. Run bare and with everything scored
every quarter of a second; both are told. Beside it, in the same run, a bare heap loop that pops and pushes as many
events: what any simulation on a heap costs at the least. Seconds are this process's own on its core and not the wall
clock's, which a shared machine stretches: the run is one thread that never waits.

A *delivery* is a datagram handed to a leader's or a follower's state machine. ``scaling`` is the time for 128 followers
over four times the time for 32, on a shorter span that begins when every board has sent a mark and Soundings have grown
as rare as they get; medians of interleaved repeats, because even so the machine is uneven.

Prints one line of JSON last; targets: ``times_real_time`` 600, ``us_per_delivery`` 20, ``peak_mib`` 300, ``scaling``
1.15. The first two are for the compiled library (DEVELOPERS.md says how to make one): ``PYTHONPATH=COMPILED python
tests/bench/evening.py``. From the sources, with ``PYTHONPATH=protocol:sim``, it takes twice as long. ``--quick``
simulates ten minutes instead. ``forms.py`` tells both forms side by side, with the spread of five runs.
"""

from __future__ import annotations

import argparse
import gc
import json
import re
import resource
import statistics
import sys
from heapq import heappop, heappush
from pathlib import Path
from time import process_time
from typing import Any

from leadlight.commands.compiled import IS_COMPILED
from leadlight.units import SECOND
from leadlight_sim.air.interface import LinkKind
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.kernel.trace import Trace
from leadlight_sim.measures.scoring import Scorer
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.world.assembly import World

FOLLOWERS = 32
MANY_FOLLOWERS = 4 * FOLLOWERS
EVENING_S = 4 * 3600
QUICK_S = 600
SCALING_FROM_S = 900
SCALING_SPAN_S = 20
SCALING_REPEATS = 9
QUICK_REPEATS = 3


def evening(followers: int, duration_s: float) -> Scenario:
    """Return an evening of one long show."""
    return check_scenario(
        {
            "name": "Evening",
            "run": {"duration_s": duration_s, "seed": 1},
            "leader": {"interval_s": 1.0, "sounding_budget": 60},
            "followers": [{"name": f"piece {number}", "pixels": 500} for number in range(followers)],
            "air": {"preset": "idle"},
            "shows": [{"id": "evening", "duration_s": duration_s}],
            "cues": [{"at_s": 0, "show": "evening"}],
        },
        "evening",
    )


class CountingTrace(Trace):
    """A trace that also counts what was handed to state machines."""

    received = 0

    def note(self, kind: bytes, at: TrueInstant, node: int, data: bytes) -> None:
        self.received += kind == b"r"
        super().note(kind, at, node, data)


def deliveries(world: World) -> int:
    """Return how many datagrams reached a state machine, by the air's own count, which costs the run nothing.

    All stations are on the radio: what comes down from the access point or with the group's frames has arrived.
    """
    counts = world.air.counts
    return counts[LinkKind.DOWN].delivered + counts[LinkKind.GROUP].delivered


def check_deliveries() -> None:
    """Make sure that the air's count is that of the state machines, but for what is on its way at the end."""
    world = World(evening(FOLLOWERS, 120))
    world.trace = trace = CountingTrace()
    for node in [*world.leaders, *world.followers]:
        node._trace = trace
    world.run_to(world.end)
    on_its_way = deliveries(world) - trace.received
    assert 0 <= on_its_way <= 2 * FOLLOWERS, on_its_way


def run(scenario: Scenario, *, scored: bool) -> tuple[float, World]:
    """Return the seconds an evening took, from its description to its figures, and its world."""
    gc.collect()
    begun = process_time()
    world = World(scenario)
    if scored:
        scorer = Scorer(world)
        scorer.run(world.end)
        scorer.scores()
    else:
        world.run_to(world.end)
    return process_time() - begun, world


def run_bare_heap(events: int, waiting: int) -> float:
    """Return the seconds that a heap of ``waiting`` entries takes for popping and pushing ``events``."""
    heap: list[tuple[int, int, Any]] = [(number, number, None) for number in range(waiting)]
    gc.collect()
    begun = process_time()
    for number in range(waiting, waiting + events):
        at, _, action = heappop(heap)
        heappush(heap, (at + waiting, number, action))
    return process_time() - begun


def scaling(repeats: int) -> float:
    """Return the time for four times as many followers over four times the time, per follower and second."""
    worlds = [World(evening(count, 3600)) for count in (FOLLOWERS, MANY_FOLLOWERS)]
    for world in worlds:
        world.run_to(TrueInstant(SCALING_FROM_S * SECOND))
    took: list[list[float]] = [[], []]
    for repeat in range(1, repeats + 1):
        end = TrueInstant((SCALING_FROM_S + repeat * SCALING_SPAN_S) * SECOND)
        for place, world in enumerate(worlds):
            begun = process_time()
            world.run_to(end)
            took[place].append(process_time() - begun)
    few, many = (statistics.median(each) for each in took)
    return many / (MANY_FOLLOWERS / FOLLOWERS * few)


def peak_mib() -> float:
    """Return the most memory this process has held, in MiB."""
    told = Path("/proc/self/status")
    if told.exists():
        # Where a process begins as a copy of its parent, what is asked for below begins with the parent's peak.
        found = re.search(r"^VmHWM:\s+(\d+) kB$", told.read_text(encoding="ascii"), re.MULTILINE)
        if found is not None:
            return int(found[1]) / (1 << 10)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1 << 20 if sys.platform == "darwin" else 1 << 10)


def main() -> None:
    """Time the evening, with and without scoring, and print the figures."""
    parser = argparse.ArgumentParser(description="Time an evening of 32 followers.")
    parser.add_argument("--quick", action="store_true", help="ten minutes of it, and fewer repeats")
    is_quick = parser.parse_args().quick
    duration_s = QUICK_S if is_quick else EVENING_S
    if not IS_COMPILED:  # compiled classes have no derived ones; the traces of both forms are one
        check_deliveries()
    scenario = evening(FOLLOWERS, duration_s)
    bare_s, world = run(scenario, scored=False)
    delivered, events, pending = deliveries(world), world.kernel.events_run, world.kernel.pending
    trace = world.trace.hexdigest()
    del world
    scored_s, world = run(scenario, scored=True)
    assert world.trace.hexdigest() == trace, "scoring changed the run"
    del world
    memory_mib = peak_mib()  # before the scaling's larger worlds
    heap_s = run_bare_heap(events, pending)
    ratio = scaling(QUICK_REPEATS if is_quick else SCALING_REPEATS)
    print(f"{duration_s / 3600:.2f} h, {FOLLOWERS} followers, preset idle: {events} events, {delivered} deliveries")
    for name, took in (("bare", bare_s), ("scored every 0.25 s", scored_s), ("bare heap, as many events", heap_s)):
        print(f"  {name:<26}{took:8.2f} s  {duration_s / took:10,.0f} times real time")
    print(
        json.dumps(
            {
                "times_real_time": round(duration_s / bare_s, 1),
                "times_real_time_scored": round(duration_s / scored_s, 1),
                "us_per_delivery": round(bare_s / delivered * 1e6, 2),
                "us_per_delivery_scored": round(scored_s / delivered * 1e6, 2),
                "peak_mib": round(memory_mib, 1),
                "scaling": round(ratio, 3),
                "bare_heap_ratio": round(bare_s / heap_s, 1),
                "trace_hash": trace,
                "compiled": IS_COMPILED,
            }
        )
    )


if __name__ == "__main__":
    main()
