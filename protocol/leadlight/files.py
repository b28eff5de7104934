"""What nodes keep on disk: the group's key file."""

from __future__ import annotations

from pathlib import Path

from leadlight.errors import ConfigurationError
from leadlight.security import KeyRing

KEY_FILE_MAXIMUM_BYTES = 16 * 1024


def read_key_file(path: str | Path) -> KeyRing:
    """Return the keys in a text file: one a line, as hexadecimal digits, with its slot before it.

    A line ``3 0f1e2d...`` puts a key in slot 3; one without a slot goes to slot 1. Empty lines and what
    follows ``#`` are skipped. The first key listed is the one to send with, so that a key is rotated by
    writing the new one below, on every node, and then moving it up.

    Raises ``ConfigurationError`` naming file and line, and never the key, for what cannot be read.
    """
    try:
        with Path(path).open("rb") as file:
            content = file.read(KEY_FILE_MAXIMUM_BYTES + 1)
        text = content.decode("ascii")
    except OSError as error:
        reason = error.strerror or str(error)
        raise ConfigurationError("key file", str(path), f"a file that can be read ({reason})") from None
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
