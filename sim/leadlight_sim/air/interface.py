"""What stations and an air expect of each other, whichever air it is.

A sampled air draws outcomes from distributions; a contended one would let every frame compete. Both are used through
``Air``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from leadlight_sim.kernel import Stream, TrueInstant


class Station(Protocol):
    """A host on the network. ``wired`` means on the access point's cable rather than on its radio."""

    @property
    def name(self) -> str:
        """The name that others send to."""
        ...

    @property
    def wired(self) -> bool:
        """Whether the station hangs on the cable."""
        ...

    def receive_delay_ns(self, stream: Stream) -> int:
        """Return how long the host takes to hand the next datagram to its program, drawn from ``stream``.

        The stream is the link's own, so that what others send shifts nobody's delays.
        """
        ...

    def receive(self, data: bytes, sender: str, arrived_at: TrueInstant) -> None:
        """Take a datagram; called at ``arrived_at`` plus the receive delay."""
        ...


class LinkKind(Enum):
    """Which way a frame went, for the counters."""

    UP = "up"
    """Unicast from a radio station to the access point, a group frame's first hop included."""
    DOWN = "down"
    """Unicast from the access point to a radio station."""
    GROUP = "group"
    """One group transmission as seen by one radio receiver."""
    CABLE = "cable"
    """Between the access point and a wired station, or between two of those."""


@dataclass(slots=True)
class Counts:
    """Frames of one link kind so far; ``sent`` is the sum of the others and of what is still held or in
    flight.

    A group frame counts once for every receiver it was meant for. ``overflowed`` frames were pushed out of a
    full queue; ``blocked`` ones the network does not carry: client isolation, or no such station.

    Beside the sum: ``duplicates`` were received once more, and dropped, because the answer to them was lost;
    ``unacknowledged`` ones were delivered, and their sender does not know.
    """

    sent: int = 0
    delivered: int = 0
    lost: int = 0
    overflowed: int = 0
    blocked: int = 0
    duplicates: int = 0
    unacknowledged: int = 0


class Air(Protocol):
    """The medium that all stations of one access point share."""

    @property
    def airtime_ns(self) -> int:
        """Radio time used so far by what the stations sent."""
        ...

    @property
    def over_capacity(self) -> bool:
        """Whether the radio was ever asked for more than it can carry: what it then tells is how it failed."""
        ...

    @property
    def counts(self) -> Mapping[LinkKind, Counts]:
        """Frames so far, by link kind."""
        ...

    def loss_at(self, station: str, instant: TrueInstant) -> float:
        """Return the chance that one try on a station's link is lost, but for collisions: for oracles and tests."""
        ...

    def attach(self, station: Station) -> None:
        """Put a station on the network; raises ``ConfigurationError`` if its name is taken."""
        ...

    def send(self, sender: str, data: bytes, destination: str | None) -> None:
        """Send a datagram now; a destination of None is the group, whose sender does not hear itself."""
        ...
