from __future__ import annotations

import argparse
import datetime
from pathlib import Path

import pytest

from leadlight.commands import cli
from leadlight.commands.order import MANIFEST_FILE, OrderCommand, read_order_and_manifest
from leadlight.cue import FrameRate
from leadlight.errors import ConfigurationError
from leadlight.evening.manifest import Manifest, Part, ShowEntry
from leadlight.storage.files import write_manifest

ORDER = """
running_order = 1
timezone = "Europe/Berlin"
[[evenings]]
days = ["friday", "saturday"]
starts = ["17:00", "19:30"]
off = "22:00"
shows = ["Tidefall"]
[[evenings]]
days = ["sunday"]
starts = ["17:00"]
off = "18:00"
shows = ["Tidefall"]
"""
TIDEFALL = ShowEntry("Tidefall", "2", FrameRate(40), 7680, {"jetty": Part(3, bytes(16))})

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def order(tmp_path: Path) -> Path:
    """A running order with its manifest beside it."""
    file = tmp_path / "quarry.toml"
    file.write_text(ORDER, encoding="utf-8")
    write_manifest(Manifest((TIDEFALL,)), tmp_path / MANIFEST_FILE)
    return file


def preview(order: Path, wall_now: str, *options: str) -> None:
    parser = argparse.ArgumentParser()
    command = OrderCommand()
    command.add_arguments(parser)
    arguments = parser.parse_args(["preview", str(order), *options])
    now = datetime.datetime.fromisoformat(wall_now).replace(tzinfo=datetime.UTC)
    assert command.preview(arguments, now) == 0


def test_a_preview_tells_local_times_across_a_change_of_the_clocks(order: Path, capsys: Capture) -> None:
    preview(order, "2026-10-24 09:00", "--nights", "3")
    assert capsys.readouterr().out.splitlines() == [
        "Sat 2026-10-24  the clocks go back by 60 min in this night",
        "Sat 2026-10-24  17:00 CEST to 22:00 CEST",
        "  17:00 CEST  Tidefall: 1 show, the last ends 17:03:12 CEST",
        "  19:30 CEST  Tidefall: 1 show, the last ends 19:33:12 CEST",
        "Sun 2026-10-25  17:00 CET to 18:00 CET",
        "  17:00 CET  Tidefall: 1 show, the last ends 17:03:12 CET",
        "Mon 2026-10-26  no shows",
    ]


def test_a_preview_may_begin_on_another_day(order: Path, capsys: Capture) -> None:
    assert cli.main(["order", "preview", str(order), "--from", "2026-03-27", "--nights", "2"]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[0] == "Fri 2026-03-27  17:00 CET to 22:00 CET"
    assert told[3] == "Sat 2026-03-28  the clocks go forward by 60 min in this night"


def test_a_preview_shows_a_week_unless_told_otherwise(order: Path, capsys: Capture) -> None:
    preview(order, "2026-12-07 09:00")
    days = [line.split()[1] for line in capsys.readouterr().out.splitlines() if not line.startswith(" ")]
    assert days == [f"2026-12-{day:02}" for day in range(7, 14)]


def test_the_manifest_may_lie_elsewhere(order: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "season.json"
    (tmp_path / MANIFEST_FILE).rename(elsewhere)
    _, manifest = read_order_and_manifest(str(order), str(elsewhere))
    assert manifest.keys() == {"Tidefall": TIDEFALL.key}
    with pytest.raises(ConfigurationError, match="manifest"):
        read_order_and_manifest(str(order), None)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--nights", "0"], "--nights: 0 is not allowed"),
        (["--nights", "many"], "--nights"),
        (["--from", "Friday"], "--from: 'Friday' is not allowed; allowed: a date from 1970 to 2100"),
        (["--from", "0001-01-01"], "--from"),
        (["--manifest", "/no/such/file"], "manifest /no/such/file: No such file"),
    ],
)
def test_what_is_wrong_is_one_line_and_exit_code_2(
    options: list[str], said: str, order: Path, capsys: Capture
) -> None:
    assert cli.main(["order", "preview", str(order), *options]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("leadlight: ")
    assert said in line


def test_a_show_that_the_manifest_does_not_list_is_named(order: Path, capsys: Capture) -> None:
    order.write_text(ORDER.replace('shows = ["Tidefall"]', 'shows = ["Embers"]'), encoding="utf-8")
    assert cli.main(["order", "preview", str(order)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.endswith("'Embers' is not allowed; allowed: a show that is known: Tidefall")
