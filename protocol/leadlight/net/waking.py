"""Waking on time: tasks and threads that wait for an instant of a node's clock, or for news.

No timer of the system takes that clock, which is the raw one plus the time asleep. So an instant is turned into a delay
when the timer is set. One that is far off is looked at again shortly before it comes, since two clocks of one host part
by up to 500 ppm.
"""

from __future__ import annotations

import asyncio
import contextvars
import logging
import os
import threading
import time
from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import Final, Protocol

from leadlight.errors import ConfigurationError
from leadlight.net.aim import Aim
from leadlight.net.timers import COARSE_WAIT_NS, ExactTimer, make_timer
from leadlight.units import MILLISECOND, SECOND, LocalInstant

_log = logging.getLogger(__name__)

LOOK_AGAIN_NS: Final = 50 * MILLISECOND
"""A wait that is longer is looked at again so long before its end: 500 ppm of that are 25 µs, which a spin covers."""
SPIN_SHARE: Final = 0.03
"""The most of one core that a node spins away by default."""
FINE_SLEEP_NS: Final = MILLISECOND


@dataclass(frozen=True, slots=True)
class WakingSettings:
    """How a node wakes on time.

    The last stretch of a wait, half a millisecond or so, is slept through with the loop standing still. ``spin_share``:
    the most that waiting in the processor may cost after that, as a share of one core, 0 to 0.5; 0 switches it
    off. ``spins_unstamped``: do both even where the kernel does not stamp datagrams, so that one that comes meanwhile
    is taken for later than it came. ``raises_priority``: ask the system to run this thread before ordinary ones; where
    it refuses, that is told. On a host with a single core such a thread never spins: nothing else would run.
    """

    spin_share: float = SPIN_SHARE
    spins_unstamped: bool = False
    raises_priority: bool = False

    def __post_init__(self) -> None:
        if not 0.0 <= self.spin_share <= 0.5:
            raise ConfigurationError("spin_share", self.spin_share, "0 to 0.5 of a core")

    def share(self, *, is_stamped: bool) -> float:
        """Return what of a core may be spun away on this host."""
        if core_count() == 1 and (self.raises_priority or is_priority_raised()):
            return 0.0
        return self.spin_share if self.stands_still(is_stamped=is_stamped) else 0.0

    def stands_still(self, *, is_stamped: bool) -> bool:
        """Return whether the last stretch of a wait may be slept or spun through, with the loop standing still."""
        return is_stamped or self.spins_unstamped


class Waker(Protocol):
    """Lets tasks of one loop wait for instants of a node's clock. Every wait gives way to the loop at least once.

    ``until`` is ``near`` and ``arrive``, after which nothing should lie before what is due.
    """

    async def until(self, at: LocalInstant | None, *, after_news: int | None = None) -> bool:
        """Return true at ``at`` or a little later, false as soon as there is more news than ``after_news`` counts.

        ``at`` of ``None`` waits for news alone.
        """

    @property
    def news_so_far(self) -> int:
        """How often there was news: take it before looking at what there is, and hand it to what waits."""

    def tell_news(self) -> None:
        """End the waits that wait for news."""

    async def near(self, at: LocalInstant | None, *, after_news: int | None = None) -> bool:
        """Return true shortly before ``at``, false as soon as there is more news than ``after_news`` counts."""

    def arrive(self, at: LocalInstant) -> LocalInstant:
        """Return at ``at``, which ``near`` has just come near to, with the instant; nothing gives way in between."""

    @property
    def give_way(self) -> Callable[[], object]:
        """What lets others of this host have the core that have waited for the same instant."""

    def permit_spin(self, *, is_stamped: bool) -> None:
        """Say whether the kernel stamps what this node receives: unless it does, standing still spoils the stamps."""

    def close(self) -> None:
        """Let go of what it holds of the system."""


class _Wait:
    """What one task waits for: a future as asyncio's tasks know them, whose task may be let go on at once.

    A real one does as much again, for the benefit of many who wait; this costs a player's frame a tenth less.
    """

    __slots__ = ("_asyncio_future_blocking", "_cancelled", "_context", "_loop", "_wakeup", "at", "is_done", "listens")

    def __init__(self, loop: asyncio.AbstractEventLoop, at: LocalInstant | None, listens: bool) -> None:
        self.at = at
        self.listens = listens
        self.is_done = self._asyncio_future_blocking = False
        self._cancelled: asyncio.CancelledError | None = None
        self._loop = loop

    def __await__(self) -> Generator[_Wait, None, None]:
        self._asyncio_future_blocking = True
        yield self

    def get_loop(self) -> asyncio.AbstractEventLoop:
        """Return the loop of the task; the task asks."""
        return self._loop

    def add_done_callback(self, fn: Callable[[_Wait], object], *, context: contextvars.Context) -> None:
        """Learn what lets the task go on, and in which context."""
        self._wakeup, self._context = fn, context

    def cancel(self, msg: object = None) -> bool:
        """Let the task be cancelled."""
        if self.is_done:
            return False
        self._cancelled = asyncio.CancelledError() if msg is None else asyncio.CancelledError(msg)
        self.end()
        return True

    def result(self) -> None:
        """Tell the task how it ended."""
        if self._cancelled is not None:
            raise self._cancelled

    def end(self) -> None:
        """Let the task go on in its turn."""
        self.is_done = True
        self._loop.call_soon(self._wakeup, self, context=self._context)

    def end_now(self) -> None:
        """Let the task go on, from a callback of the loop, until it waits again, and only then return."""
        self.is_done = True
        self._context.run(self._wakeup, self)


