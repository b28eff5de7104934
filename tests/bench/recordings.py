"""Known airs recorded many times: how often bounds contain what the air is, and how good rehearsals on fits are.

    python tests/bench/recordings.py [--quick] [--recordings 200]

1. Five minutes of each air by the recorder's plan, again and again with other seeds, none of which anything was chosen
   by. The air's own quantiles, p50, p90 and p99 of each way, are of a day of packets. A bound of 95 % by blocks is to
   contain them in 90 % of all recordings. Told beside it is how wide bounds are: half of that over the quantile.
   Delays are the air's: how near a recording's clocks come to those `tests/sim/test_recorded_airs.py` holds.
2. Rehearsed on a fit and on the air that was recorded, with the seeds that were recorded, so that what comes and goes
   on that air does so alike: the worst follower's p95, and what believing the latest beacon costs.
"""

from __future__ import annotations

import argparse
import dataclasses
import statistics
import time
import tomllib
from collections.abc import Iterable
from typing import Any, Final
from unittest.mock import patch

import numpy as np

from leadlight.recording import Plan
from leadlight.units import SECOND
from leadlight_sim.air.choice import preset
from leadlight_sim.fitting import fit, to_toml
from leadlight_sim.fitting.again import carried
from leadlight_sim.fitting.bounds import block_of, quantiles_known
from leadlight_sim.kernel import Stream, Streams
from leadlight_sim.measures import rehearse
from leadlight_sim.recording import HostObserved, Observed, Way, observe
from leadlight_sim.scenario import Scenario, check_scenario
from leadlight_sim.testing import record_virtually
from leadlight_sim.world import assembly

HOST: Final = {"machine": "microcontroller"}
HOSTS: Final = ("jetty", "reed beds", "willow")
PRESETS: Final = ("idle", "busy", "dozing", "model-e")
SHARES: Final = (0.5, 0.9, 0.99)
WAYS: Final = ("round_trip", "up", "down", "group")
LONG_RUNS: Final = 200
FRESH: Final = 50_000
"""Recordings have seeds from here on."""
SECONDS: Final = 300.0
CONTAINED: Final = 0.90
NEAR: Final = 0.15


def known(air: dict[str, Any], seed: int = 3, **more: Any) -> Scenario:
    """Return a scenario on a known air."""
    plain: dict[str, Any] = {
        "name": "Known",
        "run": {"duration_s": 300, "seed": seed, "settle_s": 20},
        "leader": {"name": "boathouse", "wired": True, "host": HOST},
        "followers": [{"name": host, "pixels": 100, "host": HOST} for host in HOSTS],
        "shows": [{"id": "tidefall", "duration_s": 290}],
        "cues": [{"at_s": 5, "show": "tidefall"}],
        "air": air,
    }
    return check_scenario(plain | more, "known")


def air_of(preset: str) -> dict[str, Any]:
    """Return an air whose least delays are the same both ways: what else they are no recording can tell."""
    return {"preset": preset, "floor_asymmetry": 0.0}


def sent(seconds: float, seed: int) -> Observed:
    """Return the packets that a recorder sends by its plan, to the group and to each host, without their delays."""
    plan, draws = Plan(round(seconds * SECOND)), np.random.Generator(np.random.PCG64(seed))

    def way(interval_ns: int) -> Way:
        count = round(seconds * SECOND) // interval_ns
        dither = draws.uniform(-plan.dither_share, plan.dither_share, count)
        return Way((np.arange(count) + 0.5 + dither) * interval_ns, np.ones(count))

    group = way(plan.group_interval_ns)
    made = [(host, way(plan.host_interval_for(len(HOSTS)))) for host in HOSTS]
    hosts = tuple(HostObserved(host, up=probes, down=probes, group=group) for host, probes in made)
    return Observed("", hosts, seconds * SECOND)


def coverage(name: str, recordings: int, long_s: float) -> tuple[dict[tuple[str, float], float], float]:
    """Return the share of recordings whose bounds contain each of the air's own quantiles, and how wide bounds are."""
    settings = dataclasses.replace(preset(name), floor_asymmetry=0.0)
    longs = [carried(sent(long_s, seed), settings, seed) for seed in range(1000, 1000 + LONG_RUNS)]
    pooled = {way: np.concatenate([each.delays for one in longs for each in one.ways(way)]) for way in WAYS}
    aims = {way: np.quantile(delays, SHARES) for way, delays in pooled.items()}
    inside = {(way, share): 0 for way in WAYS for share in SHARES}
    widths = []
    for seed in range(FRESH, FRESH + recordings):
        observed = carried(sent(SECONDS, seed), settings, seed)
        block_ns = block_of(observed)
        for way in WAYS:
            bounds = quantiles_known(observed.ways(way), SHARES, block_ns)
            for share, aim, bound in zip(SHARES, aims[way], bounds, strict=True):
                inside[way, share] += bound.low <= aim <= bound.high
                widths.append((bound.high - bound.low) / 2 / aim)
    return {key: count / recordings for key, count in inside.items()}, statistics.fmean(widths)


