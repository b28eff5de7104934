"""What nodes keep on disk: the group's key file, content manifests, the parts of shows, and running orders.

Parts lie in one folder for each show, named after its id, and each part's file is named after its follower, with any
suffix: ``Tidefall/jetty.frames``. Beside them, where a manifest is built, ``Tidefall/show.toml`` describes the show.
"""

from __future__ import annotations

import errno
import os
import stat
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from hashlib import blake2s
from pathlib import Path
from typing import Final, TypeAlias

from leadlight.errors import ConfigurationError, FileError
from leadlight.manifest import (
    DIGEST_BYTES,
    Manifest,
    Part,
    ShowDescription,
    ShowEntry,
    check_name,
    manifest_text,
    parse_manifest,
)
from leadlight.running_order import RunningOrder, parse_running_order
from leadlight.security import KeyRing
from leadlight.terms import ContentState

OTHERS_MAY = stat.S_IRWXG | stat.S_IRWXO
"""Every permission of anybody but the owner."""
KEY_FILE_MAXIMUM_BYTES = 16 * 1024
TEXT_FILE_MAXIMUM_BYTES: Final = 8 * 1024 * 1024
"""No manifest or running order needs more; a wrong file is refused before it fills the memory of a board."""
DESCRIPTION_FILE: Final = "show.toml"
_CHUNK_BYTES: Final = 256 * 1024

Progress: TypeAlias = Callable[[int, int], None]
"""Told the bytes done and the bytes in all, after every piece."""


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


def write_key_file(path: str | Path, key: bytes) -> None:
    """Write a new key file with one key, for its owner alone to read; ``FileError`` if there is a file already."""
    try:
        # Of these permissions from the first, and no other program's file or link.
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "w", encoding="ascii") as file:
            file.write(f"1 {key.hex()}\n")
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


def read_text_file(path: str | Path, what: str) -> str:
    """Return the text of a UTF-8 file; ``what`` it is names it in the ``ConfigurationError`` where it cannot be."""
    try:
        with _told_of(path, what), Path(path).open("rb") as file:
            content = file.read(TEXT_FILE_MAXIMUM_BYTES + 1)
        if len(content) > TEXT_FILE_MAXIMUM_BYTES:
            raise ConfigurationError(what, str(path), f"a file of at most {TEXT_FILE_MAXIMUM_BYTES} bytes")
        return content.decode()
    except UnicodeDecodeError:
        raise ConfigurationError(what, str(path), "a text file in UTF-8") from None


def read_manifest(path: str | Path) -> Manifest:
    """Return the manifest in a file; raises ``ConfigurationError`` naming file, key path, value and what is allowed."""
    return parse_manifest(read_text_file(path, "manifest"), str(path))


def read_running_order(path: str | Path, lengths: Mapping[str, int]) -> RunningOrder:
    """Return the running order in a file; ``lengths`` and errors are as for ``parse_running_order``."""
    return parse_running_order(read_text_file(path, "running order"), lengths, str(path))


def write_manifest(manifest: Manifest, path: str | Path) -> None:
    """Write a manifest to a file, whole or not at all: a reader never sees half of it."""
    write_text_file(manifest_text(manifest), path, "manifest")


def write_text_file(text: str, path: str | Path, what: str) -> None:
    """Write a UTF-8 file, whole or not at all; ``what`` it is names it in the ``FileError`` where it cannot be."""
    with written_whole(path, what) as write:
        write(text)


@contextmanager
def written_whole(path: str | Path, what: str) -> Iterator[Callable[[str], None]]:
    """Give what writes text to a file that is there under its name once all is written, or not at all.

    A device or a pipe is written to at once. ``what`` it is names it in the ``FileError`` where it cannot be written.
    """
    with _told_of(path, what):
        target = Path(path).resolve()
        if target.is_dir():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
        is_replaced = target.is_file() or not target.exists()
        written = target.with_name(f".{target.name}.new") if is_replaced else target
        file = written.open("w", encoding="utf-8")

    def write(text: str) -> None:
        # Its errors are told here, and those of whoever writes are left alone.
        with _told_of(path, what):
            file.write(text)

    try:
        yield write
        with _told_of(path, what):
            file.close()
            if is_replaced:
                written.replace(target)
    finally:
        with suppress(OSError):
            file.close()
        if is_replaced:
            written.unlink(missing_ok=True)


def check_can_write(path: str | Path, what: str) -> None:
    """Raise ``FileError`` if a file could not be written; writes nothing. For before the work that it is to hold."""
    with _told_of(path, what):
        target = Path(path).resolve()
        if target.is_dir():
            raise FileError(what, str(path), "is a folder")
        if not target.parent.is_dir():
            raise FileError(what, str(path), f"there is no folder {target.parent}")
        # A file is replaced by a new one beside it, a device is written to.
        place = target if target.exists() and not target.is_file() else target.parent
        if not os.access(place, os.W_OK):
            raise FileError(what, str(path), "no permission to write")


