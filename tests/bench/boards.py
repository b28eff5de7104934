"""What a board costs a rehearsal, in memory and time, from 32 boards to 5,000: both grow with the boards and no faster.

Every group, air and interval are `evening`'s: preset ``idle``, a beacon a second, one Tally an interval to the group as
a mark. Every size runs in a process of its own, so that its peak is its own; what the program holds before it has made
a world is told apart, as ``mib_empty``. ``per_board_ratio`` is the time a board takes among 512, over the time it takes
among 32, from the description of the evening to its first ``FIRST_S`` seconds: medians of repeats by turns. At first 32
boards sound far more often each than 512, who share the same budget, so ``per_delivery_ratio`` is told beside it.

Prints one line of JSON last; targets: ``per_board_ratio`` and ``per_delivery_ratio`` 1.2, ``mib_at_512`` 150,
``mib_at_2000`` 500, and ``most_boards`` 5,000. ``--quick`` leaves out 2,000 and 5,000, and takes shorter spans.
"""

from __future__ import annotations

import argparse
import gc
import json
import statistics
import subprocess
import sys
from time import process_time
from typing import Any

from evening import deliveries, evening, peak_mib
from leadlight.commands.compiled import IS_COMPILED
from leadlight.units import SECOND
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.world.assembly import World

FEW, MANY = 32, 512
SPANS_S = {FEW: 600, 128: 600, MANY: 600, 2000: 300, 5000: 60}
"""For how long each size is run: long enough for every window to be full, but for the largest."""
QUICK_SPANS_S = {FEW: 60, MANY: 60}
FIRST_S = 30
REPEATS = 5
QUICK_REPEATS = 2


def made(boards: int, interval_s: float = 1.0, duration_s: float = 3600.0) -> World:
    """Return a world of so many boards, all of which its leader keeps watch over."""
    changes = {"leader.roster_limit": max(boards, FEW), "leader.interval_s": interval_s}
    return World(evening(boards, duration_s).with_changes(changes))


def measured(boards: int, span_s: int, interval_s: float = 1.0) -> dict[str, Any]:
    """Return what a world of so many boards takes in this process, by name."""
    empty_mib = peak_mib()
    begun = process_time()
    world = made(boards, interval_s, max(3600.0, span_s))
    world.run_to(TrueInstant(span_s * SECOND))
    took_s = process_time() - begun
    return {
        "boards": boards,
        "span_s": span_s,
        "interval_s": interval_s,
        "took_s": round(took_s, 2),
        "mib_empty": round(empty_mib, 1),
        "mib": round(peak_mib(), 1),
        "ms_per_board": round(took_s / boards * 1e3, 2),
        "us_per_delivery": round(took_s / deliveries(world) * 1e6, 1),
    }


def apart(boards: int, span_s: int, interval_s: float = 1.0) -> dict[str, Any]:
    """Return the same from a process of its own."""
    words = [sys.executable, __file__, "--one", str(boards), str(span_s), str(interval_s)]
    found: dict[str, Any] = json.loads(subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True).stdout)
    return found


def ratios(repeats: int) -> tuple[float, float]:
    """Return the time per board, and per delivery, among many over that among few, from the first second on."""
    took: dict[int, list[tuple[float, float]]] = {FEW: [], MANY: []}
    for _ in range(repeats):
        for boards, found in took.items():
            gc.collect()
            begun = process_time()
            world = made(boards)
            world.run_to(TrueInstant(FIRST_S * SECOND))
            took_s = process_time() - begun
            found.append((took_s / boards, took_s / deliveries(world)))
    few, many = ([statistics.median(each) for each in zip(*took[boards], strict=True)] for boards in (FEW, MANY))
    return many[0] / few[0], many[1] / few[1]


def main() -> None:
    """Measure every size and print the figures."""
    parser = argparse.ArgumentParser(description="What a board costs a rehearsal in memory and time.")
    parser.add_argument("--quick", action="store_true", help="32 and 512 boards only, for a minute")
    one = ("BOARDS", "SECONDS", "INTERVAL")
    parser.add_argument("--one", nargs=3, type=float, metavar=one, help="one size, in this process")
    arguments = parser.parse_args()
    if arguments.one is not None:
        boards, span_s, interval_s = arguments.one
        print(json.dumps(measured(int(boards), int(span_s), interval_s)))
        return
    spans_s = QUICK_SPANS_S if arguments.quick else SPANS_S
    print(f"{'boards':>8}{'simulated':>12}{'memory':>12}{'a board':>12}{'a second of a board':>22}")
    rows = []
    for boards, span_s in spans_s.items():
        row = apart(boards, span_s)
        rows.append(row)
        board_kib = (row["mib"] - row["mib_empty"]) * 1024 / boards
        second_us = row["ms_per_board"] / span_s * 1e3
        print(f"{boards:>8}{span_s:>10} s{row['mib']:>8.0f} MiB{board_kib:>8.0f} KiB{second_us:>19.0f} µs")
    peaks = {f"mib_at_{row['boards']}": row["mib"] for row in rows}
    per_board, per_delivery = ratios(QUICK_REPEATS if arguments.quick else REPEATS)
    print(
        json.dumps(
            {
                "per_board_ratio": round(per_board, 3),
                "per_delivery_ratio": round(per_delivery, 3),
                "mib_empty": rows[0]["mib_empty"],
                **peaks,
                "most_boards": max(spans_s),
                "compiled": IS_COMPILED,
            }
        )
    )


if __name__ == "__main__":
    main()
