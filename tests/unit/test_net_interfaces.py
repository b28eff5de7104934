from __future__ import annotations

import socket
import struct
import sys
from pathlib import Path

import pytest

from leadlight.net import interfaces
from leadlight.net.interfaces import ANY_ADDRESS, HostInterface, Interface, address_towards, host_interfaces
from leadlight.net.wireless import is_wireless, power_saving_of, saves_power

linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="asks the kernel as Linux is asked")


@pytest.mark.parametrize(("sign", "said"), [("wireless", True), ("phy80211", True), ("queues", False)])
def test_wi_fi_is_told_by_what_the_system_keeps_of_an_interface(tmp_path: Path, sign: str, said: bool) -> None:
    (tmp_path / "wlan0" / sign).mkdir(parents=True)
    assert is_wireless("wlan0", tmp_path) is said


@pytest.mark.parametrize("name", ["", "eth7"])
def test_what_the_system_does_not_know_is_not_guessed(tmp_path: Path, name: str) -> None:
    assert is_wireless(name, tmp_path) is None


@pytest.mark.parametrize(("disabled", "said"), [(0, True), (1, False)])
def test_power_saving_is_read_where_the_kernel_puts_it(disabled: int, said: bool) -> None:
    # wireless.h: a name of 16 bytes; then value, fixed, disabled, flags.
    answer = struct.pack("@16siBBH", b"wlan0", 100_000, 1, disabled, 0x1001) + bytes(224)
    assert power_saving_of(answer) is said


@linux
def test_a_wired_interface_tells_nothing_of_power_saving() -> None:
    assert saves_power("lo") is None
    assert saves_power("no-such-card") is None


def test_elsewhere_nothing_is_asked_and_nothing_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "darwin")
    assert saves_power("en0") is None
    assert host_interfaces() is None


@linux
def test_the_loopback_is_listed_and_never_fit() -> None:
    listed = host_interfaces()
    assert listed is not None
    assert HostInterface("lo", "127.0.0.1", is_fit=False) in listed


@linux
@pytest.mark.parametrize(
    ("flags", "is_fit"),
    [
        (0x1043, True),  # up, broadcast, running, multicast
        (0x1003, False),  # no cable
        (0x1042, False),  # down
        (0x0043, False),  # no multicast
        (0x1049, False),  # loopback
    ],
)
def test_what_is_up_connected_and_carries_groups_is_fit(
    monkeypatch: pytest.MonkeyPatch, flags: int, is_fit: bool
) -> None:
    def kernel(name: str, request: int) -> bytes:
        # netdevice(7): SIOCGIFFLAGS answers with the flags behind the name, SIOCGIFADDR with a socket address there.
        told = struct.pack("@H", flags) if request == 0x8913 else bytes((0, 2, 0, 0, 10, 0, 0, 7))
        return name.encode().ljust(16, b"\0") + told.ljust(240, b"\0")

    monkeypatch.setattr(interfaces, "ask_kernel", kernel)
    monkeypatch.setattr(socket, "if_nameindex", lambda: [(3, "wlan0")])
    assert host_interfaces() == (HostInterface("wlan0", "10.0.0.7", is_fit),)


def test_the_way_to_a_group_is_asked_of_the_system_and_nothing_is_sent() -> None:
    group = ("239.192.1.2", 62_409)
    assert address_towards(group, Interface("", 0, "10.0.0.7")) == "10.0.0.7"
    assert address_towards(("127.0.0.1", 62_409), Interface("", 0, ANY_ADDRESS)) == "127.0.0.1"
