"""Writes the test vectors in protocol/vectors; run it after a change of the wire: `python tests/tools/vectors.py`.

Everything in them follows from this file and the library, so a test can hold them against both.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Final

import msgpack

from leadlight.clock.plausibility import HELD_BACK_NS, Misfit, misfit_of
from leadlight.clock.settings import ClockSettings
from leadlight.clock.shared_delay import DelayCollector, reporting_stride
from leadlight.clock.states import TRANSITIONS as CLOCK_TRANSITIONS
from leadlight.cue import Cue, FrameRate, ShowLine, show_key
from leadlight.entropy import identity
from leadlight.errors import WireError
from leadlight.evening.manifest import Part, ShowEntry
from leadlight.follower.exchange import fair_spacing_ns
from leadlight.follower.leader_selection import serials_allowed
from leadlight.follower.tenures import SERIAL_HALF, SERIAL_MASK
from leadlight.leader.roles import TRANSITIONS as ROLE_TRANSITIONS
from leadlight.net.families import group_address, group_address_v6
from leadlight.playback.content import StoredShow
from leadlight.terms import ClockState, ContentState, CueState, Kind
from leadlight.units import (
    HOUR,
    INSTANT_MAXIMUM,
    MICROSECOND,
    MILLISECOND,
    SECOND,
    LeaderInstant,
    LocalInstant,
    ShowPosition,
)
from leadlight.wire import codec as wire
from leadlight.wire import framing
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon, DelayReport, Echo, Mark, Message, SharedDelay, Sounding, Tally
from leadlight.wire.probes import (
    ENTRY_FIELDS,
    PROBE_TABLES,
    Answer,
    Call,
    Entry,
    GroupProbe,
    HostProbe,
    Presence,
    ProbeCodec,
    ProbeMessage,
)
from leadlight.wire.tags import KeyRing

FOLDER: Final = Path(__file__).parents[2] / "protocol" / "vectors"
EXACT_IN_JSON: Final = (1 << 53) - 1
"""Readers that hold numbers as doubles keep no larger whole number exact; fields that can be larger are strings."""

GROUP: Final = "quarry lake"
KEYS: Final = {1: bytes(range(32)), 7: bytes(range(100, 116))}
U16: Final = framing.U16
U32: Final = framing.U32
U64: Final = (1 << 64) - 1
LATEST: Final = LeaderInstant(INSTANT_MAXIMUM)
FURTHEST: Final = ShowPosition(INSTANT_MAXIMUM)

TIDEFALL: Final = show_key("Tidefall", "2")
EMBERS: Final = show_key("Embers", "2")


# -- messages as JSON --------------------------------------------------------------------------------------------------


def numbers(values: Sequence[Any], fields: Iterable[framing.Field]) -> dict[str, Any]:
    """Return the values by the names of their fields, those that JSON readers may bend as text."""
    return {
        field.name: str(value) if value is not None and field.high > EXACT_IN_JSON else value
        for value, field in zip(values, fields, strict=True)
    }


def cue_as_json(cue: Cue) -> dict[str, Any]:
    order = {} if cue.ordered_at is None else numbers((cue.ordered_at,), wire.ORDER_FIELDS)
    return numbers((cue.show, int(cue.state), *cue.line), wire.CUE_FIELDS) | order


def as_json(message: Message) -> dict[str, Any]:
    """Return a message in the units of the wire and under the names of its tables."""
    if isinstance(message, Beacon):
        off_at_ms = None if message.off_at is None else message.off_at // MILLISECOND
        scalars = (*message[:6], message.interval_ns // MILLISECOND, *message[7:9], off_at_ms, message.marker)
        head = (message.delay_radio, message.delay_doubt_ns // MICROSECOND)
        return {
            "kind": "beacon copy" if message.is_copy else "beacon",
            **numbers(scalars, wire.BEACON_FIELDS),
            "cue": cue_as_json(message.cue),
            "next_cue": None if message.next_cue is None else cue_as_json(message.next_cue),
            "marks": [numbers(mark, wire.MARK_FIELDS) for mark in message.marks],
            "delays": {
                **numbers(head, wire.DELAY_HEAD_FIELDS),
                "medians": [numbers(delay, wire.SHARED_DELAY_FIELDS) for delay in message.shared_delays],
            },
            **({"goodbye": True} if message.goodbye else {}),
        }
    if isinstance(message, Sounding):
        return {
            "kind": "sounding",
            **numbers(message[:6], wire.SOUNDING_FIELDS),
            "delays": [numbers(report, wire.DELAY_REPORT_FIELDS) for report in message.delays],
        }
    if isinstance(message, Echo):
        return {"kind": "echo", **numbers(message, wire.ECHO_FIELDS)}
    bound_us = None if message.bound_ns is None else message.bound_ns // MICROSECOND
    flags = message.live_data * wire.FLAG_LIVE_DATA + message.unverified * wire.FLAG_UNVERIFIED
    scalars_of_tally = (
        *message[:5],
        int(message.clock),
        int(message.cue_state),
        bound_us,
        message.beacon_loss_permille,
        int(message.content),
        *message[10:14],
        flags,
    )
    return {"kind": "tally", **numbers(scalars_of_tally, wire.TALLY_FIELDS), "name": message.name}


# -- examples ----------------------------------------------------------------------------------------------------------


def smallest() -> dict[str, Message]:
    nothing = Cue(0, CueState.DARK, ShowLine(LeaderInstant(0), ShowPosition(0)))
    beacon = Beacon(
        1, 0, 1, 1, 0, LeaderInstant(0), 10 * MILLISECOND, 0, 0, None, None, nothing, None, (), None, 0, ()
    )
    return {
        "beacon": beacon,
        "beacon copy": beacon._replace(is_copy=True),
        "sounding": Sounding(1, 0, 0, LocalInstant(0), None, None),
        "echo": Echo(1, 1, 1, 0, LeaderInstant(0), LeaderInstant(0), 0),
        "tally": Tally(
            1, 0, 0, 0, None, ClockState.FREE_RUN, CueState.DARK, None, 0, ContentState.UNKNOWN, None, 0, 0, 0,
            False, False, "a",
        ),
    }  # fmt: skip


def typical() -> dict[str, Message]:
    now = LeaderInstant(3 * HOUR + 123_456_789)
    cue = Cue(TIDEFALL, CueState.ROLLING, ShowLine(LeaderInstant(3 * HOUR - 20 * SECOND), ShowPosition(0)))
    coming = Cue(EMBERS, CueState.ROLLING, ShowLine(LeaderInstant(3 * HOUR + 2 * SECOND), ShowPosition(0), 12_500))
    marks = (Mark(2, 871_204_311), Mark(1, 402_118_905))
    delays = (SharedDelay(9, 2_113_870), SharedDelay(8, 41_870_112), SharedDelay(7, -20_004))
    beacon = Beacon(
        identity("boathouse"), 0, 0x5A17_C0DE, 0x0BAD_CAFE, 21_604, now, 500 * MILLISECOND, 60, 8,
        LeaderInstant(6 * HOUR), identity("jetty"), cue, coming, marks, 0x2F91, 350 * MICROSECOND, delays,
    )  # fmt: skip
    reports = (DelayReport(21_600, 2_240_118), DelayReport(21_596, -31_250), DelayReport(21_592, 41_902_007))
    return {
        "beacon": beacon,
        "beacon copy": beacon._replace(is_copy=True, marker=None),
        "sounding": Sounding(
            identity("jetty"), 0x5A17_C0DE, 0xC0FF_EE11, LocalInstant(987_654_321_012), 0x1122_3344_5566_7788,
            0x2F91, reports,
        ),
        "echo": Echo(
            identity("boathouse"), 0x5A17_C0DE, 0x0BAD_CAFE, 0xC0FF_EE11, LeaderInstant(now + 1_204_118),
            LeaderInstant(now + 1_391_552), 0x1122_3344_5566_7788,
        ),
        "tally": Tally(
            identity("jetty"), 0xDEAD_4A11, 412, 0x5A17_C0DE, 21_604, ClockState.LOCKED, CueState.ROLLING,
            1_850 * MICROSECOND, 31, ContentState.PRESENT, 0x2F91, TIDEFALL, 804, 3, False, False, "jetty",
        ),
    }  # fmt: skip


def largest() -> dict[str, Message]:
    cue = Cue(U64, CueState.STOPPED, ShowLine(LATEST, FURTHEST, -1_000_000))
    off_at = LeaderInstant(INSTANT_MAXIMUM // MILLISECOND * MILLISECOND)
    beacon = Beacon(
        U32, 127, U32, U32, U32, LATEST, U16 * MILLISECOND, 255, U16, off_at, U32, cue, cue,
        (Mark(255, wire.MARK_AGE_MAXIMUM_NS),) * 4, U16, U16 * MICROSECOND,
        (SharedDelay(255, -wire.DELAY_LIMIT_NS),) * 4,
    )  # fmt: skip
    return {
        "beacon": beacon,
        "beacon copy": beacon._replace(is_copy=True),
        "sounding": Sounding(
            U32, U32, U32, LocalInstant(LATEST), U64, U16, (DelayReport(U16, -wire.DELAY_LIMIT_NS),) * 4
        ),
        "echo": Echo(U32, U32, U32, U32, LATEST, LATEST, U64),
        "tally": Tally(
            U32, U32, U32, U32, U32, ClockState.HOLDOVER, CueState.STOPPED, U32 * MICROSECOND, 1000,
            ContentState.OTHER_EDITION, U16, U64, U32, U32, True, True, "å" * 12,
        ),
    }  # fmt: skip


# -- datagrams ---------------------------------------------------------------------------------------------------------


def codec_of(slot: int | None) -> Codec:
    return Codec(GROUP, None if slot is None else KeyRing(KEYS, active=slot))


def accepted_case(name: str, data: bytes, slot: int | None, sent_so: bool) -> dict[str, Any]:
    return {
        "name": name,
        "group": GROUP,
        "key_slot": 0 if slot is None else slot,
        "key": None if slot is None else KEYS[slot].hex(),
        "datagram": data.hex(),
        "encodes_so": sent_so,
        "decodes_to": as_json(codec_of(slot).decode(data)),
    }


def fields_of(data: bytes) -> list[Any]:
    fields: list[Any] = msgpack.unpackb(data[framing.PREAMBLE_BYTES :])
    return fields


def with_body(data: bytes, body: bytes) -> bytes:
    return data[: framing.PREAMBLE_BYTES] + body


def with_field(data: bytes, path: Sequence[int], value: Any) -> bytes:
    """Return an untagged datagram with one value in its array replaced."""
    fields = fields_of(data)
    inner = fields
    for step in path[:-1]:
        inner = inner[step]
    inner[path[-1]] = value
    return with_body(data, msgpack.packb(fields))


def datagrams() -> list[dict[str, Any]]:
    """Datagrams that every decoder takes: as an encoder sends them, and as later versions or other encoders may."""
    plain = codec_of(None)
    cases = [
        accepted_case(f"{size} {kind}{'' if slot is None else f', tagged in slot {slot}'}", codec.encode(message),
                      slot, True)
        for slot in (None, 1, 7)
        for codec in (codec_of(slot),)
        for size, messages in (("smallest", smallest()), ("typical", typical()), ("largest", largest()))
        for kind, message in messages.items()
        if slot != 7 or size == "typical"
    ]  # fmt: skip
    appended: list[Any] = [None, True, -1, 2.5, "later", b"later", [1, [2]]]
    typical_data = {kind: plain.encode(message) for kind, message in typical().items()}
    for kind, data in typical_data.items():
        longer = with_body(data, msgpack.packb(fields_of(data) + appended))
        cases.append(accepted_case(f"{kind} of a later version, with fields appended", longer, None, False))
    beacon = typical_data["beacon"]
    fields = fields_of(beacon)
    grown = with_field(with_field(beacon, [11], fields[11] + [7]), [12], fields[12] + [None, "x"])
    cases.append(accepted_case("beacon whose cues have a field appended", grown, None, False))
    wide = with_body(beacon, wide_pack(fields))
    cases.append(accepted_case("beacon whose numbers and arrays are all written wide", wide, None, False))
    cases.append(accepted_case("tally written wide, its name too", with_body(typical_data["tally"], wide_pack(
        fields_of(typical_data["tally"]))), None, False))  # fmt: skip
    padded = with_field(typical_data["sounding"], [7], bytes(100))
    cases.append(accepted_case("sounding with more padding than it needs", padded, None, False))
    bare = with_field(beacon, [14], [5, 9])
    cases.append(accepted_case("beacon with a radio and a doubt but no median", bare, None, False))
    for name, slot, message in with_later_fields():
        cases.append(accepted_case(name, codec_of(slot).encode(message), slot, True))
    for name, order in (
        ("an empty order", [[]]),
        ("an order with a value appended", [[7, None]]),
        ("an order and a field appended", [[7], "later"]),
        ("nil for an order", [None]),
        ("a truth for an order", [True]),
    ):
        data = with_field(beacon, [11], fields[11] + order)
        cases.append(accepted_case(f"beacon whose cue has {name}", data, None, False))
    for name, values in (
        ("whose goodbye is false", [False]),
        ("with nil for a goodbye", [None]),
        ("with a number for a goodbye", [1]),
        ("with an array for a goodbye", [[True]]),
        ("with a goodbye and a field appended", [True, "later"]),
    ):
        longer = with_body(beacon, msgpack.packb(fields + values))
        cases.append(accepted_case(f"beacon {name}", longer, None, False))
    return cases


def with_later_fields() -> list[tuple[str, int | None, Message]]:
    """Beacons with what the second edition appended, with how to name them and the key slot they are sent with."""
    beacon = typical()["beacon"]
    assert isinstance(beacon, Beacon)
    assert beacon.next_cue is not None
    given = beacon._replace(
        cue=beacon.cue._replace(ordered_at=LeaderInstant(3 * HOUR - 22 * SECOND)),
        next_cue=beacon.next_cue._replace(ordered_at=LeaderInstant(3 * HOUR + 7)),
    )
    stop = beacon._replace(cue=beacon.cue._replace(state=CueState.STOPPED, ordered_at=LeaderInstant(0)), next_cue=None)
    huge = largest()["beacon"]
    assert isinstance(huge, Beacon)
    latest = huge.cue._replace(ordered_at=LATEST)
    return [
        ("beacon whose cues a person ordered", None, given),
        ("beacon copy whose cues a person ordered, tagged in slot 1", 1, given._replace(is_copy=True)),
        ("beacon with a stop that was ordered at instant 0", None, stop),
        ("largest beacon whose cues a person ordered, tagged in slot 1", 1,
         huge._replace(cue=latest, next_cue=latest)),
        ("beacon of a leader that ends", None, beacon._replace(goodbye=True)),
        ("beacon copy of a leader that ends, tagged in slot 1", 1, given._replace(is_copy=True, goodbye=True)),
        ("largest beacon there is, of a leader that ends, tagged in slot 1", 1,
         huge._replace(cue=latest, next_cue=latest, goodbye=True)),
    ]  # fmt: skip


def wide_pack(value: Any) -> bytes:
    """Return msgpack in the widest form for every value: allowed, if wasteful."""
    if value is None:
        return b"\xc0"
    if isinstance(value, int):
        return (b"\xd3" if value < 1 << 63 else b"\xcf") + (value & U64).to_bytes(8, "big")
    if isinstance(value, str):
        return b"\xdb" + len(value.encode()).to_bytes(4, "big") + value.encode()
    if isinstance(value, bytes):
        return b"\xc6" + len(value).to_bytes(4, "big") + value
    return b"\xdd" + len(value).to_bytes(4, "big") + b"".join(map(wide_pack, value))


def refused_case(name: str, data: bytes, *slots: int) -> dict[str, Any]:
    keys = KeyRing({slot: KEYS[slot] for slot in slots}) if slots else None
    try:
        Codec(GROUP, keys).decode(data)
    except WireError as error:
        reason = str(error.reason)
    else:
        raise AssertionError(f"{name}: not refused")
    return {
        "name": name,
        "group": GROUP,
        "keys": {str(slot): KEYS[slot].hex() for slot in slots},
        "datagram": data.hex(),
        "reason": reason,
    }


OUT_OF_RANGE: Final[tuple[tuple[str, str, tuple[int, ...], Any], ...]] = (
    ("leader 0", "beacon", (0,), 0),
    ("rank 128", "beacon", (1,), 128),
    ("tenure 0", "beacon", (2,), 0),
    ("serial beyond 32 bits", "beacon", (4,), 1 << 32),
    ("negative instant", "beacon", (5,), -1),
    ("instant beyond 62 bits", "beacon", (5,), 1 << 62),
    ("interval of 9 ms", "beacon", (6,), 9),
    ("truth for a number", "beacon", (1,), True),
    ("fraction for a number", "beacon", (5,), 1.0),
    ("text for a number", "beacon", (5,), "1"),
    ("nil where a number must be", "beacon", (4,), None),
    ("marker 0", "beacon", (10,), 0),
    ("cue of an unknown state", "beacon", (11, 1), 4),
    ("show line faster than a thousandth", "beacon", (11, 4), 1_000_001),
    ("mark older than a minute", "beacon", (13,), [1, 60 * SECOND + 1]),
    ("five marks", "beacon", (13,), [1, 1] * 5),
    ("half a mark", "beacon", (13,), [1]),
    ("five medians", "beacon", (14,), [None, 0] + [1, 1] * 5),
    ("half a median", "beacon", (14,), [None, 0, 1]),
    ("median beyond two seconds", "beacon", (14,), [None, 0, 1, 2 * SECOND + 1]),
    ("nil for a doubt", "beacon", (14,), [None, None, 1, 1]),
    ("follower 0", "sounding", (0,), 0),
    ("radio beyond 16 bits", "sounding", (5,), 1 << 16),
    ("five reports", "sounding", (6,), [1, 1] * 5),
    ("tenure 0", "echo", (1,), 0),
    ("nil for a cookie", "echo", (6,), None),
    ("unknown clock state", "tally", (5,), 4),
    ("loss above a thousand", "tally", (8,), 1001),
    ("unknown content state", "tally", (9,), 4),
    ("unknown flag", "tally", (14,), 4),
    ("no name", "tally", (15,), ""),
    ("name of 25 bytes", "tally", (15,), "a" * 25),
    ("name of 13 characters and 26 bytes", "tally", (15,), "å" * 13),
    ("name with a tab", "tally", (15,), "a\tb"),
    ("name with a no-break space", "tally", (15,), "a\u00a0b"),
    ("name with a zero-width joiner", "tally", (15,), "a\u200db"),
)
MALFORMED: Final[tuple[tuple[str, str, tuple[int, ...], Any], ...]] = (
    ("number for a cue", "beacon", (11,), 5),
    ("cue of four fields", "beacon", (11,), [0, 0, 0, 0]),
    ("number for the marks", "beacon", (13,), 0),
    ("nil for the delays", "beacon", (14,), None),
    ("delays with a radio alone", "beacon", (14,), [5]),
    ("binary for the reports", "sounding", (6,), b""),
    ("text for the padding", "sounding", (7,), ""),
    ("binary for a name", "tally", (15,), b"jetty"),
)


def refused() -> list[dict[str, Any]]:
    """Datagrams that every decoder refuses, and the reason that is told first."""
    plain, keyed = codec_of(None), codec_of(1)
    messages = typical()
    good = {kind: plain.encode(message) for kind, message in messages.items()}
    tally = good["tally"]
    tagged = keyed.encode(messages["tally"])
    other = keyed.encode(messages["echo"])
    cases = [
        refused_case("nothing", b""),
        refused_case("a preamble alone", tally[:8]),
        refused_case("513 bytes", with_body(tally, bytes(505))),
        refused_case("513 bytes of another protocol", bytes(513)),
        refused_case("another protocol", b"\xc4\x9c" + tally[2:]),
        refused_case("a probe", ProbeCodec(GROUP).encode(GroupProbe(1, 0))),
        refused_case("another version", tally[:2] + bytes([0x20 | Kind.TALLY]) + tally[3:]),
        refused_case("another version and another group", tally[:2] + b"\x25\x00" + bytes(4) + tally[8:]),
        refused_case("another group", tally[:4] + framing.group_hash("another lake") + tally[8:]),
        refused_case("another group and a key slot", tally[:3] + b"\x01" + bytes(4) + tally[8:]),
        refused_case("tagged, where the group has no key", tagged),
        refused_case("untagged, where the group has a key", tally, 1),
        refused_case("a slot without a key here", codec_of(7).encode(messages["tally"]), 1),
        refused_case("a key of another slot", tagged[:3] + b"\x07" + tagged[4:], 1, 7),
        refused_case("one bit of the array changed", tagged[:20] + bytes([tagged[20] ^ 1]) + tagged[21:], 1),
        refused_case("one bit of the tag changed", tagged[:-1] + bytes([tagged[-1] ^ 0x80]), 1),
        refused_case("another datagram's tag", tagged[:-16] + other[-16:], 1),
        refused_case("a tag cut short", tagged[:-1], 1),
        refused_case("too short for a tag", tagged[:12], 1),
        refused_case("an unknown kind under a bad tag", tagged[:2] + b"\x1f" + tagged[3:], 1),
        refused_case("kind 0", tally[:2] + b"\x10" + tally[3:]),
        refused_case("kind 15", tally[:2] + b"\x1f" + tally[3:]),
        refused_case("an unknown kind and a malformed array", with_body(tally[:2] + b"\x1f" + tally[3:], b"\xc1")),
        refused_case("a byte that msgpack never uses", with_body(tally, b"\xc1")),
        refused_case("a number instead of an array", with_body(tally, b"\x07")),
        refused_case("an empty map instead of an array", with_body(tally, b"\x80")),
        refused_case("an array cut short", tally[:-1]),
        refused_case("something behind the array", tally + b"\x00"),
        refused_case("an array that claims four thousand million values", with_body(tally, b"\xdd" + b"\xff" * 4)),
        refused_case("a text that claims four thousand million bytes", with_body(tally, b"\x91\xdb" + b"\xff" * 4)),
        refused_case("an array of 65 values", with_body(tally, msgpack.packb(fields_of(tally) + [0] * 49))),
        refused_case("an empty array", with_body(tally, b"\x90")),
        refused_case("an extension in an appended field", with_body(
            tally, msgpack.packb([*fields_of(tally), msgpack.ExtType(5, b"x")]))),
        refused_case("an empty extension in an appended field", with_body(
            tally, msgpack.packb([*fields_of(tally), 0])[:-1] + b"\xc7\x00\x05")),
        refused_case("a time-stamp extension in an appended field", with_body(
            tally, msgpack.packb([*fields_of(tally), 0])[:-1] + b"\xd6\xff" + bytes(4))),
        refused_case("an empty map in an appended field", with_body(
            tally, msgpack.packb([*fields_of(tally), 0])[:-1] + b"\x80")),
        refused_case("a map in an appended field", with_body(tally, msgpack.packb([*fields_of(tally), {1: 2}]))),
        refused_case("a name that is not UTF-8", tally[:-5] + b"\xff\xfe\xfd\xfc\xfb"),
        refused_case("text that is not UTF-8 in an appended field", with_body(
            tally, msgpack.packb([*fields_of(tally), 0])[:-1] + b"\xa1\xff")),
        refused_case("a surrogate in a name", tally[:-5] + b"aa\xed\xa0\x80"),
    ]  # fmt: skip
    for kind, data in good.items():
        short = with_body(data, msgpack.packb(fields_of(data)[:-1]))
        cases.append(refused_case(f"{kind} that lacks its last field", short))
    cases += [
        refused_case(f"{kind}: {name}", with_field(good[kind], path, value))
        for name, kind, path, value in MALFORMED + OUT_OF_RANGE
    ]
    fields = fields_of(good["beacon"])
    cases += [
        refused_case(f"beacon: {name}", with_field(good["beacon"], [place], fields[place] + [[value]]))
        for place in (11, 12)
        for name, value in (
            (f"{'cue' if place == 11 else 'next cue'} ordered {when}", value)
            for when, value in (("before instant 0", -1), ("beyond the last instant", 1 << 62), ("at no number", "7"))
        )
    ]
    wrong_kind = good["echo"][:2] + bytes([0x10 | Kind.TALLY]) + good["echo"][3:]
    cases.append(refused_case("an echo that calls itself a tally", wrong_kind))
    return cases


# -- probes ------------------------------------------------------------------------------------------------------------


def probe_messages() -> dict[str, ProbeMessage]:
    """One of every kind as it is usual, and those with room in them at their largest."""
    heard = (Entry(0, 417, 1_203_771_001), Entry(1, 415, 2_048), Entry(0, 418, -7))
    return {
        "Call": Call(0x5EED1A4E),
        "Group probe": GroupProbe(0x5EED1A4E, 418),
        "Host probe": HostProbe(0x5EED1A4E, 416, 7, 830),
        "Presence": Presence(0x5EED1A4E, 7, 1, 1, 0, -61, "jetty"),
        "Presence that says nothing": Presence(1, 1, 0, None, None, None, ""),
        "Presence with the longest label": Presence(U32, U32, 1, 1, 1, -128, "ä" * 12),
        "Answer": Answer(0x5EED1A4E, 7, 416, 90_000_000_123, 90_000_200_456, 35, 830, 833, heard),
        "Answer of a host that has heard nothing else": Answer(1, 1, 0, 0, 0, None, 0, 0),
        "largest Answer": Answer(U32, U32, U32, LATEST, LATEST, U16, U32, U32, (Entry(1, U32, INSTANT_MAXIMUM),) * 3),
    }


def probe_as_json(message: ProbeMessage) -> dict[str, Any]:
    """Return a probe's message under the names of its tables."""
    kind, fields = PROBE_TABLES[type(message)]
    told: dict[str, Any] = {"kind": kind.name.lower().replace("_", " "), **numbers(message[: len(fields)], fields)}
    if isinstance(message, Presence):
        told["label"] = message.label
    if isinstance(message, Answer):
        told["entries"] = [numbers(entry, ENTRY_FIELDS) for entry in message.entries]
    return told


