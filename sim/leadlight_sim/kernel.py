"""The discrete-event kernel: virtual time in whole nanoseconds, and a total order of events.

Order
-----
Events run in rising order of the triple (instant, priority, insertion number). Of two events at one instant the one
with the lower priority number runs first; of two with the same priority, the one scheduled first. The insertion number
is unique, so the triple decides every comparison and neither actions nor arguments are ever compared. An event may
schedule others at its own instant; they run in the same order, after all that were already due at their priority.

The same schedule of calls gives the same run, whatever the machine.
"""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop, heappush
from typing import Any, NewType

from leadlight.errors import LeadlightError

TrueInstant = NewType("TrueInstant", int)
"""An instant of true time, in ns since the run began. Only the simulator, its oracles and its measures may read it."""


class KernelError(LeadlightError, RuntimeError):
    """An event was scheduled where no event can be."""


class Kernel:
    """Virtual time and its events."""

    __slots__ = ("_heap", "_inserted", "events_run", "now")

    def __init__(self) -> None:
        self.now = TrueInstant(0)
        self.events_run = 0
        self._heap: list[tuple[int, int, int, Callable[..., object], tuple[Any, ...]]] = []
        self._inserted = 0

    def schedule(self, at: TrueInstant, action: Callable[..., object], *arguments: Any, priority: int = 0) -> None:
        """Call ``action(*arguments)`` at the true instant ``at``.

        Raises ``KernelError`` if ``at`` is not a whole number or has passed.
        """
        if type(at) is not int:
            raise KernelError(f"an event's instant is whole nanoseconds, not {at!r}")
        if at < self.now:
            raise KernelError(f"an event was scheduled for {at} ns, but it is already {self.now} ns")
        self._inserted = number = self._inserted + 1
        heappush(self._heap, (at, priority, number, action, arguments))

    def schedule_after(self, delay_ns: int, action: Callable[..., object], *arguments: Any, priority: int = 0) -> None:
        """Call ``action(*arguments)`` in ``delay_ns``; raises as ``schedule`` does."""
        self.schedule(TrueInstant(self.now + delay_ns), action, *arguments, priority=priority)

    def run_until(self, end: TrueInstant) -> None:
        """Run every event up to and including ``end``, and leave ``now`` there."""
        heap = self._heap
        run = 0
        try:
            while heap and heap[0][0] <= end:
                self.now, _, _, action, arguments = heappop(heap)  # type: ignore[assignment]
                run += 1
                action(*arguments)
        finally:
            self.events_run += run
        if end > self.now:
            self.now = end

    def run_all(self, limit: int) -> None:
        """Run until nothing is scheduled; raises ``KernelError`` after ``limit`` events."""
        heap = self._heap
        while heap:
            if limit <= 0:
                raise KernelError(f"still {len(heap)} events scheduled at {self.now} ns after the limit")
            limit -= 1
            self.now, _, _, action, arguments = heappop(heap)  # type: ignore[assignment]
            self.events_run += 1
            action(*arguments)

    @property
    def pending(self) -> int:
        """How many events are scheduled."""
        return len(self._heap)
