# ruff: noqa: ARG002 - the fakes have the signatures of what they stand for

from __future__ import annotations

import errno
import ipaddress
import logging
import os
import select
import socket
import sys
from typing import Any

import pytest

from leadlight.errors import ConfigurationError, NetworkError
from leadlight.net import sockets
from leadlight.net.families import group_address, group_address_v6, set_multicast_option
from leadlight.net.interfaces import resolve
from leadlight.net.sockets import DEFAULT_PORT, EXPEDITED, GroupSockets, raise_receive_buffer, what_to_do


class PickySocket:
    """Takes option values of one type only, and grants no more buffer than its limit."""

    def __init__(self, takes: type = int, buffer_bytes: int = 4096, limit_bytes: int = 1 << 30) -> None:
        self.takes = takes
        self.buffer_bytes = buffer_bytes
        self.limit_bytes = limit_bytes
        self.options: dict[int, int | bytes] = {}

    def setsockopt(self, level: int, option: int, value: int | bytes) -> None:
        if not isinstance(value, self.takes):
            raise OSError(errno.EINVAL, "Invalid argument")
        if option == socket.SO_RCVBUF and isinstance(value, int):
            self.buffer_bytes = min(value, self.limit_bytes)
        self.options[option] = value

    def getsockopt(self, level: int, option: int) -> int:
        return self.buffer_bytes


# Tests that run at the same time, here or in another run, must not meet: each process has its own group.
OWN_GROUP = f"socket tests of {os.getpid()}"

GROUPS = [f"garden {number}" for number in range(2000)]


def test_every_group_lies_in_the_organisation_local_scope_and_outside_its_reserved_top() -> None:
    for group in GROUPS:
        first, second, third, _ = map(int, group_address(group).split("."))
        assert first == 239
        assert 192 <= second <= 195
        assert (second, third) != (195, 255)


def test_no_group_shares_its_ethernet_address_with_the_link_local_block() -> None:
    for group in GROUPS:
        _, second, third, _ = map(int, group_address(group).split("."))
        assert (second & 0x7F, third) != (0, 0)


def test_groups_spread_over_the_whole_scope() -> None:
    assert len({group_address(group) for group in GROUPS}) > 1980  # 2000²/2/2¹⁸ = 8 shared ones expected
    assert {group_address(group).split(".")[1] for group in GROUPS} == {"192", "193", "194", "195"}


def test_a_group_keeps_its_address_between_releases() -> None:
    assert group_address("quarry lake") == "239.194.236.148"


@pytest.mark.parametrize("takes", [bytes, int])
def test_a_multicast_option_is_set_in_whichever_width_the_system_takes(takes: type) -> None:
    endpoint = PickySocket(takes)
    set_multicast_option(endpoint, socket.IP_MULTICAST_TTL, 1)
    assert endpoint.options == {socket.IP_MULTICAST_TTL: b"\x01" if takes is bytes else 1}


@pytest.mark.parametrize("value", [-1, 256])
def test_a_multicast_option_out_of_range_reaches_no_socket(value: int) -> None:
    endpoint = PickySocket()
    with pytest.raises(ConfigurationError, match="0 to 255"):
        set_multicast_option(endpoint, socket.IP_MULTICAST_TTL, value)
    assert endpoint.options == {}


def test_a_receive_buffer_is_only_ever_raised() -> None:
    endpoint = PickySocket(buffer_bytes=200_000)
    assert raise_receive_buffer(endpoint, 4096) == 200_000
    assert endpoint.options == {}
    assert raise_receive_buffer(endpoint, 300_000) == 300_000


def test_a_receive_buffer_reports_what_was_granted() -> None:
    assert raise_receive_buffer(PickySocket(buffer_bytes=4096, limit_bytes=100_000), 300_000) == 100_000


def test_a_small_buffer_is_said_once_for_both_sockets(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(sockets, "RECEIVE_BUFFER_BYTES", 1 << 31 - 1)
    with GroupSockets(OWN_GROUP, interface="127.0.0.1"):
        pass
    (warning,) = caplog.records
    assert "net.core.rmem_max" in warning.getMessage()


def test_an_unknown_interface_is_refused_with_the_names_there_are() -> None:
    names = [name for _, name in socket.if_nameindex()]
    with pytest.raises(NetworkError) as caught:
        resolve("no-such-card")
    assert all(name in str(caught.value) for name in names)


@pytest.mark.parametrize(
    ("address", "ip_version", "said"),
    [
        ("239.192.0.1", None, "is no address of a host"),
        ("ff12::1", None, "is no address of a host"),
        ("::1", 4, "is no IPv4 address of a host"),
        ("127.0.0.1", 6, "is no IPv6 address of a host"),
        ("2001:db8::1", None, "no interface has the address 2001:db8::1"),
    ],
)
def test_an_address_that_is_no_interface_s_is_refused(address: str, ip_version: int | None, said: str) -> None:
    with pytest.raises(NetworkError, match=said):
        resolve(address, ip_version)


def test_an_address_of_another_host_is_refused_with_what_to_do() -> None:
    # 203.0.113.0/24 is for documentation (RFC 5737): nobody has it.
    with pytest.raises(NetworkError, match="no such address"):
        GroupSockets(OWN_GROUP, interface="203.0.113.9")


@pytest.mark.parametrize("port", [0, 65_536])
def test_a_port_outside_the_range_is_refused(port: int) -> None:
    with pytest.raises(ConfigurationError, match="1 to 65535"):
        GroupSockets(OWN_GROUP, port=port)


def test_two_nodes_on_one_host_share_the_group_port_and_have_their_own() -> None:
    with (
        GroupSockets(OWN_GROUP, interface="127.0.0.1") as first,
        GroupSockets(OWN_GROUP, interface="127.0.0.1") as second,
    ):
        assert first.shared.getsockname() == second.shared.getsockname() == first.group_destination
        assert first.own.getsockname()[1] != second.own.getsockname()[1]
        assert first.own.getsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL) == 1


