"""Attending a node: its events and its table on the terminal, or its events as JSON, until the time is over."""

from __future__ import annotations

import asyncio
import contextlib
import sys
from collections.abc import Callable, Coroutine, Mapping
from typing import Any, Final

from leadlight.commands.live_table import LiveTable
from leadlight.commands.telling import event_as_json, event_in_words
from leadlight.events import Event
from leadlight.net import Endpoint

REFRESH_SECONDS: Final = 0.5


class Attendance:
    """Runs a node and tells what happens, until the time is over.

    ``first`` is called once the node runs, ``on_event`` are for each event that was told, and ``chores`` are done all
    the while.
    """

    def __init__(
        self,
        node: Endpoint[Any, Any],
        table: LiveTable,
        shows: Mapping[int, str],
        limit: float | None,
        *,
        as_json: bool = False,
    ) -> None:
        self.first: Callable[[], None] = lambda: None
        self.on_event: list[Callable[[Event], None]] = []
        self.chores: list[Callable[[], Coroutine[Any, Any, None]]] = []
        self._node = node
        self._as_json = as_json
        self._table = table
        self._shows = shows
        self._limit = limit
        self._told_first: list[str] | None = []

    def tell(self, line: str) -> None:
        """Tell people, once the node runs; scripts read events alone."""
        if self._told_first is not None:
            self._told_first.append(line)
        elif not self._as_json:
            self._table.note(line)

    async def last(self, refresh: Callable[[], None]) -> None:
        """Attend until the time is over; ``refresh`` draws the table."""
        async with self._node:
            told_first, self._told_first = self._told_first or [], None
            for line in told_first:
                self.tell(line)
            self.first()
            work = asyncio.gather(self._tell_events(), self._redraw(refresh), *(chore() for chore in self.chores))
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(work, self._limit)

    async def _tell_events(self) -> None:
        async for event in self._node.events():
            if self._as_json:
                print_line(event_as_json(event))
            else:
                self._table.note(event_in_words(event, self._shows))
            for note_event in self.on_event:
                note_event(event)

    async def _redraw(self, refresh: Callable[[], None]) -> None:
        while not self._as_json:
            refresh()
            await asyncio.sleep(REFRESH_SECONDS)


def print_line(line: str) -> None:
    """Write a line and send it on at once: whoever reads a pipe waits for it."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()
