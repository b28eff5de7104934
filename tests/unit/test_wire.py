from __future__ import annotations

from collections.abc import Callable
from typing import Any

import msgpack
import pytest

from leadlight.cue import Cue, ShowLine
from leadlight.errors import MessageError, WireError
from leadlight.terms import CueState, Kind, Refusal
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
from leadlight.wire.framing import Field
from leadlight.wire.messages import Beacon, DelayReport, Mark, Message, SharedDelay
from leadlight.wire.tags import KeyRing

Maker = Callable[..., Any]

PLAIN = Codec("Quarry Lake")
KEYED = Codec("Quarry Lake", KeyRing({1: bytes(range(32))}))
TAG = 16

# -- sizes: the largest values that forty days without a restart can bring --------------------------------------------

UPTIME = 40 * 24 * HOUR
U32 = (1 << 32) - 1
U64 = (1 << 64) - 1
LARGEST_CUE = Cue(U64, CueState.STOPPED, ShowLine(LeaderInstant(UPTIME), ShowPosition(UPTIME), -1_000_000))


def largest_beacon(make_beacon: Maker, **changes: Any) -> Beacon:
    largest: dict[str, Any] = {
        "leader": U32,
        "rank": 127,
        "tenure": U32,
        "timebase": U32,
        "serial": U32,
        "sent_at": LeaderInstant(UPTIME),
        "interval_ns": 65_535 * MILLISECOND,
        "sounding_budget": 255,
        "group_size": 65_535,
        "off_at": LeaderInstant(UPTIME),
        "marker": U32,
        "cue": LARGEST_CUE,
    }
    beacon: Beacon = make_beacon(**(largest | changes))
    return beacon


@pytest.mark.parametrize(
    ("changes", "at_most"),
    [
        ({}, 112),
        ({"next_cue": LARGEST_CUE}, 144),
        (
            {
                "next_cue": LARGEST_CUE,
                "marks": (Mark(255, wire.MARK_AGE_MAXIMUM_NS),) * 4,
                "delay_radio": 65_535,
                "delay_doubt_ns": 65_535 * MICROSECOND,
                "shared_delays": (SharedDelay(255, -wire.DELAY_LIMIT_NS),) * 4,
            },
            224,
        ),
    ],
    ids=["cue only", "with next cue", "with four marks and delays"],
)
def test_the_largest_beacon_fits(changes: dict[str, Any], at_most: int, make_beacon: Maker) -> None:
    assert len(KEYED.encode(largest_beacon(make_beacon, **changes))) <= at_most


def test_the_largest_sounding_fits(make_sounding: Maker) -> None:
    delays = (DelayReport(65_535, -wire.DELAY_LIMIT_NS),) * 4
    sounding = make_sounding(
        follower=U32, tenure=U32, nonce=U32, sent_at=LocalInstant(UPTIME), cookie=U64, radio=65_535, delays=delays
    )
    assert len(KEYED.encode(sounding)) <= 96


def test_the_largest_tally_fits(make_tally: Maker) -> None:
    tally = make_tally(
        follower=U32,
        instance=U32,
        serial=U32,
        tenure=U32,
        turn=U32,
        bound_ns=U32 * MICROSECOND,
        beacon_loss_permille=1_000,
        radio=65_535,
        show=U64,
        frame=U32,
        late_frames=U32,
        live_data=True,
        unverified=True,
        name="å" * 12,
    )
    assert len(KEYED.encode(tally)) <= 120


@pytest.mark.parametrize("codec", [PLAIN, KEYED], ids=["untagged", "tagged"])
def test_no_echo_is_larger_than_the_smallest_sounding(codec: Codec, make_sounding: Maker, make_echo: Maker) -> None:
    smallest = codec.encode(make_sounding(follower=1, tenure=1, nonce=0, sent_at=LocalInstant(0)))
    last = LeaderInstant(INSTANT_MAXIMUM)
    largest = codec.encode(
        make_echo(leader=U32, tenure=U32, timebase=U32, nonce=U32, received_at=last, sent_at=last, cookie=U64)
    )
    assert len(largest) <= len(smallest)
    assert len(largest) == wire.SOUNDING_MINIMUM_BYTES + (TAG if codec is KEYED else 0)


