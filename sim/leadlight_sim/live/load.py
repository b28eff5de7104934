"""The load of a live feed: packets, rates and airtime of a show whose pixels are sent as they are shown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from leadlight_sim.air import FrameCosts

PIXELS_PER_UNIVERSE: Final = 170
"""510 of 512 slots: a pixel is not split over two universes."""
DATA_PACKET_BYTES: Final = 638
"""A full ANSI E1.31 data packet as UDP payload: root 38, framing 77, DMP 10, start code 1, slots 512."""
SYNCHRONISATION_BYTES: Final = 49
"""An ANSI E1.31 synchronisation packet: root 38, framing 11."""
IP_BYTES: Final = 28
"""UDP 8 and IPv4 20."""
ETHERNET_BYTES: Final = 18
WIRE_BYTES: Final = 20
"""Preamble and gap."""


def universes(pixels: Sequence[int]) -> int:
    """Return how many universes the pieces take, none shared between two: Σ ceil(P/170)."""
    return sum(-(-count // PIXELS_PER_UNIVERSE) for count in pixels)


@dataclass(frozen=True, slots=True)
class LiveFeed:
    """The same show sent live: rates in Mb/s, one synchronisation packet a frame beside the data."""

    universes: int
    frames_per_s: float

    @property
    def packets_per_s(self) -> float:
        """Data packets a second."""
        return self.universes * self.frames_per_s

    def rate_mbps(self, added_bytes: int = 0) -> float:
        """Return the rate of all packets, each ``added_bytes`` longer than its UDP payload."""
        data = self.packets_per_s * (DATA_PACKET_BYTES + added_bytes)
        return (data + self.frames_per_s * (SYNCHRONISATION_BYTES + added_bytes)) * 8 / 1e6

    @property
    def rates_mbps(self) -> dict[str, float]:
        """The rate of payload, IP, Ethernet, and on the wire."""
        return {
            "payload": self.rate_mbps(),
            "ip": self.rate_mbps(IP_BYTES),
            "ethernet": self.rate_mbps(IP_BYTES + ETHERNET_BYTES),
            "wire": self.rate_mbps(IP_BYTES + ETHERNET_BYTES + WIRE_BYTES),
        }

    def group_share(self, radio: FrameCosts) -> float:
        """Return the share of the radio's time as multicast; above 1 it cannot be sent."""
        data = self.packets_per_s * radio.group_ns(DATA_PACKET_BYTES)
        return (data + self.frames_per_s * radio.group_ns(SYNCHRONISATION_BYTES)) / 1e9

    def unicast_share(self, radio: FrameCosts, pieces: int) -> float:
        """Return the share as unicast: each piece's own universes, and the synchronisation packet to every piece."""
        data = self.packets_per_s * radio.unicast_ns(DATA_PACKET_BYTES)
        return (data + pieces * self.frames_per_s * radio.unicast_ns(SYNCHRONISATION_BYTES)) / 1e9
