"""Whatever the bytes, as a datagram or as a capture file: nothing is raised but what is meant to be."""

from __future__ import annotations

import copy
import io
import json
import struct
from pathlib import Path
from typing import Any

import msgpack
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from suite import examples

from leadlight.dissect.capture import CaptureReader, Packet
from leadlight.dissect.datagram import Dissector
from leadlight.dissect.packets import Datagram, datagram_in
from leadlight.dissect.summary import CaptureSummary, message_in_words
from leadlight.errors import CaptureError
from leadlight.terms import Kind
from leadlight.wire import codec as wire
from leadlight.wire import framing
from leadlight.wire.tags import KeyRing

GROUP = "Quarry Lake"
KEYS = KeyRing({1: bytes(range(32)), 9: bytes(16)})
READERS = [Dissector(), Dissector(GROUP), Dissector(keys=KEYS), Dissector(GROUP, KEYS)]
each_reader = pytest.mark.parametrize("dissector", READERS, ids=["stranger", "group", "key", "member"])

preambles = st.builds(
    lambda version, kind, slot, group: wire.MAGIC + bytes((version << 4 | kind, slot)) + group,
    st.sampled_from([framing.VERSION, framing.VERSION, framing.VERSION, 2]),
    st.sampled_from([*Kind, 0, 15]),
    st.sampled_from([0, 0, 1, 2, 9]),
    st.sampled_from([framing.group_hash(GROUP), b"else"]),
)
numbers = st.integers(0, 1) | st.integers(-(1 << 63), (1 << 64) - 1)
values = st.recursive(
    st.none() | st.booleans() | numbers | st.floats() | st.text(max_size=26) | st.binary(max_size=10)
    | st.builds(msgpack.ExtType, st.integers(0, 127), st.binary(max_size=4)),
    lambda inner: st.lists(inner, max_size=16) | st.dictionaries(st.integers(0, 9), inner, max_size=2),
    max_leaves=30,
)  # fmt: skip
VECTORS = json.loads((Path(__file__).parents[2] / "protocol" / "vectors" / "datagrams.json").read_text("utf-8"))
GOOD = [
    (data[:3], msgpack.unpackb(data[framing.PREAMBLE_BYTES :]))
    for data in (bytes.fromhex(case["datagram"]) for case in VECTORS if case["key"] is None)
]
"""The first bytes of datagrams that every decoder takes, and their arrays."""


@st.composite
def spoiled(draw: st.DrawFn) -> bytes:
    """A good array with at most one value put in another's place, at the top or in an array inside."""
    begin, array = draw(st.sampled_from(GOOD))
    array = copy.deepcopy(array)
    inner = draw(st.sampled_from([array, *(part for part in array if isinstance(part, list) and part)]))
    if draw(st.booleans()):
        inner[draw(st.integers(0, len(inner) - 1))] = draw(numbers | values)
    preamble = begin + bytes([draw(st.sampled_from([0, 0, 1, 2]))]) + framing.group_hash(GROUP)
    return tagged(preamble, msgpack.packb(array), draw(st.booleans()))


bodies = st.lists(numbers | values, min_size=7, max_size=18).map(msgpack.packb) | values.map(msgpack.packb)


def tagged(preamble: bytes, body: bytes, is_right: bool) -> bytes:
    slot, signed = preamble[3], preamble + body
    if slot == 0:
        return signed
    return signed + (KEYS.tag(slot, signed) if is_right and slot in KEYS else bytes(16))


datagrams = st.builds(tagged, preambles, bodies, st.booleans()) | spoiled()


def told(dissector: Dissector, data: bytes) -> None:
    """The decoder and the table agree on whether anything is wrong, and the table has every byte once."""
    reading, dissection = dissector.read(data), dissector.dissect(data)
    assert (reading.message is None) is (reading.refused is not None)
    assert any(row.trouble for row in dissection.rows) is (reading.refused is not None)
    assert [row.start for row in dissection.rows[1:]] == [row.end for row in dissection.rows[:-1]]
    assert (dissection.rows[0].start, dissection.rows[-1].end) == (0, len(data))
    summary = CaptureSummary()
    found = Datagram(5, "10.0.0.2", 62_409, "239.194.236.148", 62_409, data, len(data))
    assert [summary.note(found, reading), summary.note(found, reading)] == [False, True]
    assert summary.counts()
    assert len(summary.leaders()) + len(summary.followers()) <= 1
    if reading.message is not None:
        assert message_in_words(reading.message, summary.names)


