"""The sampled air's one queue of group frames, and its account of the radio time that is asked for.

An access point has one radio and one first-in, first-out queue for all that goes to the group (``mac80211`` keeps one
``bc_buf`` per access point), whoever sent it. Held frames leave after a DTIM beacon; others as soon as the radio is
done with those before them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Generic, TypeVar

from leadlight.units import MILLISECOND
from leadlight_sim.air import BeaconGrid
from leadlight_sim.kernel import Kernel, TrueInstant

OVERLOAD_NS = 100 * MILLISECOND
"""Radio time asked for and not yet had, above which the radio is called overloaded; assumed. Less than that is what
the delay distributions hold already: a burst of 64 unicast copies comes to some 25 ms."""

QUEUE_OVERLOAD_NS = 500 * MILLISECOND
"""A sender's own work above which it is called overloaded, where that is counted with all its waits for a busy medium;
assumed. It is more than a burst of copies takes beside neighbours that always send."""

Flow = TypeVar("Flow")


class Workload:
    """Time asked for and not yet had, of a radio or of one sender's queue, that is worked off second by second.

    Nothing is delayed by it until it passes ``overload_ns``, so that on a network which can carry what it is given
    nobody's packets depend on anybody else's. A radio has then overflowed. ``beside`` makes it one sender's queue on
    that radio: whichever of the two has more to do delays its frames, and it overflows only when one is dropped.
    """

    __slots__ = ("_at", "_beside", "_overload_ns", "_waiting_ns", "has_overflowed")

    def __init__(self, overload_ns: int = OVERLOAD_NS, beside: Workload | None = None) -> None:
        self._overload_ns = overload_ns
        self._beside = beside
        self._at = 0
        self._waiting_ns = 0
        self.has_overflowed = False

    def add(self, now: int, cost_ns: int) -> None:
        """Ask for ``cost_ns`` of time at ``now``, which never goes back."""
        waiting_ns = self._waiting_ns + self._at - now
        self._waiting_ns = waiting_ns + cost_ns if waiting_ns > 0 else cost_ns
        self._at = now
        if self._waiting_ns > self._overload_ns and self._beside is None:
            self.has_overflowed = True

    def overflow(self) -> None:
        """Note that a frame was dropped; the radio beside learns of it."""
        self.has_overflowed = True
        if self._beside is not None:
            self._beside.overflow()

    def excess_ns(self, now: int) -> int:
        """Return how much more than ``overload_ns`` is waiting at ``now``: what an overload adds to every delay."""
        excess_ns = self._waiting_ns + self._at - now - self._overload_ns
        if self._beside is not None:
            beside_ns = self._beside.excess_ns(now)
            if beside_ns > excess_ns:
                return beside_ns
        return excess_ns if excess_ns > 0 else 0


class GroupQueue(Generic[Flow]):
    """Group frames on their way to the air, first in, first out, whoever sent them.

    ``transmit(flow, data, begin, is_behind)`` puts a frame on the air and returns how long it keeps the radio.
    ``is_behind`` says that it goes right behind another that the same DTIM beacon let go. ``drop(flow)`` hears of one
    that was given up. With a ``grid`` frames wait for the first DTIM instant that is not before them. At most
    ``limit_frames`` of them wait, those of a burst that have not begun included, and the oldest is dropped first.
    Without one, and at instants of which ``is_holding`` says no, they wait for the frames before them alone, and one
    that would wait more than ``backlog_ns`` is dropped. What was held by then still waits for its DTIM, as in Linux
    ``mac80211``.
    """

    def __init__(
        self,
        kernel: Kernel,
        workload: Workload,
        transmit: Callable[[Flow, bytes, int, bool], int],
        drop: Callable[[Flow], None],
        *,
        grid: BeaconGrid | None,
        is_holding: Callable[[TrueInstant], bool] | None = None,
        limit_frames: int,
        backlog_ns: int,
    ) -> None:
        self._kernel = kernel
        self._workload = workload
        self._transmit = transmit
        self._drop = drop
        self._grid = grid
        self._is_holding = is_holding
        self._limit_frames = limit_frames
        self._backlog_ns = backlog_ns
        self._held: deque[tuple[Flow, bytes]] = deque()
        self._releasable = 0
        self._next_release: TrueInstant | None = None
        self._is_draining = False
        self._free_at = 0

    def take(self, flow: Flow, data: bytes) -> None:
        """Take a frame that reaches the access point now."""
        now = self._kernel.now
        if self._grid is not None and (self._is_holding is None or self._is_holding(now)):
            self._hold(self._grid, flow, data)
            return
        begin = max(now + self._workload.excess_ns(now), self._free_at)
        if begin - now > self._backlog_ns:
            self._workload.overflow()
            self._drop(flow)
            return
        self._free_at = begin + self._transmit(flow, data, begin, False)

    def _hold(self, grid: BeaconGrid, flow: Flow, data: bytes) -> None:
        if self._next_release is None:
            # Where now is a DTIM instant this still goes through the kernel, so that order stays by arrival.
            self._next_release = grid.next_dtim(self._kernel.now)
            self._kernel.schedule(self._next_release, self._release)
        if len(self._held) >= self._limit_frames:
            self._workload.overflow()
            oldest, _ = self._held.popleft()
            self._drop(oldest)
            self._releasable = max(0, self._releasable - 1)
        self._held.append((flow, data))

    def _release(self) -> None:
        # What is in the queue now may go; what comes during the burst waits for the next DTIM.
        self._next_release = None
        self._releasable = len(self._held)
        if not self._is_draining:
            self._drain(is_behind=False)

    def _drain(self, is_behind: bool = True) -> None:
        # One frame at a time, for those that have not begun are still in the queue and count there.
        now = self._kernel.now
        while self._releasable and self._free_at <= now:
            self._releasable -= 1
            flow, data = self._held.popleft()
            self._free_at = now + self._transmit(flow, data, now, is_behind)
            is_behind = True
        self._is_draining = self._releasable > 0
        if self._is_draining:
            self._kernel.schedule(TrueInstant(self._free_at), self._drain)
