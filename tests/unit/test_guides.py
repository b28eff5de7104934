"""The guides hold: each command is understood, each program runs, and the facts are the code's own."""

from __future__ import annotations

import argparse
import asyncio
import os
import re
import shlex
import subprocess
import sys
from importlib.metadata import entry_points
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import rooms

import leadlight
import leadlight.net
from leadlight import (
    ClockState,
    FollowerSettings,
    FrameRate,
    LeaderSettings,
    StoredShow,
    make_key,
    read_key_file,
    read_library,
)
from leadlight.commands import cli, troubles
from leadlight.commands.exits import EXIT_FAULT, EXIT_INTERRUPTED, EXIT_TROUBLE
from leadlight.follower.settings import HOLDOVER_CAP_NS
from leadlight.leader.copies import BEGIN_ABOVE_PERMILLE
from leadlight.leader.settings import LISTEN_INTERVALS
from leadlight.playback.fader import STOP_FADE_NS
from leadlight.storage import build_manifest, read_manifest, write_manifest
from leadlight.units import SECOND
from leadlight_sim.testing import VirtualNetwork

ROOT = Path(__file__).parents[2]
GUIDES = {path.stem: path.read_text(encoding="utf-8") for path in sorted((ROOT / "protocol/guides").glob("*.md"))}
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCK = re.compile(
    r"^(?:<!-- code: (?P<name>\w+) -->\n+)?```(?P<language>\w+)\n(?P<body>.*?)^```$", re.MULTILINE | re.DOTALL
)


def blocks(text: str, language: str) -> dict[str, str]:
    """Return the fenced blocks in a language, by their mark, or by their number where they have none."""
    found = [match for match in BLOCK.finditer(text) if match["language"] == language]
    return {match["name"] or str(number): match["body"] for number, match in enumerate(found)}


def parser_of(name: str) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser()
    added = {point.name: point for point in entry_points(group=cli.COMMAND_GROUP)}
    command = cli.own_commands()[name] if name in cli.own_commands() else added[name].load()
    command.add_arguments(parser)
    return parser


def spared(parser: argparse.ArgumentParser) -> argparse.ArgumentParser:
    """Let nothing be required: in running text only the words that matter are given."""
    for group in parser._mutually_exclusive_groups:
        group.required = False
    for action in parser._actions:
        action.required = False
        if isinstance(action, argparse._SubParsersAction):
            for below in action.choices.values():
                spared(below)
        elif not action.option_strings and action.nargs is None:
            action.nargs = "?"
    return parser


def lines() -> list[str]:
    """Return every line of the guides' shell blocks that is a command of ours."""
    found = (line for text in GUIDES.values() for body in blocks(text, "sh").values() for line in body.splitlines())
    return [line for line in found if line.startswith("leadlight ")]


def mentioned() -> list[str]:
    """Return what is written in code marks within sentences of README and the guides, as a command of ours."""
    texts = (BLOCK.sub("", text) for text in (README, *GUIDES.values()))
    found = (" ".join(words.split()) for text in texts for words in re.findall(r"`((?:leadlight) [^`]+)`", text))
    return sorted(set(found))


def test_there_is_a_guide_for_each_thing_that_people_come_for() -> None:
    assert {"embed", "show-night", "late-piece", "opening-night", "porting", "glossary"} <= GUIDES.keys()


@pytest.mark.parametrize("line", lines())
def test_a_line_to_type_is_understood_as_it_stands(line: str) -> None:
    _, name, *words = shlex.split(line)
    parser_of(name).parse_args(words)


@pytest.mark.parametrize("line", mentioned())
def test_a_command_named_in_a_sentence_has_these_options(line: str) -> None:
    _, name, *words = shlex.split(line)
    spared(parser_of(name)).parse_args([word for word in words if word != "--help"])


def test_each_program_in_the_guides_has_a_mark_by_which_it_is_run_here() -> None:
    names = {name for text in GUIDES.values() for name in blocks(text, "python")}
    assert names == {"player", "well"}
    scripts = {name for text in GUIDES.values() for name, body in blocks(text, "sh").items() if body.startswith("#!")}
    assert scripts == {"give"}


def test_each_name_that_is_written_as_one_of_ours_is_public() -> None:
    public = {name for face in ("leadlight", "leadlight.events", "leadlight.net") for name in rooms.offered(face)}
    words = {word for text in GUIDES.values() for word in re.findall(r"`([A-Z][a-z]+(?:[A-Z][a-z]+)+)\b", text)}
    assert len(words) > 10
    assert words <= public


def test_links_between_guides_lead_somewhere() -> None:
    for name, text in GUIDES.items():
        for link in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text):
            assert (ROOT / "protocol/guides" / link).exists(), (name, link)


