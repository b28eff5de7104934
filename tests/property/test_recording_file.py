"""Whatever a file holds, it is a recording or is refused in one line."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leadlight.errors import FileError
from leadlight.recording import Load, Plan, RecordedHost, Told, parse_recording, to_line
from leadlight.recording.records import Answered, Ended, Head, Record, Sent, Unsent
from leadlight_sim.testing.recording import BEGUN_AT

HOST = RecordedHost("jetty", 1, True, True, False, -60)
RECORDS: list[Record] = [
    Head(BEGUN_AT, "a test", RecordedHost("boathouse"), Plan(10**9)),
    HOST,
    Sent(0, None, 5),
    Sent(0, "jetty", 6),
    Answered(0, "jetty", 7, 8, 9),
    Told("jetty", ((0, 7),), (), 5),
    Load("jetty", 9, 20),
    Sent(1, "jetty", 10),
    Unsent(1, "jetty"),
    Ended("time", 20),
]
WHOLE = [json.loads(to_line(record)) for record in RECORDS]

anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=30) | st.integers(10**300, 10**301),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=5,
)


def read_or_refused(content: bytes) -> None:
    said = ""
    try:
        parse_recording(content, "site.recording")
    except FileError as refusal:
        said = str(refusal)
    assert not said or said.startswith("recording site.recording: ")
    assert "\n" not in said
    assert len(said) < 400


@given(st.binary(max_size=400))
def test_any_bytes(content: bytes) -> None:
    read_or_refused(content)
    read_or_refused(to_line(RECORDS[0]) + content)


@pytest.mark.slow
@given(st.data())
def test_a_recording_with_any_value_of_any_record_replaced(data: Any) -> None:
    lines: list[Any] = [dict(line) for line in WHOLE]
    line = data.draw(st.sampled_from(lines))
    inner = line
    key = data.draw(st.sampled_from(list(inner)))
    if isinstance(inner[key], dict) and data.draw(st.booleans()):
        inner[key] = inner = dict(inner[key])
        key = data.draw(st.sampled_from(list(inner)))
    inner[key] = data.draw(anything)
    read_or_refused(b"".join(json.dumps(one).encode() + b"\n" for one in lines))


@given(st.permutations(range(1, len(WHOLE) - 1)))
def test_records_in_any_order(order: list[int]) -> None:
    lines = [WHOLE[0], *(WHOLE[place] for place in order), WHOLE[-1]]
    read_or_refused(b"".join(json.dumps(one).encode() + b"\n" for one in lines))
