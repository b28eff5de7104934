"""Capture files built byte by byte, in both formats and both byte orders, and packets of every link type."""

from __future__ import annotations

import io
import struct

import pytest

from leadlight.dissect.capture import CaptureReader, Packet
from leadlight.dissect.packets import Datagram, PassedOver, datagram_in
from leadlight.errors import CaptureError

both_orders = pytest.mark.parametrize("order", ["<", ">"], ids=["little-endian", "big-endian"])

RAW_IP = 101
ETHERNET = 1


def records(order: str, packets: list[bytes], *, magic: int = 0xA1B2C3D4, link: int = RAW_IP, lost: int = 0) -> bytes:
    """A file of records: the n-th packet at n seconds and 5 units, each ``lost`` bytes longer than what was kept."""
    file = struct.pack(f"{order}IHHiIII", magic, 2, 4, 0, 0, 65_535, link)
    for second, packet in enumerate(packets, start=1):
        file += struct.pack(f"{order}IIII", second, 5, len(packet), len(packet) + lost) + packet
    return file


def block(order: str, kind: int, body: bytes) -> bytes:
    body += bytes(-len(body) % 4)
    length = struct.pack(f"{order}I", 12 + len(body))
    return struct.pack(f"{order}I", kind) + length + body + length


def section(order: str) -> bytes:
    return block(order, 0x0A0D0D0A, struct.pack(f"{order}IHHq", 0x1A2B3C4D, 1, 0, -1))


def option(order: str, code: int, value: bytes) -> bytes:
    return struct.pack(f"{order}HH", code, len(value)) + value + bytes(-len(value) % 4)


def interface(order: str, *options: bytes, link: int = RAW_IP, snap_length: int = 0) -> bytes:
    end = option(order, 0, b"") if options else b""
    return block(order, 1, struct.pack(f"{order}HHI", link, 0, snap_length) + b"".join(options) + end)


def enhanced(order: str, at: int, packet: bytes, *, index: int = 0, lost: int = 0) -> bytes:
    head = struct.pack(f"{order}IIIII", index, at >> 32, at & 0xFFFF_FFFF, len(packet), len(packet) + lost)
    return block(order, 6, head + packet)


def read(file: bytes) -> tuple[list[Packet], CaptureReader]:
    reader = CaptureReader(io.BytesIO(file))
    return list(reader), reader


# -- files of records --------------------------------------------------------------------------------------------------


@both_orders
@pytest.mark.parametrize(("magic", "unit_ns"), [(0xA1B2C3D4, 1_000), (0xA1B23C4D, 1)], ids=["us", "ns"])
def test_records_are_read_in_both_orders_and_both_units(order: str, magic: int, unit_ns: int) -> None:
    packets, reader = read(records(order, [b"first", b"second"], magic=magic, lost=3))
    assert packets == [
        Packet(1_000_000_000 + 5 * unit_ns, RAW_IP, b"first", 8),
        Packet(2_000_000_000 + 5 * unit_ns, RAW_IP, b"second", 9),
    ]
    assert reader.trouble == ""


def test_what_the_link_types_upper_half_says_is_not_taken_for_a_link_type() -> None:
    packets, _ = read(records("<", [b"x"], link=0x1400_0000 | ETHERNET))
    assert packets[0].link_type == ETHERNET


@pytest.mark.parametrize("kept", range(25, 24 + 2 * 16 + 11))
def test_an_early_end_is_told_and_loses_nothing_of_what_came_before(kept: int) -> None:
    file = records("<", [b"first", b"second"])
    packets, reader = read(file[:kept])
    whole = [kept >= 24 + 16 + 5, kept >= len(file)]
    assert [packet.data for packet in packets] == [b"first", b"second"][: sum(whole)]
    if kept == 24 + 16 + 5:
        assert reader.trouble == ""  # that is the end of a shorter file
    else:
        inside = "a packet's header" if (kept - 24 < 16 or 0 < kept - 45 < 16) else "a packet"
        count = "1 packet" if whole[0] else "0 packets"
        assert reader.trouble == f"the file ends inside {inside}, at byte {kept}; read up to there: {count}"


def test_a_packet_that_is_too_long_to_be_true_ends_the_reading() -> None:
    file = records("<", [b"first"]) + struct.pack("<IIII", 9, 9, 0xFFFF_FFF0, 0xFFFF_FFF0) + b"x" * 50
    packets, reader = read(file)
    assert [packet.data for packet in packets] == [b"first"]
    assert reader.trouble.startswith("damaged at byte 45: a packet of 4294967280 bytes is not believed")


def test_another_format_version_is_not_read() -> None:
    file = bytearray(records("<", [b"first"]))
    file[4] = 3
    packets, reader = read(bytes(file))
    assert packets == []
    assert reader.trouble == "format version 3 is not read, only 2"


@pytest.mark.parametrize(
    ("file", "said"),
    [
        (b"", "is empty"),
        (b"PK\x03\x04rest", "is no capture file: neither pcap nor pcapng begins with 50 4b 03 04"),
        (b"\xa1\xb2", "is no capture file: neither pcap nor pcapng begins with a1 b2"),
    ],
)
def test_what_is_no_capture_file_is_refused_at_once(file: bytes, said: str) -> None:
    with pytest.raises(CaptureError) as refused:
        CaptureReader(io.BytesIO(file))
    assert str(refused.value) == said


