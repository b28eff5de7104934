"""The folder where what runs on this host keeps what lasts until the next start of it: for its owner alone.

A service has ``/run/leadlight``, made for it, and somebody who is logged in the folder of that login. Without either it
is one of this user's under the temporary folder, which anybody could have made: so its owner is looked at.
"""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Iterator
from hashlib import blake2s
from pathlib import Path
from typing import Final

from leadlight.errors import FileError

SERVICE_FOLDER: Final = Path("/run/leadlight")


def runtime_folder() -> Path:
    """Return the first of the folders that this user can have, made if need be; ``FileError`` where there is none."""
    trouble = "this system has no users"
    for folder in runtime_folders():
        try:
            folder.mkdir(mode=0o700, exist_ok=True)
            found = folder.lstat()
            if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.geteuid():
                trouble = f"{folder} is not this user's"
                continue
            if stat.S_IMODE(found.st_mode) & 0o077:
                folder.chmod(0o700)
        except OSError as error:
            trouble = f"{folder}: {error.strerror or error}"
            continue
        return folder
    raise FileError("runtime folder", str(SERVICE_FOLDER), trouble)


def runtime_folders() -> Iterator[Path]:
    """Yield where this user's runtime folder may be, whether or not it is there, the first choice first."""
    if not hasattr(os, "geteuid"):
        return
    of_login = os.environ.get("XDG_RUNTIME_DIR")
    if of_login:
        yield Path(of_login) / "leadlight"
    yield SERVICE_FOLDER
    yield Path(tempfile.gettempdir()) / f"leadlight-{os.geteuid()}"


def runtime_name(*words: str) -> str:
    """Return a short name for a file that is about these words: a group has any letters, and no limit of 100 bytes."""
    digest = blake2s(digest_size=8, person=b"runtime")
    for word in words:
        digest.update(len(word.encode()).to_bytes(4, "big"))
        digest.update(word.encode())
    return digest.hexdigest()
