"""How fast the kernel runs events, beside SimPy and beside a bare heap, in one process and one run.

What is compared: ``PERIODS`` actors, each woken at every multiple of its own period up to one common end. All three
run exactly those events, in rising order of time, and each waking adds one to its actor's count:

- kernel: a bound method that counts and schedules itself again with ``schedule_after``;
- SimPy: a process that counts after every ``yield environment.timeout(period)``, the form its own tutorial teaches;
- floor: a loop over ``heapq`` that pops a tuple, calls a bound method that counts, and pushes the next tuple: what any
  kernel on a binary heap must do at the least, without checks, arguments, priorities or a clock anyone may read.

Each is timed ``ROUNDS`` times, alternating, and its best round counts: noise of a shared machine only ever adds time.
Prints one line of JSON last. Run with ``PYTHONPATH=protocol:sim python tests/bench/kernel.py``; ``--quick`` runs a
tenth of the events in fewer rounds, to see that it works rather than to quote its figures.
"""

from __future__ import annotations

import argparse
import gc
import json
from collections.abc import Callable, Generator
from heapq import heapify, heappop, heappush
from time import perf_counter
from typing import Any

import simpy

from leadlight_sim.kernel.kernel import Kernel, TrueInstant

ROUNDS = 7
QUICK_ROUNDS = 3
PERIODS = [997 + 2 * number for number in range(256)]
END = 600_000
QUICK_END = 60_000


class Actor:
    """Counts its wakings; the kernel's kind also plans the next."""

    __slots__ = ("count", "kernel", "period")

    def __init__(self, period: int, kernel: Kernel | None = None) -> None:
        self.period = period
        self.count = 0
        self.kernel = kernel

    def wake(self) -> None:
        self.count += 1

    def wake_and_plan(self) -> None:
        self.count += 1
        self.kernel.schedule_after(self.period, self.wake_and_plan)  # type: ignore[union-attr]


def with_kernel(end: int) -> tuple[float, list[int]]:
    """Return the seconds the kernel took and each actor's count."""
    kernel = Kernel()
    actors = [Actor(period, kernel) for period in PERIODS]
    for actor in actors:
        kernel.schedule_after(actor.period, actor.wake_and_plan)
    begun = perf_counter()
    kernel.run_until(TrueInstant(end))
    took = perf_counter() - begun
    counts = [actor.count for actor in actors]
    assert kernel.events_run == sum(counts)
    return took, counts


def with_simpy(end: int) -> tuple[float, list[int]]:
    """Return the seconds SimPy took and each actor's count."""
    environment = simpy.Environment()
    actors = [Actor(period) for period in PERIODS]

    def live(actor: Actor) -> Generator[Any, Any, None]:
        period = actor.period
        while True:
            yield environment.timeout(period)
            actor.count += 1

    for actor in actors:
        environment.process(live(actor))
    begun = perf_counter()
    environment.run(until=end + 1)  # SimPy stops before what is due at its end
    return perf_counter() - begun, [actor.count for actor in actors]


def with_bare_heap(end: int) -> tuple[float, list[int]]:
    """Return the seconds a bare heap took and each actor's count."""
    actors = [Actor(period) for period in PERIODS]
    heap = [(actor.period, number, actor.wake, actor.period) for number, actor in enumerate(actors)]
    heapify(heap)
    begun = perf_counter()
    while True:
        at, number, wake, period = heappop(heap)
        if at > end:
            break
        wake()
        heappush(heap, (at + period, number, wake, period))
    return perf_counter() - begun, [actor.count for actor in actors]


def main() -> None:
    """Time all three and print the ratios."""
    parser = argparse.ArgumentParser(description="Time the kernel beside SimPy and a bare heap.")
    parser.add_argument("--quick", action="store_true", help="a tenth of the events, in fewer rounds")
    rounds, end = (QUICK_ROUNDS, QUICK_END) if parser.parse_args().quick else (ROUNDS, END)
    contestants: list[Callable[[int], tuple[float, list[int]]]] = [with_kernel, with_simpy, with_bare_heap]
    expected = [end // period for period in PERIODS]
    best = [float("inf")] * len(contestants)
    for _ in range(rounds):
        for place, contestant in enumerate(contestants):
            gc.collect()
            took, counts = contestant(end)
            assert counts == expected, f"{contestant.__name__} ran {sum(counts)} events, not {sum(expected)}"
            best[place] = min(best[place], took)
    events = sum(expected)
    rates = [events / took for took in best]
    print(f"{events} events in each of {rounds} rounds; best rounds, events per second:")
    for contestant, rate in zip(contestants, rates, strict=True):
        print(f"  {contestant.__name__.replace('_', ' '):<15}{rate:12,.0f}")
    print(
        json.dumps(
            {
                "events_per_s": round(rates[0]),
                "simpy_ratio": round(rates[0] / rates[1], 3),
                "floor_ratio": round(rates[0] / rates[2], 3),
            }
        )
    )


if __name__ == "__main__":
    main()