def probes() -> list[dict[str, Any]]:
    """Probes that every decoder takes and every encoder writes so."""
    return [
        {
            "name": name if slot is None else f"{name}, tagged in slot {slot}",
            "group": GROUP,
            "key_slot": slot or 0,
            "key": None if slot is None else KEYS[slot].hex(),
            "datagram": ProbeCodec(GROUP, None if slot is None else KeyRing(KEYS, active=slot)).encode(message).hex(),
            "encodes_so": True,
            "decodes_to": probe_as_json(message),
        }
        for slot in (None, 1)
        for name, message in probe_messages().items()
    ]


# -- numbers made of names ---------------------------------------------------------------------------------------------


def derived() -> dict[str, Any]:
    """Numbers that are made of names and keys."""
    names = ["a", "jetty", "boathouse", "Мост", "a name of 24 bytes......"]
    groups = ["quarry lake", "Quarry Lake", "garden", "Grünes Tal"]
    shows: list[tuple[str, str, bytes]] = [
        ("Tidefall", "", b""),
        ("Tidefall", "2", b""),
        ("Tidefall2", "", b""),
        ("Night Ferry", "2026-12", bytes(range(16))),
        ("Glut", "ä", b"\xff" * 16),
    ]
    entry = ShowEntry(
        "Tidefall",
        "2",
        FrameRate(80, 2),
        7680,
        {"willow": Part(47_001_600, bytes(range(16))), "jetty": Part(12_441_600, bytes(range(16, 32)))},
    )
    signed = codec_of(None).encode(typical()["echo"])
    return {
        "identity": [{"name": name, "identity": identity(name)} for name in names],
        "group_hash": [{"group": group, "hash": framing.group_hash(group).hex()} for group in groups],
        "group_address": [{"group": group, "address": group_address(group)} for group in groups],
        "group_address_v6": [{"group": group, "address": group_address_v6(group)} for group in groups],
        "show_key": [
            {
                "show": show,
                "edition": edition,
                "manifest_digest": digest.hex(),
                "key": str(show_key(show, edition, digest)),
            }
            for show, edition, digest in shows
        ],
        "show_digest": [
            {
                "show": entry.show,
                "edition": entry.edition,
                "frame_rate": [entry.frame_rate.numerator, entry.frame_rate.denominator],
                "frame_count": entry.frame_count,
                "parts": {
                    name: {"size_bytes": part.size_bytes, "digest": part.digest.hex()}
                    for name, part in entry.parts.items()
                },
                "canonical": entry.canonical.hex(),
                "digest": entry.digest.hex(),
                "key": str(entry.key),
            }
        ],
        "tag": [
            {"key": key.hex(), "signed": signed.hex(), "tag": KeyRing({slot: key}).tag(slot, signed).hex()}
            for slot, key in KEYS.items()
        ],
    }  # fmt: skip


