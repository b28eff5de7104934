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
from collections.abc import Callable
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


class _Wait(asyncio.Future[bool]):
    """What a task waits for; it may be let go on at once, without another turn of the loop."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        super().__init__(loop=loop)
        self._followers: list[tuple[Callable[..., object], contextvars.Context | None]] = []

    def add_done_callback(self, fn: Callable[..., object], /, *, context: contextvars.Context | None = None) -> None:
        super().add_done_callback(fn, context=context)
        self._followers.append((fn, context))

    def end_now(self) -> None:
        """End it, from a callback of the loop, and run what waits for that before returning."""
        for follower, _ in self._followers:
            self.remove_done_callback(follower)
        self.set_result(True)
        for follower, context in self._followers:
            (context or contextvars.copy_context()).run(follower, self)


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
        self._waiting: dict[_Wait, LocalInstant | None] = {}
        self._listening: set[_Wait] = set()
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
        for waiting in self._listening:
            if not waiting.done():
                waiting.set_result(False)

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
            await self._sleep(woken_for, after_news is not None, now)
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

    async def _sleep(self, at: LocalInstant | None, or_news: bool, now: LocalInstant) -> None:
        waiting = _Wait(self._loop)
        self._waiting[waiting] = at
        if or_news:
            self._listening.add(waiting)
        self._set(now)
        try:
            await waiting
        finally:
            del self._waiting[waiting]
            self._listening.discard(waiting)

    def _set(self, now: LocalInstant | None = None) -> None:
        """Set the timer for the first instant that is waited for, unless it is set for it or earlier."""
        first: LocalInstant | None = None
        for waiting, at in self._waiting.items():  # as many as there are players in one program: one or two
            if at is not None and (first is None or at < first) and not waiting.done():
                first = at
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
        due = [waiting for waiting, at in self._waiting.items() if at is not None and at <= now and not waiting.done()]
        # One task cannot run inside another; and what is not real has no turns to save.
        is_at_once = self._aims and asyncio.current_task(self._loop) is None
        for waiting in due:
            if not is_at_once:
                waiting.set_result(True)
            elif not waiting.done():
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
