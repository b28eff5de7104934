from __future__ import annotations

import io
import json
import os
import shlex
import subprocess
import sys
from collections.abc import Callable, Sequence
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest

from leadlight.commands import cli
from leadlight.commands.exits import EXIT_INTERRUPTED

SCENARIO = """
name = "two at the pond"
[run]
duration_s = 20
settle_s = 5
[[followers]]
name = "[bold]oak"
pixels = 90
[[followers]]
name = "elm"
pixels = 60
[[shows]]
id = "short"
duration_s = 10
[[cues]]
at_s = 6
show = "short"
"""

Capture = pytest.CaptureFixture[str]


@pytest.fixture(autouse=True)
def _as_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    names = ("rehearse", "tune")
    points = [EntryPoint(name, f"leadlight_sim.commands.cli:{name}", cli.COMMAND_GROUP) for name in names]
    monkeypatch.setattr(cli, "entry_points", lambda **_: points)


@pytest.fixture
def pond(tmp_path: Path) -> Path:
    path = tmp_path / "pond.toml"
    path.write_text(SCENARIO)
    return path


@pytest.fixture
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder


def rehearse(*words: str | Path) -> int:
    return cli.main(["rehearse", *map(str, words)])


def test_it_prints_every_piece_the_verdict_and_how_to_repeat_it(pond: Path, capsys: Capture) -> None:
    assert rehearse(pond) == 0
    said = capsys.readouterr()
    assert "[bold]oak" in said.out
    assert "elm" in said.out
    assert "The crowd will see nothing of the network." in said.out
    assert f"Reproduce: leadlight rehearse {shlex.quote(str(pond))} --seed 1\n" in said.out
    assert said.err == ""


def test_the_worst_piece_comes_first(pond: Path, tmp_path: Path, capsys: Capture) -> None:
    assert rehearse(pond, "--json", tmp_path / "figures.json") == 0
    figures = json.loads((tmp_path / "figures.json").read_text())
    by_error = sorted(figures["followers"], key=lambda follower: -follower["error_ms"]["p95"])
    said = capsys.readouterr().out
    assert said.index(by_error[0]["name"]) < said.index(by_error[1]["name"])


@pytest.mark.slow
def test_the_beginning_of_a_scenario_is_run_and_repeated(pond: Path, capsys: Capture) -> None:
    assert rehearse("--duration", "100s", "--quiet") == 0
    assert capsys.readouterr().out.startswith("The crowd will see")
    assert rehearse(pond, "--duration", "15s") == 0
    said = capsys.readouterr().out
    assert said.startswith("two at the pond: 15 s, seed 1")
    assert f"Reproduce: leadlight rehearse {shlex.quote(str(pond))} --seed 1 --duration 15s\n" in said


@pytest.mark.parametrize("duration", ["0", "soon", "5", "721"])
def test_a_beginning_without_a_cue_or_longer_than_the_scenario_is_refused(duration: str, capsys: Capture) -> None:
    assert rehearse("--duration", duration) == 2
    said = capsys.readouterr().err
    assert said.startswith(f"leadlight: --duration: '{duration}' is not allowed; allowed: ")
    assert said.count("\n") == 1


def test_a_run_made_shorter_than_its_cues_says_how_to_shorten_it(capsys: Capture) -> None:
    assert rehearse("--set", "run.duration_s=100") == 2
    assert "--duration leaves out cues and faults" in capsys.readouterr().err.splitlines()[-1]


def test_a_key_like_no_other_suggests_none(capsys: Capture) -> None:
    assert rehearse("--set", "foo=1") == 2
    said = capsys.readouterr().err
    assert "foo: unknown key (value 1); known keys: name, " in said
    assert "did you mean" not in said
    assert rehearse("--set", "folowers=1") == 2
    assert "did you mean followers?" in capsys.readouterr().err


def test_what_it_prints_repeats_the_run(pond: Path, capsys: Capture) -> None:
    assert rehearse(pond, "--seed", "7", "--set", "air.preset=dozing", "--set", "leader.name=the shed") == 0
    first = capsys.readouterr().out
    (line,) = [line for line in first.splitlines() if line.startswith("Reproduce: ")]
    words = shlex.split(line.removeprefix("Reproduce: "))
    assert words[0] == "leadlight"
    assert cli.main(words[1:]) == 0
    # All but the first line, which tells how fast it was.
    assert capsys.readouterr().out.splitlines()[1:] == first.splitlines()[1:]