# -- files of blocks ---------------------------------------------------------------------------------------------------


@both_orders
def test_blocks_are_read_in_both_orders(order: str) -> None:
    at_us = 1_700_000_000_123_456
    unknown = block(order, 0x0BAD, b"what this is nobody knows")
    file = section(order) + interface(order) + unknown + enhanced(order, at_us, b"odd", lost=4)
    packets, reader = read(file)
    assert packets == [Packet(at_us * 1_000, RAW_IP, b"odd", 7)]
    assert (reader.trouble, reader.skipped) == ("", {})


@both_orders
@pytest.mark.parametrize(
    ("resolution", "at", "at_ns"),
    [
        (9, 1_700_000_000_123_456_789, 1_700_000_000_123_456_789),
        (3, 1_500, 1_500_000_000),
        (0x80 | 10, 1_536, 1_500_000_000),
        (0x80, 7, 7_000_000_000),
    ],
)
def test_instants_count_in_the_unit_that_their_interface_says(
    order: str, resolution: int, at: int, at_ns: int
) -> None:
    described = interface(order, option(order, 2, b"wlan0"), option(order, 9, bytes([resolution])))
    packets, _ = read(section(order) + described + enhanced(order, at, b"x"))
    assert packets[0].at_ns == at_ns


@both_orders
def test_an_interface_may_count_from_another_second(order: str) -> None:
    described = interface(order, option(order, 14, struct.pack(f"{order}q", -2)))
    packets, _ = read(section(order) + described + enhanced(order, 5_000_000, b"x"))
    assert packets[0].at_ns == 3_000_000_000


@both_orders
def test_simple_packets_have_no_instant_and_are_cut_at_the_interfaces_snap_length(order: str) -> None:
    simple = block(order, 3, struct.pack(f"{order}I", 9) + b"sixsix")
    packets, _ = read(section(order) + interface(order, snap_length=6, link=ETHERNET) + simple)
    assert packets == [Packet(None, ETHERNET, b"sixsix", 9)]


def test_each_section_has_its_own_order_and_its_own_interfaces() -> None:
    file = section("<") + interface("<") + interface("<", link=ETHERNET) + enhanced("<", 1, b"a", index=1)
    file += section(">") + interface(">") + enhanced(">", 2, b"b") + enhanced(">", 3, b"c", index=1)
    packets, reader = read(file)
    assert [(packet.link_type, packet.data) for packet in packets] == [(ETHERNET, b"a"), (RAW_IP, b"b")]
    assert reader.trouble == ""
    assert reader.skipped == {"in blocks that lack something, or whose interface is not described": 1}


def test_obsolete_packet_blocks_are_counted() -> None:
    obsolete = block("<", 2, bytes(24))
    _, reader = read(section("<") + interface("<") + obsolete + obsolete)
    assert reader.skipped == {"in blocks of an obsolete kind": 2}


def test_blocks_that_end_early_are_told_and_lose_nothing_of_what_came_before() -> None:
    before = section("<") + interface("<") + enhanced("<", 1, b"first")
    last = enhanced("<", 2, b"second")
    for kept in range(1, len(last)):
        packets, reader = read(before + last[:kept])
        assert [packet.data for packet in packets] == [b"first"]
        inside = "a block's header" if kept < 8 else "a block"
        assert (
            reader.trouble
            == f"the file ends inside {inside}, at byte {len(before) + kept}; read up to there: 1 packet"
        )


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (struct.pack("<II", 6, 10) + bytes(20), "a block of 10 bytes is not believed"),
        (struct.pack("<II", 6, 33) + bytes(40), "a block of 33 bytes is not believed"),
        (struct.pack("<II", 6, 0xFFFF_FFFC) + bytes(40), "a block of 4294967292 bytes is not believed"),
        (
            struct.pack("<III", 0x0BAD, 12, 16),
            "a block says 12 bytes at its head and another number at its end",
        ),
        (struct.pack("<II4s", 0x0A0D0D0A, 28, b"what"), "a section of byte order 77 68 61 74 is not known"),
        (
            block("<", 0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 2, 0, -1)),
            "a section of another format version than 1 is not read",
        ),
    ],
)
def test_damage_ends_the_reading_and_says_where(damage: bytes, said: str) -> None:
    before = section("<") + interface("<") + enhanced("<", 1, b"first")
    packets, reader = read(before + damage)
    assert [packet.data for packet in packets] == [b"first"]
    assert reader.trouble == f"damaged at byte {len(before)}: {said}; read up to there: 1 packet"


# -- packets -----------------------------------------------------------------------------------------------------------


def udp(contents: bytes, *, length: int | None = None) -> bytes:
    return struct.pack(">HHHH", 40_001, 62_409, 8 + len(contents) if length is None else length, 0) + contents


