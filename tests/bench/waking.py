"""How late programs wake, by what they wait with, and what that costs.

A loop waits for the next of a row of instants 25 ms apart, as a player of 40 frames a second does: with
``asyncio.sleep`` and with ``time.sleep``, as programs do by themselves; with the library's exact timer, without and
with its spin; with its timer for systems that have no timer descriptors; and with its waker for threads. They take
turns in one run, a few seconds each, on a machine that is otherwise idle and then beside one busy process a core.

Lateness is from the instant to the first look at the clock afterwards. The share of a core is this process's own time
while it waits; ``spin`` is what the spin added to that of the same timer without it.

A machine that others use only ever adds lateness. So what is told of the idle machine is each way's quietest round, the
one of the least 95th percentile; ``all`` is over every round. With ``--raised`` what is measured as idle runs before
ordinary programs. Beside busy processes every round counts.

Prints one line of JSON last, in ms and in shares of a core: for each way of waiting its ``p50``, ``p95``, ``p99``,
``max`` and ``core``; ``to_time_sleep`` and ``to_asyncio_sleep`` are the exact timer's median over theirs. Run with
``PYTHONPATH=protocol python tests/bench/waking.py``; ``--quick`` takes one short round instead of eight.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import multiprocessing
import os
import sys
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from functools import partial

from leadlight.net.clock import LocalClock
from leadlight.net.timers import DescriptorTimer, ThreadTimer
from leadlight.net.waking import LoopWaker, ThreadWaker, WakingSettings, core_count, raise_priority
from leadlight.units import MILLISECOND, SECOND, LocalInstant

PERIOD_NS = 25 * MILLISECOND
WAKES = 100
QUICK_WAKES = 40
LEARNING_WAKES = 16
"""Before a round counts: what is learnt is learnt once an evening."""
ROUNDS = 8
CLOCK = LocalClock()


@dataclass
class Figures:
    """What was measured of one way of waiting."""

    late_ns: list[int] = field(default_factory=list)
    used_s: float = 0.0
    took_s: float = 0.0

    def row(self) -> dict[str, float]:
        """Return percentiles in ms and the share of a core."""
        ordered = sorted(self.late_ns)

        def at(share: float) -> float:
            return round(ordered[min(int(len(ordered) * share), len(ordered) - 1)] / MILLISECOND, 4)

        return {
            "p50": at(0.5),
            "p95": at(0.95),
            "p99": at(0.99),
            "max": at(1.0),
            "core": round(self.used_s / self.took_s, 4),
        }


async def wait_row(until: Callable[[LocalInstant], Awaitable[object]], wakes: int, figures: Figures) -> None:
    """Wait for a row of instants."""
    at = CLOCK()
    for number in range(-LEARNING_WAKES, wakes):
        if number == 0:
            used, began = time.process_time(), time.perf_counter()
        at = LocalInstant(at + PERIOD_NS)
        await until(at)
        if number >= 0:
            figures.late_ns.append(CLOCK() - at)
    figures.used_s += time.process_time() - used
    figures.took_s += time.perf_counter() - began


def left_s(at: LocalInstant) -> float:
    """Return how long it is until an instant, in seconds."""
    return max(0, at - CLOCK()) / SECOND


async def by_asyncio_sleep(wakes: int, figures: Figures) -> None:
    """Wait as a program does that knows nothing of this."""
    await wait_row(lambda at: asyncio.sleep(left_s(at)), wakes, figures)


async def by_time_sleep(wakes: int, figures: Figures) -> None:
    """Wait without any loop, in the manner of one."""

    async def until(at: LocalInstant) -> None:
        time.sleep(left_s(at))

    await wait_row(until, wakes, figures)


async def by_waker(
    make: Callable[..., DescriptorTimer | ThreadTimer], spins: bool, wakes: int, figures: Figures
) -> None:
    """Wait by the library's waker of a loop."""
    waker = LoopWaker(CLOCK, WakingSettings(), make)
    waker.permit_spin(is_stamped=spins)
    await wait_row(waker.until, wakes, figures)
    waker.close()