class LoopWaker:
    """The waker of an asyncio loop: an exact timer, then a short sleep and a spin. Make it in the loop's thread, while
    it runs.

    ``make`` makes the timer, given the loop and what to call. ``aims`` is false for a timer that has no lateness to
    learn.
    """

    def __init__(
        self,
        clock: Callable[[], LocalInstant],
        settings: WakingSettings = WakingSettings(),
        make: Callable[[asyncio.AbstractEventLoop, Callable[[], object]], ExactTimer] = make_timer,
        aims: bool = True,
    ) -> None:
        self.settings = settings
        self.aim = Aim(0.0, clock)
        self._clock = clock
        self._aims = aims
        self.give_way: Callable[[], object] = give_way if aims else lambda: None
        self._loop = asyncio.get_running_loop()
        self._timer = make(self._loop, self._wake_due)
        self._waits: list[_Wait] = []
        self._told = 0
        self._set_for: LocalInstant | None = None
        self._woken_for: LocalInstant | None = None

    def permit_spin(self, *, is_stamped: bool) -> None:
        """Say whether the kernel stamps what this node receives."""
        if self._aims:
            self.aim.share = self.settings.share(is_stamped=is_stamped)
            self.aim.stands_still = self.settings.stands_still(is_stamped=is_stamped)

    @property
    def news_so_far(self) -> int:
        """How often there was news: take it before looking at what there is, and hand it to what waits."""
        return self._told

    def tell_news(self) -> None:
        """End the waits that wait for news."""
        self._told += 1
        for waiting in self._waits:
            if waiting.listens and not waiting.is_done:
                waiting.end()

    async def until(self, at: LocalInstant | None, *, after_news: int | None = None) -> bool:
        """Return true at ``at`` or a little later, false as soon as there is more news than ``after_news`` counts."""
        if not await self.near(at, after_news=after_news):
            return False
        assert at is not None
        self.arrive(at)
        return True

    async def near(self, at: LocalInstant | None, *, after_news: int | None = None) -> bool:
        """Return true shortly before ``at``, or at ``at`` where this host does not stand still."""
        aim, clock = self.aim, self._clock
        now = clock()
        woken_for = None if at is None else LocalInstant(at - aim.lead_ns(now))
        if (woken_for is not None and woken_for <= now) or (after_news is not None and after_news != self._told):
            await asyncio.sleep(0)
            self._woken_for = None
        else:
            waiting = _Wait(self._loop, woken_for, after_news is not None)
            self._waits.append(waiting)
            self._set(now)
            try:
                await waiting
            finally:
                self._waits.remove(waiting)
            self._woken_for = woken_for
        if after_news is not None and after_news != self._told:
            return False
        if aim.stands_still:
            return True
        assert at is not None
        if self._aims and self._woken_for is not None:
            aim.note_woken(clock() - self._woken_for)
        while clock() < at:  # by a few µs
            await asyncio.sleep(0)
        return after_news is None or after_news == self._told

    def arrive(self, at: LocalInstant) -> LocalInstant:
        """Return at ``at``, which ``near`` has just come near to, with the instant; nothing gives way in between."""
        return self.aim.stand_still(at, self._woken_for) if self.aim.stands_still else self._clock()

    def _set(self, now: LocalInstant | None = None) -> None:
        """Set the timer for the first instant that is waited for, unless it is set for it or earlier."""
        first: LocalInstant | None = None
        for waiting in self._waits:  # as many as there are players in one program: one or two
            if waiting.at is not None and (first is None or waiting.at < first) and not waiting.is_done:
                first = waiting.at
        if first is None or (self._set_for is not None and self._set_for <= first):
            return
        in_ns = first - (self._clock() if now is None else now)
        if in_ns > LOOK_AGAIN_NS:
            in_ns -= LOOK_AGAIN_NS
            self._set_for = LocalInstant(first - LOOK_AGAIN_NS)
        else:
            self._set_for = first
        self._timer.set(max(in_ns, 1))

    def _wake_due(self) -> None:
        self._set_for = None
        now = self._clock()
        due = [one for one in self._waits if one.at is not None and one.at <= now and not one.is_done]
        # One task cannot run inside another; and what is not real has no turns to save.
        is_at_once = self._aims and asyncio.current_task(self._loop) is None
        for waiting in due:
            if not is_at_once:
                waiting.end()
            elif not waiting.is_done:
                waiting.end_now()
        # What is far off, or was taken for due too soon by a clock that runs otherwise, is waited for again.
        self._set()

    def close(self) -> None:
        """Let go of what it holds of the system."""
        self._timer.close()