def cells(text: str, header: str) -> list[str]:
    """Return the first cells of the table whose header begins so."""
    (rows,) = re.findall(rf"^\| {re.escape(header)} \|.*\n\|[-|]+\n((?:\|.*\n)+)", text, re.MULTILINE)
    return [row.split("|")[1].strip() for row in rows.splitlines()]


def test_the_sheet_for_show_night_has_every_trouble_that_a_leader_tells_and_the_worst_first() -> None:
    assert ", ".join(cells(GUIDES["show-night"], "it says")) == ", ".join(troubles.WORST_FIRST)


@pytest.mark.parametrize("text", [README, GUIDES["show-night"]], ids=["README", "show-night"])
def test_the_exit_codes_are_the_commands_own(text: str) -> None:
    told = f"0 where the time was over or a service manager ended it, {EXIT_INTERRUPTED} for Ctrl-C. "
    told += f"Trouble that you can fix is {EXIT_TROUBLE}, and a fault of the program {EXIT_FAULT}."
    assert told in " ".join(text.split())


def test_times_that_are_written_out_are_the_constants() -> None:
    assert HOLDOVER_CAP_NS == 600 * SECOND
    assert all("for ten minutes" in GUIDES[name] for name in ("embed", "show-night"))
    settings = LeaderSettings("boathouse")
    assert settings.interval_ns * LISTEN_INTERVALS == 7 * SECOND
    assert "It listens for 7 seconds first." in GUIDES["show-night"]
    assert settings.lead_time_ns == 2 * SECOND
    assert "| dark, in two seconds |" in GUIDES["show-night"]
    assert STOP_FADE_NS == SECOND
    assert BEGIN_ABOVE_PERMILLE == 250
    assert "| group loss | under 25 % |" in GUIDES["late-piece"]
    assert all("within a second" in GUIDES[name] for name in ("embed", "show-night"))


# -- the programs ------------------------------------------------------------------------------------------------------

FRAMES, BYTES_A_FRAME = 400, 3 * 540
SHOW = StoredShow("tidefall", FrameRate(40), frame_count=FRAMES, edition="1")


