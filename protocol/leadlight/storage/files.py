"""What nodes keep on disk: the group's key file, content manifests, the parts of shows, and running orders.

Parts lie in one folder for each show, named after its id, and each part's file is named after its follower, with any
suffix: ``Tidefall/jetty.frames``. Beside them, where a manifest is built, ``Tidefall/show.toml`` describes the show.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from leadlight.errors import ConfigurationError, FileError
from leadlight.evening import Manifest, manifest_text, parse_manifest

TEXT_FILE_MAXIMUM_BYTES: Final = 8 * 1024 * 1024
"""No manifest or running order needs more; a wrong file is refused before it fills the memory of a board."""


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


def write_manifest(manifest: Manifest, path: str | Path) -> None:
    """Write a manifest to a file, whole or not at all: a reader never sees half of it."""
    write_file(manifest_text(manifest), path, "manifest")


def write_file(content: str | bytes, path: str | Path, what: str) -> None:
    """Write a file whole or not at all, text as UTF-8; ``what`` it is names it in the ``FileError`` if it cannot be."""
    with written_whole(path, what) as write:
        write(content)


@contextmanager
def written_whole(path: str | Path, what: str) -> Iterator[Callable[[str | bytes], None]]:
    """Give what writes bytes, or text as UTF-8, to a file that has its name once all is written, or never.

    A device or a pipe is written to at once. ``what`` it is names it in the ``FileError`` where it cannot be written.
    """
    with _told_of(path, what):
        target = Path(path).resolve()
        if target.is_dir():
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
        is_replaced = target.is_file() or not target.exists()
        written = target.with_name(f".{target.name}.new") if is_replaced else target
        file = written.open("wb")

    def write(content: str | bytes) -> None:
        # Its errors are told here, and those of whoever writes are left alone.
        with _told_of(path, what):
            file.write(content.encode() if isinstance(content, str) else content)

    try:
        yield write
        with _told_of(path, what):
            file.flush()
            if is_replaced:
                os.fsync(file.fileno())
            file.close()
            if is_replaced:
                written.replace(target)
    finally:
        with suppress(OSError):
            file.close()
        if is_replaced:
            written.unlink(missing_ok=True)


def check_outputs(outputs: Mapping[str, str | Path | None]) -> None:
    """Raise ``FileError`` if a file could not be written, or is named twice; for before the work that it is to hold.

    ``outputs`` gives each file, or ``None``, by what it is. Nothing is written.
    """
    seen: set[Path] = set()
    for what, path in outputs.items():
        if path is not None:
            seen.add(_writable(path, what, seen))


def _writable(path: str | Path, what: str, others: set[Path]) -> Path:
    with _told_of(path, what):
        target = Path(path).resolve()
        if target in others:
            raise FileError(what, str(path), "named for two outputs")
        if target.is_dir():
            raise FileError(what, str(path), "is a folder")
        if not target.parent.is_dir():
            raise FileError(what, str(path), f"there is no folder {target.parent}")
        # A file is replaced by a new one beside it, a device is written to.
        place = target if target.exists() and not target.is_file() else target.parent
        if not os.access(place, os.W_OK):
            raise FileError(what, str(path), "no permission to write")
        return target


@contextmanager
def _told_of(path: str | Path, what: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise FileError(what, str(path), error.strerror or str(error)) from None
    except ConfigurationError:
        raise
    except ValueError as error:  # a null in the name
        raise FileError(what, str(path), str(error)) from None
    except RuntimeError:  # as Python 3.11 tells it where a path is resolved
        raise FileError(what, str(path), "a circle of links") from None