def test_a_tag_adds_sixteen_bytes(make_tally: Maker) -> None:
    assert len(KEYED.encode(make_tally())) == len(PLAIN.encode(make_tally())) + TAG


# -- ranges: every field of every table, at both limits and just beyond ----------------------------------------------

MAKERS = {"beacon": "make_beacon", "sounding": "make_sounding", "echo": "make_echo", "tally": "make_tally"}
UNITS = {"interval_ms": MILLISECOND, "off_at_ms": MILLISECOND, "bound_us": MICROSECOND, "doubt_us": MICROSECOND}
ATTRIBUTES = {"interval_ms": "interval_ns", "off_at_ms": "off_at", "bound_us": "bound_ns"}


def scalar(maker: str, position: int) -> Callable[[Maker, Field, Any], tuple[Message, tuple[int, ...]]]:
    def build(make: Maker, field: Field, value: Any) -> tuple[Message, tuple[int, ...]]:
        given = value if value is None else value * UNITS.get(field.name, 1)
        return make(**{ATTRIBUTES.get(field.name, field.name): given}), (position,)

    return build


def in_cue(attribute: str, position: int, inner: int) -> Callable[[Maker, Field, Any], tuple[Message, tuple[int, ...]]]:
    def build(make: Maker, field: Field, value: Any) -> tuple[Message, tuple[int, ...]]:
        flat: list[Any] = [5, CueState.ROLLING, LeaderInstant(1), ShowPosition(2), 0]
        flat[inner] = value
        return make(**{attribute: Cue(flat[0], flat[1], ShowLine(*flat[2:]))}), (position, inner)

    return build


def in_run(
    attribute: str, kind: type, count: int, position: int, skip: int, inner: int
) -> Callable[[Maker, Field, Any], tuple[Message, tuple[int, ...]]]:
    def build(make: Maker, field: Field, value: Any) -> tuple[Message, tuple[int, ...]]:
        last = [1, 1]
        last[inner] = value
        return make(**{attribute: (*(kind(1, 1) for _ in range(count - 1)), kind(*last))}), (
            position,
            skip + 2 * (count - 1) + inner,
        )

    return build


def in_delay_head(inner: int) -> Callable[[Maker, Field, Any], tuple[Message, tuple[int, ...]]]:
    def build(make: Maker, field: Field, value: Any) -> tuple[Message, tuple[int, ...]]:
        name = ("delay_radio", "delay_doubt_ns")[inner]
        given = value if value is None else value * UNITS.get(field.name, 1)
        return make(**{name: given, "shared_delays": (SharedDelay(1, 1),)}), (14, inner)

    return build


def flags(make: Maker, field: Field, value: int) -> tuple[Message, tuple[int, ...]]:
    # Two truths in one number: what is beyond them is said by a truth that is none.
    live_data, unverified = (value, False) if value not in (0, 1, 2, 3) else (bool(value & 1), bool(value & 2))
    return make(live_data=live_data, unverified=unverified), (len(wire.TALLY_FIELDS) - 1,)


CASES: list[tuple[str, str, Field, Any]] = []
table: tuple[Field, ...]
for message, table in (
    ("beacon", wire.BEACON_FIELDS),
    ("sounding", wire.SOUNDING_FIELDS),
    ("echo", wire.ECHO_FIELDS),
    ("tally", wire.TALLY_FIELDS),
):
    CASES += [
        (message, message, field, flags if field.name == "flags" else scalar(message, index))
        for index, field in enumerate(table)
    ]
for name, place in (("cue", 11), ("next_cue", 12)):
    CASES += [("beacon", name, field, in_cue(name, place, index)) for index, field in enumerate(wire.CUE_FIELDS)]
CASES += [("beacon", "delays", field, in_delay_head(i)) for i, field in enumerate(wire.DELAY_HEAD_FIELDS)]
for length in (1, 4):
    for index in (0, 1):
        for message, name, table, kind, place, skip in (
            ("beacon", "marks", wire.MARK_FIELDS, Mark, 13, 0),
            ("beacon", "shared_delays", wire.SHARED_DELAY_FIELDS, SharedDelay, 14, 2),
            ("sounding", "delays", wire.DELAY_REPORT_FIELDS, DelayReport, 6, 0),
        ):
            builder = in_run(name, kind, length, place, skip, index)
            CASES.append((message, f"{name} of {length}", table[index], builder))

