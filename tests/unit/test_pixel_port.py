from __future__ import annotations

import os
import socket
import sys
from pathlib import Path

import pytest

from leadlight.net.pixel_port import PixelPort
from leadlight.net.wireless import signal_dbm
from leadlight.readiness import PixelFacts, Verdict, judge_pixel_data

SACN = b"\x00\x10\x00\x00ASC-E1.17\x00\x00\x00" + bytes(100)


def test_what_comes_to_a_free_port_is_counted_if_it_is_of_the_standard() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with PixelPort(port) as pixels, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sending:
        assert pixels.facts == PixelFacts(None, 0)
        for data in (SACN, b"something else", SACN):
            sending.sendto(data, ("127.0.0.1", port))
        pixels.look()
        assert pixels.facts == PixelFacts(None, 2)


@pytest.mark.skipif(sys.platform != "linux", reason="as Linux tells of sockets")
def test_who_has_the_port_is_named_and_keeps_all_its_data() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as player:
        player.bind(("127.0.0.1", 0))
        port = player.getsockname()[1]
        with PixelPort(port) as pixels:
            holder = Path(f"/proc/{os.getpid()}/comm").read_text(encoding="utf-8").strip()
            assert pixels.facts == PixelFacts(holder, 0)
            player.sendto(SACN, ("127.0.0.1", port))
            pixels.look()
            assert pixels.facts == PixelFacts(holder, 1)
        assert player.recv(1000) == SACN


@pytest.mark.parametrize(
    ("facts", "verdict", "found"),
    [
        (PixelFacts(None, 0), Verdict.GO, "port 5568 (sACN) is free, and nothing came"),
        (PixelFacts(None, 3), Verdict.LOOK, "3 datagrams came to port 5568 (sACN), which nothing here listens to"),
        (PixelFacts("player", 3), Verdict.LOOK, "player has port 5568 (sACN), and data arrives there"),
        (PixelFacts("", 0), Verdict.LOOK, "another program has port 5568 (sACN); no data was seen to arrive"),
    ],
)
def test_each_has_its_words(facts: PixelFacts, verdict: Verdict, found: str) -> None:
    finding = judge_pixel_data(facts)
    assert (finding.verdict, finding.found) == (verdict, found)


def test_the_signal_is_read_from_the_kernel_s_table(tmp_path: Path) -> None:
    table = tmp_path / "wireless"
    table.write_text(
        "Inter-| sta-|   Quality        |   Discarded packets\n"
        " face | tus | link level noise |  nwid  crypt\n"
        " wlan0: 0000   54.  -56.  -256        0      0\n"
        " wlan1: 0000   54.  156.  -256        0      0\n"
    )
    assert signal_dbm("wlan0", table) == -56
    assert signal_dbm("wlan1", table) is None
    assert signal_dbm("eth0", table) is None
    assert signal_dbm("wlan0", tmp_path / "none") is None