def test_a_port_that_another_program_holds_alone_is_a_network_error() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as holder:
        holder.bind((group_address(OWN_GROUP), DEFAULT_PORT))
        with pytest.raises(NetworkError, match="another program holds this port"):
            GroupSockets(OWN_GROUP, interface="127.0.0.1")


def test_closing_twice_is_harmless_and_joining_again_after_it_fails_quietly() -> None:
    node = GroupSockets(OWN_GROUP, interface="127.0.0.1")
    assert node.join_again()
    node.close()
    node.close()
    assert not node.join_again()


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (errno.EHOSTUNREACH, "allow this program to use the local network"),
        (errno.ENETUNREACH, "connect to the network first"),
        (errno.EIO, "try another cable"),
        (None, "try another cable"),
    ],
)
def test_an_error_of_the_network_brings_what_to_do_about_it(number: int | None, said: str) -> None:
    error = OSError() if number is None else OSError(number, os.strerror(number))
    assert said in what_to_do(error, "try another cable")


def marking_on_arrival(sending: GroupSockets, heard_at: socket.socket, destination: tuple[str, int]) -> int:
    """Return the code point that a datagram of a node has when it arrives."""
    heard_at.setsockopt(socket.IPPROTO_IP, socket.IP_RECVTOS, 1)
    sending.own.sendto(b"how am I marked?", destination)
    assert select.select([heard_at], [], [], 5)[0], "nothing arrived"
    data, ancillary, _, _ = heard_at.recvmsg(64, 64)
    assert data == b"how am I marked?"
    (service,) = [value[0] for level, kind, value in ancillary if (level, kind) == (socket.IPPROTO_IP, socket.IP_TOS)]
    return service >> 2


@pytest.mark.skipif(not hasattr(socket, "IP_RECVTOS") or sys.platform != "linux", reason="the system does not tell")
@pytest.mark.parametrize(("given", "arrives"), [({}, EXPEDITED), ({"dscp": 0}, 0), ({"dscp": 34}, 34)])
def test_datagrams_arrive_marked_as_asked_to_the_group_and_to_a_node(given: dict[str, int], arrives: int) -> None:
    with GroupSockets(OWN_GROUP, interface="127.0.0.1", **given) as sender, GroupSockets(
        OWN_GROUP, interface="127.0.0.1"
    ) as other:
        assert sender.is_marked is (arrives > 0)
        assert marking_on_arrival(sender, other.own, other.own.getsockname()) == arrives
        assert marking_on_arrival(sender, other.shared, other.group_destination) == arrives
        for endpoint in (sender.own, sender.shared):
            assert endpoint.getsockopt(socket.IPPROTO_IP, socket.IP_TOS) == arrives << 2


def test_a_system_that_does_not_mark_is_told_of_and_the_node_goes_on(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    class Unmarkable(socket.socket):
        def setsockopt(self, level: int, option: int, *value: Any) -> None:
            if (level, option) == (socket.IPPROTO_IP, socket.IP_TOS):
                raise PermissionError(errno.EPERM, "Operation not permitted")
            super().setsockopt(level, option, *value)

    monkeypatch.setattr(socket, "socket", Unmarkable)
    with caplog.at_level(logging.WARNING), GroupSockets(OWN_GROUP, interface="127.0.0.1") as node:
        assert not node.is_marked
    assert "not marked for priority (DSCP 46): Operation not permitted" in caplog.text


@pytest.mark.parametrize("dscp", [-1, 64, 46.0, "EF"])
def test_a_code_point_that_is_none_is_refused(dscp: Any) -> None:
    with pytest.raises(ConfigurationError, match="dscp"):
        GroupSockets(OWN_GROUP, interface="127.0.0.1", dscp=dscp)


@pytest.mark.parametrize("group", ["quarry lake", "", "größer", "a" * 200])
def test_every_ipv6_group_is_transient_of_one_link_and_dynamic(group: str) -> None:
    address = ipaddress.IPv6Address(group_address_v6(group))
    assert address.is_multicast
    assert int(address) >> 32 == 0xFF12 << 80
    assert int(address) & 0xFFFF_FFFF >= 0x8000_0000
