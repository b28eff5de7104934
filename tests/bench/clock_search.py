"""The constants of the baselines: the best of a grid for each.

Every baseline is shown the same recorded samples of the five reference models with each setting of its grid. What is
made least is the geometric mean, over the models, of the error's 95th percentile from 60 s on: no model counts by its
size. The best lies inside the grid but for the moving average's gain and the PI servo's integral, which lie on its rim:
those two may have better constants still. Our own filter was tried with more settings than any baseline.

Seeds here begin at 300; the comparison's begin at 4000. Run with
``PYTHONPATH=protocol:sim python tests/bench/clock_search.py``; prints each baseline's grid with its scores.
"""

from __future__ import annotations

import argparse
import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial

import numpy as np

from clock_comparison import SCORE_EVERY_NS, SCORED_FROM_S, Recording, record
from leadlight.clock import Estimator
from leadlight.units import SECOND
from leadlight_sim.baselines import (
    ClockFilter,
    Kalman,
    LeastSquares,
    LowerHull,
    MovingAverage,
    PIServo,
    SlidingMinimum,
)

MODELS = ("model-a", "model-b", "model-c", "model-d", "model-e")
FIRST_SEED = 300
SEEDS = 8
FOLLOWERS = 2
"""A leader that is slower than all its followers would make a virtue of lagging: many seeds, few followers of each."""
DURATION_S = 1260

GRIDS: Mapping[Callable[..., Estimator], Mapping[str, Sequence[float]]] = {
    MovingAverage: {"gain": (1 / 2, 1 / 4, 1 / 8, 1 / 16), "path_gain": (1 / 64, 1 / 256, 1 / 512, 1 / 1024)},
    ClockFilter: {
        "stages": (8, 16, 32),
        "time_constant_s": (8.0, 16.0, 32.0, 64.0, 128.0),
        "measure_s": (0.0, 60.0, 120.0, 240.0),
    },
    PIServo: {
        "proportional": (0.4, 0.2, 0.1, 0.05),
        "integral": (0.01, 0.003, 0.001, 0.0003),
        "path_gain": (1 / 64, 1 / 256, 1 / 1024),
    },
    SlidingMinimum: {"window_s": (4.0, 8.0, 16.0, 32.0, 64.0), "round_trips_kept": (16, 32, 64, 128)},
    LeastSquares: {"window_s": (60.0, 120.0, 240.0, 480.0, 960.0), "path_gain": (1 / 32, 1 / 64, 1 / 128, 1 / 256)},
    LowerHull: {"window_s": (120.0, 240.0, 480.0, 960.0), "round_trips_kept": (128, 256, 512, 1024)},
    Kalman: {
        "noise_ns": (4e5, 1.6e6, 6.4e6),
        "wander": (30.0, 60.0, 120.0, 240.0),
        "path_gain": (1 / 64, 1 / 256, 1 / 1024),
    },
}


def settings(grid: Mapping[str, Sequence[float]]) -> Iterator[dict[str, float]]:
    """Yield every combination of a grid."""
    for values in itertools.product(*grid.values()):
        yield dict(zip(grid, values, strict=True))


def scores(model: str, seed: int, name: str) -> list[float]:
    """Return, for every setting of one baseline, the p95 error in ms over a run's followers."""
    recordings = _recorded(model, seed)
    make, grid = next((make, grid) for make, grid in GRIDS.items() if _name(make) == name)
    found = []
    begin = SCORED_FROM_S * SECOND // SCORE_EVERY_NS
    for setting in settings(grid):
        errors = [np.abs(recording.errors_ms(make(**setting))[begin:]) for recording in recordings]
        found.append(float(np.nanpercentile(np.concatenate(errors), 95)))
    return found


_known: dict[tuple[str, int], list[Recording]] = {}


def _recorded(model: str, seed: int) -> list[Recording]:
    if (model, seed) not in _known:
        _known[model, seed] = record(model, seed, DURATION_S)[:FOLLOWERS]
    return _known[model, seed]


def _name(make: Callable[..., Estimator]) -> str:
    return getattr(make, "__name__", str(make))


def main() -> None:
    """Search all grids and print them."""
    parser = argparse.ArgumentParser(description="Search the baselines' constants.")
    parser.add_argument("--seeds", type=int, default=SEEDS)
    parser.add_argument("--only", help="one baseline's class")
    asked = parser.parse_args()
    runs = [(model, FIRST_SEED + number) for model in MODELS for number in range(asked.seeds)]
    with ProcessPoolExecutor() as workers:
        for make, grid in GRIDS.items():
            name = _name(make)
            if asked.only not in (None, name):
                continue
            found = np.array(list(workers.map(partial(_job, name), runs)))
            by_model = np.array([found[[run[0] == model for run in runs]].mean(axis=0) for model in MODELS])
            means = np.exp(np.log(by_model).mean(axis=0))
            print(name)
            for place in np.argsort(means)[:6]:
                setting = list(settings(grid))[place]
                told = ", ".join(f"{key} {value:g}" for key, value in setting.items())
                each = " ".join(f"{value:.3f}" for value in by_model[:, place])
                print(f"  {means[place]:8.4f} ms  {told}   (A to E: {each})", flush=True)
            assert math.isfinite(means.min())


def _job(name: str, run: tuple[str, int]) -> list[float]:
    return scores(*run, name)


if __name__ == "__main__":
    main()