# -- arithmetic --------------------------------------------------------------------------------------------------------


def compare(serial: int, last: int) -> str:
    ahead = (serial - last) & SERIAL_MASK
    if ahead == 0:
        return "duplicate"
    return "newer" if ahead < SERIAL_HALF else "late"


def arithmetic() -> dict[str, Any]:
    """Exact arithmetic at its edges."""
    rates = [(40, 1), (30_000, 1001), (25, 1), (60_000, 1001), (1, 1), (1000, 1), (7, 3)]
    frames = []
    for numerator, denominator in rates:
        rate = FrameRate(numerator, denominator)
        start = rate.position_of(1_000_001)
        first = rate.position_of(1)
        frames += [
            {
                "frame_rate": [numerator, denominator],
                "position": str(position),
                "frame": rate.frame_at(ShowPosition(position)),
                "next_frame_at": str(rate.position_of(rate.frame_at(ShowPosition(position)) + 1)),
            }
            for position in (-1, 0, 1, first - 1, first, start - 1, start, 720 * HOUR)
        ]
    lines = []
    for rate_ppb in (0, 1, -1, 12_500, -1_000_000, 1_000_000):
        line = ShowLine(LeaderInstant(3 * HOUR), ShowPosition(20 * SECOND), rate_ppb)
        for elapsed in (-HOUR, -1, 0, 1, 999_999, 192 * SECOND + 7, 720 * HOUR):
            at = LeaderInstant(line.leader_at + elapsed)
            position = line.position_at(at)
            lines.append(
                {
                    "line": [str(line.leader_at), str(line.position), rate_ppb],
                    "leader_at": str(at),
                    "position": str(position),
                    "first_at": str(line.instant_of(position)),
                }
            )
    serials = [
        (1, 0), (0, 0), (0, 1), (0, U32), (U32, 0), (1 << 31, 0), ((1 << 31) - 1, 0), ((1 << 31) + 1, 0),
        (5, (1 << 32) - 5), ((1 << 32) - 5, 5), (1 << 31, 1), (0, 1 << 31),
    ]  # fmt: skip
    values = [
        [1_000, 2_000, 9_000], [5, 5, 5, 5], [7, 7, 8, 9], [-9, -8, -7, -7], [-3_000, 4_000, 1_000, 2_001],
        [2_000_000] * 3 + [0] * 2,
    ]  # fmt: skip
    return {
        "frames": frames,
        "show_lines": lines,
        "serials": [{"serial": serial, "last": last, "is": compare(serial, last)} for serial, last in serials],
        "serial_advances": [
            {"elapsed_ns": elapsed, "at_most": serials_allowed(elapsed)}
            for elapsed in (0, 10 * MILLISECOND - 1, 10 * MILLISECOND, SECOND, HOUR)
        ],
        "reporting_strides": [
            {
                "sounding_interval_ns": sounding,
                "beacon_interval_ns": beacon,
                "stride": reporting_stride(sounding, beacon),
            }
            for sounding, beacon in (
                (4 * SECOND, SECOND), (4 * SECOND, 500 * MILLISECOND), (4 * SECOND, 2 * SECOND),
                (4 * SECOND, 300 * MILLISECOND), (20 * SECOND, SECOND), (20 * SECOND + 1, SECOND),
            )
        ],
        "fair_spacings": [
            {"group_size": size, "sounding_budget": budget, "spacing_ns": fair_spacing_ns(size, budget)}
            for size, budget in ((0, 60), (8, 60), (60, 60), (500, 60), (7, 1), (65_535, 255))
        ],
        "medians": [published(delays) for delays in values],
        "show_lengths": [
            {"frame_rate": [numerator, denominator], "frame_count": 7680, "length_ns": str(StoredShow(
                "Tidefall", FrameRate(numerator, denominator), 7680).length_ns)}
            for numerator, denominator in rates
        ],
        "plausibility": [plausibility(*case) for case in (
            (0, None, None), (HELD_BACK_NS, None, None), (HELD_BACK_NS + 1, None, None), (-HELD_BACK_NS, None, None),
            (-HELD_BACK_NS - 1, None, None), (-14 * MILLISECOND, None, 4 * MILLISECOND),
            (-14 * MILLISECOND - 1, None, 4 * MILLISECOND), (-HELD_BACK_NS - 1, None, 2 * HELD_BACK_NS),
            (-13 * MILLISECOND, -3 * MILLISECOND, MILLISECOND), (-13 * MILLISECOND - 1, -3 * MILLISECOND, MILLISECOND),
            (HELD_BACK_NS + 1, -3 * MILLISECOND, MILLISECOND), (-(1 << 62), -3 * MILLISECOND, MILLISECOND),
            (1 << 62, None, None),
        )],
    }  # fmt: skip


