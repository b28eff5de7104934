from __future__ import annotations

import os
from pathlib import Path

import pytest

from leadlight.errors import ConfigurationError, FileError
from leadlight.storage.files import check_outputs, write_file
from leadlight.storage.key_files import inspect_key_file, read_key_file
from leadlight.wire.tags import KeyRing

OLD, NEW = "11" * 16, "22" * 32


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "group.key"
    path.write_text(text)
    path.chmod(0o600)
    return path


@pytest.mark.skipif(os.name != "posix", reason="this system's files have no owners and groups")
@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o666])
def test_a_key_file_that_others_may_use_is_refused_and_the_remedy_named(tmp_path: Path, mode: int) -> None:
    path = written(tmp_path, OLD)
    path.chmod(mode)
    with pytest.raises(ConfigurationError, match=f"permissions {mode:o}.*chmod 600") as raised:
        read_key_file(path)
    assert OLD not in str(raised.value)


def test_a_key_without_a_slot_goes_to_the_first(tmp_path: Path) -> None:
    keys = read_key_file(written(tmp_path, f"# the garden\n\n{OLD}  # since spring\n"))
    assert keys.active == 1
    assert keys.tag(1, b"x") == KeyRing({1: bytes.fromhex(OLD)}).tag(1, b"x")


def test_the_first_key_listed_is_the_one_to_send_with(tmp_path: Path) -> None:
    keys = read_key_file(written(tmp_path, f"7 {OLD}\n3 {NEW}\n"))
    assert keys.active == 7
    assert 3 in keys


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "at least one key"),
        ("# nothing\n", "at least one key"),
        (f"1 {OLD}\n1 {NEW}\n", "line 2: 'slot 1' is not allowed"),
        (f"one {OLD}\n", "line 1"),
        (f"1 {OLD} now\n", "3 words"),
        (f"\n1 {OLD}0\n", "line 2: '33 characters'"),
        ("1 ffff\n", "16 to 32 bytes"),
        (f"256 {OLD}\n", "1 to 255"),
        ("f" * 20_000, "at most 16384 bytes"),
    ],
)
def test_what_is_wrong_with_a_key_file_is_said_without_the_key(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        read_key_file(written(tmp_path, text))
    assert said in str(caught.value)
    assert OLD not in str(caught.value)


def test_a_key_file_that_is_not_there_is_a_configuration_error(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match="No such file"):
        read_key_file(tmp_path / "none.key")


def test_a_key_file_that_is_not_text_is_a_configuration_error(tmp_path: Path) -> None:
    path = tmp_path / "group.key"
    path.write_bytes(bytes(range(256)))
    path.chmod(0o600)
    with pytest.raises(ConfigurationError, match="text file"):
        read_key_file(path)


@pytest.mark.skipif(os.name != "posix", reason="this system's files have no owners and groups")
@pytest.mark.parametrize(("mode", "is_open"), [(0o600, False), (0o400, False), (0o640, True), (0o602, True)])
def test_a_key_file_can_be_inspected_whoever_may_use_it(tmp_path: Path, mode: int, is_open: bool) -> None:
    path = written(tmp_path, f"{OLD}\n2 {NEW}\n")
    path.chmod(mode)
    keys, others_may = inspect_key_file(path)
    assert (sorted(keys), others_may) == ([1, 2], is_open)


def test_a_file_is_written_whole_and_takes_the_place_of_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "check.json"
    for text in ("first", "second: µs"):
        write_file(text, path, "--json")
        assert path.read_text(encoding="utf-8") == text
    assert list(tmp_path.iterdir()) == [path]


def test_a_link_is_written_through_and_stays_a_link(tmp_path: Path) -> None:
    target, link = tmp_path / "kept.json", tmp_path / "link.json"
    link.symlink_to(target)
    write_file("whole", link, "--json")
    assert link.is_symlink()
    assert target.read_text(encoding="utf-8") == "whole"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_written_to_and_not_replaced(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    try:
        check_outputs({"--json": pipe})
        write_file("whole", pipe, "--json")
        assert os.read(reader, 100) == b"whole"
    finally:
        os.close(reader)
    assert pipe.is_fifo()


def test_what_cannot_be_written_is_told_before_the_work_and_nothing_is_written(tmp_path: Path) -> None:
    check_outputs({"--json": tmp_path / "new.json"})
    with pytest.raises(FileError, match=r"^--json .*: is a folder$"):
        check_outputs({"--json": tmp_path})
    with pytest.raises(FileError, match=r"^--json .*: there is no folder .*season$"):
        check_outputs({"--json": tmp_path / "season" / "check.json"})
    circle = tmp_path / "circle"
    circle.symlink_to(circle)
    with pytest.raises(FileError, match=r"^--json .*circle"):
        check_outputs({"--json": circle / "check.json"})
    with pytest.raises(FileError, match=r"^--json "):
        write_file("whole", tmp_path / "season" / "check.json", "--json")
    assert list(tmp_path.iterdir()) == [circle]


def test_a_place_that_must_not_be_written_to_is_told_before_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Whoever owns the system may write anywhere, and tests may be run by them.
    monkeypatch.setattr(os, "access", lambda path, mode: not (path == tmp_path and mode & os.W_OK))
    with pytest.raises(FileError, match="no permission"):
        check_outputs({"--json": tmp_path / "check.json"})


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "page.html"
    write_file(b"old", path, "--report")

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(FileError, match=r"--report .*page\.html: No space left on device"):
        write_file(b"new", path, "--report")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_device_is_written_to_and_not_replaced() -> None:
    check_outputs({"--json": os.devnull})
    write_file(b"x", os.devnull, "--json")
    assert not Path(os.devnull).is_file()


@pytest.mark.parametrize(
    ("names", "reason"),
    [
        (["absent/page.html"], "there is no folder"),
        (["."], "is a folder"),
        (["one", "two/../one"], "named for two outputs"),
        (["x" * 300], "name too long"),
        (["a\0b"], "null"),
    ],
)
def test_of_several_outputs_each_is_looked_at_and_none_is_written(
    tmp_path: Path, names: list[str], reason: str
) -> None:
    (tmp_path / "two").mkdir()
    with pytest.raises(FileError, match=rf"(?i)^--{len(names) - 1} .*{reason}"):
        check_outputs({"--report": None} | {f"--{number}": tmp_path / name for number, name in enumerate(names)})
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["two"]
