"""A file of finished runs, a line of JSON each, appended as they come; and which runs need not be made again.

A line is keyed by the digest of the varied scenario, the seed, and a digest of the installed code: a changed program
may give other figures. A last line that was torn by a crash is left out and overwritten.
"""

from __future__ import annotations

import json
import threading
from hashlib import blake2s
from importlib import import_module
from pathlib import Path
from types import TracebackType
from typing import Final, Protocol

from leadlight.errors import LeadlightError
from leadlight_sim.measures import Figures

PACKAGES: Final = ("leadlight", "leadlight_sim")
CODE_SUFFIXES: Final = (".py", ".so", ".pyd")


class KeptError(LeadlightError):
    """A file of results that cannot be taken up: of another scenario, of another version, or no such file at all."""


def code_digest() -> str:
    """Return 32 hexadecimal digits that depend on every file of installed code, whatever its path."""
    found = blake2s(digest_size=16, person=b"code")
    for package in PACKAGES:
        origin = import_module(package).__file__
        assert origin is not None
        folder = Path(origin).parent
        for path in sorted(each for each in folder.rglob("*") if each.suffix in CODE_SUFFIXES):
            content = blake2s(path.read_bytes()).digest()
            found.update(f"{package}/{path.relative_to(folder).as_posix()}\0".encode() + content)
    return found.hexdigest()


class Keeper(Protocol):
    """Where finished runs go, and whence they come back."""

    def known(self, digest: str, seed: int) -> Figures | None:
        """Return the figures of a run that was finished before, or ``None``."""

    def add(self, digest: str, seed: int, figures: Figures) -> None:
        """Take a finished run."""


class Nothing:
    """Keeps nothing."""

    def known(self, digest: str, seed: int) -> Figures | None:  # noqa: ARG002
        """Return that nothing is known."""
        return None

    def add(self, digest: str, seed: int, figures: Figures) -> None:
        """Let it go."""


class Kept:
    """Results in a file. Use it as a context; ``add`` may be called from any thread.

    ``of`` is the digest of the scenario that was asked about, before anything in it was varied. With ``resumes`` the
    file must be there, and what is in it is known; otherwise it must not be, or be empty. Raises ``KeptError``.
    """

    def __init__(self, path: Path, of: str, resumes: bool, option: str) -> None:
        self._path = path
        self._of = of
        self._code = code_digest()
        self._lock = threading.Lock()
        # Where each line begins: an index, so that memory does not grow with what lines hold.
        self._places: dict[tuple[bytes, int], int] = {}
        if not resumes and path.exists() and path.stat().st_size:
            raise KeptError(f"{option} {path}: holds something already; --resume {path} takes up results")
        try:
            self._file = path.open("r+b" if resumes else "w+b")
        except FileNotFoundError:
            raise KeptError(f"{option} {path}: no such file") from None
        except OSError as error:
            raise KeptError(f"{option} {path}: {error.strerror}") from None
        try:
            self._end = self._read(option) if resumes else 0
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Kept:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._lock:
            self._file.close()

    def __len__(self) -> int:
        return len(self._places)

    def known(self, digest: str, seed: int) -> Figures | None:
        """Return the figures of a run that the file held when it was opened, or ``None``."""
        place = self._places.get((bytes.fromhex(digest), seed))
        if place is None:
            return None
        with self._lock:
            self._file.seek(place)
            return Figures.from_json(json.loads(self._file.readline())["figures"])

    def add(self, digest: str, seed: int, figures: Figures) -> None:
        """Append a finished run; one that comes after the file was closed is lost. Raises ``KeptError``."""
        line = {"of": self._of, "scenario": digest, "seed": seed, "code": self._code, "figures": figures.to_json()}
        data = json.dumps(line, ensure_ascii=False, allow_nan=False).encode() + b"\n"
        with self._lock:
            if self._file.closed:
                return
            try:
                self._file.seek(self._end)
                self._file.write(data)
                self._file.flush()
            except OSError as error:
                raise KeptError(f"{self._path}: {error.strerror}") from None
            self._end += len(data)

    def _read(self, option: str) -> int:
        """Index the file's lines and return where the whole ones end."""
        end = 0
        for number, line in enumerate(self._file, start=1):
            where = f"{option} {self._path}: line {number}"
            try:
                held = json.loads(line)
                key = (bytes.fromhex(held["scenario"]), int(held["seed"]))
                of, code = held["of"], held["code"]
                Figures.from_json(held["figures"])
            except (ValueError, KeyError, TypeError, AttributeError):
                if not line.endswith(b"\n"):
                    break  # torn by a crash
                raise KeptError(f"{where}: not a result of this program") from None
            if not line.endswith(b"\n"):
                break
            if of != self._of:
                raise KeptError(f"{where}: of another scenario; take the one it was begun with, or a new file")
            if code != self._code:
                raise KeptError(f"{where}: of another version of the program; its figures may differ; take a new file")
            self._places[key] = end
            end += len(line)
        self._file.truncate(end)
        return end
