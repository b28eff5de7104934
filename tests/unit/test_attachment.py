from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from leadlight.errors import NetworkError
from leadlight.events import Event, NetworkFound, NetworkLost
from leadlight.net.attachment import Attachment
from leadlight.net.clock import LocalClock
from leadlight.net.interfaces import NetworkAbsentError


class Place:
    """A host whose network comes and goes; and the driver of the node there."""

    def __init__(self) -> None:
        self.address: str | None = "10.0.0.1"
        self.asked: list[int | None] = []
        self.used: list[Any] = []
        self.told: list[Event] = []
        self.attachment = Attachment(self.open, LocalClock(), self.told.append)

    def open(self, own_port: int | None) -> Any:
        self.asked.append(own_port)
        address = self.address
        if address is None:
            raise NetworkAbsentError("no address")

        def look() -> bool:
            if self.address is None:
                raise NetworkAbsentError("address gone")
            return self.address == address

        own = SimpleNamespace(getsockname=lambda: (address, 4321))
        return SimpleNamespace(own=own, look=look, leaves_from=address, close=lambda: self.used.append("closed"))

    def use(self, sockets: Any) -> None:
        self.used.append(None if sockets is None else sockets.leaves_from)

    def pump(self) -> None:
        self.used.append("pumped")

    def look(self) -> None:
        self.attachment._look(self)  # type: ignore[arg-type]


def test_another_address_is_taken_up_with_the_own_port_that_it_had() -> None:
    place = Place()
    place.attachment.open(waits=False)
    place.look()
    assert place.used == []
    place.address = "10.0.0.2"
    place.look()
    assert place.used == [None, "closed", "10.0.0.2", "pumped"]
    assert place.asked == [None, 4321]
    assert [type(event) for event in place.told] == [NetworkFound]


def test_a_network_that_is_gone_is_told_once_and_tried_for_until_it_is_there() -> None:
    place = Place()
    place.attachment.open(waits=False)
    place.address = None
    for _ in range(3):
        place.look()
    assert [event.reason for event in place.told if isinstance(event, NetworkLost)] == ["address gone", "no address"]
    place.address = "10.0.0.1"
    place.look()
    assert isinstance(place.told[-1], NetworkFound)
    assert place.used == [None, "closed", "10.0.0.1", "pumped"]


def test_who_does_not_wait_is_told_at_once() -> None:
    place = Place()
    place.address = None
    with pytest.raises(NetworkError, match="no address"):
        place.attachment.open(waits=False)
    place.attachment.open(waits=True)
    assert place.attachment.sockets is None
