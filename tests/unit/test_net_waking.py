"""Waking on time: what timers are set for, how early, and what ends a wait."""

from __future__ import annotations

import asyncio
import logging
import os
import sys
import threading
from asyncio import tasks
from collections.abc import Callable
from typing import Any

import pytest

from leadlight.errors import ConfigurationError
from leadlight.net import aim as aiming
from leadlight.net import timers, waking
from leadlight.net.aim import Aim
from leadlight.net.clock import LocalClock
from leadlight.net.timers import DescriptorTimer, ExactTimer, ThreadTimer, make_timer
from leadlight.net.waking import LoopWaker, ThreadWaker, WakingSettings
from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LocalInstant

HAS_DESCRIPTORS = sys.platform == "linux"
TIMERS = [
    pytest.param(DescriptorTimer, marks=pytest.mark.skipif(not HAS_DESCRIPTORS, reason="no timer descriptors here")),
    ThreadTimer,
]
Make = Callable[[asyncio.AbstractEventLoop, Callable[[], object]], ExactTimer]
LIMIT_S = 10


class HandClock:
    """A clock that a test sets."""

    def __init__(self) -> None:
        self.now = LocalInstant(1000 * SECOND)

    def __call__(self) -> LocalInstant:
        return self.now


class HandTimer:
    """A timer that a test lets go off."""

    def __init__(self, _: asyncio.AbstractEventLoop, callback: Callable[[], object]) -> None:
        self.fire = callback
        self.asked: list[int] = []
        self.is_closed = False

    def set(self, in_ns: int) -> None:
        self.asked.append(in_ns)

    def close(self) -> None:
        self.is_closed = True


class Waiting:
    """A waker on a clock and a timer that a test moves by hand."""

    def __init__(self) -> None:
        self.clock = HandClock()
        self.timers: list[HandTimer] = []
        self.waker = LoopWaker(self.clock, make=self._make)
        self.timer = self.timers[0]

    def _make(self, loop: asyncio.AbstractEventLoop, callback: Callable[[], object]) -> ExactTimer:
        self.timers.append(HandTimer(loop, callback))
        return self.timers[-1]

    async def pass_on(self, ns: int) -> None:
        """Let time go on, and the timer with it."""
        self.clock.now = LocalInstant(self.clock.now + ns)
        self.timer.fire()
        await turns()


async def turns() -> None:
    for _ in range(4):
        await asyncio.sleep(0)


def run(program: Any) -> Any:
    return asyncio.run(asyncio.wait_for(program, LIMIT_S))


# --- the waker of a loop ----------------------------------------------------------------------------------------------


def test_a_wait_that_is_short_sets_the_timer_once_for_what_is_left() -> None:
    async def program() -> None:
        held = Waiting()
        task = asyncio.create_task(held.waker.until(LocalInstant(held.clock.now + 25 * MILLISECOND)))
        await turns()
        assert held.timer.asked == [25 * MILLISECOND]
        await held.pass_on(25 * MILLISECOND)
        assert await task
        assert held.timer.asked == [25 * MILLISECOND]

    run(program())


def test_a_wait_that_is_long_is_looked_at_again_50_ms_before_its_end() -> None:
    async def program() -> None:
        held = Waiting()
        at = LocalInstant(held.clock.now + 10 * SECOND)
        task = asyncio.create_task(held.waker.until(at))
        await turns()
        # The system's timer runs otherwise than the node's clock, here by 400 ppm.
        await held.pass_on(10 * SECOND - 50 * MILLISECOND - 4 * MILLISECOND)
        assert held.timer.asked == [10 * SECOND - 50 * MILLISECOND, 4 * MILLISECOND]
        await held.pass_on(4 * MILLISECOND)
        assert held.timer.asked[2:] == [50 * MILLISECOND]
        assert not task.done()
        await held.pass_on(50 * MILLISECOND)
        assert await task

    run(program())


