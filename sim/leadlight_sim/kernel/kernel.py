"""The discrete-event kernel: virtual time in whole nanoseconds, and a total order of events.

Order ----- Events run in rising order of the triple (instant, priority, insertion number). Of two events at one instant
the one with the lower priority number runs first; of two with the same priority, the one scheduled first. The insertion
number is unique, so the triple decides every comparison and neither actions nor arguments are ever compared. An event
may schedule others at its own instant. They run in the same order among what is still waiting, so one of a lower
priority number goes before events that were scheduled earlier.

The same schedule of calls gives the same run, whatever the machine.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from heapq import heapify, heappop, heappush
from typing import Any, NewType

from leadlight_sim.kernel.errors import KernelError

TrueInstant = NewType("TrueInstant", int)
"""An instant of true time, in ns since the run began. Only the simulator, its oracles and its measures may read it."""


class _EndReached(Exception):  # noqa: N818 - it ends the loop, nothing has gone wrong
    pass


def _reach_end() -> None:
    raise _EndReached


class Kernel:
    """Virtual time and its events. ``now`` is the true instant of the event that is running: read it, never set it."""

    __slots__ = ("_heap", "_inserted", "_marks", "_running", "now")

    def __init__(self) -> None:
        self.now = TrueInstant(0)
        # Priority is a float only in the mark that run_until sets at its end: infinity, so that it comes last there.
        self._heap: list[tuple[int, float, int, Callable[..., object], tuple[Any, ...]]] = []
        self._inserted = 0
        self._marks = 0
        self._running = False

    def schedule(self, at: TrueInstant, action: Callable[..., object], *arguments: Any, priority: int = 0) -> None:
        """Call ``action(*arguments)`` at the true instant ``at``.

        Raises ``KernelError`` if ``at`` is not a whole number or has passed.
        """
        if type(at) is not int or at < self.now:
            raise self._refusal(at)
        self._inserted = number = self._inserted + 1
        heappush(self._heap, (at, priority, number, action, arguments))

    def schedule_after(self, delay_ns: int, action: Callable[..., object], *arguments: Any, priority: int = 0) -> None:
        """Call ``action(*arguments)`` in ``delay_ns``; raises as ``schedule`` does."""
        # Written out, not handed to schedule(): the second call would cost as much as the heap does.
        now = self.now
        at = now + delay_ns
        if type(at) is not int or at < now:
            raise self._refusal(at)
        self._inserted = number = self._inserted + 1
        heappush(self._heap, (at, priority, number, action, arguments))

    def run_until(self, end: TrueInstant) -> None:
        """Run every event up to and including ``end``, and leave ``now`` there.

        What an action raises comes through; ``now`` is then that event's instant and the run can be taken up again.

        Raises ``KernelError`` if ``end`` is not a whole number or has passed, or if the kernel is already running.
        """
        if type(end) is not int or end < self.now:
            raise KernelError(f"cannot run until {end!r} ns: it is {self.now} ns, and time never goes back")
        self._begin()
        heap = self._heap
        pop = heappop
        # A mark in the heap costs less than looking at its head before every event.
        mark = (end, math.inf, 0, _reach_end, ())
        heappush(heap, mark)
        self._marks = 1
        try:
            while True:
                self.now, _, _, action, arguments = pop(heap)  # type: ignore[assignment]
                # A call without unpacking is the faster one, and most events carry no arguments.
                if arguments:
                    action(*arguments)
                else:
                    action()
        except _EndReached:
            pass
        except BaseException:
            heap.remove(mark)
            heapify(heap)
            raise
        finally:
            self._marks = 0
            self._running = False

    def run_all(self, limit: int) -> None:
        """Run until nothing is scheduled, and leave ``now`` at the last event.

        Raises ``KernelError`` if more remain after ``limit`` events, or if the kernel is already running.
        """
        self._begin()
        heap = self._heap
        left = limit
        try:
            while heap:
                if left <= 0:
                    raise KernelError(f"still {len(heap)} events scheduled at {self.now} ns after {limit} events")
                left -= 1
                self.now, _, _, action, arguments = heappop(heap)  # type: ignore[assignment]
                action(*arguments)
        finally:
            self._running = False

    @property
    def events_run(self) -> int:
        """How many events have begun to run."""
        return self._inserted - self.pending

    @property
    def pending(self) -> int:
        """How many events are scheduled."""
        return len(self._heap) - self._marks

    def _begin(self) -> None:
        if self._running:
            raise KernelError(f"the kernel is already running, at {self.now} ns: an action cannot run it")
        self._running = True

    def _refusal(self, at: object) -> KernelError:
        if type(at) is not int:
            return KernelError(f"an event's instant is whole nanoseconds, not {at!r} (it is {self.now} ns)")
        return KernelError(f"an event was scheduled for {at} ns, but it is already {self.now} ns")
