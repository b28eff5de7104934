"""Files that a command writes: looked at before the work, and written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from leadlight.errors import LeadlightError


class OutputError(LeadlightError, OSError):
    """A file cannot be written. The message names it and says why."""

    def __str__(self) -> str:
        return str(self.args[0])


def check_outputs(*paths: Path | None) -> None:
    """Raise ``OutputError`` if a file could not be written, or one is named twice. Writes nothing; skips ``None``."""
    seen: set[Path] = set()
    for path in paths:
        if path is None:
            continue
        try:
            target = path.resolve()
            folder = target.parent
            if target in seen:
                raise OutputError(f"{path}: named for two outputs")
            if target.is_dir():
                raise OutputError(f"{path}: cannot be written: is a folder")
            if not folder.is_dir():
                raise OutputError(f"{path}: cannot be written: there is no folder {folder}")
            # A file is replaced by a new one beside it, a device is written to.
            place = target if target.exists() and not target.is_file() else folder
            if not os.access(place, os.W_OK):
                raise OutputError(f"{path}: cannot be written: no permission")
        except OutputError:
            raise
        except (OSError, ValueError, RuntimeError) as error:  # too long a name, a null in it, a circle of links
            raise OutputError(f"{path}: cannot be written: {_reason(error)}") from error
        seen.add(target)


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that at no instant there is half of it. Raises ``OutputError``."""
    target = path.resolve()
    part: Path | None = None
    try:
        if target.exists() and not target.is_file():
            target.write_bytes(content)
            return
        part = target.with_name(f".{os.getpid()}.part")
        with part.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(target)
        part = None
    except OSError as error:
        raise OutputError(f"{path}: cannot be written: {_reason(error)}") from error
    finally:
        if part is not None:
            part.unlink(missing_ok=True)


def _reason(error: Exception) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or str(error)