def on_fit(preset: str, seed: int) -> Scenario:
    """Return the scenario on the air that was learnt from a recording."""
    made = record_virtually(SECONDS, scenario=known(air_of(preset)), seed=seed, hosts=HOSTS)
    observed = observe(made.recording, preset)
    learnt = tomllib.loads(to_toml(fit(observed), observed, ()))["air"]
    return known(air_of("idle") | learnt, seed)


class Replayed(Streams):
    """Random streams of which those that tell how load and loss come and go are a recording's, whatever the seed."""

    recorded = 0
    """The recording's seed."""

    def stream(self, *names: str) -> Stream:
        """Return the stream of this name."""
        if names[0] == "air" and names[1] in ("congestion", "channel", "shared channel", "access point", "floor"):
            return Streams(self.recorded).stream(*names)
        return super().stream(*names)


def rehearsed(scenario: Scenario, seeds: Iterable[int]) -> tuple[float, float]:
    """Return the means over seeds of the worst follower's clock error and latest beacon, p95 in ms."""
    found = []
    for seed in seeds:
        scores = rehearse(scenario, seed).scores.followers
        found.append([max(score.error_ms.p95 for score in scores), max(score.naive_error_ms.p95 for score in scores)])
    clock, latest = (statistics.fmean(values) for values in zip(*found, strict=True))
    return clock, latest


def evenings(preset: str, recordings: int, draws: int) -> list[tuple[float, float, float, float]]:
    """Return, recording by recording, the clock's and the latest beacon's p95: on the air as recorded, and on the fit.

    The former is the air itself with its load and its losses as they came in the recording, and other packets.
    """
    found = []
    for seed in range(recordings):
        seeds = [1000 * seed + draw for draw in range(draws)]
        Replayed.recorded = seed
        with patch.object(assembly, "Streams", Replayed):
            itself = rehearsed(known(air_of(preset), seed), seeds)
        found.append((*itself, *rehearsed(on_fit(preset, seed), seeds)))
    return found


def main() -> None:
    """Measure and print; end with 1 where a target is missed."""
    parser = argparse.ArgumentParser(description="Bounds and rehearsals on fits of recorded known airs.")
    parser.add_argument("--quick", action="store_true", help="a recording of two airs: whether it runs")
    parser.add_argument("--recordings", type=int, default=200)
    parser.add_argument("--only", help="one air")
    parser.add_argument("--part", choices=("bounds", "rehearsals"), help="one part")
    arguments = parser.parse_args()
    recordings = 1 if arguments.quick else arguments.recordings
    presets = (arguments.only,) if arguments.only else PRESETS[1:3] if arguments.quick else PRESETS
    missed = False
    for name in presets:
        began = time.perf_counter()
        if arguments.part != "rehearsals":
            found, width = coverage(name, recordings, 60.0 if arguments.quick else 400.0)
            words = ", ".join(f"{way} p{share * 100:g} {inside:.0%}" for (way, share), inside in found.items())
            total = statistics.fmean(found.values())
            missed |= total < CONTAINED and not arguments.quick
            took = f"{time.perf_counter() - began:.0f} s"
            least = min(found.values())
            print(f"{name}: bounds contain the air {total:.1%}, at least {least:.1%}; {width:.0%} wide; {took}")
            print(f"  ({words})", flush=True)
        if arguments.part != "bounds":
            found_ms = evenings(name, 1 if arguments.quick else min(recordings, 8), 1 if arguments.quick else 4)
            clock, latest, clock_fit, latest_fit = (statistics.fmean(values) for values in zip(*found_ms, strict=True))
            near = all(abs(ratio - 1) <= NEAR for ratio in (clock_fit / clock, latest_fit / latest))
            missed |= not near and not arguments.quick
            print(
                f"{name}: clock p95 {clock:.3f} ms on the air as recorded, {clock_fit:.3f} ms on the fit "
                f"({clock_fit / clock:.2f}); latest beacon p95 {latest:.1f} and {latest_fit:.1f} ms "
                f"({latest_fit / latest:.2f}); {time.perf_counter() - began:.0f} s",
                flush=True,
            )
    raise SystemExit(missed)


if __name__ == "__main__":
    main()
