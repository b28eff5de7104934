from __future__ import annotations

import errno
import io
import os
import threading
import time
from pathlib import Path

import pytest

from leadlight.commands import outlet as module
from leadlight.commands.outlet import Outlet, say_at_the_end, writer
from leadlight.commands.spool import CHARACTERS_KEPT, Picture, Spool

PATIENCE_SECONDS = 5.0
SOON_SECONDS = 0.02


class Paper:
    """An output that takes what it is let take."""

    def __init__(self) -> None:
        self.text = ""
        self.refuses = False
        self.tried = threading.Event()
        self.goes = threading.Event()
        self.goes.set()

    def write(self, data: bytes) -> int:
        self.tried.set()
        assert self.goes.wait(PATIENCE_SECONDS)
        if self.refuses:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        self.text += data[:7].decode()
        return len(data[:7])


def outlet(paper: Paper) -> Outlet:
    return Outlet(paper.write, Spool(lambda lost: f"{lost} lost"))


def test_what_is_added_is_written_however_little_goes_at_once() -> None:
    paper = Paper()
    out = outlet(paper)
    out.add("jetty joined the group")
    out.draw(Picture(("table",), (80, 24)))
    out.close()
    assert paper.text.startswith("jetty joined the group")
    assert paper.text.endswith("table\x1b[K\n\x1b[J")


def test_nobody_waits_for_an_output_that_stalls_and_an_end_no_longer_than_it_says() -> None:
    paper = Paper()
    paper.goes.clear()
    out = outlet(paper)
    began_at = time.monotonic()
    line = "." * 1024
    for _ in range(CHARACTERS_KEPT // 1024 + 10):
        out.add(line)
    out.close(within_seconds=SOON_SECONDS)
    assert time.monotonic() - began_at < 1
    assert paper.text == ""
    paper.goes.set()
    out.close(PATIENCE_SECONDS)
    # Those that it had taken before it stalled do not count among those that were kept.
    assert " lost\n" in paper.text


def test_what_was_refused_is_written_once_there_is_room(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "AGAIN_SECONDS", SOON_SECONDS)
    paper = Paper()
    paper.refuses = True
    out = outlet(paper)
    out.add("one")
    assert paper.tried.wait(PATIENCE_SECONDS)
    out.add("two")
    paper.refuses = False
    deadline = time.monotonic() + PATIENCE_SECONDS
    while paper.text != "one\ntwo\n" and time.monotonic() < deadline:
        time.sleep(0.005)
    out.close()
    assert paper.text == "one\ntwo\n"


def test_an_output_that_refuses_does_not_hold_up_an_end() -> None:
    paper = Paper()
    paper.refuses = True
    out = outlet(paper)
    out.add("one")
    began_at = time.monotonic()
    out.close(PATIENCE_SECONDS)
    assert time.monotonic() - began_at < 1


def test_an_output_that_somebody_made_non_blocking_is_waited_for_and_left_as_it_is() -> None:
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    with open(writing, "wb", buffering=0) as stream, open(reading, "rb", buffering=0) as reader:  # noqa: PTH123
        write = writer(stream)  # type: ignore[arg-type]
        while True:
            try:
                os.write(writing, b"." * 4096)
            except BlockingIOError:
                break
        work = threading.Thread(target=write, args=(b"late",), daemon=True)
        work.start()
        heard = b""
        while b"late" not in heard:
            heard += reader.read(65_536)
        work.join(PATIENCE_SECONDS)
        assert not os.get_blocking(writing)


def test_where_the_stream_was_closed_or_is_in_memory_it_is_written_as_far_as_that_goes() -> None:
    assert writer(None)(b"nowhere") == 7
    memory = io.StringIO()
    assert writer(memory)(b"jetty") == 5
    assert memory.getvalue() == "jetty"


def test_a_last_word_is_said_and_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with (tmp_path / "said").open("w") as stream:
        say_at_the_end("leadlight: no such interface\n", stream)
    assert (tmp_path / "said").read_text() == "leadlight: no such interface\n"
    monkeypatch.setattr(module, "LAST_SECONDS", SOON_SECONDS)
    reading, writing = os.pipe()
    with open(writing, "w") as stream:  # noqa: PTH123
        began_at = time.monotonic()
        say_at_the_end("." * 1_000_000, stream)
        assert time.monotonic() - began_at < 1
        os.close(reading)  # which ends the thread