def ipv4(payload: bytes, *, protocol: int = 17, fragment: int = 0x4000, options: bytes = b"") -> bytes:
    first = 0x40 | (20 + len(options)) // 4
    total = 20 + len(options) + len(payload)
    head = struct.pack(">BBHHHBBH", first, 0, total, 7, fragment, 1, protocol, 0)
    return head + bytes([10, 0, 0, 2]) + bytes([239, 194, 236, 148]) + options + payload


def ipv6(payload: bytes, *, following: int = 17) -> bytes:
    source, destination = bytes.fromhex("fe80" + "0" * 27 + "1"), bytes.fromhex("ff12" + "0" * 20 + "9bf6855e")
    return struct.pack(">IHBB", 0x6000_0000, len(payload), following, 1) + source + destination + payload


def ethernet(ether_type: int, payload: bytes, *tags: int) -> bytes:
    tagged = b"".join(struct.pack(">HH", tag, 12) for tag in tags)
    return bytes(12) + tagged + struct.pack(">H", ether_type) + payload


def found_in(data: bytes, link: int, length: int | None = None) -> Datagram | PassedOver:
    return datagram_in(Packet(5, link, data, len(data) if length is None else length))


CONTENTS = b"light"
V4 = ipv4(udp(CONTENTS))
V6 = ipv6(udp(CONTENTS))
IN_V4 = Datagram(5, "10.0.0.2", 40_001, "239.194.236.148", 62_409, CONTENTS, 5)
IN_V6 = Datagram(5, "[fe80::1]", 40_001, "[ff12::9bf6:855e]", 62_409, CONTENTS, 5)


@pytest.mark.parametrize(
    ("link", "data", "expected"),
    [
        (1, ethernet(0x0800, V4), IN_V4),
        (1, ethernet(0x0800, V4, 0x8100), IN_V4),
        (1, ethernet(0x0800, V4, 0x88A8, 0x8100), IN_V4),
        (1, ethernet(0x86DD, V6, 0x8100), IN_V6),
        (1, ethernet(0x0800, V4) + bytes(9), IN_V4),  # padded to the shortest frame
        (113, struct.pack(">HHH8sH", 0, 1, 6, bytes(8), 0x0800) + V4, IN_V4),
        (276, struct.pack(">HHIHBB8s", 0x86DD, 0, 2, 1, 0, 6, bytes(8)) + V6, IN_V6),
        (101, V4, IN_V4),
        (101, V6, IN_V6),
        (12, V4, IN_V4),
        (228, V4, IN_V4),
        (229, V6, IN_V6),
        (0, struct.pack("<I", 2) + V4, IN_V4),
        (0, struct.pack(">I", 2) + V4, IN_V4),
        (0, struct.pack("<I", 30) + V6, IN_V6),
        (108, struct.pack(">I", 24) + V6, IN_V6),
        (101, ipv4(udp(CONTENTS), options=bytes(8)), IN_V4),
        (101, ipv6(bytes([17, 0]) + bytes(6) + udp(CONTENTS), following=0), IN_V6),  # hop-by-hop options
    ],
)
def test_a_datagram_is_found_behind_every_link_layer(link: int, data: bytes, expected: Datagram) -> None:
    assert found_in(data, link) == expected


@pytest.mark.parametrize(
    ("link", "data", "expected"),
    [
        (147, V4, PassedOver.UNKNOWN_LINK),
        (1, ethernet(0x0806, bytes(28)), PassedOver.NOT_IP),
        (1, ethernet(0x0800, V4, 0x8100, 0x8100, 0x8100), PassedOver.NOT_IP),
        (101, b"\x00" + V4, PassedOver.NOT_IP),
        (0, struct.pack("<I", 7) + V4, PassedOver.NOT_IP),
        (101, ipv4(bytes(20), protocol=6), PassedOver.NOT_UDP),
        (101, ipv6(bytes(20), following=58), PassedOver.NOT_UDP),
        (101, ipv4(udp(CONTENTS), fragment=0x2000), PassedOver.FRAGMENT),  # the first, more to come
        (101, ipv4(CONTENTS, fragment=0x0004), PassedOver.FRAGMENT),  # a later one
        (101, ipv6(bytes(8) + udp(CONTENTS), following=44), PassedOver.FRAGMENT),
        (101, ipv4(udp(CONTENTS, length=7)), PassedOver.DAMAGED),
        (101, ipv4(udp(CONTENTS, length=60)), PassedOver.DAMAGED),
        (101, ipv4(b"\x9c"), PassedOver.DAMAGED),
        (228, V6, PassedOver.DAMAGED),
        (229, V4, PassedOver.DAMAGED),
        (1, b"", PassedOver.DAMAGED),
    ],
)
def test_what_holds_no_datagram_is_passed_over_for_a_reason(link: int, data: bytes, expected: PassedOver) -> None:
    assert found_in(data, link) == expected


def test_a_packet_cut_short_yields_what_is_there_of_its_contents() -> None:
    whole = ethernet(0x0800, V4)
    for kept in range(len(whole)):
        found = found_in(whole[:kept], ETHERNET, len(whole))
        if kept < 14 + 20 + 8:
            assert found is PassedOver.CUT_SHORT
        else:
            assert found == IN_V4._replace(data=CONTENTS[: kept - 42])
