"""The command `tune` at work: real rehearsals, workers, interruption, files."""

from __future__ import annotations

import argparse
import dataclasses
import json
import os
import signal
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

from leadlight.commands import cli
from leadlight.errors import ConfigurationError, LeadlightError
from leadlight.terms import Delivery
from leadlight_sim.commands.tune import TuneCommand
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.tune import workers as tune_workers
from leadlight_sim.tune.advice import recommend
from leadlight_sim.tune.figure import draw, save
from leadlight_sim.tune.results import RunFigures, standings

AS_IT_IS = (Delivery.AUTOMATIC,)

GARDEN = """
name = "Garden"
[run]
duration_s = 30
settle_s = 10
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


@pytest.fixture
def garden(tmp_path: Path) -> str:
    path = tmp_path / "garden.toml"
    path.write_text(GARDEN)
    return str(path)


def tune(*words: str) -> int:
    parser = argparse.ArgumentParser()
    command = TuneCommand()
    command.add_arguments(parser)
    return command.run(parser.parse_args(words))


def scenario() -> Scenario:
    return check_scenario(tomllib.loads(GARDEN), "garden.toml")


def ordered(runs: list[tune_workers.FinishedRun]) -> list[RunFigures]:
    return sorted((run.figures for run in runs), key=lambda run: (run.delivery, run.interval_s, run.seed))


@pytest.mark.slow
def test_the_same_results_come_with_one_job_and_with_two_and_however_workers_start() -> None:
    runs = tune_workers.planned_runs(scenario(), (2.0,), (Delivery.GROUP, Delivery.COPIES), 2)
    alone = ordered(list(tune_workers.sweep(runs, 1)))
    assert len({run.trace_hash for run in alone}) == 4
    assert ordered(list(tune_workers.sweep(runs, 2))) == alone
    if sys.platform != "win32":
        assert ordered(list(tune_workers.sweep(runs, 2, start_method="forkserver"))) == alone


@pytest.mark.slow
def test_a_worker_that_dies_is_named_by_its_run() -> None:
    # Nobody to score: what no checked scenario can be.
    runs = tune_workers.planned_runs(scenario(), (0.5, 1.0), AS_IT_IS, 1)
    broken = runs[1].model_copy(update={"followers": ()})
    with pytest.raises(tune_workers.SweepError, match=r"the run at 1 s by delivery automatic with seed 7 ended before"):
        list(tune_workers.sweep([runs[0], broken], 2))


@pytest.mark.slow
def test_it_tells_a_table_a_recommendation_and_how_to_repeat_it(
    garden: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    document, picture = tmp_path / "tune.json", tmp_path / "tune.svg"
    code = tune(
        garden,
        *("--intervals", "1,0.512", "--seeds", "2", "--jobs", "1", "--duration", "25", "--target-ms", "9"),
        *("--set", "air.preset=idle", "--json", str(document), "--figure", str(picture)),
    )
    out, progress = capsys.readouterr()
    assert code == 0
    assert "Garden: 25 s a run, seeds 7 to 8" in out
    assert "Recommended beacon interval: 1 s." in out
    assert "Warning: 0.512 s is 5 times the 102.4 ms" in out
    assert "PARTIAL" not in out
    assert f"Reproduce: leadlight tune {garden} --intervals 0.512,1 --seeds 2 --set air.preset=idle" in out
    assert "--duration 25 --target-ms 9" in out
    assert len(progress.splitlines()) == 4
    told = json.loads(document.read_text())
    assert told["recommendation"]["interval_s"] == 1.0
    assert told["targets"]["error_p95_ms"] == 9.0
    assert told["partial"] is False
    assert [[run["seed"] for run in each["runs"]] for each in told["intervals"]] == [[7, 8], [7, 8]]
    assert picture.read_text().startswith("<?xml")
    # Who asks for an interval only is told nothing of deliveries; a program finds which it was.
    assert "eliver" not in out + progress
    assert (told["deliveries"], told["recommendation"]["delivery"]) == (["automatic"], "automatic")


@pytest.mark.slow
def test_deliveries_are_swept_with_every_interval_and_told_one_by_one_and_side_by_side(
    garden: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    document, picture = tmp_path / "tune.json", tmp_path / "tune.svg"
    words = ["--intervals", "1,2", "--deliveries", "copies,group", "--seeds", "1", "--airtime", "0.02"]
    code = tune(garden, *words, "--jobs", "1", "--json", str(document), "--figure", str(picture))
    out, progress = capsys.readouterr()
    assert code == 0
    assert len(progress.splitlines()) == 4
    assert "run 1 of 4: interval 1 s, delivery group, seed 7" in progress
    told = json.loads(document.read_text())
    assert told["deliveries"] == ["group", "copies"]
    assert [(each["delivery"], each["interval_s"]) for each in told["intervals"]] == [
        *(("group", 1.0), ("group", 2.0), ("copies", 1.0), ("copies", 2.0))
    ]
    for each in told["intervals"]:
        assert [(run["delivery"], run["interval_s"]) for run in each["runs"]] == [
            (each["delivery"], each["interval_s"])
        ]
        # Copies alone reach every board, too: told where its leader is, it asks for them.
        assert each["runs"][0]["error_p95_ms"] < 12.5
    recommended = told["recommendation"]
    assert recommended["meets_targets"] is True
    assert recommended["headline"] in out
    least = min((each for each in told["intervals"]), key=lambda each: each["over_seeds"]["airtime_share"]["high"])
    assert (recommended["delivery"], recommended["interval_s"]) == (least["delivery"], least["interval_s"])
    assert out.index("Delivery group: to the group alone") < out.index("Delivery copies: a copy to each board")
    assert out.index("Delivery copies: a copy") < out.index("The most airtime") < out.index("Recommended: ")
    assert f"Reproduce: leadlight tune {garden} --intervals 1,2 --deliveries copies,group --seeds 1" in out
    assert picture.read_text().startswith("<?xml")


@pytest.mark.slow
@pytest.mark.parametrize("width", [60, 80, 120])
def test_no_figure_in_a_table_is_cut_however_narrow_the_terminal(
    width: int, garden: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    words = ["--intervals", "1,1.25,1.5,2", "--deliveries", "group,both", "--seeds", "2", "--target-ms", "0.001"]
    tune(garden, *words, "--jobs", "1")
    out = capsys.readouterr().out
    table = out[: out.index("None of the 8 combinations")]
    assert "…" not in table
    assert table.count("error, p95 !") == 8
    drawn = [line for line in table.splitlines() if line.startswith(" ")]
    assert max(map(len, drawn)) <= width


def test_an_interrupted_sweep_prints_what_is_finished_and_says_that_it_is_partial(
    garden: str, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    finish = tune_workers.finish_run
    finished: list[Scenario] = []

    def strike_the_third(run: Scenario) -> tune_workers.FinishedRun:
        finished.append(run)
        if len(finished) == 3:
            raise KeyboardInterrupt
        return finish(run)

    monkeypatch.setattr(tune_workers, "finish_run", strike_the_third)
    document = tmp_path / "tune.json"
    code = tune(garden, "--intervals", "0.5,1", "--seeds", "2", "--jobs", "1", "--json", str(document))
    out = capsys.readouterr().out
    assert code == 130
    assert "PARTIAL: 2 of 4 runs were finished." in out
    assert "1 of 2" in out
    assert "No recommendation is made from a part of the runs." in out
    told = json.loads(document.read_text())
    assert told["partial"] is True
    assert told["recommendation"] is None
    assert sum(len(each["runs"]) for each in told["intervals"]) == 2


@pytest.mark.slow
def test_an_interrupted_sweep_of_several_deliveries_names_them_though_one_alone_had_begun(
    garden: str, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    finish = tune_workers.finish_run
    finished: list[Scenario] = []

    def strike_the_second(run: Scenario) -> tune_workers.FinishedRun:
        finished.append(run)
        if len(finished) == 2:
            raise KeyboardInterrupt
        return finish(run)

    monkeypatch.setattr(tune_workers, "finish_run", strike_the_second)
    document, picture = tmp_path / "tune.json", tmp_path / "tune.svg"
    words = ["--intervals", "1,2", "--deliveries", "group,copies", "--seeds", "1", "--jobs", "1"]
    assert tune(garden, *words, "--json", str(document), "--figure", str(picture)) == 130
    out = capsys.readouterr().out
    assert "PARTIAL: 1 of 4 runs were finished." in out
    assert "Delivery group: to the group alone" in out
    assert "No recommendation is made from a part of the runs." in out
    told = json.loads(document.read_text())
    assert [(each["delivery"], each["interval_s"]) for each in told["intervals"]] == [("group", 1.0)]
    assert "partial: 1 of 4 runs were finished" in picture.read_text()


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX signals")
def test_ctrl_c_ends_the_workers_at_once_and_keeps_what_they_had_finished(garden: str) -> None:
    code = (
        "import argparse, sys; from leadlight_sim.commands.tune import TuneCommand as T; p = argparse.ArgumentParser();"
        "T().add_arguments(p); sys.exit(T().run(p.parse_args(sys.argv[1:])))"
    )
    words = [garden, "--seeds", "500", "--jobs", "2", "--intervals", "0.5,1"]
    process = subprocess.Popen(
        [sys.executable, "-c", code, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # A terminal sends Ctrl-C to the whole process group.
        start_new_session=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert process.stderr is not None
    first = process.stderr.readline()
    try:
        os.killpg(process.pid, signal.SIGINT)
        out, progress = process.communicate(timeout=30)
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
    assert first.startswith("run 1 of 1000")
    assert process.returncode == 130
    assert "Traceback" not in progress
    assert "PARTIAL: " in out


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (["--intervals", "0.5,soon"], "--intervals"),
        (["--intervals", "0.01"], "--intervals"),
        (["--deliveries", "foo"], "--deliveries: 'foo'"),
        (["--deliveries", ""], "--deliveries: ''"),
        (["--deliveries", "group,both,group"], "--deliveries: 'group,both,group'"),
        (["--deliveries", "group", "--deliveries", "both"], "--deliveries: 'group and both'"),
        (["--seeds", "0"], "--seeds"),
        (["--jobs", "0"], "--jobs"),
        (["--duration", "31"], "--duration: '31'"),
        (["--duration", "soon"], "--duration: 'soon'"),
        (["--duration", "5"], "--duration: '5'"),
        (["--target-ms", "0"], "--target-ms"),
        (["--target-pair-ms", "nan"], "--target-pair-ms"),
        (["--target-join-s", "-1"], "--target-join-s"),
        (["--airtime", "2"], "--airtime"),
        (["--figure", "tune.pdf"], "--figure"),
        (["--json", "no/such/folder/tune.json"], "--json"),
        (["--set", "leader.interval=1"], "leader.interval"),
    ],
)
def test_trouble_is_told_before_any_run_is_made(
    words: list[str], named: str, garden: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_run(_run: Scenario) -> Any:
        pytest.fail("a run was made")

    monkeypatch.setattr(tune_workers, "finish_run", no_run)
    with pytest.raises(LeadlightError, match=named):
        tune(garden, "--jobs", "1", *words) if "--jobs" not in words else tune(garden, *words)


@pytest.mark.parametrize("text", ["foo", "", "group,group"])
def test_a_delivery_that_is_none_ends_with_one_line_and_code_2_and_writes_nothing(
    text: str, garden: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = sorted(tmp_path.iterdir())
    words = ["--deliveries", text, "--json", str(tmp_path / "tune.json"), "--figure", str(tmp_path / "tune.png")]
    assert cli.main(["tune", garden, *words]) == 2
    out, said = capsys.readouterr()
    assert out == ""
    assert said.splitlines() == [
        f"leadlight: --deliveries: {text!r} is not allowed; allowed: each at most once, separated by commas: "
        "automatic, group, copies, both"
    ]
    assert sorted(tmp_path.iterdir()) == files


def test_a_scenario_that_is_not_there_is_refused() -> None:
    with pytest.raises(LeadlightError, match="neither a file nor a shipped scenario"):
        tune("no-such-garden")


@pytest.mark.slow
def test_the_figure_shows_runs_that_never_joined_and_is_the_same_each_time(tmp_path: Path) -> None:
    (run,) = tune_workers.sweep(tune_workers.planned_runs(scenario(), (1.0,), AS_IT_IS, 1), 1)
    never = dataclasses.replace(run.figures, interval_s=2.0, join_s=float("inf"), error_p95_ms=float("inf"))
    targets = {"error_p95_ms": 5.0, "join_s": 10.0}
    paths = tmp_path / "one.svg", tmp_path / "two.svg"
    for path in paths:
        found = standings([run.figures, never], targets)
        save(draw(found, targets, "Garden", "", recommend(found, targets)), path)
    assert paths[0].read_bytes() == paths[1].read_bytes()
    assert "1 never" in paths[0].read_text()


@pytest.mark.slow
def test_a_figure_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (run,) = tune_workers.sweep(tune_workers.planned_runs(scenario(), (1.0,), AS_IT_IS, 1), 1)
    with pytest.raises(LeadlightError, match=r"--figure .*tune\.png"):
        save(draw(standings([run.figures], {}), {}, "Garden", "", None), tmp_path / "none" / "tune.png")


def test_configuration_errors_name_the_option() -> None:
    with pytest.raises(ConfigurationError) as caught:
        tune_workers.intervals_from_text("often")
    assert caught.value.field == "--intervals"
