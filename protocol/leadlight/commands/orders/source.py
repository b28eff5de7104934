"""What brings orders to a leader: handed in, so that a test brings its own in virtual time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

TakeOrder = Callable[[object], dict[str, Any]]
"""Takes a request, and returns its answer; see ``desk``."""


class OrderSource(Protocol):
    """A way by which orders arrive."""

    async def bring(self, take: TakeOrder, group: str) -> None:
        """Hand each order to ``take`` and its answer to whoever gave it, until cancelled."""
