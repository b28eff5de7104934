"""A second implementation of the wire, written from protocol/SPECIFICATION.md alone. Imports nothing of the library.

It exists to show that the text is enough: the vectors are read and written with it.
"""

from __future__ import annotations

import hashlib
import hmac
import struct
import unicodedata
from collections.abc import Mapping
from typing import Any, NamedTuple

MAGIC = b"\xc4\x9b"  # section 5.1
LONGEST = 512
SHORTEST_SOUNDING = 56
TAG = 16
KINDS = {1: "beacon", 2: "beacon copy", 3: "sounding", 4: "echo", 5: "tally"}

U8, U16, U32, U62, U64 = 2**8 - 1, 2**16 - 1, 2**32 - 1, 2**62 - 1, 2**64 - 1


class Refused(Exception):  # noqa: N818 - the specification's word
    """Says why, in the words of R-WIRE-2."""


class Number(NamedTuple):
    """One whole number in an array."""

    name: str
    low: int
    high: int
    nil: bool = False

    def read(self, value: Any) -> Any:
        """R-WIRE-8; what cannot be exact everywhere is text in JSON (section 21)."""
        if value is None and self.nil:
            return None
        if not isinstance(value, int) or isinstance(value, bool) or not self.low <= value <= self.high:
            raise Refused("out of range")
        return str(value) if self.high > 2**53 - 1 else value

    def write(self, value: Any) -> int | None:
        return None if value is None else int(value)


CUE = [
    Number("show", 0, U64),
    Number("state", 0, 3),
    Number("line leader_at", 0, U62),
    Number("line position", 0, U62),
    Number("line rate_ppb", -1_000_000, 1_000_000),
]
ORDER = [Number("ordered_at", 0, U62)]
MARK = [Number("turns_back", 0, U8), Number("age_ns", 0, 60_000_000_000)]
DELAY_HEAD = [Number("radio", 0, U16, True), Number("doubt_us", 0, U16)]
MEDIAN = [Number("serials_back", 0, U8), Number("delay_ns", -2_000_000_000, 2_000_000_000)]
REPORT = [Number("serial", 0, U16), Number("delay_ns", -2_000_000_000, 2_000_000_000)]
BEACON = [
    Number("leader", 1, U32),
    Number("rank", 0, 127),
    Number("tenure", 1, U32),
    Number("timebase", 1, U32),
    Number("serial", 0, U32),
    Number("sent_at", 0, U62),
    Number("interval_ms", 10, U16),
    Number("sounding_budget", 0, U8),
    Number("group_size", 0, U16),
    Number("off_at_ms", 0, 4_611_686_018_427, True),
    Number("marker", 1, U32, True),
]
SOUNDING = [
    Number("follower", 1, U32),
    Number("tenure", 0, U32),
    Number("nonce", 0, U32),
    Number("sent_at", 0, U62),
    Number("cookie", 0, U64, True),
    Number("radio", 0, U16, True),
]
ECHO = [
    Number("leader", 1, U32),
    Number("tenure", 1, U32),
    Number("timebase", 1, U32),
    Number("nonce", 0, U32),
    Number("received_at", 0, U62),
    Number("sent_at", 0, U62),
    Number("cookie", 0, U64),
]
TALLY = [
    Number("follower", 1, U32),
    Number("instance", 0, U32),
    Number("serial", 0, U32),
    Number("tenure", 0, U32),
    Number("turn", 0, U32, True),
    Number("clock", 0, 3),
    Number("cue_state", 0, 3),
    Number("bound_us", 0, U32, True),
    Number("beacon_loss_permille", 0, 1000),
    Number("content", 0, 3),
    Number("radio", 0, U16, True),
    Number("show", 0, U64),
    Number("frame", 0, U32),
    Number("late_frames", 0, U32),
    Number("flags", 0, 3),
]


# -- section 4 ---------------------------------------------------------------------------------------------------------


def digest(size: int, personalisation: bytes, over: bytes, key: bytes = b"") -> bytes:
    return hashlib.blake2s(over, digest_size=size, person=personalisation, key=key).digest()


def identity(name: str) -> int:
    return int.from_bytes(digest(4, b"identity", name.encode()), "big") or 1


def group_hash(group: str) -> bytes:
    return digest(4, b"group", group.encode())


def group_address(group: str) -> str:
    index = int.from_bytes(digest(8, b"address", group.encode()), "big") % 261_888
    return ".".join(str(byte) for byte in struct.pack(">I", (239 << 24 | 192 << 16) + index))


def group_address_v6(group: str) -> str:
    last = 2**31 + int.from_bytes(digest(8, b"address", group.encode()), "big") % 2**31
    return f"ff12::{last >> 16:x}:{last & 0xFFFF:x}"