def test_a_timer_that_comes_too_soon_is_set_again() -> None:
    async def program() -> None:
        held = Waiting()
        task = asyncio.create_task(held.waker.until(LocalInstant(held.clock.now + 40 * MILLISECOND)))
        await turns()
        await held.pass_on(40 * MILLISECOND - 20 * MICROSECOND)
        assert not task.done()
        assert held.timer.asked == [40 * MILLISECOND, 20 * MICROSECOND]
        await held.pass_on(20 * MICROSECOND)
        assert await task

    run(program())


def test_of_several_waits_the_earliest_sets_the_timer_and_none_is_forgotten() -> None:
    async def program() -> None:
        held, done = Waiting(), []

        async def wait(in_ms: int) -> None:
            await held.waker.until(LocalInstant(LocalInstant(1000 * SECOND) + in_ms * MILLISECOND))
            done.append(in_ms)

        tasks = [asyncio.create_task(wait(in_ms)) for in_ms in (30, 10, 20)]
        await turns()
        for step in range(3):
            await held.pass_on(10 * MILLISECOND)
            assert done == [10, 20, 30][: step + 1]
        await asyncio.gather(*tasks)

    run(program())


def test_news_ends_only_the_waits_that_wait_for_it() -> None:
    async def program() -> None:
        held = Waiting()
        at = LocalInstant(held.clock.now + 13 * SECOND)
        stubborn = asyncio.create_task(held.waker.until(at))
        listening = asyncio.create_task(held.waker.until(at, after_news=held.waker.news_so_far))
        for_news_alone = asyncio.create_task(held.waker.until(None, after_news=held.waker.news_so_far))
        await turns()
        held.waker.tell_news()
        await turns()
        assert (listening.result(), for_news_alone.result()) == (False, False)
        assert not stubborn.done()
        await held.pass_on(13 * SECOND)
        assert await stubborn

    run(program())


def test_news_from_before_a_wait_ends_it_after_it_gave_way_once() -> None:
    async def program() -> None:
        held = Waiting()
        order: list[str] = []
        before = held.waker.news_so_far
        held.waker.tell_news()
        asyncio.get_running_loop().call_soon(order.append, "another")
        assert not await held.waker.until(LocalInstant(held.clock.now + SECOND), after_news=before)
        assert order == ["another"]
        assert held.timer.asked == []

    run(program())


def test_news_that_comes_as_the_timer_goes_off_is_not_missed() -> None:
    async def program() -> None:
        held = Waiting()
        at = LocalInstant(held.clock.now + 10 * MILLISECOND)

        async def wait() -> bool:
            return await held.waker.until(at, after_news=held.waker.news_so_far)

        task = asyncio.create_task(wait())
        await turns()
        held.clock.now = at
        held.timer.fire()  # by a task: the waiting one gets its turn later
        held.waker.tell_news()
        assert not await task

    run(program())


def test_a_task_that_is_woken_by_its_timer_goes_on_before_all_that_is_ready() -> None:
    async def program() -> None:
        held, order = Waiting(), []

        async def wait() -> None:
            await held.waker.until(LocalInstant(held.clock.now + 10 * MILLISECOND))
            order.append("woken")

        task = asyncio.create_task(wait())
        await turns()
        held.clock.now = LocalInstant(held.clock.now + 10 * MILLISECOND)
        loop = asyncio.get_running_loop()
        loop.call_soon(held.timer.fire)
        loop.call_soon(order.append, "ready")
        await task
        assert order == ["woken", "ready"]

    run(program())


def test_a_wait_that_another_ends_as_both_are_due_ends_once() -> None:
    async def program() -> None:
        held = Waiting()
        at = LocalInstant(held.clock.now + 10 * MILLISECOND)

        async def wait() -> None:
            await held.waker.until(at)
            second.cancel()

        first = asyncio.create_task(wait())
        await turns()
        second = asyncio.create_task(held.waker.until(at))
        await turns()
        held.clock.now = at
        asyncio.get_running_loop().call_soon(held.timer.fire)
        await first
        await asyncio.wait([second])
        assert second.cancelled()
        assert not held.waker._waits

    run(program())


