"""Runs on executors of every kind: the same order and figures, kept as they come, and none made twice."""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
import time
import tomllib
import tracemalloc
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import pytest

from leadlight.commands.cli import main
from leadlight_sim.measures import Figures
from leadlight_sim.runs import (
    Kept,
    KeptError,
    Run,
    RunError,
    TimeIsUp,
    Workers,
    in_order,
    in_process,
    on_cluster,
    on_processes,
)
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.tune import Choice, Question, Sweep, combinations, to_json
from leadlight_sim.tune.advice import advise

GARDEN = """
name = "Garden"
[run]
duration_s = 12
settle_s = 4
seed = 7
[[followers]]
name = "arch"
pixels = 300
[[followers]]
name = "hedge"
pixels = 500
[[shows]]
id = "first-light"
duration_s = 20
[[cues]]
at_s = 5
show = "first-light"
"""
SEEDS = range(7, 13)


def scenario() -> Scenario:
    return check_scenario(tomllib.loads(GARDEN), "garden.toml")


@pytest.fixture
def garden(tmp_path: Path) -> str:
    path = tmp_path / "garden.toml"
    path.write_text(GARDEN)
    return str(path)


def runs(seeds: range = SEEDS) -> Iterator[Run]:
    described = scenario()
    for seed in seeds:
        yield Run(described.digest(), described, seed)


def planted(run: Run) -> Figures:
    """A stub evening; those of even seeds take longer, so that they finish out of order."""
    time.sleep(0.02 * (run.seed % 2 == 0))
    return Figures({"light_p95_ms": float(run.seed), "airtime_share": 0.01}, {"light_p95_ms": "arch"}, f"{run.seed:x}")


def dying(run: Run) -> Figures:
    os._exit(3)


@contextmanager
def threads(count: int) -> Iterator[Workers]:
    with ThreadPoolExecutor(count) as executor:
        yield Workers(executor, count, 2 * count)


# --- Order ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [1, 2, 4])
def test_runs_come_in_the_order_in_which_they_were_asked_for(count: int) -> None:
    with threads(count) as workers:
        found = [finished.run.seed for finished in in_order(workers, runs(), work=planted)]
    assert found == list(SEEDS)


def test_only_so_many_are_asked_for_ahead() -> None:
    asked: list[int] = []

    def watched() -> Iterator[Run]:
        for run in runs():
            asked.append(run.seed)
            yield run

    with threads(1) as workers:
        results = in_order(workers, watched(), work=planted)
        next(results)
        assert asked == [7, 8]
        results.close()  # type: ignore[attr-defined]


@pytest.mark.slow
def test_what_finishes_beyond_the_point_of_stopping_is_kept_and_not_given(tmp_path: Path) -> None:
    with Kept(tmp_path / "kept", scenario().digest(), False, "--results") as kept, threads(4) as workers:
        results = in_order(workers, runs(), kept, work=planted)
        assert next(results).run.seed == 7
        results.close()  # type: ignore[attr-defined]
    held = [json.loads(line)["seed"] for line in (tmp_path / "kept").read_text().splitlines()]
    assert set(held) >= {7, 9}
    assert len(held) == len(set(held))


def test_time_ends_it_while_a_run_is_waited_for() -> None:
    def slow(run: Run) -> Figures:
        time.sleep(0.2)
        return planted(run)

    with threads(1) as workers, pytest.raises(TimeIsUp):
        list(in_order(workers, runs(), until=time.monotonic() + 0.05, work=slow))


@pytest.mark.slow
@pytest.mark.thorough_except(start_method="spawn")
@pytest.mark.parametrize("start_method", ["spawn", "fork", "forkserver"])
def test_real_evenings_are_the_same_on_processes_however_they_start(start_method: str) -> None:
    if sys.platform == "win32" and start_method != "spawn":
        pytest.skip("not there")
    few = range(7, 10)
    alone = [(finished.run.seed, finished.figures) for finished in in_order(in_process(), runs(few))]
    assert len({figures.trace_hash for _, figures in alone}) == 3
    with on_processes(2, start_method) as workers:
        assert [(finished.run.seed, finished.figures) for finished in in_order(workers, runs(few))] == alone


@pytest.mark.slow
def test_a_worker_that_dies_is_told_by_its_run() -> None:
    with on_processes(2) as workers, pytest.raises(RunError, match="a worker ended before its run with seed 7"):
        list(in_order(workers, runs(), work=dying))


# --- A cluster --------------------------------------------------------------------------------------------------------


@contextmanager
def local_cluster() -> Iterator[str]:
    """Start a scheduler and two workers, as their own programs, on the loopback interface."""
    place = Path(sys.executable).parent
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    port = 20_000 + os.getpid() % 20_000
    address = f"tcp://127.0.0.1:{port}"
    words = [str(place / "dask"), "scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"]
    started = [subprocess.Popen(words, **quiet)]  # type: ignore[call-overload]
    try:
        for _ in range(2):
            words = [str(place / "dask"), "worker", address, "--nthreads", "1", "--no-dashboard", "--no-nanny"]
            started.append(subprocess.Popen(words, **quiet))  # type: ignore[call-overload]
        yield address
    finally:
        for process in reversed(started):
            process.kill()
            process.wait()


