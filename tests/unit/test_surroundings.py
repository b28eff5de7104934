from __future__ import annotations

import argparse
import json
import logging
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from leadlight.commands.attendance import run_node
from leadlight.commands.node_options import add_node_options
from leadlight.commands.spool import Picture
from leadlight.commands.surroundings import Surroundings, this_host
from leadlight.errors import NetworkError

PLAIN = {"as_json": False, "end_on_hangup": False, "log_book": None}

Capture = pytest.CaptureFixture[str]


def options(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    add_node_options(parser)
    return parser.parse_args(["--name", "jetty", "--group", "quarry lake", *words])


@contextmanager
def on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Put a terminal of 72 columns and 20 rows under both outputs of this process; give its other side."""
    pty, termios = pytest.importorskip("pty"), pytest.importorskip("termios")
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (20, 72))
    with open(theirs, "w", encoding="utf-8") as stream:  # noqa: PTH123
        monkeypatch.setattr(sys, "stdout", stream)
        monkeypatch.setattr(sys, "stderr", stream)
        yield ours
        monkeypatch.undo()
    os.close(ours)


def test_on_a_terminal_what_is_logged_stands_above_the_table_and_not_across_it(monkeypatch: pytest.MonkeyPatch) -> None:
    with on_a_terminal(monkeypatch) as terminal:
        with this_host(**PLAIN) as around:  # type: ignore[arg-type]
            size = around.output.size
            assert size == (72, 20)
            around.output.draw(Picture(("table",), size))
            around.note_running()
            logging.getLogger("leadlight.net").warning("no key")
        said = os.read(terminal, 65_536).decode()
    assert said.split("no key")[1].startswith("\x1b[K\r\ntable\x1b[K\r\n")


def test_what_is_logged_is_told_once_the_node_runs_and_kept_in_the_log_book(capsys: Capture, tmp_path: Path) -> None:
    book = tmp_path / "book"
    with this_host(**PLAIN | {"log_book": str(book)}) as around:  # type: ignore[arg-type]
        assert around.output.size is None
        logging.getLogger("leadlight.net").warning("no key")
        around.output.add("a line")
        around.note_running()
    out, err = capsys.readouterr()
    assert out == "a line\n"
    assert err.endswith(" no key\n")
    assert json.loads(book.read_text())["log"] == "no key"
    logging.getLogger("leadlight.net").warning("afterwards")
    assert "afterwards" not in book.read_text()


def test_a_fault_of_the_program_is_told_with_where_it_was_and_ends_with_code_1(capsys: Capture) -> None:
    async def fail(_arguments: argparse.Namespace, around: Surroundings) -> int:
        around.note_running()
        raise ZeroDivisionError("a fault")

    assert run_node(options(), fail) == 1
    err = capsys.readouterr().err
    assert "ZeroDivisionError: a fault" in err
    assert "in fail" in err


def test_trouble_that_can_be_mended_is_left_to_be_told_alone(capsys: Capture) -> None:
    async def fail(_arguments: argparse.Namespace, _around: Surroundings) -> int:
        logging.getLogger("leadlight.net").warning("no key")
        raise NetworkError("no such interface")

    with pytest.raises(NetworkError):
        run_node(options(), fail)
    assert capsys.readouterr().err == ""
