"""The group's key file: read, written, and who else may read it."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from leadlight.errors import ConfigurationError, FileError
from leadlight.wire import KEY_MAXIMUM_BYTES, KeyRing

OTHERS_MAY = stat.S_IRWXG | stat.S_IRWXO
"""Every permission of anybody but the owner."""
KEY_FILE_MAXIMUM_BYTES = 16 * 1024


def read_key_file(path: str | Path) -> KeyRing:
    """Return the keys in a text file: one a line, as hexadecimal digits, with its slot before it.

    A line ``3 0f1e2d...`` puts a key in slot 3; one without a slot goes to slot 1. Empty lines and what
    follows ``#`` are skipped. The first key listed is the one to send with, so that a key is rotated by
    writing the new one below, on every node, and then moving it up.

    On systems with owners, a file that others than its owner may read or write is refused: it is no secret.

    Raises ``ConfigurationError`` naming file and line, and never the key, for what cannot be read.
    """
    content, mode = _key_file_content(path)
    if _others_may_use(mode):
        found = f"{path} with permissions {mode:03o}"
        raise ConfigurationError("key file", found, f"one that its owner alone may use: chmod 600 {path}")
    return _parse_key_file(content, path)


def inspect_key_file(path: str | Path) -> tuple[KeyRing, bool]:
    """Return the keys in a file, and whether others than its owner may use it; raises as ``read_key_file`` else."""
    content, mode = _key_file_content(path)
    return _parse_key_file(content, path), _others_may_use(mode)


def _others_may_use(mode: int) -> bool:
    return os.name == "posix" and bool(mode & OTHERS_MAY)


def _key_file_content(path: str | Path) -> tuple[bytes, int]:
    try:
        with Path(path).open("rb") as file:
            # Of the file that was opened, not of the name: between the two it could be another.
            mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
            content = file.read(KEY_FILE_MAXIMUM_BYTES + 1)
    except OSError as error:
        raise FileError("key file", str(path), error.strerror or str(error)) from None
    return content, mode


def _parse_key_file(content: bytes, path: str | Path) -> KeyRing:
    try:
        text = content.decode("ascii")
    except UnicodeDecodeError:
        raise ConfigurationError("key file", str(path), "a text file of hexadecimal keys") from None
    if len(content) > KEY_FILE_MAXIMUM_BYTES:
        raise ConfigurationError("key file", str(path), f"at most {KEY_FILE_MAXIMUM_BYTES} bytes")
    keys: dict[int, bytes] = {}
    active: int | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        words = line.partition("#")[0].split()
        if not words:
            continue
        slot, key = _parse_key(words, f"{path} line {number}")
        if slot in keys:
            raise ConfigurationError(f"{path} line {number}", f"slot {slot}", "each slot once")
        keys[slot] = key
        active = slot if active is None else active
    if active is None:
        raise ConfigurationError("key file", str(path), "at least one key")
    return KeyRing(keys, active)


def make_key(path: str | Path) -> None:
    """Make a group's key and write it to a new file; ``FileError`` if there is a file already, or it cannot be."""
    write_key_file(path, os.urandom(KEY_MAXIMUM_BYTES))


def write_key_file(path: str | Path, key: bytes) -> None:
    """Write a new key file with one key, for its owner alone to read; ``FileError`` if there is a file already."""
    try:
        # Of these permissions from the first, and no other program's file or link.
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(descriptor, "w", encoding="ascii") as file:
                file.write(f"1 {key.hex()}\n")
        except OSError:
            # Half a key is no key, and would keep the next attempt from writing one.
            Path(path).unlink(missing_ok=True)
            raise
    except FileExistsError:
        raise FileError("key file", str(path), "there is such a file already, and no key is written over") from None
    except OSError as error:
        raise FileError("key file", str(path), error.strerror or str(error)) from None


def _parse_key(words: list[str], place: str) -> tuple[int, bytes]:
    slot_word, key_word = ("1", words[0]) if len(words) == 1 else (words[0], words[1])
    allowed = "a slot from 1 to 255 and a key of 32 to 64 hexadecimal digits"
    if len(words) > 2 or not slot_word.isdecimal():
        raise ConfigurationError(place, f"{len(words)} words", allowed)
    try:
        return int(slot_word), bytes.fromhex(key_word)
    except ValueError:
        # A key never appears in an error: errors end up in logs.
        raise ConfigurationError(place, f"{len(key_word)} characters", allowed) from None