def test_a_wait_for_what_is_past_gives_way_once() -> None:
    async def program() -> None:
        held = Waiting()
        order: list[str] = []
        asyncio.get_running_loop().call_soon(order.append, "another")
        await held.waker.until(held.clock.now)
        order.append("waited")
        assert order == ["another", "waited"]
        assert held.timer.asked == []

    run(program())


def test_a_wait_that_is_cancelled_leaves_nothing_behind() -> None:
    async def program() -> None:
        held = Waiting()
        news = held.waker.news_so_far
        for _ in range(3):
            task = asyncio.create_task(held.waker.until(LocalInstant(held.clock.now + SECOND), after_news=news))
            await turns()
            task.cancel()
            await turns()
        assert not held.waker._waits
        await held.pass_on(2 * SECOND)
        held.waker.close()
        assert held.timer.is_closed

    run(program())


@pytest.mark.parametrize("make_task", [asyncio.Task, tasks._PyTask])  # type: ignore[attr-defined]
def test_a_wait_is_cancelled_as_any_other_of_asyncio_s(make_task: Any) -> None:
    async def program() -> None:
        held = Waiting()
        far = LocalInstant(held.clock.now + SECOND)
        for has_begun in (False, True):
            task = make_task(held.waker.until(far, after_news=held.waker.news_so_far))
            if has_begun:
                await turns()
                held.waker.tell_news()  # what ends it is not known to the task yet
            task.cancel("no longer wanted")
            with pytest.raises(asyncio.CancelledError, match="no longer wanted"):
                await task
        with pytest.raises(TimeoutError):
            await asyncio.wait_for(held.waker.until(far), 0.01)
        assert not held.waker._waits

    asyncio.run(asyncio.wait_for(program(), LIMIT_S), debug=True)


@pytest.mark.parametrize("make", TIMERS)
@pytest.mark.parametrize("is_stamped", [False, True])
def test_no_wait_ends_before_its_instant(make: Make, is_stamped: bool) -> None:
    async def program() -> None:
        clock = LocalClock()
        waker = LoopWaker(clock, make=make)
        waker.permit_spin(is_stamped=is_stamped)
        at = clock()
        for step_ms in (1, 2, 5, 60, *[3] * 20):
            at = LocalInstant(max(at, clock()) + step_ms * MILLISECOND)
            assert await waker.until(at)
            assert clock() >= at
        waker.close()

    run(program())


@pytest.mark.parametrize("make", TIMERS)
def test_a_timer_set_anew_goes_off_once_and_one_that_is_closed_never(make: Make) -> None:
    async def program() -> None:
        loop, fired = asyncio.get_running_loop(), asyncio.Event()
        count: list[int] = []

        def fire() -> None:
            count.append(1)
            fired.set()

        timer = make(loop, fire)
        timer.set(20 * MILLISECOND)
        timer.set(3600 * SECOND)
        timer.set(5 * MILLISECOND)
        await fired.wait()
        await asyncio.sleep(0.03)  # by then the first would have gone off
        assert len(count) == 1
        timer.set(MILLISECOND)
        timer.close()
        timer.close()
        await asyncio.sleep(0.01)
        assert len(count) == 1

    run(program())


