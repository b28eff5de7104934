"""Capture files: bytes in, the packets of a network out.

Two formats are read. The older one is a header of 24 bytes and then records, in either byte order, with instants in
microseconds or nanoseconds (the manual page pcap-savefile(5) of libpcap; draft-ietf-opsawg-pcap). The newer one is a
sequence of blocks, of which those that describe a section and an interface and those that hold a packet are read
(draft-ietf-opsawg-pcapng).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import BinaryIO, Final, NamedTuple

from leadlight.errors import CaptureError
from leadlight.units import SECOND

LENGTH_MAXIMUM_BYTES: Final = 16 * 1024 * 1024
"""A packet or block that claims to be longer is taken for damage: no network's packet comes near it."""

_RECORDS: Final = {
    b"\xa1\xb2\xc3\xd4": (">", 1_000),
    b"\xd4\xc3\xb2\xa1": ("<", 1_000),
    b"\xa1\xb2\x3c\x4d": (">", 1),
    b"\x4d\x3c\xb2\xa1": ("<", 1),
}
"""What a file of records begins with: its byte order, and the nanoseconds of its unit."""

_SECTION: Final = b"\x0a\x0d\x0d\x0a"  # the same in either byte order
_SECTION_ORDERS: Final = {b"\x1a\x2b\x3c\x4d": ">", b"\x4d\x3c\x2b\x1a": "<"}
_INTERFACE_BLOCK: Final = 1
_OBSOLETE_PACKET_BLOCK: Final = 2
_SIMPLE_PACKET_BLOCK: Final = 3
_ENHANCED_PACKET_BLOCK: Final = 6
_BLOCK_MINIMUM_BYTES: Final = 12

_OPTION_END: Final = 0
_OPTION_RESOLUTION: Final = 9
_OPTION_OFFSET: Final = 14
_MICROSECONDS: Final = 6


class Packet(NamedTuple):
    """One packet as it was captured.

    ``at_ns`` is when, in nanoseconds since 1970 by the capturing host, or ``None`` where the file does not say.
    ``length`` is how many bytes it had on the network: more than ``data`` has where the capture cut it short.
    """

    at_ns: int | None
    link_type: int
    data: bytes
    length: int


class _Interface(NamedTuple):
    link_type: int
    snap_length: int
    """The most bytes of a packet that were kept; 0 for all."""
    units_per_second: int
    offset_ns: int


