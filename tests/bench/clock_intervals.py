"""What a beacon interval costs: the error for intervals from 0.05 to 10 s, in a table and a drawing.

Two intervals are there for what they hide: 0.512 and 1.024 s are five and ten of an access point's own intervals of
102.4 ms. Where it holds group frames for dozing stations, beacons sent in that rhythm always wait for nearly the same
time, up to 100 ms, that no listener can see. A leader dithers its beacons against this; both are shown.

Run with ``PYTHONPATH=protocol:sim python tests/bench/clock_intervals.py``: writes ``sim/INTERVALS.md`` and
``sim/intervals.png``, ten minutes on two cores. ``--quick`` tries four intervals of one model and writes
nothing. The last line is JSON: p95 of the error in ms, by model, interval and estimator.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections import defaultdict
from pathlib import Path
from unittest.mock import patch

import matplotlib as mpl

from clock_comparison import (
    COMMON_VIEW,
    MODES,
    ONLY_BEACONS,
    SHARED_DELAY,
    SOUNDINGS,
    Seen,
    Task,
    all_runs,
    perform,
    pooled,
)
from leadlight.leader import beacon_times

INTERVALS_S = (0.05, 0.1, 0.25, 0.5, 0.512, 1.0, 1.024, 2.0, 5.0, 10.0)
MODELS = {"model-a": "A idle", "model-b": "B busy", "model-c": "C dozing", "model-e": "E congested"}
FIRST_SEED = 2000
SEEDS = 4
DURATION_S = 600
SHOWN = ("latest beacon", "lower hull", *MODES)
STYLES = {ONLY_BEACONS: "o-", SOUNDINGS: "s-", SHARED_DELAY: "^-", COMMON_VIEW: "D-"}

SIM = Path(__file__).parents[2] / "sim"
PAGE = SIM / "INTERVALS.md"
PICTURE = SIM / "intervals.png"
PREFACE = f"""# What a beacon interval costs

Written by `tests/bench/clock_intervals.py`; do not edit. Everything is from the simulator, nothing from a radio.
{SEEDS} seeds from {FIRST_SEED} on; eight followers; 10 % loss in bursts of five seconds or so; scored every
0.25 s, from 60 s on for {DURATION_S} s. Each cell has two 95th percentiles in ms: of the error to the leader, and of
the difference between two followers.

![Error against beacon interval, a panel for each network](intervals.png)

*Without dither* shows a trap. An access point whose stations doze holds group frames until its own beacons, every
102.4 ms or a multiple. Beacons sent once in 0.512 or 1.024 s keep step with that rhythm: each waits nearly as long as
the one before, and no listener can tell that wait from a clock that is off. So a leader dithers its beacons by up to
a fifth of the interval, and `leadlight tune` warns of intervals that keep step. The library refuses none of them: with
dither and Soundings they do no harm.

