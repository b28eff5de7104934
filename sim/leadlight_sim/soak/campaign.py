"""Many evenings on all cores, one line for each in a file of results, so that a campaign goes on where it was left.

A line counts for the very program that wrote it: it holds a digest of both packages' files. Evenings are numbered from
0; each has a seed made of the campaign's seed and its number.
"""

from __future__ import annotations

import json
import multiprocessing
import resource
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict, dataclass
from hashlib import blake2s
from importlib.resources import files
from importlib.resources.abc import Traversable
from itertools import count
from pathlib import Path
from typing import Final, TextIO

from leadlight.errors import LeadlightError
from leadlight_sim.soak.evenings import random_evening
from leadlight_sim.soak.trial import Violation, hold

QUEUED_A_WORKER: Final = 2
"""Evenings handed out for each worker, the one that it has in hand included: so none waits."""
PACKAGES: Final = ("leadlight", "leadlight_sim")


class SoakError(LeadlightError):
    """A campaign cannot be run, or a worker was lost."""


@dataclass(frozen=True, slots=True)
class Finished:
    """One evening of a campaign: ``memory_bytes`` is the most that its worker has ever held."""

    number: int
    seed: int
    simulated_s: float
    work_s: float
    memory_bytes: int
    violations: tuple[Violation, ...]


def program_digest() -> str:
    """Return 32 hexadecimal digits that change with any line of either package."""
    digest = blake2s(digest_size=16, person=b"program")
    for package in PACKAGES:
        for name, content in sorted(_sources(files(package), package)):
            digest.update(f"{name}\0{len(content)}\0".encode())
            digest.update(content)
    return digest.hexdigest()


def _sources(folder: Traversable, name: str) -> Iterator[tuple[str, bytes]]:
    for entry in folder.iterdir():
        inner = f"{name}/{entry.name}"
        if entry.is_dir():
            yield from _sources(entry, inner)
        elif entry.name.endswith((".py", ".toml")):
            yield inner, entry.read_bytes()


def seed_of(campaign: str, number: int) -> int:
    """Return the seed of an evening: 62 bits of a digest over the campaign's seed and the evening's number."""
    return int.from_bytes(blake2s(f"{campaign} {number}".encode(), digest_size=8).digest()[:8], "big") >> 2


def finish(number: int, seed: int) -> Finished:
    """Hold one evening against every promise."""
    outcome = hold(random_evening(seed))
    # Kilobytes on Linux, bytes on macOS.
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    return Finished(number, seed, outcome.simulated_s, outcome.work_s, memory, outcome.violations)


class Results:
    """A file of finished evenings, one JSON object a line. ``None`` keeps nothing."""

    def __init__(self, path: Path | None, digest: str, campaign: str) -> None:
        self._path = path
        self._about = {"program": digest, "campaign": campaign}

    def read(self) -> list[Finished]:
        """Return the evenings of this program and campaign; lines that are torn or of others are passed over."""
        if self._path is None or not self._path.exists():
            return []
        found: dict[int, Finished] = {}
        for line in self._path.read_text(encoding="utf-8", errors="replace").splitlines():
            try:
                plain = json.loads(line)
                if {key: plain.pop(key) for key in self._about} != self._about:
                    continue
                violations = tuple(Violation(**one) for one in plain.pop("violations"))
                finished = Finished(**plain, violations=violations)
            except (ValueError, TypeError, KeyError, AttributeError):
                continue  # the last line of a run that was killed
            found[finished.number] = finished
        return sorted(found.values(), key=lambda finished: finished.number)

    def append(self, finished: Finished) -> None:
        """Write one line, whole as far as this process can see to it."""
        if self._path is None:
            return
        line = json.dumps(self._about | asdict(finished), ensure_ascii=False)
        with self._path.open("a+b") as file:
            if file.tell() and not self._ends_whole(file.tell()):
                file.write(b"\n")  # after a torn line
            file.write(f"{line}\n".encode())

    def _ends_whole(self, size: int) -> bool:
        assert self._path is not None
        with self._path.open("rb") as file:
            file.seek(size - 1)
            return file.read(1) == b"\n"


def soak(
    campaign: str, done: Sequence[int], jobs: int, is_enough: Callable[[], bool]
) -> Iterator[Finished]:
    """Yield evenings as they are finished, in no fixed order, those already ``done`` left out, until it is enough.

    Those that were handed out by then are finished. Raises ``SoakError`` where a worker dies.
    """
    known = set(done)
    numbers = (number for number in count() if number not in known)
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(jobs, mp_context=context, initializer=_ignore_interrupts)
    running: set[Future[Finished]] = set()
    try:
        while True:
            while len(running) < jobs * QUEUED_A_WORKER and not is_enough():
                number = next(numbers)
                running.add(pool.submit(finish, number, seed_of(campaign, number)))
            if not running:
                return
            finished, running = wait(running, return_when=FIRST_COMPLETED)
            for one in finished:
                yield one.result()
    except BrokenProcessPool as error:
        raise SoakError(f"a worker ended before its evening was finished: {error}") from error
    finally:
        # Who interrupts waits for the evenings that are being looked at: some seconds.
        pool.shutdown(wait=True, cancel_futures=True)


def _ignore_interrupts() -> None:
    # Only the command itself answers Ctrl-C, so that what is finished is kept.
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def told(finished: Sequence[Finished], jobs: int, wall_s: float, stream: TextIO) -> None:
    """Write what a campaign came to: hours, speed, memory and how often each promise was broken."""
    hours = sum(one.simulated_s for one in finished) / 3600
    work_hours = sum(one.work_s for one in finished) / 3600
    broken: dict[str, list[Finished]] = {}
    for one in finished:
        for violation in one.violations:
            broken.setdefault(violation.promise, []).append(one)
    speed = f"{hours / work_hours:.0f} simulated hours an hour of one core" if work_hours else "no time"
    memory = max((one.memory_bytes for one in finished), default=0) / 2**20
    stream.write(
        f"{len(finished)} evenings, {hours:.2f} simulated hours; {speed}; {jobs} at a time, {wall_s:.0f} s now; "
        f"a worker held {memory:.0f} MiB at most.\n"
    )
    if not broken:
        stream.write("Every promise was kept.\n")
    most_first = sorted(broken.items(), key=lambda entry: -len(entry[1]))
    stream.writelines(f"BROKEN in {len(evenings)}: {promise}\n" for promise, evenings in most_first)
