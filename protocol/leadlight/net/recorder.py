"""Drives a prober or an answerer over the sockets of the machine that it runs on."""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import AsyncIterator, Callable
from typing import Any, Final, Self

from leadlight.net.driver import CoreDriver
from leadlight.net.host_facts import interface_towards
from leadlight.net.machine import MACHINE
from leadlight.net.sockets import DEFAULT_PORT, EXPEDITED
from leadlight.net.timestamps import enable_kernel_stamps
from leadlight.net.wireless import is_wireless, saves_power, signal_dbm
from leadlight.recording import Answerer, AnswererEvent, Phase, Prober, Record, RecordedHost

PROBE_PORT: Final = DEFAULT_PORT + 1
"""Probes go to the group's own address, so that they take a show's ways, and to another port."""
LOAD_EVERY_SECONDS: Final = 5.0


class ProbePlace:
    """Where a prober or an answerer runs: open sockets, clock and chance of the machine. A context manager.

    Arguments and errors are those of ``GroupSockets``.
    """

    def __init__(
        self,
        group: str,
        *,
        port: int = PROBE_PORT,
        interface: str | None = None,
        own_port: int = 0,
        dscp: int = EXPEDITED,
        ip_version: int | None = None,
    ) -> None:
        machine = MACHINE.get()
        self._way = (group, port, interface, ip_version)
        self._sockets = machine.open_sockets(
            group, port=port, interface=interface, own_port=own_port, dscp=dscp, ip_version=ip_version
        )
        self.clock = machine.clock()
        self.entropy = machine.entropy()
        self.is_stamped = enable_kernel_stamps(self._sockets.own) and enable_kernel_stamps(self._sockets.shared)
        """Whether the kernel stamps what arrives."""

    def describe(self, label: str) -> RecordedHost:
        """Return what is found of this host, as it stands in a recording under ``label``."""
        name = interface_towards(*self._way)
        is_radio = is_wireless(name)
        return RecordedHost(
            label=label,
            is_stamped=self.is_stamped,
            is_wireless=is_radio,
            saves_power=saves_power(name) if is_radio else None,
            signal_dbm=signal_dbm(name) if is_radio else None,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._sockets.close()


def load_percent() -> int | None:
    """Return how many programs waited for each core in the last minute, in hundredths; ``None`` if that is not told."""
    if not hasattr(os, "getloadavg"):
        return None
    return min(0xFFFF, round(100 * os.getloadavg()[0] / (os.cpu_count() or 1)))


async def run_prober(
    prober: Prober,
    place: ProbePlace,
    on_record: Callable[[Record], None],
    stopped: asyncio.Future[str] | None = None,
    load: Callable[[], int | None] = load_percent,
) -> None:
    """Record until it is over. What ``stopped`` comes to is by what it ended, should that come first."""
    over: asyncio.Future[None] = asyncio.get_running_loop().create_future()

    def look() -> None:
        if prober.phase is Phase.OVER and not over.done():
            over.set_result(None)

    driver: CoreDriver[Record] = CoreDriver(
        prober, place._sockets, on_record, place.clock, after_pump=look, on_unsent=prober.note_unsent
    )
    async with _running(driver, prober, load) as running:
        await _first(running, over, stopped)
        if stopped is not None and stopped.done() and not over.done() and not running.done():
            prober.stop(place.clock(), stopped.result())
            driver.pump()
            await _first(running, over)
        if running.done():
            running.result()


async def run_answerer(
    answerer: Answerer,
    place: ProbePlace,
    on_event: Callable[[AnswererEvent], None],
    until: asyncio.Future[Any] | None = None,
    load: Callable[[], int | None] = load_percent,
) -> None:
    """Answer probes until ``until`` is done, or until cancelled."""
    driver = CoreDriver(answerer, place._sockets, on_event, place.clock)
    async with _running(driver, answerer, load) as running:
        await _first(running, until)
        if running.done():
            running.result()


async def _first(*ends: asyncio.Future[Any] | None) -> None:
    await asyncio.wait([end for end in ends if end is not None], return_when=asyncio.FIRST_COMPLETED)


@contextlib.asynccontextmanager
async def _running(
    driver: CoreDriver[Any], core: Prober | Answerer, load: Callable[[], int | None]
) -> AsyncIterator[asyncio.Task[None]]:
    async def tell_load() -> None:
        while (percent := load()) is not None:
            core.load_percent = percent
            await asyncio.sleep(LOAD_EVERY_SECONDS)

    running, telling = asyncio.create_task(driver.run()), asyncio.create_task(tell_load())
    try:
        yield running
    finally:
        for task in (running, telling):
            task.cancel()
        await asyncio.wait({running, telling})
