from __future__ import annotations

from typing import Any

import msgpack
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from hypothesis.strategies import SearchStrategy
from suite import examples

from leadlight.cue import Cue, ShowLine
from leadlight.errors import WireError
from leadlight.terms import ClockState, ContentState, CueState, Kind
from leadlight.units import MICROSECOND, MILLISECOND
from leadlight.wire import codec as wire
from leadlight.wire import framing
from leadlight.wire.codec import Codec
from leadlight.wire.framing import Field
from leadlight.wire.messages import Beacon, DelayReport, Echo, Mark, Message, SharedDelay, Sounding, Tally
from leadlight.wire.tags import KeyRing

PLAIN = Codec("Quarry Lake")
KEYED = Codec("Quarry Lake", KeyRing({1: bytes(range(32))}))
both = pytest.mark.parametrize("codec", [PLAIN, KEYED], ids=["untagged", "tagged"])


def within(field: Field, unit: int = 1) -> SearchStrategy[Any]:
    """Values that `field` allows, in nanoseconds where the wire counts larger units."""
    values = st.integers(field.low, field.high).map(lambda count: count * unit)
    return st.none() | values if field.optional else values


def runs(kind: Any, fields: tuple[Field, ...]) -> SearchStrategy[Any]:
    return st.lists(st.builds(kind, *map(within, fields)), max_size=4).map(tuple)


cue_fields = {field.name: within(field) for field in wire.CUE_FIELDS}
cues = st.builds(
    Cue,
    cue_fields["show"],
    st.sampled_from(CueState),
    st.builds(ShowLine, cue_fields["line leader_at"], cue_fields["line position"], cue_fields["line rate_ppb"]),
    st.none() | within(wire.ORDER_FIELDS[0]),
)
beacon_units = {"interval_ms": MILLISECOND, "off_at_ms": MILLISECOND}


@st.composite
def beacons(draw: st.DrawFn) -> Beacon:
    scalars = [draw(within(field, beacon_units.get(field.name, 1))) for field in wire.BEACON_FIELDS]
    delays = draw(runs(SharedDelay, wire.SHARED_DELAY_FIELDS))
    radio, doubt = wire.DELAY_HEAD_FIELDS
    values = [
        *scalars,
        draw(cues),
        draw(st.none() | cues),
        draw(runs(Mark, wire.MARK_FIELDS)),
        # Without delays there is nothing that a radio or a doubt would be about.
        draw(within(radio)) if delays else None,
        draw(within(doubt, MICROSECOND)) if delays else 0,
        delays,
        draw(st.booleans()),
        draw(st.booleans()),
    ]
    return Beacon._make(values)


soundings = st.builds(Sounding, *map(within, wire.SOUNDING_FIELDS), runs(DelayReport, wire.DELAY_REPORT_FIELDS))
echoes = st.builds(Echo, *map(within, wire.ECHO_FIELDS))
names = st.text(min_size=1, max_size=24).filter(lambda name: name.isprintable() and len(name.encode()) <= 24)
tally_values: dict[str, SearchStrategy[Any]] = {
    "clock": st.sampled_from(ClockState),
    "cue_state": st.sampled_from(CueState),
    "content": st.sampled_from(ContentState),
}
tallies = st.builds(
    Tally,
    *(
        tally_values.get(field.name, within(field, MICROSECOND if field.name == "bound_us" else 1))
        for field in wire.TALLY_FIELDS
        if field.name != "flags"
    ),
    live_data=st.booleans(),
    unverified=st.booleans(),
    name=names,
)
messages = beacons() | soundings | echoes | tallies


@pytest.mark.slow
@both
@settings(max_examples=examples(25, 500))
@given(message=messages)
def test_every_message_comes_back_as_it_went(codec: Codec, message: Message) -> None:
    data = codec.encode(message)
    back = codec.decode(data)
    assert back == message
    assert type(back) is type(message)
    assert codec.encode(back) == data
    assert len(data) <= framing.DATAGRAM_MAXIMUM_BYTES


@given(echo=echoes, sounding=soundings)
def test_no_echo_is_larger_than_any_sounding(echo: Echo, sounding: Sounding) -> None:
    assert len(PLAIN.encode(echo)) <= len(PLAIN.encode(sounding))


def decodes_or_refuses(codec: Codec, data: bytes) -> None:
    """Whatever the bytes: a message that can be sent on, or a `WireError`. Anything else fails the test."""
    try:
        message = codec.decode(data)
    except WireError:
        return
    if isinstance(message, Beacon) and not message.shared_delays:
        message = message._replace(delay_radio=None, delay_doubt_ns=0)
    assert codec.decode(codec.encode(message)) == message


@both
@given(data=st.binary(max_size=600))
@example(data=b"")
@example(data=wire.MAGIC)
def test_any_bytes_decode_or_are_refused(codec: Codec, data: bytes) -> None:
    decodes_or_refuses(codec, data)


scalars_of_any_kind = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(1 << 63), (1 << 64) - 1),
    st.floats(),
    st.text(max_size=30),
    st.binary(max_size=30),
    st.builds(msgpack.ExtType, st.integers(0, 127), st.binary(max_size=8)),
)
anything = st.recursive(
    scalars_of_any_kind,
    lambda inner: st.lists(inner, max_size=20) | st.dictionaries(st.integers(0, 9), inner, max_size=3),
    max_leaves=40,
)


@pytest.mark.slow
@settings(max_examples=examples(30, 500))
@given(fields=anything, kind=st.sampled_from(Kind))
def test_any_msgpack_behind_a_good_preamble_decodes_or_is_refused(fields: Any, kind: Kind) -> None:
    preamble = wire.MAGIC + bytes((framing.VERSION << 4 | kind, 0)) + framing.group_hash("Quarry Lake")
    decodes_or_refuses(PLAIN, preamble + msgpack.packb(fields))


@given(message=messages, data=st.data())
def test_a_good_array_with_one_value_spoiled_decodes_or_is_refused(message: Message, data: st.DataObject) -> None:
    good = PLAIN.encode(message)
    fields = msgpack.unpackb(good[8:])
    index = data.draw(st.integers(0, len(fields) - 1))
    fields[index] = data.draw(anything)
    decodes_or_refuses(PLAIN, good[:8] + msgpack.packb(fields))


@both
@given(message=messages, data=st.data())
def test_a_datagram_cut_short_is_refused(codec: Codec, message: Message, data: st.DataObject) -> None:
    good = codec.encode(message)
    cut = data.draw(st.integers(0, len(good) - 1))
    with pytest.raises(WireError):
        codec.decode(good[:cut])


@both
@given(message=messages, junk=st.binary(min_size=1, max_size=40))
def test_a_datagram_with_something_behind_it_is_refused(codec: Codec, message: Message, junk: bytes) -> None:
    with pytest.raises(WireError):
        codec.decode(codec.encode(message) + junk)


@given(message=messages, data=st.data())
def test_flipped_bits_decode_or_are_refused_and_under_a_tag_are_always_refused(
    message: Message, data: st.DataObject
) -> None:
    for codec in (PLAIN, KEYED):
        good = bytearray(codec.encode(message))
        for bit in data.draw(st.sets(st.integers(0, 8 * len(good) - 1), min_size=1, max_size=4)):
            good[bit // 8] ^= 1 << bit % 8
        if codec is PLAIN:
            decodes_or_refuses(codec, bytes(good))
        else:
            with pytest.raises(WireError):
                codec.decode(bytes(good))
