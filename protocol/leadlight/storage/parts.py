"""The parts of shows on disk: measured, listed in a manifest, and checked against one."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable
from hashlib import blake2s
from pathlib import Path
from typing import Final, TypeAlias

from leadlight.errors import ConfigurationError
from leadlight.evening import DIGEST_BYTES, Manifest, Part, PartFound, ShowDescription, ShowEntry, check_name
from leadlight.playback import Library
from leadlight.storage.files import _told_of, read_manifest, read_text_file
from leadlight.terms import ContentState

DESCRIPTION_FILE: Final = "show.toml"
_CHUNK_BYTES: Final = 256 * 1024
Progress: TypeAlias = Callable[[int, int], None]
"""Told the bytes done and the bytes in all, after every piece."""


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


def read_library(manifest: str | Path, folder: str | Path, follower: str) -> Library:
    """Return the shows of a manifest as this follower has them; each of its parts in ``folder`` is read and compared.

    A part that is missing or differs is told to the leader and never played. Raises ``ConfigurationError`` for a
    follower that the manifest does not list, and for what cannot be read.
    """
    listing = read_manifest(manifest)
    if follower not in listing.followers():
        raise ConfigurationError("follower", follower, f"one that {manifest} lists: {', '.join(listing.followers())}")
    return listing.library(check_parts(listing, folder, follower))


def check_parts(
    manifest: Manifest, folder: str | Path, follower: str, progress: Progress | None = None
) -> dict[str, ContentState]:
    """Return the states of a follower's parts in ``folder``, by show; the rest is as for ``compare_parts``."""
    found = compare_parts(manifest, folder, follower, progress)
    return {show: part.state for show, part in found.items()}


def compare_parts(
    manifest: Manifest, folder: str | Path, follower: str, progress: Progress | None = None
) -> dict[str, PartFound]:
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
    found: dict[str, PartFound] = {}
    for show, part in listed.items():
        path = files[show]
        if path is None:
            found[show] = PartFound(part.state_of(None))
        elif sizes[show] != part.size_bytes:
            found[show] = PartFound(ContentState.OTHER_EDITION, sizes[show] - part.size_bytes)
        else:
            found[show] = PartFound(part.state_of(read_part(path, report.add)))
    return found


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