every_field = pytest.mark.parametrize(
    ("message", "where", "field", "build"), CASES, ids=[f"{where} {field.name}" for _, where, field, _ in CASES]
)


def altered(data: bytes, path: tuple[int, ...], value: Any) -> bytes:
    """The datagram with one number in its array replaced, as a peer with other limits would send it."""
    fields = msgpack.unpackb(data[framing.PREAMBLE_BYTES :])
    inner = fields
    for step in path[:-1]:
        inner = inner[step]
    inner[path[-1]] = value
    packed: bytes = msgpack.packb(fields)
    return data[: framing.PREAMBLE_BYTES] + packed


@every_field
def test_a_field_travels_at_both_its_limits(
    message: str, where: str, field: Field, build: Any, request: pytest.FixtureRequest
) -> None:
    make = request.getfixturevalue(MAKERS[message])
    for value in [field.low, field.high, *([None] if field.optional else [])]:
        sent, _ = build(make, field, value)
        assert PLAIN.decode(PLAIN.encode(sent)) == sent


@every_field
def test_a_field_is_refused_just_beyond_its_limits_on_both_sides_of_the_wire(
    message: str, where: str, field: Field, build: Any, request: pytest.FixtureRequest
) -> None:
    make = request.getfixturevalue(MAKERS[message])
    good, path = build(make, field, field.low)
    data = PLAIN.encode(good)
    assert PLAIN.decode(altered(data, path, field.low)) == good
    for value in (field.low - 1, field.high + 1):
        # One's own mistake is another error than a stranger's bytes.
        with pytest.raises(MessageError, match="out of range"):
            PLAIN.encode(build(make, field, value)[0])
        if -(1 << 63) <= value <= U64:  # the rest no msgpack number can say
            with pytest.raises(WireError) as refused:
                PLAIN.decode(altered(data, path, value))
            assert refused.value.reason is Refusal.OUT_OF_RANGE


@every_field
def test_a_field_takes_no_other_type_and_nil_only_where_allowed(
    message: str, where: str, field: Field, build: Any, request: pytest.FixtureRequest
) -> None:
    make = request.getfixturevalue(MAKERS[message])
    good, path = build(make, field, field.low)
    data = PLAIN.encode(good)
    wrong = [True, 1.0, "1", b"1", [1], *([] if field.optional else [None])]
    for value in wrong:
        with pytest.raises(WireError):
            PLAIN.decode(altered(data, path, value))


@pytest.mark.parametrize("name", ["", "a" * 25, "å" * 13, "tab\tstop", "line\n", "\ud800"])
def test_a_name_that_is_no_short_printable_text_is_refused(name: str, make_tally: Maker) -> None:
    with pytest.raises(MessageError, match="Tally cannot be sent: out of range: name is"):
        PLAIN.encode(make_tally(name=name))
    if name != "\ud800":
        with pytest.raises(WireError):
            PLAIN.decode(altered(PLAIN.encode(make_tally()), (len(wire.TALLY_FIELDS),), name))


@pytest.mark.parametrize("name", ["a", "a" * 24, "å" * 12, "Mühlrad 3"])
def test_a_name_within_its_limits_travels(name: str, make_tally: Maker) -> None:
    assert PLAIN.decode(PLAIN.encode(make_tally(name=name))) == make_tally(name=name)


def test_five_marks_delays_or_reports_are_refused(make_beacon: Maker, make_sounding: Maker) -> None:
    for message in (
        make_beacon(marks=(Mark(1, 1),) * 5),
        make_beacon(shared_delays=(SharedDelay(1, 1),) * 5),
        make_sounding(delays=(DelayReport(1, 1),) * 5),
    ):
        with pytest.raises(MessageError, match="out of range"):
            PLAIN.encode(message)


@pytest.mark.parametrize(
    "changes", [{"interval_ns": 500 * MILLISECOND + 1}, {"off_at": LeaderInstant(SECOND + 1)}], ids=["interval", "off"]
)
def test_what_travels_in_milliseconds_must_be_whole_ones(changes: dict[str, Any], make_beacon: Maker) -> None:
    with pytest.raises(MessageError, match="whole multiples"):
        PLAIN.encode(make_beacon(**changes))


