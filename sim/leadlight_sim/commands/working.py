"""What commands of many runs share: who makes the runs, and how they end before they are done."""

from __future__ import annotations

import argparse
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import TYPE_CHECKING, Final

from leadlight.errors import ConfigurationError

# The rest is imported where it is used: a list of commands must not wait for the simulator to load.
if TYPE_CHECKING:
    from leadlight_sim.runs import Workers

EXIT_TERMINATED: Final = 143  # 128 + SIGTERM


class Terminated(KeyboardInterrupt):
    """The process was asked to end."""


def add_worker_options(parser: argparse.ArgumentParser) -> None:
    """Declare who makes the runs."""
    parser.add_argument("--jobs", type=int, metavar="N", help="runs at a time (as many as there are cores)")
    parser.add_argument(
        "--cluster",
        metavar="ADDRESS",
        help="the scheduler of a dask cluster that makes the runs, such as tcp://HOST:8786; its workers run pickled "
        "code as their user, so take none but your own; needs leadlight[cluster]",
    )


def jobs_of(arguments: argparse.Namespace) -> int:
    """Return how many runs are made at a time. Raises ``ConfigurationError``."""
    from leadlight_sim.runs import cores

    jobs: int = cores() if arguments.jobs is None else arguments.jobs
    if jobs < 1:
        raise ConfigurationError("--jobs", jobs, "1 or more")
    return jobs


@contextmanager
def workers_of(arguments: argparse.Namespace) -> Iterator[Workers]:
    """Give the workers that were asked for. Raises ``ConfigurationError`` or ``ClusterError``."""
    from leadlight_sim.runs import in_process, on_cluster, on_processes

    if arguments.cluster is not None:
        if arguments.jobs is not None:
            allowed = "left out with --cluster, which has as many workers as it has"
            raise ConfigurationError("--jobs", arguments.jobs, allowed)
        with on_cluster(arguments.cluster) as workers:
            yield workers
        return
    jobs = jobs_of(arguments)
    if jobs == 1:
        yield in_process()
        return
    with on_processes(jobs) as workers:
        yield workers


@contextmanager
def ended_by_sigterm() -> Iterator[None]:
    """Raise ``Terminated`` in the main thread on SIGTERM, as Ctrl-C raises ``KeyboardInterrupt``."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(_number: int, _frame: FrameType | None) -> None:
        raise Terminated

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