def read_part(path: str | Path, progress: Callable[[int], None] | None = None) -> Part:
    """Return the size and digest of a file, read piece by piece; ``progress`` is told each piece's bytes."""
    digest = blake2s(digest_size=DIGEST_BYTES)
    size_bytes = 0
    with _told_of(path, "part"), Path(path).open("rb") as file:
        while piece := file.read(_CHUNK_BYTES):
            digest.update(piece)
            size_bytes += len(piece)
            if progress is not None:
                progress(len(piece))
    return Part(size_bytes, digest.digest())


def build_manifest(folder: str | Path, progress: Progress | None = None) -> Manifest:
    """Return the manifest of the shows in ``folder``: each folder in it is a show, described by its ``show.toml``.

    Raises ``ConfigurationError`` for a folder without description or parts, and for what cannot be read.
    """
    found = _show_folders(folder)
    if not found:
        raise ConfigurationError("content folder", str(folder), "a folder with at least one show's folder in it")
    descriptions = {
        show: ShowDescription.parse(
            read_text_file(path / DESCRIPTION_FILE, DESCRIPTION_FILE), str(path / DESCRIPTION_FILE)
        )
        for show, path in found.items()
    }
    files = {show: _part_files(path) for show, path in found.items()}
    for show, parts in files.items():
        if not parts:
            raise ConfigurationError("show folder", str(found[show]), "a folder with at least one follower's part")
        for path in parts.values():
            if _size_of(path) == 0:
                raise ConfigurationError("part", str(path), "a file that is not empty")
    report = _Sum(progress, sum(_size_of(path) for parts in files.values() for path in parts.values()))
    entries: list[ShowEntry] = []
    for show, description in descriptions.items():
        read = {follower: read_part(path, report.add) for follower, path in files[show].items()}
        entries.append(description.entry(show, read, str(found[show] / DESCRIPTION_FILE)))
    return Manifest(tuple(entries))


def check_parts(
    manifest: Manifest, folder: str | Path, follower: str, progress: Progress | None = None
) -> dict[str, ContentState]:
    """Return how a follower's parts in ``folder`` compare with the manifest, by show, for each show it has a part in.

    A file of another size is another edition and is not read. Raises ``ConfigurationError`` for what cannot be read.
    """
    folders = _show_folders(folder)
    listed = {entry.show: entry.parts[follower] for entry in manifest.shows if follower in entry.parts}
    files: dict[str, Path | None] = {}
    for show in listed:
        place = folders.get(unicodedata.normalize("NFC", show))
        files[show] = None if place is None else _part_files(place).get(unicodedata.normalize("NFC", follower))
    sizes = {show: _size_of(path) for show, path in files.items() if path is not None}
    report = _Sum(progress, sum(size for show, size in sizes.items() if size == listed[show].size_bytes))
    states: dict[str, ContentState] = {}
    for show, part in listed.items():
        path = files[show]
        if path is None:
            states[show] = part.state_of(None)
        elif sizes[show] != part.size_bytes:
            states[show] = ContentState.OTHER_EDITION
        else:
            states[show] = part.state_of(read_part(path, report.add))
    return states


class _Sum:
    def __init__(self, progress: Progress | None, total_bytes: int) -> None:
        self._progress = progress
        self._done = 0
        self._total = total_bytes

    def add(self, piece_bytes: int) -> None:
        self._done += piece_bytes
        if self._progress is not None:
            self._progress(self._done, self._total)


def _show_folders(folder: str | Path) -> dict[str, Path]:
    with _told_of(folder, "content folder"):
        found = [entry for entry in sorted(Path(folder).iterdir()) if entry.is_dir() and entry.name[0] != "."]
    return _once((unicodedata.normalize("NFC", entry.name), entry) for entry in found)


def _part_files(folder: Path) -> dict[str, Path]:
    with _told_of(folder, "show folder"):
        found = [
            entry
            for entry in sorted(folder.iterdir())
            if entry.is_file() and entry.name[0] != "." and entry.name != DESCRIPTION_FILE
        ]
    return _once((unicodedata.normalize("NFC", entry.stem), entry) for entry in found)


def _once(named: Iterable[tuple[str, Path]]) -> dict[str, Path]:
    # Some file systems hand out names decomposed: composed, they compare with what people type.
    found: dict[str, Path] = {}
    for name, path in named:
        if name in found:
            raise ConfigurationError(str(path), name, f"each name once; {found[name].name} has it too")
        found[check_name(name, str(path))] = path
    return found


def _size_of(path: Path) -> int:
    with _told_of(path, "part"):
        return path.stat().st_size


@contextmanager
def _told_of(path: str | Path, what: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise FileError(what, str(path), error.strerror or str(error)) from None
    except RuntimeError:  # as Python 3.11 tells it where a path is resolved
        raise FileError(what, str(path), "a circle of links") from None