@pytest.mark.slow
def test_it_writes_what_it_is_asked_for_and_nothing_else(pond: Path, elsewhere: Path, capsys: Capture) -> None:
    assert rehearse(pond) == 0
    assert list(elsewhere.iterdir()) == []
    assert rehearse(pond, "--report", "page.html", "--json", "figures.json", "--picture", "error.png") == 0
    assert sorted(entry.name for entry in elsewhere.iterdir()) == ["error.png", "figures.json", "page.html"]
    said = capsys.readouterr().out
    assert all(f"Written: {name}\n" in said for name in ("error.png", "figures.json", "page.html"))
    page = (elsewhere / "page.html").read_text("utf-8")
    assert page.startswith("<!DOCTYPE html>")
    assert "What the network does to the beacons" in page
    assert json.loads((elsewhere / "figures.json").read_text())["seed"] == 1


@pytest.mark.slow
def test_the_same_run_writes_the_same_report(pond: Path, elsewhere: Path) -> None:
    assert rehearse(pond, "--report", "one.html") == rehearse(pond, "--report", "two.html") == 0
    assert (elsewhere / "one.html").read_bytes() == (elsewhere / "two.html").read_bytes()


@pytest.mark.slow
def test_without_a_scenario_the_shipped_one_is_run_and_quiet_leaves_the_headline(capsys: Capture) -> None:
    assert rehearse("--quiet", "--set", "run.duration_s=90", "--set", "cues=[{at_s = 5, show = 'embers'}]",
                    "--set", "faults=[]") == 0  # fmt: skip
    said = capsys.readouterr()
    assert said.out.count("\n") == 1
    assert said.out.startswith("The crowd will see")
    assert said.err == ""