def test_where_the_system_has_no_timer_descriptors_a_thread_keeps_time(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> None:
        raise OSError("none here")

    async def program() -> None:
        fired = asyncio.Event()
        timer = make_timer(asyncio.get_running_loop(), fired.set)
        assert isinstance(timer, ThreadTimer)
        timer.set(MILLISECOND)
        await fired.wait()
        timer.close()

    monkeypatch.setattr(timers, "_open_descriptor", refuse)
    run(program())


def test_a_loop_that_cannot_watch_files_gets_the_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    async def program() -> None:
        loop = asyncio.get_running_loop()

        def refuse(*_: object) -> None:
            raise NotImplementedError

        monkeypatch.setattr(loop, "add_reader", refuse)
        timer = make_timer(loop, lambda: None)
        assert isinstance(timer, ThreadTimer)
        timer.close()

    run(program())


# --- the waker of threads ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("is_stamped", [False, True])
def test_no_thread_is_woken_before_its_instant(is_stamped: bool) -> None:
    clock = LocalClock()
    waker = ThreadWaker(clock)
    waker.permit_spin(is_stamped=is_stamped)
    for step_ms in (1, 60, *[3] * 20):
        at = LocalInstant(clock() + step_ms * MILLISECOND)
        assert waker.until(at)
        assert clock() >= at


def test_news_ends_a_threads_wait_and_none_that_came_before_it_is_missed() -> None:
    clock = LocalClock()
    waker = ThreadWaker(clock)
    far = LocalInstant(clock() + 3600 * SECOND)
    before = waker.news_so_far
    waker.tell_news()
    assert not waker.until(far, after_news=before)
    teller = threading.Timer(0.02, waker.tell_news)
    teller.start()
    assert not waker.until(None, after_news=waker.news_so_far)
    teller.join()


# --- how early --------------------------------------------------------------------------------------------------------


def learnt(share: float, wakes_ns: list[int], sleeps_ns: list[int]) -> tuple[HandClock, Aim]:
    clock = HandClock()
    aim = Aim(share, clock)
    aim.stands_still = True
    for late in wakes_ns:
        aim.wakes.note(late)
    for late in sleeps_ns:
        aim.sleeps.note(late)
    clock.now = LocalInstant(clock.now + SECOND)  # credit for a quarter of it is kept
    return clock, aim


WAKES = [200 * MICROSECOND + step * MICROSECOND for step in range(100)]
SLEEPS = [40 * MICROSECOND + step * MICROSECOND // 2 for step in range(100)]


def nearly_all(late: list[int]) -> int:
    """The 98th percentile, as of the last time that something was learnt."""
    return sorted(late[:96])[int(96 * 0.98)]


def test_what_must_not_stand_still_is_woken_early_by_what_nearly_every_wake_was_late() -> None:
    clock, aim = learnt(0.03, WAKES, SLEEPS)
    aim.stands_still = False
    assert aim.lead_ns(clock.now) == 204 * MICROSECOND


def test_without_a_spin_the_sleep_ends_early_by_what_nearly_every_one_was_late() -> None:
    clock, aim = learnt(0.0, WAKES, SLEEPS)
    assert aim.lead_ns(clock.now) == nearly_all(WAKES) + aiming.MARGIN_NS + 42 * MICROSECOND


def test_with_a_spin_the_sleep_ends_early_by_what_hardly_any_was_later_than() -> None:
    clock, aim = learnt(0.03, WAKES, SLEEPS)
    lead_ns = nearly_all(WAKES) + aiming.MARGIN_NS + nearly_all(SLEEPS) + aiming.SPIN_MARGIN_NS
    assert aim.lead_ns(clock.now) == lead_ns


def test_rare_stalls_do_not_make_the_wait_long() -> None:
    clock, aim = learnt(0.03, [*[100 * MICROSECOND] * 60, *[8 * MILLISECOND] * 4], [20 * MICROSECOND] * 8)
    assert aim.lead_ns(clock.now) == 320 * MICROSECOND + aiming.MARGIN_NS + aiming.SPIN_MARGIN_NS


def test_a_host_that_is_always_late_is_not_waited_out() -> None:
    clock, aim = learnt(0.5, [30 * MILLISECOND] * 64, [30 * MILLISECOND] * 64)
    assert aim.lead_ns(clock.now) == 2 * aiming.LEAD_MAXIMUM_NS + aiming.MARGIN_NS + aiming.SPIN_MARGIN_NS


def test_the_last_stretch_is_slept_through_and_its_end_spun_and_both_are_learnt_from(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clock, aim = learnt(0.03, WAKES, SLEEPS)
    slept: list[float] = []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        clock.now = LocalInstant(clock.now + round(seconds * SECOND) + 30 * MICROSECOND)

    def read() -> int:
        clock.now = LocalInstant(clock.now + MICROSECOND)
        return clock.now

    monkeypatch.setattr(aiming, "sleep", sleep)
    monkeypatch.setattr(aiming, "monotonic_ns", read)
    at = LocalInstant(clock.now + 25 * MILLISECOND)
    woken_for = LocalInstant(at - aim.lead_ns(clock.now))
    clock.now = LocalInstant(woken_for + 250 * MICROSECOND)
    arrived_at = aim.stand_still(at, woken_for)
    assert at <= clock.now <= at + 2 * MICROSECOND
    assert arrived_at == pytest.approx(clock.now, abs=MICROSECOND)
    assert slept == [pytest.approx((nearly_all(WAKES) + aiming.MARGIN_NS - 250 * MICROSECOND) / SECOND, abs=2e-6)]
    assert aim.spun_ns == pytest.approx(nearly_all(SLEEPS) - 10 * MICROSECOND, abs=3 * MICROSECOND)
    aim.lead_ns(clock.now)
    # The hand's clock goes on by 1 µs at each look.
    assert (aim.wakes._late[-1], aim.sleeps._late[-1]) == (250 * MICROSECOND, 31 * MICROSECOND)


def test_spinning_costs_no_more_than_its_share(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, aim = learnt(0.02, [0] * 8, [0] * 4 + [MILLISECOND] * 4)
    aim._credited_at = began_at = clock.now
    spun = []

    def read() -> int:
        clock.now = LocalInstant(clock.now + MICROSECOND)
        return clock.now

    monkeypatch.setattr(aiming, "monotonic_ns", read)
    for _ in range(400):  # a frame every 2.5 ms, all of whose lead is spun
        clock.now = LocalInstant(clock.now + 2500 * MICROSECOND)
        lead_ns = aim.lead_ns(clock.now) - aiming.MARGIN_NS
        before = aim.spun_ns
        aim.stand_still(LocalInstant(clock.now + lead_ns), None)
        spun.append(aim.spun_ns - before)
    per_mille = aim.spun_ns * 1000 / (clock.now - began_at)
    assert per_mille == pytest.approx(20, abs=0.5)
    # What a spin is too long by the next one is given less.
    assert max(spun) < 54 * MICROSECOND


@pytest.mark.parametrize("share", [-0.01, 0.51, float("nan")])
def test_a_share_that_is_none_is_refused(share: float) -> None:
    with pytest.raises(ConfigurationError, match="spin_share"):
        WakingSettings(spin_share=share)


def test_only_a_node_whose_stamps_are_the_kernels_spins_unless_asked() -> None:
    assert WakingSettings(spin_share=0.02).share(is_stamped=True) == 0.02
    assert WakingSettings(spin_share=0.02).share(is_stamped=False) == 0.0
    assert WakingSettings(spin_share=0.02, spins_unstamped=True).share(is_stamped=False) == 0.02


def test_a_raised_thread_on_a_single_core_never_spins(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(waking, "core_count", lambda: 1)
    monkeypatch.setattr(waking, "is_priority_raised", lambda: True)
    assert WakingSettings().share(is_stamped=True) == 0.0
    monkeypatch.setattr(waking, "is_priority_raised", lambda: False)
    assert WakingSettings().share(is_stamped=True) == waking.SPIN_SHARE
    assert WakingSettings(raises_priority=True).share(is_stamped=True) == 0.0


def test_a_priority_that_the_system_refuses_is_told(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "sched_setscheduler", refuse, raising=False)
    with caplog.at_level(logging.WARNING):
        assert not waking.raise_priority()
    assert "Operation not permitted" in caplog.text