@pytest.mark.parametrize("stranger", [None, "beacon", (1, 2)])
def test_what_is_no_message_cannot_be_sent(stranger: Any) -> None:
    with pytest.raises(MessageError, match="cannot be sent"):
        PLAIN.encode(stranger)


# -- later versions --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("maker", MAKERS.values())
def test_fields_that_a_later_version_appends_are_ignored(maker: str, request: pytest.FixtureRequest) -> None:
    message = request.getfixturevalue(maker)()
    data = PLAIN.encode(message)
    fields = msgpack.unpackb(data[8:])
    longer = data[:8] + msgpack.packb([*fields, 1, None, "more", [b"and", 2.5]])
    assert PLAIN.decode(longer) == message


def test_a_cue_may_grow_too(make_beacon: Maker) -> None:
    data = PLAIN.encode(make_beacon())
    fields = msgpack.unpackb(data[8:])
    fields[11] = [*fields[11], 99]
    assert PLAIN.decode(data[:8] + msgpack.packb(fields)) == make_beacon()


@pytest.mark.parametrize("maker", MAKERS.values())
def test_a_message_that_lacks_a_field_is_malformed(maker: str, request: pytest.FixtureRequest) -> None:
    data = PLAIN.encode(request.getfixturevalue(maker)())
    fields = msgpack.unpackb(data[8:])
    for count in range(len(fields)):
        with pytest.raises(WireError) as refused:
            PLAIN.decode(data[:8] + msgpack.packb(fields[:count]))
        assert refused.value.reason is Refusal.MALFORMED


def test_a_datagram_of_512_bytes_is_taken_and_no_longer_one(make_tally: Maker) -> None:
    tally = make_tally()
    data = PLAIN.encode(tally)
    fields = msgpack.unpackb(data[8:])

    def appended(length: int) -> bytes:
        longer: bytes = data[:8] + msgpack.packb([*fields, bytes(length - len(data) - 3)])  # 3 say how many
        assert len(longer) == length
        return longer

    assert PLAIN.decode(appended(512)) == tally
    assert refusal(PLAIN, appended(513)) is Refusal.TOO_LONG


# -- reasons ---------------------------------------------------------------------------------------------------------


def refusal(codec: Codec, data: bytes) -> Refusal:
    with pytest.raises(WireError) as refused:
        codec.decode(data)
    return refused.value.reason


def test_each_refusal_says_why(make_tally: Maker) -> None:
    good = PLAIN.encode(make_tally())
    assert refusal(PLAIN, b"") is Refusal.TOO_SHORT
    assert refusal(PLAIN, good[:8]) is Refusal.TOO_SHORT
    assert refusal(PLAIN, good + bytes(513)) is Refusal.TOO_LONG
    assert refusal(PLAIN, b"\0" + good[1:]) is Refusal.OTHER_PROTOCOL
    assert refusal(PLAIN, good[:2] + bytes([0x20 | Kind.TALLY]) + good[3:]) is Refusal.OTHER_VERSION
    assert refusal(PLAIN, good[:2] + b"\x1f" + good[3:]) is Refusal.UNKNOWN_KIND
    assert refusal(PLAIN, good[:2] + b"\x10" + good[3:]) is Refusal.UNKNOWN_KIND
    assert refusal(Codec("Another lake"), good) is Refusal.OTHER_GROUP
    assert refusal(PLAIN, good[:8] + b"\xc1") is Refusal.MALFORMED
    assert refusal(PLAIN, good[:8] + msgpack.packb({})) is Refusal.MALFORMED
    assert refusal(PLAIN, good[:8] + msgpack.packb(7)) is Refusal.MALFORMED
    assert refusal(PLAIN, good + b"\0") is Refusal.MALFORMED
    assert refusal(PLAIN, good[:-1]) is Refusal.MALFORMED
    assert refusal(PLAIN, good[:8] + b"\x91" * 400) is Refusal.MALFORMED