With Soundings the interval matters little: how often a follower asks does not depend on it. What followers know from
each other comes with the beacons, and is the less close the rarer those are. And time is lost to learn of a cue, of a
restart, of a leader that is gone; `leadlight tune` weighs that. Beacons every 0.05 s are no gain for a board that has
nothing else, and where stations doze a loss: beacons so close together are taken for less than as many witnesses.
"""

Figures = dict[tuple[str, bool, float, str], tuple[float, float]]


def perform_undithered_too(task: Task) -> tuple[Task, dict[str, Seen]]:
    """Make one run, with a leader that does not dither if the task says so."""
    # No setting of the library would do such a thing: it is changed in this process alone.
    share = beacon_times.DITHER_SHARE if task.dithered else 0.0
    with patch.object(beacon_times, "DITHER_SHARE", share):
        return perform(task)


def try_intervals(quick: bool, workers: int) -> None:
    """Run all intervals, print the tables and a JSON line; write page and picture unless ``quick``."""
    intervals = INTERVALS_S[3:7] if quick else INTERVALS_S
    models = ("model-c",) if quick else tuple(MODELS)
    seeds, duration_s = (1, 300) if quick else (SEEDS, DURATION_S)
    tasks = [
        Task(model, FIRST_SEED + number, duration_s, interval_s, dithered)
        for interval_s in intervals
        for number in range(seeds)
        for model in models
        # Without dither only where the access point's rhythm matters.
        for dithered in ((True, False) if model == "model-c" else (True,))
    ]
    spreads = defaultdict(list)
    for task, seen in all_runs(tasks, workers, perform_undithered_too):
        for estimator in SHOWN:
            spreads[task.model, task.dithered, task.interval_s, estimator].append(seen[estimator])
    figures: Figures = {
        key: (
            pooled([one.error for one in each]).percentile(95),
            pooled([one.pair for one in each]).percentile(95),
        )
        for key, each in spreads.items()
    }
    lines = []
    for model, dithered in {(model, dithered): None for model, dithered, _, _ in figures}:
        lines += [
            f"\n**{_title(model, dithered)}**: p95 of error / pair, ms\n",
            "| estimator | " + " | ".join(f"{interval_s:g} s" for interval_s in intervals) + " |",
            "|---" * (len(intervals) + 1) + "|",
        ]
        for estimator in SHOWN:
            cells = []
            for interval_s in intervals:
                error, pair = figures[model, dithered, interval_s, estimator]
                cells.append(f"{error:.3g} / {pair:.3g}")
            lines.append(f"| {estimator} | " + " | ".join(cells) + " |")
    tables = "\n".join(lines) + "\n"
    print(tables)
    if not quick:
        PAGE.write_text(PREFACE + tables, encoding="utf-8")
        _draw(figures, PICTURE)
        print(f"wrote {PAGE} and {PICTURE}", file=sys.stderr)
    plain = {
        f"{model}{'' if dithered else ' without dither'}, {interval_s:g} s, {estimator}": round(error, 4)
        for (model, dithered, interval_s, estimator), (error, _) in figures.items()
    }
    print(json.dumps(plain))


def _title(model: str, dithered: bool) -> str:
    return MODELS[model] + ("" if dithered else ", without dither")


def _draw(figures: Figures, picture: Path) -> None:
    mpl.use("Agg")
    from matplotlib import pyplot as plt

    panels = list({(model, dithered): None for model, dithered, _, _ in figures})
    figure, axes = plt.subplots(
        1, len(panels), figsize=(3.0 * len(panels), 4.4), sharey=True, squeeze=False, layout="constrained"
    )
    for place, (model, dithered) in zip(axes[0], panels, strict=True):
        for estimator in SHOWN:
            points = sorted(
                (interval_s, error)
                for (of, with_dither, interval_s, who), (error, _) in figures.items()
                if (of, with_dither, who) == (model, dithered, estimator)
            )
            place.plot(*zip(*points, strict=True), STYLES.get(estimator, ":"), label=estimator, markersize=4)
        for trap_s in (0.512, 1.024):
            place.axvline(trap_s, color="0.8", zorder=0)
        place.set(title=_title(model, dithered), xscale="log", yscale="log", xlabel="beacon interval, s")
        place.grid(True, which="major", alpha=0.3)
    axes[0][0].set_ylabel("error to the leader, p95, ms")
    figure.legend(*axes[0][0].get_legend_handles_labels(), loc="outside lower center", ncols=len(SHOWN), fontsize=9)
    figure.suptitle("Grey: five and ten of an access point's own intervals of 102.4 ms", fontsize=9)
    figure.savefig(picture, dpi=130)
    plt.close(figure)


def main() -> None:
    """Try all intervals."""
    parser = argparse.ArgumentParser(description="Try beacon intervals from 0.05 to 10 s and draw what they cost.")
    parser.add_argument("--quick", action="store_true", help="four intervals of one model")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args()
    try_intervals(asked.quick, asked.workers)


if __name__ == "__main__":
    main()