@pytest.mark.slow
@pytest.mark.thorough
@pytest.mark.filterwarnings("ignore")
def test_a_cluster_of_two_workers_gives_the_same_evenings() -> None:
    pytest.importorskip("distributed")
    few = range(7, 11)
    alone = [(finished.run.seed, finished.figures) for finished in in_order(in_process(), runs(few))]
    with local_cluster() as address:
        deadline = time.monotonic() + 60
        while True:
            try:
                with on_cluster(address) as workers:
                    assert workers.count <= 2
                    if workers.count == 2:
                        found = [(each.run.seed, each.figures) for each in in_order(workers, runs(few))]
                        break
            except Exception:  # noqa: BLE001 - it is still coming up
                assert time.monotonic() < deadline
    assert found == alone


# --- Kept -------------------------------------------------------------------------------------------------------------


def test_no_run_is_made_twice_when_results_are_taken_up(tmp_path: Path) -> None:
    path, of = tmp_path / "kept", scenario().digest()
    with Kept(path, of, False, "--results") as kept:
        first = list(in_order(in_process(), runs(range(7, 10)), kept, work=planted))
    made: list[int] = []

    def counted(run: Run) -> Figures:
        made.append(run.seed)
        return planted(run)

    with Kept(path, of, True, "--resume") as kept:
        again = list(in_order(in_process(), runs(), kept, work=counted))
    assert made == [10, 11, 12]
    assert [each.figures for each in again[:3]] == [each.figures for each in first]
    assert len(path.read_text().splitlines()) == 6


def test_what_was_never_reached_comes_back_as_that(tmp_path: Path) -> None:
    path, of = tmp_path / "kept", scenario().digest()
    with Kept(path, of, False, "--results") as kept:
        kept.add(of, 1, Figures({"join_s": math.inf}, {"join_s": "arch"}, "ab"))
    with Kept(path, of, True, "--resume") as kept:
        assert kept.known(of, 1) == Figures({"join_s": math.inf}, {"join_s": "arch"}, "ab")
        assert kept.known(of, 2) is None


@pytest.mark.parametrize("torn", [b"{", b'{"of": "', b'{"of": 1}'])
def test_a_torn_last_line_is_left_out_and_written_over(tmp_path: Path, torn: bytes) -> None:
    path, of = tmp_path / "kept", scenario().digest()
    with Kept(path, of, False, "--results") as kept:
        kept.add(of, 1, Figures({}, {}))
    whole = path.read_bytes()
    path.write_bytes(whole + torn)
    with Kept(path, of, True, "--resume") as kept:
        assert len(kept) == 1
        kept.add(of, 2, Figures({}, {}))
    assert path.read_bytes().startswith(whole)
    assert [json.loads(line)["seed"] for line in path.read_bytes().splitlines()] == [1, 2]


def test_results_of_another_scenario_or_version_or_of_no_kind_are_refused(tmp_path: Path) -> None:
    path, of = tmp_path / "kept", scenario().digest()
    with Kept(path, of, False, "--results") as kept:
        kept.add(of, 1, Figures({}, {}))
    with pytest.raises(KeptError, match="line 1: of another scenario"):
        Kept(path, "00" * 16, True, "--resume")
    line = json.loads(path.read_text())
    path.write_text(json.dumps(line | {"code": "00"}) + "\n")
    with pytest.raises(KeptError, match="line 1: of another version"):
        Kept(path, of, True, "--resume")
    path.write_text("{}\n{}\n")
    with pytest.raises(KeptError, match="line 1: not a result"):
        Kept(path, of, True, "--resume")
    with pytest.raises(KeptError, match="holds something already"):
        Kept(path, of, False, "--results")
    with pytest.raises(KeptError, match="no such file"):
        Kept(tmp_path / "none", of, True, "--resume")


@pytest.mark.slow
def test_memory_does_not_grow_with_the_number_of_runs(tmp_path: Path) -> None:
    described = scenario()
    digest = described.digest()

    def most_memory(count: int) -> int:
        with Kept(tmp_path / str(count), digest, False, "--results") as kept:
            asked = (Run(digest, described, seed) for seed in range(count))
            tracemalloc.start()
            for _ in in_order(in_process(), asked, kept, work=lambda _: Figures({"airtime_share": 0.1}, {})):
                pass
            _, most = tracemalloc.get_traced_memory()
            tracemalloc.stop()
        return most

    few = most_memory(200)
    assert most_memory(3_000) < few + 14_000


# --- The whole sweep --------------------------------------------------------------------------------------------------

WORDS = ("--intervals", "0.5,1", "--share", "0.3", "--evenings", "2")