def test_a_missed_target_fails_only_where_that_is_asked_for(pond: Path, capsys: Capture) -> None:
    missed = ["--set", "targets.error_ms=0.0001"]
    assert rehearse(pond, *missed) == 0
    assert "The crowd will see the network." in capsys.readouterr().out
    assert rehearse(pond, *missed, "--strict") == 1
    assert rehearse(pond, "--strict") == 0


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["quary-lake"], "did you mean quarry-lake?"),
        (["--set", "leader.intervall_s=1"], "leader.intervall_s"),
        (["--set", "followers[ferri].trim_ms=1"], "did you mean ferry?"),
        (["--set", "followers[ferry].extra_loss_fraction=-0.1"], "extra_loss_fraction (ferry): -0.1 is not allowed"),
        (["--set", "followers[ferry].extra_loss_fraction=nan"], "extra_loss_fraction"),
        (["--set", "leader.interval_s=0"], "leader.interval_s: 0 is not allowed"),
        (["--set", "leader.interval_s=inf"], "leader.interval_s"),
        (["--set", "air.preset=windy"], "air.preset"),
        (["--set", "air.preset"], "allowed: KEY=VALUE"),
        (["--seed", "-1"], "--seed: -1 is not allowed"),
        (["--seed", str(2**63)], "--seed"),
        (["--seed", "many"], "--seed"),
        (["--report", "absent/page.html"], "there is no folder"),
        (["--picture", "page.svg"], "--picture: 'page.svg' is not allowed; allowed: a name that ends in .png"),
        (["--picture", "page.jpg"], "allowed: a name that ends in .png"),
        (["--json", "."], "is a folder"),
        (["--json", "page.html"], "named for two outputs"),
        (["--fast"], "--fast"),
    ],
)
def test_trouble_is_one_clear_message_and_nothing_is_run_or_written(
    words: Sequence[str], told: str, elsewhere: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def run(*_: object, **__: object) -> None:
        raise AssertionError("it was run")

    monkeypatch.setattr("leadlight_sim.measures.rehearse", run)
    assert rehearse("--report", "page.html", *words) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("leadlight: ")
    assert told in said.err
    assert said.err.count("\n") == 1
    assert list(elsewhere.iterdir()) == []


def test_an_interrupt_ends_it_quietly_and_leaves_no_file(
    pond: Path, elsewhere: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("leadlight_sim.report.page", interrupted)
    assert rehearse(pond, "--report", "page.html") == EXIT_INTERRUPTED
    assert "Traceback" not in capsys.readouterr().err
    assert list(elsewhere.iterdir()) == []


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_progress_is_shown_on_a_terminal_alone(pond: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setenv("TERM", "xterm")
    assert rehearse(pond, "--quiet") == 0
    assert terminal.getvalue() == ""
    assert rehearse(pond) == 0
    assert "rehearsing two at the pond" in terminal.getvalue()


@pytest.fixture
def in_a_process(tmp_path: Path) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Run Python in a fresh process in which the package counts as installed."""
    about = tmp_path / "installed" / "leadlight-0.1.0.dist-info"
    about.mkdir(parents=True)
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: leadlight\nVersion: 0.1.0\n")
    (about / "entry_points.txt").write_text("[leadlight.commands]\nrehearse = leadlight_sim.commands.cli:rehearse\n")

    def start(*words: str, **environment: str) -> subprocess.CompletedProcess[str]:
        path = os.pathsep.join([str(about.parent), *(entry for entry in sys.path if entry)])
        kept = {name: value for name, value in os.environ.items() if name not in ("DISPLAY", "WAYLAND_DISPLAY")}
        return subprocess.run(
            [sys.executable, *words],
            env=kept | {"PYTHONPATH": path} | environment,
            cwd=tmp_path,
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )

    return start


@pytest.mark.slow
def test_it_draws_without_a_display_whatever_plotting_backend_is_asked_for(
    pond: Path, tmp_path: Path, in_a_process: Callable[..., subprocess.CompletedProcess[str]]
) -> None:
    words = ["-W", "error", "-m", "leadlight", "rehearse", str(pond), "--report", "page.html", "--picture", "e.png"]
    done = in_a_process(*words, MPLBACKEND="TkAgg")
    assert (done.returncode, done.stderr) == (0, "")
    assert (tmp_path / "page.html").stat().st_size > 0
    assert (tmp_path / "e.png").stat().st_size > 0


HEAVY = ("matplotlib", "numpy", "pydantic", "rich", "jinja2")


@pytest.mark.slow
@pytest.mark.parametrize("module", ["leadlight", "leadlight.commands.cli", "leadlight_sim.commands.cli"])
def test_neither_the_library_nor_the_list_of_commands_loads_heavy_packages(
    module: str, in_a_process: Callable[..., subprocess.CompletedProcess[str]]
) -> None:
    done = in_a_process("-c", f"import sys, {module}; print([name for name in {HEAVY} if name in sys.modules])")
    assert (done.stdout, done.stderr) == ("[]\n", "")


@pytest.mark.slow
def test_where_the_extra_is_missing_the_command_says_what_to_install(
    in_a_process: Callable[..., subprocess.CompletedProcess[str]],
) -> None:
    code = "import sys; sys.modules['pydantic'] = None\n"
    code += "from leadlight.commands.cli import main; sys.exit(main(['rehearse']))"
    done = in_a_process("-c", code)
    assert done.returncode == 2
    assert done.stderr.startswith("leadlight: rehearse needs leadlight[sim]: pip install 'leadlight[sim]'")
    assert done.stderr.count("\n") == 1


@pytest.mark.slow
def test_live_tells_both_ways_of_sending_and_writes_their_figures(pond: Path, tmp_path: Path, capsys: Capture) -> None:
    figures, report = tmp_path / "figures.json", tmp_path / "report.html"
    assert rehearse(pond, "--live", "--json", figures, "--report", report) == 0
    said = capsys.readouterr().out
    assert "Sent live by unicast for 20 s, " in said
    assert "Sent live by multicast for 20 s, " in said
    assert f"Reproduce: leadlight rehearse {shlex.quote(str(pond))} --seed 1 --live\n" in said
    live = json.loads(figures.read_text())["live"]
    assert [run["delivery"] for run in live] == ["unicast", "multicast"]
    assert all(run["packets_per_s"] == 80 for run in live)
    assert "Stored and sent live" in report.read_text()


def test_without_live_nothing_is_sent_live(pond: Path, tmp_path: Path, capsys: Capture) -> None:
    assert rehearse(pond, "--json", tmp_path / "figures.json") == 0
    assert "live" not in json.loads((tmp_path / "figures.json").read_text())
    assert "Sent live" not in capsys.readouterr().out


def test_live_and_a_drill_do_not_go_together(pond: Path, capsys: Capture) -> None:
    assert rehearse(pond, "--live", "--drill", "leader-reboot") != 0
    assert capsys.readouterr().err == "leadlight: --live does not go with --drill\n"
