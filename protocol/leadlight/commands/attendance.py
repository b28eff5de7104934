"""Attending a node: its events and its table for people, or both as JSON for scripts, until it is to end."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import datetime
import traceback
from collections.abc import Callable, Coroutine, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, Final

from leadlight.commands.endings import Ending
from leadlight.commands.exits import EXIT_FAULT
from leadlight.commands.node_options import Timing, named_by_its_option
from leadlight.commands.orders import OrderSource, TypedOrders
from leadlight.commands.row_news import RowNews
from leadlight.commands.service import ServiceManager
from leadlight.commands.spool import Picture
from leadlight.commands.surroundings import Surroundings, log, this_host
from leadlight.commands.tables import cut
from leadlight.commands.telling import event_as_json, event_in_words, json_line, stamped
from leadlight.commands.views import View
from leadlight.errors import LeadlightError
from leadlight.events import DatagramsRefused, Event, NetworkFound, NetworkLost, NoLeaderHeard
from leadlight.net import Endpoint
from leadlight.units import MICROSECOND, SECOND, LocalInstant

REFRESH_SECONDS: Final = 0.5

_SAID_ALREADY: Final = (DatagramsRefused, NetworkFound, NetworkLost, NoLeaderHeard)
"""These are said with what to do: by the log, and by the command."""

NodeCommand = Callable[[argparse.Namespace, Surroundings], Coroutine[Any, Any, int]]


def run_node(
    arguments: argparse.Namespace,
    command: NodeCommand,
    orders: Sequence[OrderSource] = (),
    typed: TypedOrders | None = None,
) -> int:
    """Run a node on this host as the options of ``node_options.add_node_options`` say; return the exit code.

    ``orders`` bring orders to it, and so does ``typed``, from its terminal.
    """
    with (
        named_by_its_option(arguments),
        this_host(
            as_json=arguments.json_lines, end_on_hangup=arguments.end_on_hangup, log_book=arguments.log_book
        ) as around,
    ):
        try:
            sources = [*orders, *([] if typed is None else [typed])]
            return asyncio.run(command(arguments, replace(around, orders=sources, typed=typed)))
        except LeadlightError:
            raise
        except Exception:  # noqa: BLE001 - told here, since Python itself would wait for a stalled output
            log.critical("%s", traceback.format_exc())
            return EXIT_FAULT


class Attendance:
    """Runs a node and tells what happens, until the time is over or it is told to end.

    ``view`` is what is shown of it, ``shows`` gives shows' names by key. ``first`` is called once the node runs,
    ``on_event`` are for each event that was told, and ``chores`` are done all the while.
    """

    def __init__(
        self,
        node: Endpoint[Any, Any],
        around: Surroundings,
        view: View,
        shows: Mapping[int, str],
        timing: Timing,
        *,
        as_json: bool = False,
    ) -> None:
        self.first: Callable[[], None] = lambda: None
        self.on_event: list[Callable[[Event], None]] = []
        self.chores: list[Callable[[], Coroutine[Any, Any, None]]] = []
        self._node = node
        self._around = around
        self._view = view
        self._shows = shows
        self._as_json = as_json
        self._timing = timing
        self._news = RowNews(view.header, view.news)
        self._told_first: list[str] | None = []

    def tell(self, line: str) -> None:
        """Tell people, once the node runs; scripts read events alone."""
        if self._told_first is not None:
            self._told_first.append(line)
            return
        self._say(line)
        if self._around.log_book is not None:
            self._around.log_book(json_line(self._around.wall_clock(), {"told": line}))

    async def last(self) -> int:
        """Attend until the end; return the exit code that tells it."""
        with self._around.endings.told() as told:
            async with self._node:
                self._around.note_running()
                service = ServiceManager()
                service.say("READY=1")
                self.chores.append(partial(service.feed, lambda: self._node.is_running))
                told_first, self._told_first = self._told_first or [], None
                for line in told_first:
                    self.tell(line)
                self.first()
                jobs = [self._tell_events(), self._redraw(), self._tell_status(), *(job() for job in self.chores)]
                work: asyncio.Future[Any] = asyncio.gather(*jobs)
                ends: list[asyncio.Future[Any]] = [work, told]
                try:
                    await asyncio.wait(ends, timeout=self._timing.limit, return_when=asyncio.FIRST_COMPLETED)
                    if work.done():
                        await work  # what ended it is raised
                finally:
                    service.say("STOPPING=1")
                    work.cancel()
                    await asyncio.gather(work, return_exceptions=True)
            return (told.result() if told.done() else Ending.OVER).exit_code

    async def _tell_events(self) -> None:
        async for event in self._node.events():
            if self._has_readers:
                age_ns = self._node.clock() - event.at
                wall_at = self._around.wall_clock() - datetime.timedelta(microseconds=age_ns // MICROSECOND)
                self._write_json(json_line(wall_at, event_as_json(event, self._shows)))
            if not isinstance(event, _SAID_ALREADY):
                self._say(event_in_words(event, self._shows))
            for note_event in self.on_event:
                note_event(event)

    def _say(self, line: str) -> None:
        if self._as_json:
            return
        wall_now = self._around.wall_clock()
        is_screen = self._around.output.size is not None
        self._around.output.add(f"{wall_now:%H:%M:%S} {line}" if is_screen else stamped(line, wall_now))

    @property
    def _has_readers(self) -> bool:
        """Whether anybody takes JSON."""
        return self._as_json or self._around.log_book is not None

    def _write_json(self, line: str) -> None:
        if self._as_json:
            self._around.output.add(line)
        if self._around.log_book is not None:
            self._around.log_book(line)

    async def _redraw(self) -> None:
        while not self._as_json:
            now, wall_now = self._node.clock(), self._around.wall_clock()
            size = self._around.output.size
            if size is not None:
                self._around.output.draw(self._picture(now, wall_now, size))
            else:
                for line in self._news.lines(self._view.rows(now), now):
                    self._around.output.add(stamped(line, wall_now))
            await self._refresh_due()

    def _picture(self, now: LocalInstant, wall_now: datetime.datetime, size: tuple[int, int]) -> Picture:
        typed = self._around.typed
        if typed is None:
            return self._view.picture(now, wall_now, size)
        columns, rows = size
        above = self._view.picture(now, wall_now, (columns, rows - 1))
        return Picture((*above.lines, cut(typed.prompt, columns)), size)

    async def _refresh_due(self) -> None:
        typed = self._around.typed
        if typed is None:
            await asyncio.sleep(REFRESH_SECONDS)
            return
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(typed.changed.wait(), REFRESH_SECONDS)
        typed.changed.clear()

    async def _tell_status(self) -> None:
        if not self._has_readers:
            return
        while True:
            await asyncio.sleep(self._timing.status_every_ns / SECOND)
            now: LocalInstant = self._node.clock()
            self._write_json(json_line(self._around.wall_clock(), {"at": now, "status": self._view.status(now)}))