@each_reader
@given(data=st.binary(max_size=600))
@example(data=b"")
@example(data=wire.MAGIC)
@example(data=wire.MAGIC + b"\x11\x01abcd" + bytes(8))
@example(data=wire.MAGIC + b"\x11\x01abcd" + bytes(16))
def test_any_bytes_are_told_as_a_datagram(dissector: Dissector, data: bytes) -> None:
    told(dissector, data)


@pytest.mark.slow
@each_reader
@settings(max_examples=examples(20, 500))
@given(data=datagrams)
def test_anything_behind_a_good_preamble_is_told_and_table_and_decoder_agree(
    dissector: Dissector, data: bytes
) -> None:
    told(dissector, data)


@given(data=datagrams, kept=st.data())
def test_a_datagram_that_a_capture_cut_short_is_told_up_to_the_cut(data: bytes, kept: st.DataObject) -> None:
    count = kept.draw(st.integers(0, len(data)))
    rows = Dissector(GROUP, KEYS).dissect(data[:count], len(data)).rows
    assert (rows[0].start, rows[-1].end) == (0, count)


# -- captures ----------------------------------------------------------------------------------------------------------

orders = st.sampled_from("<>")
words = st.integers(0, 300) | st.integers(0, 0xFFFF_FFFF)


@st.composite
def files(draw: st.DrawFn) -> bytes:
    """What looks like a capture file for a while."""
    order = draw(orders)
    pieces = []
    if draw(st.booleans()):
        magic = draw(st.sampled_from([0xA1B2C3D4, 0xA1B23C4D]))
        pieces.append(struct.pack(f"{order}IHHIIII", magic, 2, 4, 0, 0, 0, draw(st.sampled_from([0, 1, 101, 113]))))
        for _ in range(draw(st.integers(0, 3))):
            data = draw(st.binary(max_size=60))
            kept = draw(st.just(len(data)) | words)
            pieces.append(struct.pack(f"{order}IIII", draw(words), draw(words), kept, draw(words)) + data)
    else:
        pieces.append(struct.pack(f"{order}IIIHHqI", 0x0A0D0D0A, 28, 0x1A2B3C4D, 1, 0, -1, 28))
        for _ in range(draw(st.integers(0, 4))):
            held = draw(st.lists(words, max_size=9))
            body = struct.pack(f"{order}{len(held)}I", *held)
            length = draw(st.just(12 + len(body)) | words)
            kind = draw(st.sampled_from([1, 1, 2, 3, 6, 0x0A0D0D0A]) | words)
            pieces.append(struct.pack(f"{order}II", kind, length) + body + struct.pack(f"{order}I", length))
    return b"".join(pieces) + draw(st.binary(max_size=20))


@given(file=st.binary(max_size=300) | files())
def test_any_bytes_are_read_as_a_capture_file_or_refused(file: bytes) -> None:
    try:
        reader = CaptureReader(io.BytesIO(file))
    except CaptureError:
        return
    for packet in reader:
        assert len(packet.data) <= packet.length
        found = datagram_in(packet)
        if isinstance(found, Datagram):
            assert len(found.data) <= found.length


@given(
    link=st.sampled_from([0, 1, 12, 14, 101, 108, 113, 228, 229, 276, 147]),
    data=st.binary(max_size=120),
    lost=st.integers(0, 60),
)
def test_any_bytes_are_a_packet_of_any_link_type(link: int, data: bytes, lost: int) -> None:
    found: Any = datagram_in(Packet(None, link, data, len(data) + lost))
    if isinstance(found, Datagram):
        assert len(found.data) <= found.length <= len(data) + lost