class ThreadWaker:
    """Lets threads wait, as ``LoopWaker`` does tasks; for one or more threads beside the node's own."""

    def __init__(self, clock: Callable[[], LocalInstant], settings: WakingSettings = WakingSettings()) -> None:
        self.settings = settings
        self.aim = Aim(0.0, clock)
        self._clock = clock
        self._news = threading.Condition()
        self._told = 0
        self._of_thread = threading.local()

    def permit_spin(self, *, is_stamped: bool) -> None:
        """Say whether the kernel stamps what this node receives."""
        self.aim.share = self.settings.share(is_stamped=is_stamped)
        self.aim.stands_still = self.settings.stands_still(is_stamped=is_stamped)

    @property
    def news_so_far(self) -> int:
        """How often there was news: take it before looking at what there is, and hand it to ``until``."""
        return self._told

    def tell_news(self) -> None:
        """End the waits that wait for news."""
        with self._news:
            self._told += 1
            self._news.notify_all()

    def until(self, at: LocalInstant | None, *, after_news: int | None = None) -> bool:
        """Return true at ``at`` or a little later, false if there is more news than ``after_news`` counts."""
        if not self.near(at, after_news=after_news):
            return False
        assert at is not None
        self.arrive(at)
        return True

    def near(self, at: LocalInstant | None, *, after_news: int | None = None) -> bool:
        """Return true shortly before ``at``, or at ``at`` where this host does not stand still; false if there is more
        news than ``after_news`` counts.
        """
        aim, clock = self.aim, self._clock
        now = clock()
        woken_for = None if at is None else LocalInstant(at - aim.lead_ns(now))
        has_slept = False
        with self._news:
            while True:
                if after_news is not None and self._told != after_news:
                    return False
                left_ns = None if woken_for is None else woken_for - clock()
                if left_ns is not None and left_ns <= 0:
                    break
                has_slept = True
                self._sleep(left_ns)
        assert at is not None
        assert woken_for is not None
        self._of_thread.woken_for = woken_for if has_slept else None
        if not has_slept:
            time.sleep(0)
        if aim.stands_still:
            return True
        if has_slept:
            aim.note_woken(clock() - woken_for)
        while clock() < at:  # by a few µs
            time.sleep(0)
        return True

    def arrive(self, at: LocalInstant) -> LocalInstant:
        """Return at ``at``, which ``near`` has just come near to in this thread, with the instant."""
        return self.aim.stand_still(at, self._of_thread.woken_for) if self.aim.stands_still else self._clock()

    def _sleep(self, left_ns: int | None) -> None:
        if left_ns is None:
            self._news.wait()
        elif left_ns > LOOK_AGAIN_NS:
            self._news.wait((left_ns - LOOK_AGAIN_NS) / SECOND)
        elif left_ns > COARSE_WAIT_NS:
            self._news.wait((left_ns - COARSE_WAIT_NS) / SECOND)
        else:
            # Where waits for another thread go by coarse ticks, sleeps do not; news comes at most so much later.
            self._news.release()
            try:
                time.sleep(min(left_ns, FINE_SLEEP_NS) / SECOND)
            finally:
                self._news.acquire()


give_way: Final[Callable[[], object]] = getattr(os, "sched_yield", lambda: None)
"""Lets other programs have this core that wait for it: players of one host wake at one instant."""


def core_count() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def is_priority_raised() -> bool:
    """Return whether this thread runs before ordinary ones."""
    if hasattr(os, "sched_getscheduler") and os.sched_getscheduler(0) in (os.SCHED_FIFO, os.SCHED_RR):
        return True
    return hasattr(os, "getpriority") and os.getpriority(os.PRIO_PROCESS, 0) < 0


def raise_priority() -> bool:
    """Let this thread run before ordinary ones; return whether the system allows it, and tell where it does not."""
    trouble = "this system has no such setting"
    if hasattr(os, "sched_setscheduler"):
        try:
            os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(os.sched_get_priority_min(os.SCHED_RR)))
        except OSError as error:
            trouble = error.strerror or str(error)
        else:
            return True
    _log.warning(
        "scheduling priority stays as it is: %s; allow this program real-time scheduling, or do without", trouble
    )
    return False
