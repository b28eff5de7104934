"""What an endpoint takes from the machine it runs on: a clock, chance and sockets.

It is looked up where the endpoint is made, in the context of the task that makes it. Unless somebody set another, it
is this machine.
"""

from __future__ import annotations

from contextvars import ContextVar
from random import SystemRandom
from typing import Final, Protocol

from leadlight.entropy import Entropy
from leadlight.net.clock import LocalClock
from leadlight.net.driver import NodeSockets
from leadlight.net.keeping import KeptFile, RuntimeFile
from leadlight.net.sockets import GroupSockets
from leadlight.net.waking import LoopWaker, Waker, WakingSettings


class BoundSockets(NodeSockets, Protocol):
    """One node's sockets, open.

    Where networks come and go they have ``look`` and ``leaves_from`` as well, as ``GroupSockets`` has.
    """

    def close(self) -> None:
        """Close both; harmless when called twice."""


class Machine(Protocol):
    """What stands under one node's endpoints."""

    def clock(self) -> LocalClock:
        """Return a reader of the machine's own clock."""

    def entropy(self) -> Entropy:
        """Return the chance of one node."""

    def waker(self, clock: LocalClock, settings: WakingSettings) -> Waker:
        """Return what wakes tasks of the running loop at instants of that clock."""

    def kept_file(self, group: str, name: str) -> KeptFile:
        """Return where the leader of this name keeps what it leads; ``FileError`` where it cannot."""

    def open_sockets(
        self, group: str, *, port: int, interface: str | None, own_port: int, dscp: int, ip_version: int | None
    ) -> BoundSockets:
        """Return one node's bound sockets; arguments and errors are those of ``GroupSockets``."""


class ThisMachine:
    """The real one: the system's clock, its entropy and its sockets."""

    def clock(self) -> LocalClock:
        """Return a reader of the system's clock."""
        return LocalClock()

    def entropy(self) -> Entropy:
        """Return the system's entropy."""
        return SystemRandom()

    def waker(self, clock: LocalClock, settings: WakingSettings) -> Waker:
        """Return an exact timer of the system with a spin."""
        return LoopWaker(clock, settings)

    def kept_file(self, group: str, name: str) -> KeptFile:
        """Return a file in the runtime folder."""
        return RuntimeFile(group, name)

    def open_sockets(
        self, group: str, *, port: int, interface: str | None, own_port: int, dscp: int, ip_version: int | None
    ) -> BoundSockets:
        """Return real sockets."""
        return GroupSockets(group, port=port, interface=interface, own_port=own_port, dscp=dscp, ip_version=ip_version)


MACHINE: Final[ContextVar[Machine]] = ContextVar("machine", default=ThisMachine())  # noqa: B039 - it has no state
"""The machine of whoever runs in this context; tasks and callbacks inherit it."""
