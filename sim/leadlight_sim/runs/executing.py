"""Runs on an executor: in flight a few at a time, given back in the order in which they were asked for.

So whatever is decided from them is the same with any number of workers. Any ``concurrent.futures.Executor`` will do.
What finishes beyond the point at which the asker stops is kept all the same.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from leadlight.errors import LeadlightError
from leadlight_sim.measures import Figures, figures_of, rehearse
from leadlight_sim.runs.keeping import Keeper, Nothing, code_digest
from leadlight_sim.scenario import Scenario

CLUSTER_PATIENCE_S: Final = 10
AHEAD: Final = 2
"""Runs in flight for each worker: the next one waits where the last one ends."""


class RunError(LeadlightError):
    """A run could not be finished."""


class ClusterError(LeadlightError):
    """A cluster that cannot be used."""


class TimeIsUp(Exception):  # noqa: N818 - nothing went wrong
    """The time that was given is over."""


@dataclass(frozen=True, slots=True)
class Run:
    """One evening to make: a scenario, whose digest names it, and a seed that takes the place of its own."""

    digest: str
    scenario: Scenario
    seed: int


class Finished(NamedTuple):
    """A run and what came of it."""

    run: Run
    figures: Figures


Work = Callable[[Run], Figures]


def rehearsed(run: Run) -> Figures:
    """Make an evening of a run's scenario."""
    return figures_of(rehearse(run.scenario, run.seed))


def cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@dataclass(frozen=True, slots=True)
class Workers:
    """An executor, how many runs it makes at a time, and how many it is given at once."""

    executor: Executor
    count: int
    window: int


class _Here(Executor):
    """Runs what it is given at once, in this process."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Run a function and return its outcome."""
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:  # noqa: BLE001 - it is the asker's, who gets it from the future
            future.set_exception(error)
        return future


def in_process() -> Workers:
    """Return a worker that is this process itself."""
    return Workers(_Here(), 1, 1)


@contextmanager
def on_processes(jobs: int, start_method: str = "spawn") -> Iterator[Workers]:
    """Give so many processes of the standard library's pool; at the end they are ended at once, whatever they do."""
    # Spawned, so that no worker inherits a drawing library's threads.
    context = multiprocessing.get_context(start_method)
    before = set(multiprocessing.active_children())
    executor = ProcessPoolExecutor(jobs, context, _leave_interrupts_to_the_parent)
    try:
        yield Workers(executor, jobs, AHEAD * jobs)
    finally:
        executor.shutdown(wait=False, cancel_futures=True)
        for process in set(multiprocessing.active_children()) - before:
            process.terminate()


def _leave_interrupts_to_the_parent() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)


@contextmanager
def on_cluster(address: str) -> Iterator[Workers]:
    """Give the workers of a dask cluster whose scheduler is at an address, such as ``"tcp://192.0.2.7:8786"``.

    The cluster runs pickled code of ours as its own user: use none but your own. Raises ``ClusterError`` where it
    cannot be reached, has no workers, or has another version of this program.
    """
    try:
        import distributed
    except ImportError:
        raise ClusterError("--cluster needs leadlight[cluster]: pip install 'leadlight[cluster]'") from None
    try:
        client: Any = distributed.Client(  # type: ignore[no-untyped-call]
            address, timeout=CLUSTER_PATIENCE_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        reason = str(error).partition("\n")[0]
        raise ClusterError(f"--cluster {address}: cannot be reached: {reason}") from None
    try:
        threads = client.nthreads()
        if not threads:
            raise ClusterError(f"--cluster {address}: has no workers")
        try:
            found = client.run(code_digest)
        except Exception as error:  # noqa: BLE001 - whatever a worker of another version says
            raise ClusterError(f"--cluster {address}: a worker cannot run this program: {error}") from None
        ours = code_digest()
        others = sorted(worker for worker, theirs in found.items() if theirs != ours)
        if others:
            raise ClusterError(f"--cluster {address}: another version of this program on {', '.join(others)}")
        count = sum(threads.values())
        yield Workers(client.get_executor(pure=False), count, AHEAD * count)
    finally:
        client.close(timeout=CLUSTER_PATIENCE_S)


def in_order(
    workers: Workers,
    runs: Iterable[Run],
    keeper: Keeper | None = None,
    until: float | None = None,
    work: Work = rehearsed,
) -> Iterator[Finished]:
    """Yield runs as they were asked for, made as many at a time as there are workers.

    ``runs`` is read only a little ahead, so that it may stop, or leave something out, by what was found so far.
    ``until`` is an instant of ``time.monotonic``, from when ``TimeIsUp`` is raised. Raises ``RunError`` where a worker
    died. Closing the iterator cancels what has not begun.
    """
    keeper = Nothing() if keeper is None else keeper
    source = iter(runs)
    flying: deque[tuple[Run, Figures | Future[Figures]]] = deque()
    try:
        while True:
            while len(flying) < workers.window:
                if until is not None and time.monotonic() >= until:
                    raise TimeIsUp
                run = next(source, None)
                if run is None:
                    break
                flying.append((run, keeper.known(run.digest, run.seed) or _submit(workers, run, keeper, work)))
            if not flying:
                return
            run, outcome = flying[0]
            figures = outcome if isinstance(outcome, Figures) else _waited_for(run, outcome, until)
            flying.popleft()
            yield Finished(run, figures)
    finally:
        for _, outcome in flying:
            if isinstance(outcome, Future):
                outcome.cancel()


def _submit(workers: Workers, run: Run, keeper: Keeper, work: Work) -> Future[Figures]:
    def keep(future: Future[Figures]) -> None:
        if not future.cancelled() and future.exception() is None:
            keeper.add(run.digest, run.seed, future.result())

    try:
        future = workers.executor.submit(work, run)
    except (BrokenExecutor, RuntimeError) as error:
        raise RunError(f"the run with seed {run.seed} could not be begun: {error}") from error
    future.add_done_callback(keep)
    return future


def _waited_for(run: Run, future: Future[Figures], until: float | None) -> Figures:
    left_s = None if until is None else max(0.0, until - time.monotonic())
    if not wait([future], left_s).done:
        raise TimeIsUp
    try:
        return future.result()
    except (BrokenExecutor, CancelledError) as error:
        raise RunError(f"a worker ended before its run with seed {run.seed} was finished") from error
