"""How late this host wakes a player, by what the player waits with: recorded, for a check and for scenarios."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Final

from leadlight.net.clock import LocalClock
from leadlight.net.waking import LoopWaker, WakingSettings
from leadlight.readiness import EXACT_TIMER, ROUNDED_TIMER, SPIN
from leadlight.units import MILLISECOND, SECOND, LocalInstant

WAKE_EVERY_NS: Final = 10 * MILLISECOND
"""Lengths such as a player waits between frames, and a thousand of them in ten seconds."""
GOLDEN: Final = 0.6180339887498949
TURN_WAKES: Final = 100
"""The ways of waiting take turns of a second, so that what else the host does meets them alike."""
LEARNING_WAKES: Final = 16
"""Wakes at the beginning of a turn that do not count: what they teach is learnt once an evening."""


async def wakes_by_waker(settings: WakingSettings, is_stamped: bool, count: int, unheeded: int = 0) -> tuple[int, ...]:
    """Return how late the library's waker woke, ``count`` times, after ``unheeded`` times that are not told."""
    clock = LocalClock()
    waker = LoopWaker(clock, settings)
    waker.permit_spin(is_stamped=is_stamped)
    try:
        return (await _wakes(clock, waker.until, count + unheeded))[unheeded:]
    finally:
        waker.close()


async def wakes_by_loop(count: int) -> tuple[int, ...]:
    """Return how late ``asyncio.sleep`` woke, ``count`` times: what a program has that waits with that."""
    clock = LocalClock()

    async def until(at: LocalInstant) -> None:
        await asyncio.sleep(max(0, at - clock()) / SECOND)

    return await _wakes(clock, until, count)


async def _wakes(
    clock: LocalClock, until: Callable[[LocalInstant], Awaitable[object]], count: int
) -> tuple[int, ...]:
    late_ns = []
    for number in range(count):
        # Of every part of a millisecond alike, by multiples of the golden ratio: a timer that is rounded has its worst.
        due_at = LocalInstant(clock() + WAKE_EVERY_NS + int(number * GOLDEN % 1.0 * MILLISECOND))
        await until(due_at)
        # A loop may wake a little early by its own clock; that is in time.
        late_ns.append(max(clock() - due_at, 0))
    return tuple(late_ns)


def record_lateness(lasts_ns: int) -> dict[str, tuple[int, ...]]:
    """Return how late this host woke, in ns, by each way of waiting; each is recorded for ``lasts_ns``."""
    left = max(1, lasts_ns // WAKE_EVERY_NS)
    found: dict[str, list[int]] = {ROUNDED_TIMER: [], EXACT_TIMER: [], SPIN: []}
    spins, does_not = WakingSettings(spins_unstamped=True), WakingSettings(spin_share=0.0)
    while left > 0:
        count = min(left, TURN_WAKES)
        found[ROUNDED_TIMER] += asyncio.run(wakes_by_loop(count))
        found[EXACT_TIMER] += asyncio.run(wakes_by_waker(does_not, False, count, LEARNING_WAKES))
        found[SPIN] += asyncio.run(wakes_by_waker(spins, False, count, LEARNING_WAKES))
        left -= count
    return {way: tuple(late_ns) for way, late_ns in found.items()}
