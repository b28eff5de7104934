from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest

from leadlight_sim.telling import Heading, as_typed, console_of, possessive, print_table

COMMAND = "leadlight rehearse --seed 1"


@pytest.fixture
def program(tmp_path: Path) -> Path:
    file = tmp_path / "a garden" / "leadlight"
    file.parent.mkdir()
    file.touch(mode=0o755)
    return file


def test_a_command_names_the_program_by_its_path_where_the_shell_does_not_find_it(
    program: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    monkeypatch.setattr(sys, "argv", [str(program), "rehearse"])
    assert as_typed(COMMAND) == f"'{program}' rehearse --seed 1"


def test_a_command_is_told_as_it_is_where_the_shell_finds_it_or_another_program_runs(
    program: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(program.parent))
    monkeypatch.setattr(sys, "argv", [str(program), "rehearse"])
    assert as_typed(COMMAND) == COMMAND
    monkeypatch.setenv("PATH", "/nowhere")
    monkeypatch.setattr(sys, "argv", [str(program.with_name("pytest"))])
    assert as_typed(COMMAND) == COMMAND


HEADINGS = [
    Heading("piece", is_number=False), Heading("jumps"), Heading("distance,\n95 %"), Heading("note", folds=True)
]  # fmt: skip
ROWS = [["a piece of quite a long name, with [brackets]", "0", "12.5 ms", "some words that may be broken into lines"]]


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def printed(stream: io.StringIO, width: int | None) -> str:
    console = console_of(stream)
    if width is not None:
        console.width = width
    print_table(console, HEADINGS, ROWS, ["jumps", "distance, 95 %"])
    return stream.getvalue()


def test_a_pipe_gets_a_table_as_wide_as_it_is() -> None:
    wide = [[f"{ROWS[0][0]}, {'and more ' * 9}".rstrip(), *ROWS[0][1:]]]
    stream = io.StringIO()
    print_table(console_of(stream), HEADINGS, wide, ["jumps"])
    assert wide[0][0] in stream.getvalue()
    assert "jumps" in stream.getvalue()
    assert "…" not in stream.getvalue()
    assert "[brackets]" in printed(io.StringIO(), None)


def test_a_terminal_without_room_leaves_columns_out_in_order_and_says_which() -> None:
    assert "No room" not in printed(Terminal(), 120)
    narrow = printed(Terminal(), 65)
    assert "jumps" in narrow.splitlines()[-1]
    assert "No room here for: jumps." in narrow
    assert "12.5 ms" in narrow
    assert "…" not in narrow
    narrower = printed(Terminal(), 56)
    assert "No room here for: jumps, distance, 95 %." in narrower
    assert "12.5 ms" not in narrower


@pytest.mark.parametrize(("name", "whose"), [("ferry", "ferry's"), ("herb beds", "herb beds'"), ("REEDS", "REEDS'")])
def test_a_name_that_ends_in_s_takes_the_apostrophe_alone(name: str, whose: str) -> None:
    assert possessive(name) == whose