def plausibility(apart_ns: int, lower_ns: int | None, doubt_ns: int | None) -> dict[str, Any]:
    """Return how a sample lies to a clock whose estimate is 0, with these bounds."""
    doubt = math.inf if doubt_ns is None else float(doubt_ns)
    misfit = misfit_of(apart_ns, 0, lower_ns, doubt, ClockSettings().lock_budget_ns)
    return {
        "sample_less_estimate_ns": str(apart_ns),
        "lower_less_estimate_ns": lower_ns,
        "statistical_ns": doubt_ns,
        "is": "plausible" if misfit is Misfit.NONE else f"implausible, {misfit.name.lower()}",
    }


def published(delays: list[int]) -> dict[str, Any]:
    """Return what a leader publishes of one beacon for which these delays were reported."""
    collector = DelayCollector()
    for follower, delay in enumerate(delays, 1):
        collector.collect(follower, None, (DelayReport(1, delay),))
    _, doubt_ns, medians = collector.publish(2, wire.DELAYS_MAXIMUM)
    return {"delays_ns": delays, "median_ns": medians[0].delay_ns, "doubt_us": doubt_ns // MICROSECOND}


def states() -> dict[str, Any]:
    """Both state tables."""
    return {
        "clock": [
            {"in": state.name.lower(), "when": what.value, "then": then.name.lower()}
            for (state, what), then in CLOCK_TRANSITIONS.items()
        ],
        "roles": [
            {"in": role.value, "when": what.value, "then": then.value}
            for (role, what), then in ROLE_TRANSITIONS.items()
        ],
    }


# -- files -------------------------------------------------------------------------------------------------------------


def files() -> dict[str, str]:
    """Return the text of every vector file by its name."""
    contents: dict[str, Any] = {
        "datagrams.json": datagrams(),
        "refused.json": refused(),
        "derived.json": derived(),
        "arithmetic.json": arithmetic(),
        "states.json": states(),
        "probes.json": probes(),
    }
    return {name: json.dumps(content, indent=1, ensure_ascii=False) + "\n" for name, content in contents.items()}


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    for name, text in files().items():
        (FOLDER / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
