"""README.md and DEVELOPERS.md hold: lines, example, links, figures and listings are what the code does."""

from __future__ import annotations

import argparse
import os
import re
import shlex
import signal
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest
import readme as script
import rooms

from leadlight.commands.cli import added_commands, main, own_commands
from leadlight.net.self_test import multicast_trouble

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
GROUP = "quarry lake"
INTERFACE = "127.0.0.1"
PATIENCE_SECONDS = 30

NUMBER = r"\d+(?:\.\d+)?"
ROUNDING = 0.1
"""Two digits are printed, which costs up to a twentieth; the rest is for C libraries that differ in their last bits."""


ROWS = script.rows(script.RESULTS.read_text(encoding="utf-8"))
LINE_ROWS = (ROWS[0], ROWS[-1])
"""The shipped scenario as it is, and the smallest sweep."""
LONG_SWEEPS = ("tune", "tune --deliveries copies --intervals 5")
"""Each takes eight minutes of a core and more: they are measured only where figures are renewed."""
CI_ROWS = [row for row in ROWS if row.command not in LONG_SWEEPS]


def commands() -> set[str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return {*own_commands(), *project["entry-points"]["leadlight.commands"]}


@pytest.mark.parametrize("name", ["run", "test"])
def test_each_of_the_two_lines_does_its_own_set_up(name: str) -> None:
    line = script.line(name, TEXT)
    first, second, *_ = line.split(" && ")
    assert first == "python3 -m venv .venv"
    assert second.startswith(".venv/bin/pip install ")


def test_the_run_line_ends_in_a_rehearsal_and_its_report() -> None:
    words = shlex.split(script.line("run", TEXT).split(" && ")[-1])
    assert words == [".venv/bin/leadlight", "rehearse", "--report", "leadlight-report.html"]


def test_a_mark_that_is_missing_or_doubled_is_refused() -> None:
    with pytest.raises(LookupError, match="0 blocks"):
        script.line("no such mark", TEXT)
    with pytest.raises(LookupError, match="2 blocks"):
        script.line("run", TEXT + TEXT)


def test_a_line_is_one_line() -> None:
    with pytest.raises(LookupError, match="2 lines"):
        script.line("x", "<!-- line: x -->\n```sh\none\ntwo\n```\n")


def test_every_command_it_names_exists() -> None:
    named = set(re.findall(r"`(?:\.venv/bin/)?leadlight ([a-z]+)", TEXT))
    assert {"rehearse", "tune"} <= named
    assert named <= commands()


WALK = re.findall(r"^    leadlight (.+)$", TEXT, re.MULTILINE)


def test_the_walk_on_ones_own_network_is_four_commands() -> None:
    assert [shlex.split(line)[0] for line in WALK] == ["record", "record", "fit", "tune"]


@pytest.mark.parametrize("line", WALK, ids=lambda line: line.split()[0])
def test_each_command_of_the_walk_is_understood(line: str) -> None:
    words = shlex.split(line)
    command = {**own_commands(), **{name: added.load() for name, added in added_commands().items()}}[words[0]]
    parser = argparse.ArgumentParser(exit_on_error=False)
    command.add_arguments(parser)
    _, left_over = parser.parse_known_args(words[1:])
    assert left_over == []


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "sim/RESULTS.md"])
def test_every_file_it_points_to_is_there(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#:]+)\)", text)
    # In code marks: what has a slash and an ending, such as `sim/leadlight_sim/kernel/kernel.py`.
    paths = re.findall(r"`((?:\.ci|protocol|sim|tests|notebooks)/[\w./-]+\.\w+)`", text)
    assert links or paths
    assert [path for path in (*links, *paths) if not (ROOT / path).exists()] == []


def test_the_example_is_short() -> None:
    code = [line for line in script.block("code", "example", TEXT).splitlines() if line.strip()]
    assert len(code) <= 15


def placed_example(port: int) -> str:
    """Return the example, word for word as printed, but on the loopback interface and a port of a test's own."""
    place = f"import functools, leadlight.net as e; place = dict(port={port}, interface={INTERFACE!r})\n"
    place += "e.FollowerEndpoint = functools.partial(e.FollowerEndpoint, **place)\n"
    return place + str(script.block("code", "example", TEXT))


@pytest.mark.thorough
@pytest.mark.skipif(sys.platform == "win32", reason="no multicast on a loopback address there")
def test_the_example_shows_frame_after_frame_of_the_show_that_the_lead_line_starts() -> None:
    port = 57_000 + os.getpid() % 4_000
    if (trouble := multicast_trouble(GROUP, port=port, interface=INTERFACE)) is not None:
        pytest.skip(f"no multicast on loopback: {trouble}")
    words = shlex.split(script.line("lead", TEXT))
    assert words.pop(0) == ".venv/bin/leadlight"
    leading = [sys.executable, "-m", "leadlight", *words, "--port", str(port), "--interface", INTERFACE]
    following = [sys.executable, "-c", placed_example(port)]
    frames: list[int] = []
    with (
        subprocess.Popen(leading, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as leader,
        subprocess.Popen(following, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as follower,
    ):
        try:
            assert follower.stdout is not None
            # Ends at the fortieth frame. Should frames never come, the dark lines do: forty a second or more.
            for number, line in enumerate(follower.stdout):
                frame, level = line.split()
                assert 0.0 <= float(level) <= 1.0
                if frame != "None":
                    frames.append(int(frame))
                if len(set(frames)) == 40 or number > 40 * PATIENCE_SECONDS * 2:
                    break
        finally:
            follower.kill()
            leader.kill()
    assert frames == sorted(frames)
    assert len(set(frames)) == 40
    # It begins at the beginning, and a busy machine may skip some, but it does not trail.
    assert frames[0] < 40
    assert frames[-1] - frames[0] < 2 * 40


@pytest.mark.slow
def test_the_check_line_ends_in_the_verdict_and_names_who_is_missing(capsys: pytest.CaptureFixture[str]) -> None:
    port = 57_000 + os.getpid() % 4_000
    words = shlex.split(script.line("check", TEXT))
    assert words.pop(0) == ".venv/bin/leadlight"
    assert main([*words, "--port", str(port), "--interface", INTERFACE, "--listen", "200ms"]) == 1
    table = capsys.readouterr().out
    assert "not heard: boathouse, jetty" in table
    assert table.splitlines()[-1].startswith("no-go: ")


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="interrupts are delivered otherwise there")
def test_the_example_ends_quietly_when_it_is_interrupted() -> None:
    port = 57_000 + os.getpid() % 4_000
    if (trouble := multicast_trouble(GROUP, port=port, interface=INTERFACE)) is not None:
        pytest.skip(f"no multicast on loopback: {trouble}")
    following = [sys.executable, "-c", placed_example(port)]
    with subprocess.Popen(following, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as follower:
        try:
            assert follower.stdout is not None
            assert follower.stdout.readline() == "None 0.0\n"
            follower.send_signal(signal.SIGINT)
            _, said = follower.communicate(timeout=PATIENCE_SECONDS)
        finally:
            follower.kill()
    assert follower.returncode == 0
    assert "Traceback" not in said


@pytest.mark.slow
def test_the_player_can_be_tested_as_it_says(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    player = ModuleType("player")
    text = str(script.block("code", "example", TEXT))
    begins_itself = "with suppress(KeyboardInterrupt): asyncio.run(play())"
    assert text.rstrip().endswith(begins_itself)
    exec(text.replace(begins_itself, ""), vars(player))
    monkeypatch.setitem(sys.modules, "player", player)
    names: dict[str, object] = {}
    exec(str(script.block("code", "virtual", TEXT)), names)
    (test,) = (value for name, value in names.items() if name.startswith("test_"))
    assert callable(test)
    test(capsys)


def test_the_listing_of_rooms_is_the_code_s_own() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert rooms.renewed(text) == text, "python .ci/rooms.py --write renews both listings"


TABLES = script.tables(script.RESULTS.read_text(encoding="utf-8"))
RENEW = "python .ci/readme.py figures --write renews tables and picture"


def test_a_table_that_a_command_gives_whole_tells_the_command_first() -> None:
    assert {table.command.split()[0] for table in TABLES} == {"tune", "compare"}
    for table in TABLES:
        assert table.body.startswith(f"`leadlight {table.command}`:\n\n| "), table.command


SWEPT = [table for table in TABLES if table.command.startswith("tune")]
COMPARED = [table for table in TABLES if table.command.startswith("compare")]


@pytest.mark.thorough
def test_the_first_table_of_a_sweep_is_what_its_command_gives() -> None:
    table = SWEPT[0]
    printed, found = apart(table.body), apart(script.table_of(table.command))
    assert printed[0] == found[0], RENEW
    assert printed[1] == pytest.approx(found[1], rel=ROUNDING), RENEW


def by_row_and_column(lines: list[list[str]]) -> dict[tuple[str, str], str]:
    return {(line[0], head): cell for line in lines[1:] for head, cell in zip(lines[0], line, strict=True)}


@pytest.mark.thorough
def test_what_a_comparison_calls_real_shows_in_its_first_evenings() -> None:
    for table in COMPARED:
        # All of its evenings take ten minutes of a core; what is real has one sign in nearly every one of them.
        few = re.sub(r"--evenings \d+", "--evenings 2", table.command)
        assert few != table.command
        rows = [
            [cell.strip() for cell in line.strip("| ").split("|")] for line in table.body.splitlines() if "| " in line
        ]
        now = by_row_and_column(script.compared_lines(script.carried_out(few)))
        real = {place: cell for place, cell in by_row_and_column(rows).items() if cell.startswith("**")}
        assert real
        for place, cell in real.items():
            assert now[place].strip("*")[0] == cell.strip("*")[0], f"{place}: {cell}, now {now[place]}. {RENEW}"


def apart(cell: str) -> tuple[str, list[float]]:
    """Return a cell's words, with a mark in the place of each number, and the numbers."""
    return re.sub(NUMBER, "#", cell), [float(number) for number in re.findall(NUMBER, cell)]


def test_the_long_sweeps_are_rows() -> None:
    assert set(LONG_SWEEPS) <= {row.command for row in ROWS}


@pytest.mark.parametrize("command", ["rehearse", "tune"])
def test_each_table_of_figures_has_rows(command: str) -> None:
    assert sum(row.command.split()[0] == command for row in ROWS) >= 2


@pytest.mark.slow
@pytest.mark.thorough_except(row=LINE_ROWS)
@pytest.mark.parametrize("row", CI_ROWS, ids=lambda row: row.command)
def test_the_figures_are_what_their_command_gives(row: script.Row) -> None:
    measured = script.measure(row.command).cells()
    assert len(row.cells) == len(measured)
    for printed, found in zip(map(apart, row.cells), map(apart, measured), strict=True):
        assert printed[0] == found[0], RENEW
        assert printed[1] == pytest.approx(found[1], rel=ROUNDING), RENEW
