"""Four hours by a running order, in virtual time, through the code of the commands `lead` and `follow` themselves."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from evenings import BEGINS, write_season

from leadlight.commands import attendance
from leadlight.commands.endings import Ending
from leadlight.commands.follow import Follow, follow
from leadlight.commands.lead import Lead, lead
from leadlight.commands.spool import Picture
from leadlight.commands.surroundings import Surroundings
from leadlight.evening import parse_running_order
from leadlight.storage import read_manifest
from leadlight.units import HOUR, MICROSECOND, SECOND
from leadlight_sim.testing.network import VirtualHost, VirtualNetwork

HALF_A_FRAME_NS = SECOND // 40 // 2
PIECES = ("jetty", "willow")
pytestmark = pytest.mark.slow


@dataclass
class Page:
    """An output in memory."""

    size: tuple[int, int] | None = None
    lines: list[str] = field(default_factory=list)
    pictures: list[Picture] = field(default_factory=list)

    def add(self, line: str) -> None:
        self.lines.append(line)

    def draw(self, picture: Picture) -> None:
        self.pictures.append(picture)


class ToldTo:
    """Ends it when it is told to."""

    def __init__(self) -> None:
        self.ends: asyncio.Future[Ending] | None = None

    @contextlib.contextmanager
    def told(self) -> Iterator[asyncio.Future[Ending]]:
        self.ends = asyncio.get_running_loop().create_future()
        yield self.ends


@dataclass
class Run:
    """One command on one host."""

    page: Page
    book: list[str] = field(default_factory=list)
    endings: ToldTo = field(default_factory=ToldTo)

    def around(self, wall_clock: Callable[[], datetime]) -> Surroundings:
        return Surroundings(self.page, self.endings, wall_clock, self.book.append)

    def statuses(self) -> dict[str, dict[str, Any]]:
        """Its status rows in the log book, by when they were written."""
        rows = map(json.loads, self.book)
        return {row["utc"]: row["status"] for row in rows if "status" in row}


def options(command: Lead | Follow, name: str, *words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    return parser.parse_args(["--group", "quarry lake", "--name", name, "--log-book", "in memory", *words])


@pytest.fixture
def season(tmp_path: Path) -> Path:
    """A folder with the shows' parts, their manifest and the running order."""
    write_season(tmp_path, PIECES, repeat_until="20:55", off="20:58")
    return tmp_path


@pytest.mark.thorough_except(hours=1)
@pytest.mark.parametrize("hours", [1, 4])
def test_an_evening_by_the_commands_in_virtual_time(
    season: Path, monkeypatch: pytest.MonkeyPatch, hours: int
) -> None:
    monkeypatch.setattr(attendance, "REFRESH_SECONDS", 5)  # nobody looks
    with VirtualNetwork(preset="busy", seed=3) as network:

        def wall_clock() -> datetime:
            return BEGINS + timedelta(microseconds=network.kernel.now // MICROSECOND)

        def start(host: VirtualHost, program: Any, arguments: argparse.Namespace, size: tuple[int, int] | None) -> Run:
            run = Run(Page(size))
            tasks.append(host.start(program(arguments, run.around(wall_clock))))
            return run

        tasks: list[asyncio.Task[int]] = []
        words = ["--running-order", str(season / "order.toml"), "--interval", "2"]
        leading = start(network.host("boathouse"), lead, options(Lead(), "boathouse", *words), (80, 24))
        words = ["--manifest", str(season / "manifest.json"), "--content", str(season / "parts")]
        following = [
            start(network.host(name), follow, options(Follow(), name, *words, *more), None)
            for name, more in zip(PIECES, [(), ("--json-lines",)], strict=True)
        ]
        network.run_for(hours * HOUR / SECOND)
        for run in (leading, *following):
            assert run.endings.ends is not None
            run.endings.ends.set_result(Ending.INTERRUPTED)
        network.run_for(10)
        assert [task.result() for task in tasks] == [Ending.INTERRUPTED.exit_code] * 3

    # All that the running order lists, in its order, and a status a minute.
    text = (season / "order.toml").read_text(encoding="utf-8")
    order = parse_running_order(text, read_manifest(season / "manifest.json").lengths())
    listed = [cue.show for cue in order.cues_between(BEGINS, BEGINS + timedelta(hours=hours)) if cue.show is not None]
    begun = [row["cue"] for row in map(json.loads, leading.book) if row.get("event") == "CueTookEffect"]
    assert [cue["show_name"] for cue in begun if cue["state"] == "rolling"] == listed
    assert len(listed) > 12 * hours
    led = leading.statuses()
    assert len(led) >= hours * 60 - 1
    for run in following:
        compared = 0
        for utc, status in run.statuses().items():
            at = datetime.fromisoformat(utc)
            nearest = min(led, key=lambda other: abs(datetime.fromisoformat(other) - at))
            theirs = led[nearest]
            if theirs["cue"]["state"] == status["cue"]["state"] == "rolling" and theirs["cue"] == status["cue"]:
                apart_ns = (datetime.fromisoformat(nearest) - at) // timedelta(microseconds=1) * MICROSECOND
                assert abs(theirs["position_ns"] - status["position_ns"] - apart_ns) < HALF_A_FRAME_NS
                compared += 1
        assert compared > 25 * hours
    # What people saw in the end, and read in the morning.
    assert leading.page.pictures[-1].lines[0].endswith("2 of 2 well")
    piped, scripted = following
    assert any(line.endswith("cue adopted: cue rolling Embers") for line in piped.page.lines)
    assert scripted.page.lines == [line for line in scripted.book if "told" not in json.loads(line)]