def picture(frame: int) -> bytes:
    """Return a frame that says its own number."""
    return bytes([frame // 250 + 1, frame % 250 + 1, 200]) * 540


@pytest.fixture
def garden(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder as the guides have it: content, its manifest, a key; the current one."""
    show = tmp_path / "content" / "tidefall"
    show.mkdir(parents=True)
    (show / "jetty.rgb").write_bytes(b"".join(map(picture, range(FRAMES))))
    (show / "reed beds.rgb").write_bytes(bytes(FRAMES * 30))
    (show / "show.toml").write_text(f'frame_rate = [40, 1]\nframe_count = {FRAMES}\nedition = "1"\n', encoding="utf-8")
    write_manifest(build_manifest(tmp_path / "content"), tmp_path / "manifest.json")
    make_key(tmp_path / "garden.key")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def program(name: str, mark: str) -> Any:
    """Return a guide's program as a module, word for word as printed."""
    module = ModuleType(mark)
    exec(blocks(GUIDES[name], "python")[mark], vars(module))
    return module


async def lead(garden: Path, paused_at_s: float | None = None) -> None:
    """Lead as `leadlight lead` would: the show begins 12 s after the start."""
    shows = [entry.stored for entry in read_manifest(garden / "manifest.json").shows]
    keys = read_key_file(garden / "garden.key")
    async with leadlight.net.LeaderEndpoint(
        LeaderSettings("boathouse"), group="quarry lake", keys=keys, shows=shows
    ) as node:
        await asyncio.sleep(10)
        node.roll("tidefall")
        if paused_at_s is not None:
            await asyncio.sleep(paused_at_s)
            node.pause()
        await asyncio.sleep(3600)


def test_the_player_has_no_more_than_forty_lines() -> None:
    code = [line for line in blocks(GUIDES["embed"], "python")["player"].splitlines() if line.strip()]
    assert len(code) <= 40


def test_the_player_lights_every_frame_once_and_goes_on_when_the_leader_is_gone(garden: Path) -> None:
    player = program("embed", "player")
    lit: list[bytes] = []
    with VirtualNetwork(preset="idle", seed=3) as network:
        boathouse, jetty = network.host("boathouse"), network.host("jetty", frequency_ppm=18)
        boathouse.start(lead(garden))
        jetty.start(player.play(lit.append))
        network.run_for(14)
        assert lit[0] == bytes(BYTES_A_FRAME)
        boathouse.power_off()
        network.run_for(20)
    told = [pixels for pixels in lit if any(pixels)]
    assert lit[-1] == bytes(BYTES_A_FRAME)
    whole = [pixels for pixels in told if pixels[2] == 200]
    assert whole == list(map(picture, range(FRAMES)))


def test_while_paused_the_player_is_asked_for_nothing(garden: Path) -> None:
    player = program("embed", "player")
    lit: list[bytes] = []
    with VirtualNetwork(preset="idle", seed=3) as network:
        network.host("boathouse").start(lead(garden, paused_at_s=4))
        network.host("jetty").start(player.play(lit.append))
        network.run_for(20)
        before = len(lit)
        network.run_for(20)
    assert any(lit[-1])
    assert len(lit) == before


def test_a_part_that_differs_stays_dark_and_the_player_runs_on(garden: Path) -> None:
    (garden / "content" / "tidefall" / "jetty.rgb").write_bytes(bytes(FRAMES * BYTES_A_FRAME))
    player = program("embed", "player")
    lit: list[bytes] = []
    with VirtualNetwork(preset="idle", seed=3) as network:
        network.host("boathouse").start(lead(garden))
        network.host("jetty").start(player.play(lit.append))
        network.run_for(16)
    assert set(lit) == {bytes(BYTES_A_FRAME)}


def test_what_says_whether_a_board_is_well_says_so(garden: Path, capsys: pytest.CaptureFixture[str]) -> None:
    is_well = program("embed", "well").is_well
    found: list[bool] = []

    async def look() -> None:
        keys = read_key_file(garden / "garden.key")
        async with leadlight.net.FollowerEndpoint(
            FollowerSettings("jetty"), group="quarry lake", keys=keys, shows=[SHOW]
        ) as node:
            found.append(is_well(node))
            await asyncio.sleep(30)
            found.append(is_well(node))

    with VirtualNetwork(preset="idle", seed=3) as network:
        network.host("boathouse").start(lead(garden))
        network.host("jetty").start(look())
        network.run_for(31)
    assert found == [False, True]
    said = capsys.readouterr().out
    assert said.startswith(f"{ClockState.FREE_RUN.name} within – of the leader\n")
    assert re.search(r"^LOCKED within \d+\.\d\d ms of the leader\nbeacons lost: \d+%", said, re.MULTILINE)


def test_who_goes_by_the_manifest_and_who_does_not_have_two_shows_as_the_guide_warns(garden: Path) -> None:
    (listed,) = read_library(garden / "manifest.json", garden / "content", "jetty").shows
    assert (listed.show, listed.edition, listed.frame_rate) == (SHOW.show, SHOW.edition, SHOW.frame_rate)
    assert listed.key != SHOW.key
    assert "So let every node go by the manifest" in " ".join(GUIDES["embed"].split())


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="a shell script")
def test_the_script_gives_every_board_its_parts_its_name_and_the_key_and_proves_it(garden: Path) -> None:
    tools, boards = garden / "tools", garden / "boards"
    tools.mkdir()
    ssh = tools / "ssh"
    quiet = '[ "$1" = -n ] && shift && exec < /dev/null'
    there = f'cd {shlex.quote(str(boards))}/"$1" && shift && eval "$*"'
    ssh.write_text(f"#!/bin/sh\n{quiet}\n{there}\n", encoding="utf-8")
    ssh.chmod(0o755)
    (garden / "boards.txt").write_text("pi@jetty jetty\npi@10.0.0.21 reed beds\n", encoding="utf-8")
    for host in ("pi@jetty", "pi@10.0.0.21"):
        place = boards / host / "leadlight" / ".venv" / "bin"
        place.mkdir(parents=True)
        (place / "leadlight").write_text(f'#!/bin/sh\nexec {sys.executable} -m leadlight "$@"\n', encoding="utf-8")
        (place / "leadlight").chmod(0o755)

    def give() -> subprocess.CompletedProcess[str]:
        script = blocks(GUIDES["opening-night"], "sh")["give"]
        place = os.environ | {"PATH": f"{tools}{os.pathsep}{os.environ['PATH']}"}
        return subprocess.run(["sh", "-c", script], cwd=garden, env=place, capture_output=True, text=True, check=False)

    for _ in range(2):  # again does no harm
        done = give()
        assert done.returncode == 0, done.stderr
        assert done.stdout.count("1 of 1 parts present") == 2
    board = boards / "pi@10.0.0.21" / "leadlight"
    assert (board / "name").read_text(encoding="utf-8") == "reed beds\n"
    assert [path.name for path in (board / "content" / "tidefall").iterdir()] == ["reed beds.rgb"]
    assert (board / "garden.key").stat().st_mode & 0o777 == 0o600
    # What does not arrive whole is not passed over: here the list and a part do not agree.
    (garden / "content" / "tidefall" / "jetty.rgb").write_bytes(b"another edition")
    assert give().returncode != 0