def swept(workers: Workers, kept: Kept | None = None) -> dict[str, object]:
    question = Question(scenario(), share=0.3, evenings=2)
    tried = combinations(question.scenario, [Choice("leader.interval_s", (0.5, 1.0))])
    outcome = Sweep(question, tried, lambda asked: in_order(workers, asked, kept)).run()
    return to_json(outcome, advise(outcome))


@pytest.mark.slow
@pytest.mark.thorough_except(count=2)
@pytest.mark.parametrize("count", [2, 4])
def test_a_sweep_gives_the_same_answer_with_any_number_of_workers(count: int) -> None:
    alone = swept(in_process())
    with on_processes(count) as workers:
        assert swept(workers) == alone
    assert alone["recommended"] is not None


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="there is no such signal there")
def test_a_sweep_that_is_killed_half_way_and_taken_up_gives_the_same_answer_and_repeats_nothing(
    garden: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept, whole, part = tmp_path / "kept", tmp_path / "whole.json", tmp_path / "part.json"
    assert main(["tune", garden, *WORDS, "--jobs", "1", "--json", str(whole)]) == 0
    words = [sys.executable, "-m", "leadlight", "tune", garden, *WORDS, "--jobs", "1", "--results", str(kept)]
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        while not kept.exists() or kept.read_bytes().count(b"\n") < 3:
            assert process.poll() is None
            time.sleep(0.01)
        process.kill()
    half = kept.read_bytes().count(b"\n")
    assert main(["tune", garden, *WORDS, "--jobs", "1", "--resume", str(kept), "--json", str(part)]) == 0
    lines = [json.loads(line) for line in kept.read_text().splitlines()]
    assert half < len(lines)
    assert len({(line["scenario"], line["seed"]) for line in lines}) == len(lines)
    first, second = json.loads(whole.read_text()), json.loads(part.read_text())
    assert first == second
    assert len(lines) == first["runs"]
    capsys.readouterr()


@pytest.mark.slow
@pytest.mark.thorough_except(number=signal.SIGTERM)
@pytest.mark.skipif(sys.platform == "win32", reason="signals are delivered otherwise there")
@pytest.mark.parametrize(("number", "code"), [(signal.SIGTERM, 143), (signal.SIGINT, 130)])
def test_a_signal_ends_it_at_once_with_what_is_known(garden: str, tmp_path: Path, number: int, code: int) -> None:
    kept = tmp_path / "kept"
    words = [sys.executable, "-m", "leadlight", "tune", garden, "--jobs", "2", "--results", str(kept)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        while not kept.exists() or kept.read_bytes().count(b"\n") < 3:
            assert process.poll() is None
            time.sleep(0.01)
        process.send_signal(number)
        out, err = process.communicate(timeout=30)
    assert process.returncode == code, err
    assert "No setting is proven." in out
    assert "It ended before it was done: it was" in out
    assert "Traceback" not in err


@pytest.mark.slow
def test_it_ends_within_the_time_that_it_was_given(garden: str, capsys: pytest.CaptureFixture[str]) -> None:
    began_at = time.monotonic()
    assert main(["tune", garden, "--share", "0.001", "--jobs", "1", "--time", "3s"]) == 0
    # Without a limit its test alone has thousands of evenings. Five seconds are for a machine that does much else.
    assert time.monotonic() - began_at < 3 + 5
    out = capsys.readouterr().out
    assert "It ended before it was done: time was up." in out
    assert "No setting is proven." in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--set", "targets.tight_pair_ms=50", "--set", 'tight_pairs=[{pieces=["arch","hedge"]}]'], "tight_pair_ms"),
        (["--vary", "leader.intervall_s=1,2"], "did you mean interval_s"),
        (["--vary", "leader.interval_s="], "--vary"),
        (["--intervals", "0.01"], "leader.interval_s"),
        (["--deliveries", "group,foo"], "leader.delivery"),
        (["--cluster", "tcp://127.0.0.1:1"], "cannot be reached"),
        (["--cluster", "tcp://127.0.0.1:1", "--jobs", "2"], "--jobs"),
        (["--jobs", "0"], "--jobs"),
        (["--share", "2"], "--share"),
        (["--resume", "no/such/file"], "no such file"),
        (["--figure", "tune.pdf"], "--figure"),
        (["--time", "1ms"], "--time"),
    ],
)  # fmt: skip
@pytest.mark.filterwarnings("ignore")
@pytest.mark.slow
def test_trouble_is_one_line_and_code_2(
    words: list[str], said: str, garden: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("leadlight_sim.runs.executing.CLUSTER_PATIENCE_S", 0.5)
    assert main(["tune", garden, *words]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert len(err.strip().splitlines()) == 1


@pytest.mark.slow
def test_the_figure_is_the_same_each_time_and_names_what_is_taken(garden: str, tmp_path: Path) -> None:
    first, second = tmp_path / "first.svg", tmp_path / "second.svg"
    for path in (first, second):
        assert main(["tune", garden, *WORDS, "--jobs", "1", "--figure", str(path)]) == 0
    assert first.read_bytes() == second.read_bytes()
    assert first.read_text().startswith("<?xml")
