from __future__ import annotations

import errno
import json
import os
from pathlib import Path

import pytest

from leadlight.commands.log_book import OLDER_KEPT, LogBookFile, open_log_book
from leadlight.errors import FileError


def line(count: int) -> bytes:
    return f'{{"count": {count}}}\n'.encode()


def test_lines_are_in_the_file_when_it_is_closed(tmp_path: Path) -> None:
    book = open_log_book(str(tmp_path / "book"))
    for count in range(3):
        book.add(f'{{"count": {count}}}')
    book.close()
    assert (tmp_path / "book").read_bytes() == b"".join(map(line, range(3)))


def test_a_book_goes_on_where_it_ended_and_half_a_line_of_before_stands_alone(tmp_path: Path) -> None:
    path = tmp_path / "book"
    path.write_bytes(line(1) + b'{"cou')
    book = LogBookFile(path)
    book.write(line(2))
    book.close()
    assert path.read_bytes() == line(1) + b'{"cou\n' + line(2)


def test_files_are_turned_over_by_size_between_lines_and_only_the_last_are_kept(tmp_path: Path) -> None:
    path = tmp_path / "book"
    book = LogBookFile(path, maximum_bytes=100)
    for count in range(100, 200):
        assert book.write(line(count)) == len(line(count))
    book.close()
    files = [path, *(tmp_path / f"book.{older}" for older in range(1, OLDER_KEPT + 1))]
    assert sorted(tmp_path.iterdir()) == files
    lines = [text for file in reversed(files) for text in file.read_text().splitlines()]
    counts = [json.loads(text)["count"] for text in lines]
    assert counts == list(range(200 - len(counts), 200))
    assert all(file.stat().st_size < 100 for file in files)


def test_a_full_disk_is_an_error_and_what_follows_it_is_written_when_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "book"
    book = LogBookFile(path)
    book.write(line(1))
    with monkeypatch.context() as full:

        def refuse(_descriptor: int, _data: bytes) -> int:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        full.setattr(os, "write", refuse)
        with pytest.raises(OSError, match="No space"):
            book.write(line(2))
    book.write(line(3))
    book.close()
    assert path.read_bytes() == line(1) + line(3)


def test_a_book_that_could_not_be_written_is_refused_before_anything_begins(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="log book"):
        open_log_book(str(tmp_path / "no such folder" / "book"))
