"""Many rehearsals on all cores: the same results in the same order, however many workers there are.

Workers are told to ignore Ctrl-C: only the sweep itself answers it, so that what is finished is kept.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from typing import Any, Final

from leadlight.errors import ConfigurationError, LeadlightError
from leadlight.terms import Delivery
from leadlight_sim.measures import rehearse
from leadlight_sim.scenario import Scenario
from leadlight_sim.tune.results import DELIVERIES, RunFigures, figures_of

DEFAULT_INTERVALS_S: Final = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0)
INTERVALS_ALLOWED: Final = "seconds from 0.05 to 10 in whole milliseconds, separated by commas, such as 0.5,1,2"
INTERVALS_MAXIMUM: Final = 100
DELIVERIES_ALLOWED: Final = f"each at most once, separated by commas: {', '.join(DELIVERIES)}"
SEEDS_MAXIMUM: Final = 1000


class SweepError(LeadlightError):
    """A run could not be finished; those before it were."""


@dataclass(frozen=True, slots=True)
class FinishedRun:
    """A run's figures, and the seconds it took."""

    figures: RunFigures
    wall_s: float


def intervals_from_text(text: str) -> tuple[float, ...]:
    """Return the intervals in ``text``, rising, each once. Raises ``ConfigurationError``."""
    try:
        intervals = sorted({float(part) for part in text.split(",")})
    except ValueError:
        intervals = []
    in_range = all(0.05 <= each <= 10 and abs(each * 1000 - round(each * 1000)) < 1e-6 for each in intervals)
    if not intervals or not in_range:
        raise ConfigurationError("--intervals", text, INTERVALS_ALLOWED)
    if len(intervals) > INTERVALS_MAXIMUM:
        raise ConfigurationError("--intervals", f"{len(intervals)} intervals", f"at most {INTERVALS_MAXIMUM}")
    return tuple(intervals)


def deliveries_from_text(text: str) -> tuple[Delivery, ...]:
    """Return the deliveries in ``text`` in the order in which they are told. Raises ``ConfigurationError``."""
    try:
        deliveries = [Delivery(part.strip()) for part in text.split(",")]
    except ValueError:
        deliveries = []
    if not deliveries or len(set(deliveries)) < len(deliveries):
        raise ConfigurationError("--deliveries", text, DELIVERIES_ALLOWED)
    return tuple(delivery for delivery in DELIVERIES if delivery in deliveries)


def planned_runs(
    scenario: Scenario, intervals_s: Sequence[float], deliveries: Sequence[Delivery], seeds: int
) -> list[Scenario]:
    """Return the scenario of every run: each interval by each delivery, each with ``seeds`` seeds.

    Seeds count up from the scenario's own. All combinations come with the first seed, then all with the second, so that
    a part of the runs says something of each combination. Raises ``ScenarioError`` or ``ConfigurationError``.
    """
    if not 1 <= seeds <= SEEDS_MAXIMUM:
        raise ConfigurationError("--seeds", seeds, f"1 to {SEEDS_MAXIMUM}")
    first = scenario.run.seed
    varied = [
        scenario.with_changes({"leader.delivery": delivery.value, "leader.interval_s": interval})
        for delivery in deliveries
        for interval in intervals_s
    ]
    return [each.with_changes({"run.seed": first + number}) for number in range(seeds) for each in varied]


def finish_run(scenario: Scenario) -> FinishedRun:
    """Rehearse one scenario and keep its figures."""
    rehearsal = rehearse(scenario)
    return FinishedRun(figures_of(rehearsal), rehearsal.wall_s)


def cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def sweep(runs: Sequence[Scenario], jobs: int, start_method: str = "spawn") -> Iterator[FinishedRun]:
    """Yield each run as it is finished, in no fixed order, ``jobs`` at a time.

    With one job everything runs in this process. Closing the iterator, or an exception in it such as Ctrl-C, ends the
    workers at once. Raises ``ConfigurationError``, or ``SweepError`` where a worker died.
    """
    if jobs < 1:
        raise ConfigurationError("--jobs", jobs, "1 or more")
    if min(jobs, len(runs)) == 1:
        return map(finish_run, runs)
    return _on_workers(runs, min(jobs, len(runs)), start_method)


@dataclass(slots=True)
class _Worker:
    process: Any
    connection: Connection
    busy_with: Scenario | None = None

    def take(self, run: Scenario | None) -> None:
        self.busy_with = run
        # A worker that has died is found by the end of its own messages.
        with suppress(OSError):
            self.connection.send(run)


def _on_workers(runs: Sequence[Scenario], jobs: int, start_method: str) -> Iterator[FinishedRun]:
    waiting = iter(runs)
    workers: list[_Worker] = []
    try:
        with _interrupts_ignored():
            workers.extend(_start_worker(start_method) for _ in range(jobs))
        for worker in workers:
            worker.take(next(waiting, None))
        while busy := {worker.connection: worker for worker in workers if worker.busy_with is not None}:
            for connection in wait(list(busy)):
                assert isinstance(connection, Connection)
                worker = busy[connection]
                finished = _received(worker)
                worker.take(next(waiting, None))
                yield finished
    finally:
        for worker in workers:
            worker.connection.close()
            worker.process.terminate()
        for worker in workers:
            worker.process.join()


def _start_worker(start_method: str) -> _Worker:
    context: Any = multiprocessing.get_context(start_method)
    ours, theirs = context.Pipe()
    process = context.Process(target=_work, args=(theirs,), daemon=True)
    process.start()
    theirs.close()
    return _Worker(process, ours)


def _received(worker: _Worker) -> FinishedRun:
    try:
        finished = worker.connection.recv()
    except (EOFError, OSError) as error:
        worker.process.join(timeout=5)
        run = worker.busy_with
        assert run is not None
        raise SweepError(
            f"the run at {run.leader.interval_s:g} s by delivery {run.leader.delivery} with seed {run.run.seed} ended "
            f"before it was finished (exit code {worker.process.exitcode})"
        ) from error
    assert isinstance(finished, FinishedRun)
    return finished


def _work(connection: Connection) -> None:
    """A worker's whole life: scenarios in, finished runs out, until there are no more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with suppress(EOFError, BrokenPipeError):
        while (run := connection.recv()) is not None:
            connection.send(finish_run(run))


@contextmanager
def _interrupts_ignored() -> Iterator[None]:
    """Ignore Ctrl-C while workers start, so that they inherit it and none is struck before it can say so itself."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
