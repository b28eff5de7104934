"""The packets of a run: who sent each and when, and who had it when. Kept where somebody wants to draw them."""

from __future__ import annotations

from array import array
from collections.abc import Mapping
from typing import Final

import numpy as np
import numpy.typing as npt

from leadlight.terms import Kind
from leadlight.units import SECOND
from leadlight_sim.kernel import TrueInstant

GROUP: Final = -1
"""In place of a receiver's number: the whole group."""
REMEMBERED_NS: Final = 65 * SECOND
"""How long after it was sent an arrival is told apart: no fault holds a packet back for longer than a minute."""
FORGET_EVERY: Final = 4096
"""So many packets are sent until those are forgotten that can no longer arrive."""

Instants = npt.NDArray[np.int64]


class PacketLog:
    """Every datagram that nodes sent, in order, and every arrival of one. Nodes are told by their numbers.

    A datagram is known by its identity: what was changed on its way arrives as another one, and nobody sent that.
    """

    def __init__(self, numbers: Mapping[str, int]) -> None:
        self._numbers = numbers
        self._sent_at = array("q")
        self._kinds = array("b")
        self._senders = array("h")
        self._receivers = array("h")
        self._packets = array("q")
        self._hearers = array("h")
        self._arrived_at = array("q")
        # With each its datagram: as long as that is held, no other one is given the same identity.
        self._flying: dict[tuple[int, int], tuple[int, bytes]] = {}

    def note_sent(self, sender: int, data: bytes, destination: str | None, at: TrueInstant) -> None:
        """Take a datagram that a node sends; a destination of ``None`` is the group."""
        receiver = GROUP if destination is None else self._numbers.get(destination, GROUP)
        packet = len(self._sent_at)
        self._flying[id(data), receiver] = packet, data
        self._sent_at.append(at)
        self._kinds.append(data[2] & 0x0F)
        self._senders.append(sender)
        self._receivers.append(receiver)
        if packet % FORGET_EVERY == 0:
            since, sent_at = at - REMEMBERED_NS, self._sent_at
            self._flying = {key: one for key, one in self._flying.items() if sent_at[one[0]] >= since}

    def note_arrived(self, receiver: int, data: bytes, at: TrueInstant) -> None:
        """Take a datagram that a node's program reads."""
        identity = id(data)
        flying = self._flying
        found = flying.get((identity, GROUP)) or flying.get((identity, receiver))
        if found is not None:
            self._packets.append(found[0])
            self._hearers.append(receiver)
            self._arrived_at.append(at)

    def sent(self) -> tuple[Instants, Instants, Instants, Instants]:
        """Return of every packet, in the order in which they were sent: when, its kind, its sender, its receiver."""
        columns = (self._sent_at, self._kinds, self._senders, self._receivers)
        return tuple(np.array(column, dtype=np.int64) for column in columns)  # type: ignore[return-value]

    def arrivals(self) -> tuple[Instants, Instants, Instants]:
        """Return of every arrival, in order: the packet's place among those sent, who had it, when."""
        columns = (self._packets, self._hearers, self._arrived_at)
        return tuple(np.array(column, dtype=np.int64) for column in columns)  # type: ignore[return-value]

    def beacons(self, leader: int, followers: int) -> tuple[Instants, npt.NDArray[np.float64]]:
        """Return when a leader sent each beacon to the group, and how long after that in ns followers 1, 2 … had it.

        The second is one row a beacon; NaN where it never came.
        """
        sent_at, kinds, senders, receivers = self.sent()
        chosen = np.flatnonzero((kinds == Kind.BEACON) & (senders == leader) & (receivers == GROUP))
        rows = np.full(len(sent_at), -1)
        rows[chosen] = np.arange(len(chosen))
        packets, hearers, arrived_at = self.arrivals()
        row = rows[packets]
        wanted = (row >= 0) & (hearers >= 1) & (hearers <= followers)
        delays = np.full((len(chosen), followers), np.nan)
        # From the last to the first: where one came twice, its first arrival counts.
        row, who, taken = row[wanted][::-1], hearers[wanted][::-1], (arrived_at - sent_at[packets])[wanted][::-1]
        delays[row, who - 1] = taken
        return sent_at[chosen], delays
