from __future__ import annotations

import os
from pathlib import Path

import pytest

from leadlight.errors import ConfigurationError
from leadlight.files import read_key_file
from leadlight.security import KeyRing

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
