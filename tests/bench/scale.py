"""What sweeps of many evenings cost, and how an evening's cost grows: the tables of `sim/SCALE.md`.

    python tests/bench/scale.py                print the tables
    python tests/bench/scale.py --write        put them into the page
    python tests/bench/scale.py --quick        with shorter evenings and fewer of them

A table stands between `<!-- scale: NAME -->` and `<!-- end -->`. Everything is this process's or its children's own
seconds on their cores, but for the sweep's, which are the wall clock's: an idle machine is needed, one core a worker.
Prints one line of JSON last.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
from collections.abc import Callable
from itertools import islice
from pathlib import Path
from time import perf_counter, process_time
from typing import Final, NamedTuple

from boards import apart
from evening import FOLLOWERS, evening, peak_mib
from leadlight.commands.compiled import IS_COMPILED
from leadlight_sim.measures import rehearse
from leadlight_sim.runs import Run, cores, in_order, on_processes
from leadlight_sim.scenario import Scenario, load_shipped

PAGE: Final = Path(__file__).parents[2] / "sim" / "SCALE.md"
EVENINGS: Final = 100_000
MEASURED_ON: Final = (1, 2)
RECKONED_FOR: Final = (8, 64)
HOUR_S: Final = 3600
BUSY_LOAD: Final = 0.5
"""Programs that wanted a core in the minute before, from which on a machine is not idle."""


class Sweep(NamedTuple):
    """A sweep that was measured: how many workers, the seconds an evening and those of the process that asked, and the
    most memory that a worker held."""

    workers: int
    wall_s: float
    parent_s: float
    worker_mib: float


def swept(scenario: Scenario, workers: int, count: int) -> Sweep:
    """Run ``count`` evenings a worker, after one each that starts it, and return what each took."""
    runs = (Run(scenario.digest(), scenario, seed) for seed in range(1, workers * (count + 1) + 1))
    with on_processes(workers) as pool:
        finished = in_order(pool, runs)
        list(islice(finished, workers))
        begun, parent_begun = perf_counter(), process_time()
        made = sum(1 for _ in finished)
        wall_s, parent_s = (perf_counter() - begun) / made, (process_time() - parent_begun) / made
        held = [pool.executor.submit(peak_mib) for _ in range(workers)]
        return Sweep(workers, wall_s, parent_s, max(each.result() for each in held))


def told(seconds: float) -> str:
    """Return a time for people."""
    for unit, size in (("days", 24 * HOUR_S), ("h", HOUR_S), ("min", 60)):
        if seconds >= 2 * size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.3g} s"


def table(head: list[str], rows: list[list[str]]) -> str:
    """Return a table in Markdown."""
    return "\n".join(f"| {' | '.join(row)} |" for row in [head, ["---"] * len(head), *rows])


def sweeps(quick: bool) -> tuple[str, dict[str, float]]:
    """Return the table of what a sweep costs, and its figures."""
    shipped, long = load_shipped(), evening(FOLLOWERS, HOUR_S // 4 if quick else 4 * HOUR_S)
    measured = [swept(shipped, workers, 1 if quick else 12) for workers in MEASURED_ON]
    one = measured[0]
    begun = process_time()
    rehearse(long, 1)
    long_s = process_time() - begun
    rows = []
    for sweep in measured:
        gain = one.wall_s / sweep.wall_s
        rows.append([str(sweep.workers), told(EVENINGS * sweep.wall_s), told(EVENINGS * long_s / gain), "measured"])
    for workers in RECKONED_FOR:
        # What the asking process does for each evening it does for one after the other.
        wall_s, long_wall_s = max(one.wall_s / workers, one.parent_s), max(long_s / workers, one.parent_s)
        rows.append([str(workers), told(EVENINGS * wall_s), told(EVENINGS * long_wall_s), "reckoned"])
    hours = f"{'15 min' if quick else '4 h'}, {FOLLOWERS} boards"
    text = table(["workers", "12 min, 8 boards (as shipped)", hours, "how it is known"], rows)
    text += (
        f"\n\nOne evening as shipped took {one.wall_s:.2f} s of a worker, scored, and the process that asks"
        f" {1e3 * one.parent_s:.1f} ms. Two workers got {one.wall_s / measured[1].wall_s:.2f} times as far. The long"
        f" evening took {long_s:.1f} s. A worker held {max(sweep.worker_mib for sweep in measured):.0f}"
        " MiB at most."
    )
    figures = {"evening_s": one.wall_s, "parent_ms": 1e3 * one.parent_s, "long_evening_s": long_s}
    return text, {**figures, "two_workers_gain": one.wall_s / measured[1].wall_s}


def by_boards(quick: bool) -> str:
    """Return the table of how cost grows with boards."""
    spans_s = {8: 120, 32: 120, 128: 120, 512: 60} if quick else {8: 3600, 32: 3600, 128: 1200, 512: 600, 2000: 300}
    spans_s |= {} if quick else {5000: 60}
    rows = []
    for boards, span_s in spans_s.items():
        found = apart(boards, span_s)
        hour_s = found["took_s"] * HOUR_S / span_s
        rows.append(
            [f"{boards:,}", told(span_s), told(hour_s), f"{1e3 * hour_s / boards:.0f} ms", f"{found['mib']:.0f} MiB"]
        )
    return table(["boards", "simulated", "an hour takes", "an hour of one board", "memory"], rows)


def by_interval(quick: bool) -> str:
    """Return the table of how cost grows as beacons come more often."""
    span_s = 60 if quick else 1800
    rows = []
    for interval_s in (5.0, 2.0, 1.0, 0.5, 0.25, 0.1):
        found = apart(FOLLOWERS, span_s, interval_s)
        hour_s = found["took_s"] * HOUR_S / span_s
        rows.append([f"{interval_s:g} s", told(hour_s), f"{found['us_per_delivery']:.1f} µs"])
    return table(["interval", "an hour takes", "a delivery"], rows)


def by_length(quick: bool) -> str:
    """Return the table of how cost grows with the length of the evening."""
    rows = []
    for span_s in (120, 300, 900) if quick else (600, HOUR_S, 4 * HOUR_S, 12 * HOUR_S):
        found = apart(FOLLOWERS, span_s)
        hour_s = found["took_s"] * HOUR_S / span_s
        rows.append([told(span_s), told(found["took_s"]), told(hour_s), f"{found['mib']:.0f} MiB"])
    return table(["evening", "took", "an hour takes", "memory"], rows)


def renewed(text: str, tables: dict[str, str]) -> str:
    """Return the page with its tables put in place."""
    for name, made in tables.items():
        before, mark, rest = text.partition(f"<!-- scale: {name} -->\n\n")
        _, end, after = rest.partition("\n\n<!-- end -->")
        assert mark, f"sim/SCALE.md has no place for {name}"
        text = before + mark + made + end + after
    return text


def main() -> None:
    """Measure the tables, print them, and put them into the page if asked to."""
    parser = argparse.ArgumentParser(description="What sweeps cost, and how an evening's cost grows.")
    parser.add_argument("--write", action="store_true", help="put the tables into sim/SCALE.md")
    parser.add_argument("--quick", action="store_true", help="shorter evenings, and fewer")
    arguments = parser.parse_args()
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else 0.0
    speed = statistics.median(_loop_s() for _ in range(9))
    form = "compiled" if IS_COMPILED else "sources"
    tables = {
        "machine": f"{cores()} cores of {platform.machine()}, Python {platform.python_version()}, the library run from"
        f" its {form}. A loop of a million additions took {1e3 * speed:.0f} ms. "
        + (
            "The machine was idle."
            if load < BUSY_LOAD
            else f"The machine was shared: others kept {load:.1f} of its cores busy. Times by the wall clock mean"
            " little."
        ),
    }
    tables["sweep"], figures = sweeps(arguments.quick)
    growth: dict[str, Callable[[bool], str]] = {"boards": by_boards, "interval": by_interval, "length": by_length}
    tables |= {name: make(arguments.quick) for name, make in growth.items()}
    for name, made in tables.items():
        print(f"{name}\n\n{made}\n")
    if arguments.write:
        PAGE.write_text(renewed(PAGE.read_text(encoding="utf-8"), tables), encoding="utf-8")
    print(json.dumps({name: round(value, 4) for name, value in figures.items()} | {"compiled": IS_COMPILED}))


def _loop_s() -> float:
    begun = process_time()
    total = 0
    for number in range(1_000_000):
        total += number
    return process_time() - begun


if __name__ == "__main__":
    main()