async def by_thread(spins: bool, wakes: int, figures: Figures) -> None:
    """Wait by the library's waker of threads."""
    waker = ThreadWaker(CLOCK, WakingSettings())
    waker.permit_spin(is_stamped=spins)

    async def until(at: LocalInstant) -> None:
        waker.until(at)

    await wait_row(until, wakes, figures)


WAYS: dict[str, Callable[[int, Figures], Awaitable[None]]] = {
    "asyncio.sleep": by_asyncio_sleep,
    "time.sleep": by_time_sleep,
    "exact timer": partial(by_waker, DescriptorTimer, False),
    "exact timer and spin": partial(by_waker, DescriptorTimer, True),
    "timer of a thread": partial(by_waker, ThreadTimer, False),
    "timer of a thread and spin": partial(by_waker, ThreadTimer, True),
    "thread": partial(by_thread, False),
    "thread and spin": partial(by_thread, True),
}


def keep_busy() -> None:
    """Keep a core busy until killed."""
    while True:
        sum(range(10_000))


def together(rounds: list[Figures]) -> Figures:
    """Return what several rounds come to."""
    return Figures(
        [late for one in rounds for late in one.late_ns],
        sum(one.used_s for one in rounds),
        sum(one.took_s for one in rounds),
    )


def measure(wakes: int, rounds: int) -> dict[str, list[Figures]]:
    """Return figures of each way of waiting, by round; the ways take turns."""
    ways = WAYS if sys.platform == "linux" else {name: way for name, way in WAYS.items() if "exact" not in name}
    figures: dict[str, list[Figures]] = {name: [] for name in ways}
    for _ in range(rounds):
        for name, way in ways.items():
            figures[name].append(Figures())
            asyncio.run(way(wakes, figures[name][-1]))  # type: ignore[arg-type]
    return figures


def by_p95(row: dict[str, float]) -> float:
    """Return what rounds are ordered by."""
    return row["p95"]


def main() -> None:
    """Measure idle and loaded, and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="see that it works")
    parser.add_argument("--raised", action="store_true", help="idle: run before ordinary programs")
    parser.add_argument("--idle", action="store_true", help="leave the busy processes out")
    arguments = parser.parse_args()
    wakes, rounds = (QUICK_WAKES, 1) if arguments.quick else (WAKES, ROUNDS)
    told: dict[str, object] = {}
    for circumstance in ("idle",) if arguments.idle else ("idle", "loaded"):
        load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
        busy = []
        if circumstance == "loaded":
            busy = [multiprocessing.Process(target=keep_busy, daemon=True) for _ in range(core_count())]
        for process in busy:
            process.start()
        if arguments.raised and circumstance == "idle":
            raise_priority()
        measured = measure(wakes, rounds)
        if arguments.raised and circumstance == "idle":
            os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
        for process in busy:
            process.terminate()
        every = {name: together(figures).row() for name, figures in measured.items()}
        rows = every
        if circumstance == "idle":
            rows = {name: min((one.row() for one in figures), key=by_p95) for name, figures in measured.items()}
            told["all"] = every
        print(f"{circumstance} ({core_count()} cores; load before: {load:.2f})")
        print(f"  {'':28}{'p50':>9}{'p95':>9}{'p99':>9}{'max':>9} ms{'core':>9}")
        for name, row in rows.items():
            figures = "".join(f"{row[key]:9.3f}" for key in ("p50", "p95", "p99", "max"))
            print(f"  {name:28}{figures}   {row['core']:8.2%}")
        told[circumstance] = rows
        if "exact timer" in rows:
            exact, spun = rows["exact timer"], rows["exact timer and spin"]
            told[f"{circumstance} ratios"] = {
                "to_time_sleep": round(exact["p50"] / rows["time.sleep"]["p50"], 3),
                "to_asyncio_sleep": round(exact["p50"] / rows["asyncio.sleep"]["p50"], 3),
                "spin_core": round(spun["core"] - exact["core"], 4),
            }
    print(json.dumps(told))


if __name__ == "__main__":
    main()
