"""How a node is attached to its network: waits for it, and takes it up again when it was gone or has changed.

An interface may appear after the program, lose its address for a while, or be another one of the same name. The core
knows nothing of that: meanwhile what it sends is dropped, as on any bad network, and its own clock goes on.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from typing import Any, Final

from leadlight.errors import NetworkError
from leadlight.events import Event, NetworkFound, NetworkLost
from leadlight.net.clock import LocalClock
from leadlight.net.driver import CoreDriver
from leadlight.net.interfaces import NetworkAbsentError
from leadlight.net.machine import BoundSockets

LOOK_SECONDS: Final = 1.0
"""How often the network is looked at, and tried for while there is none."""

_log = logging.getLogger(__name__)


class Attachment:
    """The sockets of one node, for as long as it runs.

    ``open_sockets`` opens them, given the own port that they had before, or ``None``. ``tell`` is called with what
    happens.
    """

    def __init__(
        self,
        open_sockets: Callable[[int | None], BoundSockets],
        clock: LocalClock,
        tell: Callable[[Event], None],
    ) -> None:
        self.sockets: BoundSockets | None = None
        self._open_sockets = open_sockets
        self._clock = clock
        self._tell = tell
        self._own_port: int | None = None
        self._missing = self._said = ""

    def open(self, waits: bool) -> None:
        """Open the sockets, or let them be opened later if it ``waits``; raises what ``GroupSockets`` raises else."""
        try:
            self.sockets = self._opened()
        except NetworkAbsentError as error:
            if not waits:
                raise
            self._missing = str(error)

    async def last(self, driver: CoreDriver[Any]) -> None:
        """Look after the network until cancelled."""
        if self.sockets is None:
            self._note_lost(self._missing)
        elif not hasattr(self.sockets, "look"):
            return  # on this machine networks do not come and go
        while True:
            await asyncio.sleep(LOOK_SECONDS)
            try:
                self._look(driver)
            except Exception:  # noqa: BLE001 - the node goes on as it is, and the next look may be better
                _log.exception("the network could not be looked at")

    def close(self) -> None:
        """Close what is open."""
        if self.sockets is not None:
            self.sockets.close()

    def _look(self, driver: CoreDriver[Any]) -> None:
        trouble = ""
        if self.sockets is not None:
            try:
                if self.sockets.look():  # type: ignore[attr-defined]  # it has one, or this is not called
                    return
            except NetworkError as error:
                trouble = str(error)
            # Nobody reads from what is closed: the driver lets go of it first.
            before, self.sockets = self.sockets, None
            driver.use(None)
            before.close()
        try:
            self.sockets = self._opened()
        except NetworkError as error:
            self._note_lost(trouble or str(error))
            return
        driver.use(self.sockets)
        self._said = ""
        address = str(getattr(self.sockets, "leaves_from", ""))
        _log.warning("on the network, from %s", address)
        self._tell(NetworkFound(self._clock(), address))
        driver.pump()

    def _opened(self) -> BoundSockets:
        sockets = self._open_sockets(self._own_port)
        # Whoever sends here should find this node at the port that it had.
        name = getattr(sockets.own, "getsockname", None)
        self._own_port = None if name is None else name()[1]
        return sockets

    def _note_lost(self, reason: str) -> None:
        if reason != self._said:
            self._said = reason
            _log.warning("no network: %s", reason)
            self._tell(NetworkLost(self._clock(), reason))
