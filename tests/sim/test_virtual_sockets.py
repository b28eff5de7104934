"""UDP of a program's own on the virtual network: it behaves as the system's does, over the modelled air."""
# ruff: noqa: ARG002 - protocols have the signatures of what they stand for

from __future__ import annotations

import asyncio
import errno
import os
import socket
from types import SimpleNamespace
from typing import Any

import pytest

from leadlight import FollowerSettings, LeaderSettings
from leadlight.errors import ConfigurationError, NetworkError
from leadlight.events import LockAcquired
from leadlight.net.endpoint import FollowerEndpoint, LeaderEndpoint
from leadlight_sim.testing.network import VirtualNetwork

GROUP = "quarry lake"


class Heard(asyncio.DatagramProtocol):
    """Keeps what it hears, and answers it if asked to."""

    def __init__(self, answer: bytes | None = None) -> None:
        self.heard: list[tuple[bytes, Any]] = []
        self.errors: list[Exception] = []
        self.is_lost = False
        self._answer = answer

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.DatagramTransport)
        self.transport = transport

    def datagram_received(self, data: bytes, addr: Any) -> None:
        self.heard.append((data, addr))
        if self._answer is not None:
            self.transport.sendto(self._answer, addr)

    def error_received(self, exc: Exception) -> None:
        self.errors.append(exc)

    def connection_lost(self, exc: Exception | None) -> None:
        self.is_lost = True


async def open_socket(protocol: Heard, *where: Any, **options: Any) -> asyncio.DatagramTransport:
    transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(lambda: protocol, *where, **options)
    return transport


def test_a_datagram_endpoint_asks_another_host_by_name_and_is_answered() -> None:
    server, client, elsewhere = Heard(b"pong"), Heard(), Heard()

    async def serve() -> None:
        await open_socket(server, ("0.0.0.0", 5000))

    async def ask() -> None:
        transport = await open_socket(client, remote_addr=("jetty", 5000))
        assert transport.get_extra_info("peername") == ("10.0.0.1", 5000)
        transport.sendto(b"ping")
        with pytest.raises(ValueError, match="this endpoint's peer is"):
            transport.sendto(b"ping", ("10.0.0.9", 5000))
        stray = await open_socket(elsewhere)
        stray.sendto(b"not for you", client.transport.get_extra_info("sockname"))
        stray.sendto(b"nobody there", ("10.0.0.200", 5000))
        stray.sendto(b"nobody of that name", ("pier", 5000))
        stray.sendto(bytes(70_000), ("jetty", 5000))
        await asyncio.sleep(2)
        for one in (transport, stray):
            one.close()
            one.close()
        stray.sendto(b"too late", ("jetty", 5000))
        await asyncio.sleep(1)

    with VirtualNetwork("idle", seed=1) as network:
        network.host("jetty").start(serve())
        willow = network.host("willow")
        network.run_until(willow.start(ask()))
    assert server.heard == [(b"ping", ("10.0.0.2", 49_152))]
    assert client.heard == [(b"pong", ("10.0.0.1", 5000))]
    assert [str(error).partition(";")[0] for error in elsewhere.errors] == [
        f"[Errno {socket.EAI_NONAME}] no host 'pier' on this network",
        f"[Errno {errno.EMSGSIZE}] {os.strerror(errno.EMSGSIZE)}",
    ]
    assert client.is_lost


def test_what_is_sent_to_the_host_itself_stays_there() -> None:
    heard = Heard()

    async def program() -> None:
        transport = await open_socket(heard, ("localhost", 5000))
        for address in ("127.0.0.1", "10.0.0.1", "jetty"):
            transport.sendto(address.encode(), (address, 5000))
        await asyncio.sleep(1)

    with VirtualNetwork() as network:
        network.run_until(network.host("jetty").start(program()))
        assert [data for data, _ in heard.heard] == [b"127.0.0.1", b"10.0.0.1", b"jetty"]
        assert all(counts.sent == 0 for counts in network.air.counts.values())


def test_a_port_in_use_and_another_host_s_address_are_refused_as_the_system_does() -> None:
    async def program() -> None:
        await open_socket(Heard(), ("0.0.0.0", 5000))
        with pytest.raises(OSError, match="in use"):
            await open_socket(Heard(), ("0.0.0.0", 5000))
        with pytest.raises(OSError, match="assign"):
            await open_socket(Heard(), ("10.0.0.77", 5001))
        with pytest.raises(NetworkError, match="cannot use own port 5000 of jetty"):
            async with FollowerEndpoint(FollowerSettings("jetty"), group=GROUP, own_port=5000):
                pass
        with pytest.raises(ConfigurationError, match="own_port"):
            async with FollowerEndpoint(FollowerSettings("jetty"), group=GROUP, port=5001, own_port=5001):
                pass
        found = await asyncio.get_running_loop().getaddrinfo("jetty", 5000)
        assert [entry[4] for entry in found] == [("10.0.0.1", 5000)]
        with pytest.raises(socket.gaierror, match="there are jetty"):
            await asyncio.get_running_loop().getaddrinfo("pier", 5000)

    with VirtualNetwork() as network:
        network.run_until(network.host("jetty").start(program()))


def test_a_follower_finds_a_leader_whose_name_it_is_told_where_nothing_reaches_the_group() -> None:
    told: list[Any] = []

    async def lead() -> None:
        async with LeaderEndpoint(LeaderSettings("boathouse"), group=GROUP, own_port=5000):
            await asyncio.sleep(3600)

    async def follow() -> None:
        async with FollowerEndpoint(FollowerSettings("jetty"), group=GROUP) as node:
            node.ask_leader("boathouse", 5000)
            async for event in node.events():
                told.append(type(event))  # noqa: PERF401 - the loop has no end

    with VirtualNetwork("idle") as network:
        network.host("boathouse").start(lead())
        network.host("jetty").start(follow())
        send = network.air.send

        def send_without_groups(sender: str, data: bytes, destination: str | None) -> None:
            if destination is not None:
                send(sender, data, destination)

        network.air = SimpleNamespace(send=send_without_groups)  # type: ignore[assignment]
        network.run_for(60)
    assert LockAcquired in told