class CaptureReader:
    """Reads the packets of a capture file, one after the other, from a binary stream.

    What follows damage or an early end is not read: ``trouble`` then says what and where, once the packets before
    it have been handed out. ``skipped`` counts packets of a sound file that cannot be read here, by the reason. Raises
    ``CaptureError`` for a stream that does not begin as a capture file does.
    """

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._at = 0
        self._packets = 0
        self.trouble = ""
        self.skipped: dict[str, int] = {}
        begin = self._take(4)
        if begin in _RECORDS:
            self._reader = self._records(*_RECORDS[begin])
        elif begin == _SECTION:
            self._reader = self._blocks()
        elif not begin:
            raise CaptureError("is empty")
        else:
            raise CaptureError(f"is no capture file: neither pcap nor pcapng begins with {begin.hex(' ')}")

    def __iter__(self) -> Iterator[Packet]:
        for packet in self._reader:
            self._packets += 1
            yield packet

    # -- records ---------------------------------------------------------------------------------------------------

    def _records(self, order: str, unit_ns: int) -> Iterator[Packet]:
        header = self._take(20)
        if len(header) < 20:
            self._end_early("its own header")
            return
        major, _minor, _zone, _accuracy, _snap_length, link = struct.unpack(f"{order}HHIIII", header)
        if major != 2:
            self.trouble = f"format version {major} is not read, only 2"
            return
        # The upper half tells of frame check sequences, which stand behind all that is looked at here.
        link_type = link & 0xFFFF
        head = struct.Struct(f"{order}IIII")
        while True:
            start = self._at
            record = self._take(head.size)
            if not record:
                return
            if len(record) < head.size:
                self._end_early("a packet's header")
                return
            whole, part, kept, length = head.unpack(record)
            if kept > LENGTH_MAXIMUM_BYTES:
                self._doubt(start, f"a packet of {kept} bytes is not believed")
                return
            data = self._take(kept)
            if len(data) < kept:
                self._end_early("a packet")
                return
            yield Packet(whole * SECOND + part * unit_ns, link_type, data, max(length, kept))

    # -- blocks ----------------------------------------------------------------------------------------------------

    def _blocks(self) -> Iterator[Packet]:
        # The first block's type is behind us.
        kind = _SECTION
        order = ""
        interfaces: list[_Interface] = []
        while kind:
            start = self._at - len(kind)
            head = self._take(8 if kind == _SECTION else 4)
            if len(kind) < 4 or len(head) < (8 if kind == _SECTION else 4):
                self._end_early("a block's header")
                return
            if kind == _SECTION:
                if head[4:] not in _SECTION_ORDERS:
                    self._doubt(start, f"a section of byte order {head[4:].hex(' ')} is not known")
                    return
                order = _SECTION_ORDERS[head[4:]]
                interfaces = []  # they are a section's own
            (length,) = struct.unpack(f"{order}I", head[:4])
            rest = length - len(kind) - len(head)
            if length % 4 or length < _BLOCK_MINIMUM_BYTES or rest < 4 or length > LENGTH_MAXIMUM_BYTES:
                self._doubt(start, f"a block of {length} bytes is not believed")
                return
            body = self._take(rest)
            if len(body) < rest:
                self._end_early("a block")
                return
            if struct.unpack(f"{order}I", body[-4:])[0] != length:
                self._doubt(start, f"a block says {length} bytes at its head and another number at its end")
                return
            if kind == _SECTION:
                if struct.unpack_from(f"{order}H", body)[0] != 1:
                    self._doubt(start, "a section of another format version than 1 is not read")
                    return
            else:
                (number,) = struct.unpack(f"{order}I", kind)
                try:
                    packet = self._block(order, number, body[:-4], interfaces)
                except (struct.error, IndexError):
                    self._skip("in blocks that lack something, or whose interface is not described")
                else:
                    if packet is not None:
                        yield packet
            kind = self._take(4)

    def _block(self, order: str, number: int, body: bytes, interfaces: list[_Interface]) -> Packet | None:
        """Return the packet in a block, if it is one that holds a packet.

        Raises ``struct.error`` or ``IndexError`` for one that lacks something.
        """
        if number == _INTERFACE_BLOCK:
            interfaces.append(_interface(order, body))
        elif number == _OBSOLETE_PACKET_BLOCK:
            self._skip("in blocks of an obsolete kind")
        elif number == _SIMPLE_PACKET_BLOCK:
            (length,) = struct.unpack_from(f"{order}I", body)
            interface = interfaces[0]
            kept = min(length, interface.snap_length or length)
            return Packet(None, interface.link_type, _part(body, 4, kept), length)
        elif number == _ENHANCED_PACKET_BLOCK:
            index, high, low, kept, length = struct.unpack_from(f"{order}IIIII", body)
            interface = interfaces[index]
            at_ns = (high << 32 | low) * SECOND // interface.units_per_second + interface.offset_ns
            return Packet(at_ns, interface.link_type, _part(body, 20, kept), max(length, kept))
        return None

    # -- both ------------------------------------------------------------------------------------------------------

    def _take(self, count: int) -> bytes:
        """Return the next bytes, fewer at the end of the stream."""
        data = self._stream.read(count)
        self._at += len(data)
        return data

    def _skip(self, what: str) -> None:
        self.skipped[what] = self.skipped.get(what, 0) + 1

    def _end_early(self, inside: str) -> None:
        self.trouble = f"the file ends inside {inside}, at byte {self._at}; read up to there: {self._told()}"

    def _doubt(self, start: int, why: str) -> None:
        self.trouble = f"damaged at byte {start}: {why}; read up to there: {self._told()}"

    def _told(self) -> str:
        return f"{self._packets} packet{'' if self._packets == 1 else 's'}"


def _part(body: bytes, start: int, count: int) -> bytes:
    if start + count > len(body):
        raise IndexError(count)
    return body[start : start + count]


def _interface(order: str, body: bytes) -> _Interface:
    link_type, _reserved, snap_length = struct.unpack_from(f"{order}HHI", body)
    resolution = _MICROSECONDS
    offset_s = 0
    at = 8
    while at + 4 <= len(body):
        code, length = struct.unpack_from(f"{order}HH", body, at)
        if code == _OPTION_END:
            break
        if code == _OPTION_RESOLUTION and length == 1:
            resolution = _part(body, at + 4, 1)[0]
        elif code == _OPTION_OFFSET and length == 8:
            (offset_s,) = struct.unpack_from(f"{order}q", body, at + 4)
        at += 4 + length + -length % 4
    # The highest bit says whether the rest is a power of two or of ten.
    units = 1 << (resolution & 0x7F) if resolution & 0x80 else 10**resolution
    return _Interface(link_type, snap_length, units, offset_s * SECOND)