def test_extension_types_are_refused_even_in_fields_that_are_not_read(make_tally: Maker) -> None:
    data = PLAIN.encode(make_tally())
    fields = msgpack.unpackb(data[8:])
    empty = b"\xc7\x00\x05"
    longer = msgpack.packb([*fields, 0])[:-1]
    assert PLAIN.decode(data[:8] + longer + b"\x00") == make_tally()
    assert refusal(PLAIN, data[:8] + longer + empty) is Refusal.MALFORMED
    assert refusal(PLAIN, data[:8] + longer + msgpack.packb(msgpack.ExtType(5, b"x"))) is Refusal.MALFORMED


def test_a_message_of_one_kind_is_not_taken_for_another(make_echo: Maker) -> None:
    data = PLAIN.encode(make_echo())
    for kind in (Kind.BEACON, Kind.BEACON_COPY, Kind.SOUNDING, Kind.TALLY):
        assert refusal(PLAIN, data[:2] + bytes([0x10 | kind]) + data[3:]) in (Refusal.MALFORMED, Refusal.OUT_OF_RANGE)


def test_a_copy_for_one_follower_is_told_from_a_beacon_for_all(make_beacon: Maker) -> None:
    copy = make_beacon(is_copy=True)
    assert PLAIN.decode(PLAIN.encode(copy)) == copy
    assert PLAIN.encode(copy)[2] == 0x10 | Kind.BEACON_COPY


# -- keys ------------------------------------------------------------------------------------------------------------


def test_keyed_and_unkeyed_members_of_one_group_refuse_each_other(make_tally: Maker) -> None:
    assert refusal(KEYED, PLAIN.encode(make_tally())) is Refusal.NO_KEY
    assert refusal(PLAIN, KEYED.encode(make_tally())) is Refusal.NO_KEY


def test_another_key_in_the_same_slot_is_a_bad_tag(make_tally: Maker) -> None:
    other = Codec("Quarry Lake", KeyRing({1: bytes(32)}))
    assert refusal(KEYED, other.encode(make_tally())) is Refusal.BAD_TAG


def test_no_bit_of_a_tagged_datagram_can_be_changed(make_tally: Maker) -> None:
    data = KEYED.encode(make_tally())
    for bit in range(8 * len(data)):
        flipped = bytearray(data)
        flipped[bit // 8] ^= 1 << bit % 8
        with pytest.raises(WireError):
            KEYED.decode(bytes(flipped))


def test_a_tag_is_checked_before_anything_is_unpacked(make_tally: Maker) -> None:
    data = KEYED.encode(make_tally())
    assert refusal(KEYED, data[:8] + b"\xc1" * 40 + data[-16:]) is Refusal.BAD_TAG
    assert refusal(KEYED, data[:9]) is Refusal.BAD_TAG
    assert refusal(KEYED, data[:2] + b"\x1f" + data[3:]) is Refusal.BAD_TAG


def test_keys_are_rotated_without_a_gap(make_tally: Maker) -> None:
    old, new = bytes(range(32)), bytes(range(1, 33))
    before = Codec("Quarry Lake", KeyRing({1: old}))
    between = Codec("Quarry Lake", KeyRing({1: old, 2: new}, active=1))
    switched = Codec("Quarry Lake", KeyRing({1: old, 2: new}, active=2))
    after = Codec("Quarry Lake", KeyRing({2: new}))
    tally = make_tally()
    for sender, receivers in (
        (before, (before, between, switched)),
        (between, (before, between, switched)),
        (switched, (between, switched, after)),
        (after, (between, switched, after)),
    ):
        for receiver in receivers:
            assert receiver.decode(sender.encode(tally)) == tally
    assert refusal(before, switched.encode(tally)) is Refusal.NO_KEY
    assert refusal(after, between.encode(tally)) is Refusal.NO_KEY


def test_the_tag_covers_the_group_so_that_two_groups_may_share_a_key(make_tally: Maker) -> None:
    keys = KeyRing({1: bytes(range(32))})
    elsewhere = Codec("Another lake", keys)
    data = elsewhere.encode(make_tally())
    assert refusal(KEYED, data) is Refusal.OTHER_GROUP
    assert refusal(KEYED, data[:4] + KEYED.encode(make_tally())[4:8] + data[8:]) is Refusal.BAD_TAG