def show_key(show: str, edition: str, show_digest: bytes) -> int:
    parts = (show.encode(), edition.encode(), show_digest)
    over = b"".join(struct.pack(">I", len(part)) + part for part in parts)
    return int.from_bytes(digest(8, b"showkey", over), "big") or 1


def canonical(show: Mapping[str, Any]) -> bytes:
    def count(value: int) -> bytes:
        return struct.pack(">Q", value)

    def text(value: str) -> bytes:
        return count(len(value.encode())) + value.encode()

    numerator, denominator = show["frame_rate"]
    divisor, rest = numerator, denominator
    while rest:
        divisor, rest = rest, divisor % rest
    form = text(show["show"]) + text(show["edition"]) + count(numerator // divisor) + count(denominator // divisor)
    form += count(show["frame_count"]) + count(len(show["parts"]))
    for name in sorted(show["parts"], key=lambda name: name.encode()):
        part = show["parts"][name]
        form += text(name) + count(part["size_bytes"]) + bytes.fromhex(part["digest"])
    return form


def tag(key: bytes, signed: bytes) -> bytes:
    return digest(TAG, b"leadlght", signed, key)


# -- section 5.2: msgpack ----------------------------------------------------------------------------------------------


class Reader:
    """Reads one value after another; every length is held against what is there."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0

    def take(self, count: int) -> bytes:
        taken = self.data[self.at : self.at + count]
        if len(taken) < count:
            raise Refused("malformed")
        self.at += count
        return taken

    def length(self, size: int) -> int:
        return int.from_bytes(self.take(size), "big")

    def text(self, length: int) -> str:
        try:
            return self.take(length).decode("utf-8")
        except UnicodeDecodeError:
            raise Refused("malformed") from None

    def array(self, length: int, depth: int) -> list[Any]:
        if length > 64 or depth > 8:
            raise Refused("malformed")
        return [self.value(depth) for _ in range(length)]

    def value(self, depth: int = 0) -> Any:
        first = self.take(1)[0]
        if first <= 0x7F:
            return first
        if first >= 0xE0:
            return first - 256
        if 0xCC <= first <= 0xCF:
            return int.from_bytes(self.take(1 << first - 0xCC), "big")
        if 0xD0 <= first <= 0xD3:
            return int.from_bytes(self.take(1 << first - 0xD0), "big", signed=True)
        if first in (0xC0, 0xC2, 0xC3):
            return {0xC0: None, 0xC2: False, 0xC3: True}[first]
        if first == 0xCA:
            return struct.unpack(">f", self.take(4))[0]
        if first == 0xCB:
            return struct.unpack(">d", self.take(8))[0]
        if 0xA0 <= first <= 0xBF:
            return self.text(first & 0x1F)
        if 0xD9 <= first <= 0xDB:
            return self.text(self.length(1 << first - 0xD9))
        if 0xC4 <= first <= 0xC6:
            return self.take(self.length(1 << first - 0xC4))
        if 0x90 <= first <= 0x9F:
            return self.array(first & 0x0F, depth + 1)
        if first in (0xDC, 0xDD):
            return self.array(self.length(2 << first - 0xDC), depth + 1)
        raise Refused("malformed")


def pack_head(length: int, short: int, short_limit: int, wide: tuple[int, ...], sizes: tuple[int, ...]) -> bytes:
    if length < short_limit:
        return bytes([short | length])
    for first, size in zip(wide, sizes, strict=True):
        if length < 1 << 8 * size:
            return bytes([first]) + length.to_bytes(size, "big")
    raise ValueError("too long for any form")


def pack(value: Any) -> bytes:
    if value is None:
        return b"\xc0"
    if isinstance(value, bool):
        return b"\xc3" if value else b"\xc2"
    if isinstance(value, int):
        if value >= 0:
            return pack_head(value, 0, 0x80, (0xCC, 0xCD, 0xCE, 0xCF), (1, 2, 4, 8))
        if value >= -32:
            return bytes([value + 256])
        for first, size in ((0xD0, 1), (0xD1, 2), (0xD2, 4), (0xD3, 8)):
            if value >= -(1 << 8 * size - 1):
                return bytes([first]) + value.to_bytes(size, "big", signed=True)
        raise ValueError("too low for any form")
    if isinstance(value, str):
        data = value.encode()
        return pack_head(len(data), 0xA0, 32, (0xD9, 0xDA, 0xDB), (1, 2, 4)) + data
    if isinstance(value, bytes):
        return pack_head(len(value), 0, 0, (0xC4, 0xC5, 0xC6), (1, 2, 4)) + value
    return pack_head(len(value), 0x90, 16, (0xDC, 0xDD), (2, 4)) + b"".join(pack(part) for part in value)


# -- sections 5.3 to 5.6: arrays to fields and back --------------------------------------------------------------------


def read_numbers(values: list[Any], table: list[Number]) -> dict[str, Any]:
    if len(values) < len(table):
        raise Refused("malformed")
    return {number.name: number.read(value) for number, value in zip(table, values, strict=False)}


def read_cue(value: Any) -> dict[str, Any]:
    if not isinstance(value, list):
        raise Refused("malformed")
    fields = read_numbers(value, CUE)
    order = value[len(CUE)] if len(value) > len(CUE) else None
    if isinstance(order, list) and order:  # R-VER-4: another type there is an absent field
        fields |= read_numbers(order, ORDER)
    return fields


def read_flat(value: Any, table: list[Number]) -> list[dict[str, Any]]:
    if not isinstance(value, list):
        raise Refused("malformed")
    if len(value) % len(table) or len(value) > 4 * len(table):
        raise Refused("out of range")
    return [read_numbers(value[at : at + len(table)], table) for at in range(0, len(value), len(table))]


def read_beacon(values: list[Any]) -> dict[str, Any]:
    if len(values) < 15:
        raise Refused("malformed")
    fields = read_numbers(values, BEACON)
    cue, next_cue, marks, delays = values[11:15]
    fields["cue"] = read_cue(cue)
    fields["next_cue"] = None if next_cue is None else read_cue(next_cue)
    fields["marks"] = read_flat(marks, MARK)
    if not isinstance(delays, list):
        raise Refused("malformed")
    head = read_numbers(delays, DELAY_HEAD) if delays else {"radio": None, "doubt_us": 0}
    fields["delays"] = {**head, "medians": read_flat(delays[2:], MEDIAN)}
    if len(values) > 15 and values[15] is True:
        fields["goodbye"] = True
    return fields


def read_sounding(values: list[Any]) -> dict[str, Any]:
    if len(values) < 8:
        raise Refused("malformed")
    fields = read_numbers(values, SOUNDING)
    fields["delays"] = read_flat(values[6], REPORT)
    if not isinstance(values[7], bytes):
        raise Refused("malformed")
    return fields


def read_tally(values: list[Any]) -> dict[str, Any]:
    if len(values) < 16:
        raise Refused("malformed")
    fields = read_numbers(values, TALLY)
    name = values[15]
    if not isinstance(name, str):
        raise Refused("malformed")
    bad = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp", "Zs"}
    if not 1 <= len(name.encode()) <= 24 or any(one != " " and unicodedata.category(one) in bad for one in name):
        raise Refused("out of range")
    return {**fields, "name": name}


def decode(data: bytes, group: str, keys: Mapping[int, bytes]) -> dict[str, Any]:
    """Return the fields of a datagram as in the vectors, or raise ``Refused``; the order is that of R-WIRE-2."""
    if len(data) > LONGEST:
        raise Refused("too long")
    if len(data) <= 8:
        raise Refused("too short")
    if data[:2] != MAGIC:
        raise Refused("other protocol")
    if data[2] >> 4 != 1:
        raise Refused("other version")
    if data[4:8] != group_hash(group):
        raise Refused("other group")
    slot = data[3]
    if slot not in keys if keys else slot != 0:
        raise Refused("no key")
    body = data[8:]
    if keys:
        if not hmac.compare_digest(tag(keys[slot], data[:-TAG]), data[-TAG:]):
            raise Refused("bad tag")
        body = data[8:-TAG]
    kind = KINDS.get(data[2] & 0x0F)
    if kind is None:
        raise Refused("unknown kind")
    reader = Reader(body)
    values = reader.value()
    if not isinstance(values, list) or reader.at != len(body):
        raise Refused("malformed")
    if kind == "sounding":
        return {"kind": kind, **read_sounding(values)}
    if kind == "echo":
        return {"kind": kind, **read_numbers(values, ECHO)}
    if kind == "tally":
        return {"kind": kind, **read_tally(values)}
    return {"kind": kind, **read_beacon(values)}


def write_numbers(fields: Mapping[str, Any], table: list[Number]) -> list[Any]:
    return [number.write(fields[number.name]) for number in table]


def write_cue(cue: Mapping[str, Any]) -> list[Any]:
    order = [write_numbers(cue, ORDER)] if "ordered_at" in cue else []
    return [*write_numbers(cue, CUE), *order]


def write_flat(entries: list[Mapping[str, Any]], table: list[Number]) -> list[Any]:
    return [value for entry in entries for value in write_numbers(entry, table)]


def encode(fields: Mapping[str, Any], group: str, slot: int, key: bytes | None) -> bytes:
    """Return the datagram of a message given as in the vectors."""
    kind = fields["kind"]
    number = next(number for number, name in KINDS.items() if name == kind)
    preamble = MAGIC + bytes([0x10 | number, slot]) + group_hash(group)
    if kind == "sounding":
        values = [*write_numbers(fields, SOUNDING), write_flat(fields["delays"], REPORT)]
        signed = preamble + pack([*values, b""])
        missing = max(SHORTEST_SOUNDING - len(signed), 0)
        signed = preamble + pack([*values, bytes(missing)])
    elif kind == "echo":
        signed = preamble + pack(write_numbers(fields, ECHO))
    elif kind == "tally":
        signed = preamble + pack([*write_numbers(fields, TALLY), fields["name"]])
    else:
        delays = fields["delays"]
        flat = write_flat(delays["medians"], MEDIAN)
        signed = preamble + pack(
            [
                *write_numbers(fields, BEACON),
                write_cue(fields["cue"]),
                None if fields["next_cue"] is None else write_cue(fields["next_cue"]),
                write_flat(fields["marks"], MARK),
                [*write_numbers(delays, DELAY_HEAD), *flat] if flat else [],
                *([True] if "goodbye" in fields else []),
            ]
        )
    return signed if key is None else signed + tag(key, signed)


# -- section 22: probes ------------------------------------------------------------------------------------------------

PROBE_MAGIC = b"\xc4\x9d"
PROBE_BYTES = 112
CALL = [Number("recording", 1, U32)]
GROUP_PROBE = [*CALL, Number("number", 0, U32)]
HOST_PROBE = [*GROUP_PROBE, Number("instance", 1, U32), Number("known", 0, U32)]
PRESENCE = [
    Number("recording", 1, U32),
    Number("instance", 1, U32),
    Number("is_stamped", 0, 1),
    Number("is_wireless", 0, 1, True),
    Number("saves_power", 0, 1, True),
    Number("signal_dbm", -128, 127, True),
]
ANSWER = [
    Number("recording", 1, U32),
    Number("instance", 1, U32),
    Number("number", 0, U32),
    Number("heard_at", 0, U62),
    Number("sent_at", 0, U62),
    Number("load_percent", 0, U16, True),
    Number("first", 0, U32),
    Number("total", 0, U32),
]
ENTRY = [Number("is_own", 0, 1), Number("number", 0, U32), Number("age_ns", -U62, U62)]
PROBE_KINDS = {
    "call": (1, CALL),
    "group probe": (2, GROUP_PROBE),
    "host probe": (3, HOST_PROBE),
    "presence": (4, PRESENCE),
    "answer": (5, ANSWER),
}


def encode_probe(fields: Mapping[str, Any], group: str, slot: int, key: bytes | None) -> bytes:
    """Return the datagram of a probe given as in the vectors."""
    number, table = PROBE_KINDS[fields["kind"]]
    values = write_numbers(fields, table)
    if "label" in fields:
        values.append(fields["label"])
    if "entries" in fields:
        values.append(write_flat(fields["entries"], ENTRY))
    preamble = PROBE_MAGIC + bytes([0x10 | number, slot]) + group_hash(group)
    missing = max(PROBE_BYTES - len(preamble + pack([*values, b""])), 0)
    signed = preamble + pack([*values, bytes(missing)])
    return signed if key is None else signed + tag(key, signed)


# -- section 7 ---------------------------------------------------------------------------------------------------------


def frame_at(position: int, numerator: int, denominator: int) -> int:
    return position * numerator // (denominator * 10**9)


def frame_begins(frame: int, numerator: int, denominator: int) -> int:
    return -(-frame * denominator * 10**9 // numerator)


def position_at(line: tuple[int, int, int], at: int) -> int:
    leader_at, position, rate_ppb = line
    elapsed = at - leader_at
    return position + elapsed + elapsed * rate_ppb // 10**9


def first_instant(line: tuple[int, int, int], position: int) -> int:
    """By halving: the positions of a line never fall."""
    low, high = line[0], line[0]
    step = 1
    while position_at(line, low) >= position:
        low -= step
        step *= 2
    step = 1
    while position_at(line, high) < position:
        high += step
        step *= 2
    while high - low > 1:
        middle = (low + high) // 2
        if position_at(line, middle) >= position:
            high = middle
        else:
            low = middle
    return high


def compare(serial: int, last: int) -> str:
    ahead = (serial - last) % 2**32
    if ahead == 0:
        return "duplicate"
    return "newer" if ahead < 2**31 else "late"
