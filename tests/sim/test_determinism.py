"""One scenario and one seed make one run, wherever and however often it is run."""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
from functools import cache

import pytest

from leadlight.units import SECOND
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.measures.rehearsal import rehearse
from leadlight_sim.measures.scoring import Scorer
from leadlight_sim.scenario.files import load_shipped
from leadlight_sim.scenario.model import Scenario
from leadlight_sim.world.assembly import World

SEED = 4

pytestmark = pytest.mark.slow


@cache
def half_a_minute() -> Scenario:
    """The shipped evening's beginning, with a board and the leader losing power: everything a trace can hold."""
    return (
        load_shipped()
        .with_changes(
            {
                "run.duration_s": 30.0,
                "run.settle_s": 5.0,
                "cues": [{"at_s": 10.0, "show": "tidefall"}, {"at_s": 21.0, "show": "embers"}],
                "faults": [
                    {"kind": "power-cut", "follower": "gatehouse", "at_s": 12.0, "for_s": 3.0},
                    {"kind": "leader-reboot", "at_s": 18.0, "for_s": 4.0},
                ],
            }
        )
    )


@cache
def expected_hash() -> str:
    return rehearse(half_a_minute(), SEED).trace_hash


ELSEWHERE = """
import sys
from leadlight_sim.measures.rehearsal import rehearse
from leadlight_sim.scenario.model import Scenario
print(rehearse(Scenario.model_validate_json(sys.stdin.read()), int(sys.argv[1])).trace_hash)
"""


@pytest.mark.thorough_except(hash_seed="1")
@pytest.mark.parametrize("hash_seed", ["0", "1", "2"])
def test_another_process_with_any_hash_seed_does_the_same(hash_seed: str) -> None:
    finished = subprocess.run(
        [sys.executable, "-c", ELSEWHERE, str(SEED)],
        input=half_a_minute().model_dump_json(exclude_unset=True),
        env={**os.environ, "PYTHONHASHSEED": hash_seed, "PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert finished.stdout.strip() == expected_hash()


# From Python 3.12 on, forking beside threads is warned of; the numerical libraries' own threads do nothing here.
@pytest.mark.filterwarnings("ignore:.*fork:DeprecationWarning")
@pytest.mark.parametrize("method", ["spawn", "fork"])
def test_a_worker_process_does_the_same_however_it_was_started(method: str) -> None:
    if method not in multiprocessing.get_all_start_methods():
        pytest.skip(f"this system cannot {method}")
    with multiprocessing.get_context(method).Pool(1) as pool:
        assert pool.apply(rehearse, (half_a_minute(), SEED)).trace_hash == expected_hash()


def test_runs_in_one_process_leave_nothing_behind() -> None:
    rehearse(half_a_minute(), SEED + 1)
    assert rehearse(half_a_minute(), SEED).trace_hash == expected_hash()


def test_two_worlds_run_by_turns_do_not_touch_each_other() -> None:
    worlds = [World(half_a_minute(), SEED), World(half_a_minute(), SEED)]
    for second in range(31):
        for world in worlds:
            world.run_to(TrueInstant(second * SECOND))
    assert {world.trace.hexdigest() for world in worlds} == {expected_hash()}


def test_looking_on_changes_nothing() -> None:
    bare, scored = World(half_a_minute(), SEED), World(half_a_minute(), SEED)
    bare.run_to(bare.end)
    Scorer(scored, timeline=True).run(scored.end)
    assert bare.trace.hexdigest() == scored.trace.hexdigest() == expected_hash()


def test_another_seed_is_another_evening() -> None:
    hashes = {rehearse(half_a_minute(), seed).trace_hash for seed in range(SEED, SEED + 4)}
    assert len(hashes) == 4


def test_the_scenarios_own_seed_is_the_one_that_is_used() -> None:
    assert rehearse(half_a_minute().with_changes({"run.seed": SEED})).trace_hash == expected_hash()


def test_figures_are_repeated_and_not_only_traces() -> None:
    first, second = (rehearse(half_a_minute(), SEED).to_json() for _ in range(2))
    del first["wall_s"], second["wall_s"]
    assert first == second
