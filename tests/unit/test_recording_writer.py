"""A recording's file on its way to the disk: whole records, synced, and nobody waits for a slow disk."""

from __future__ import annotations

import errno
import os
import threading
from pathlib import Path

import pytest

from leadlight.commands import recording_file
from leadlight.commands.recording_file import RecordingFile
from leadlight.errors import FileError
from leadlight.recording import Sent, to_line

PATIENCE_SECONDS = 20.0


def fail(error: FileError) -> None:
    pytest.fail(str(error))


def test_it_is_synced_while_it_is_written_and_a_stalled_disk_holds_up_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced, may_go_on = threading.Event(), threading.Event()

    def stalled(_descriptor: int) -> None:
        synced.set()
        assert may_go_on.wait(PATIENCE_SECONDS)

    monkeypatch.setattr(os, "fsync", stalled)
    monkeypatch.setattr(recording_file, "SYNC_SECONDS", 0.01)
    file = RecordingFile(tmp_path / "site.recording", fail)
    file.add(Sent(0, None, 1))
    assert synced.wait(PATIENCE_SECONDS)
    assert (tmp_path / "site.recording").read_bytes() == to_line(Sent(0, None, 1))
    for number in range(1, 1000):
        file.add(Sent(number, None, number))  # returns, though the disk stands
    may_go_on.set()
    file.close()
    assert (tmp_path / "site.recording").read_bytes().count(b"\n") == 1000


def test_what_the_disk_takes_half_of_is_taken_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real_write = os.write
    room = [100]

    def little_room(descriptor: int, data: bytes) -> int:
        if not room[0]:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        taken = min(room[0], max(1, len(data) // 2))
        room[0] -= taken
        return real_write(descriptor, data[:taken])

    monkeypatch.setattr(os, "write", little_room)
    told: list[FileError] = []
    file = RecordingFile(tmp_path / "site.recording", told.append)
    for number in range(20):
        file.add(Sent(number, "jetty", number))
    file.close()
    content = (tmp_path / "site.recording").read_bytes()
    line_bytes = len(to_line(Sent(0, "jetty", 0)))
    assert content == b"".join(to_line(Sent(number, "jetty", number)) for number in range(100 // line_bytes))
    (trouble,) = told
    assert str(trouble).endswith(f"No space left on device; {len(content)} bytes of it are whole")


def test_nothing_is_left_of_a_recording_without_a_record(tmp_path: Path) -> None:
    file = RecordingFile(tmp_path / "site.recording", fail)
    file.close()
    file.remove()
    assert list(tmp_path.iterdir()) == []
