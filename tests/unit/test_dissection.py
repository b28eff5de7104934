"""Dissections hold: against the specification's vectors, and against what the strict decoder says."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from leadlight.dissect.datagram import Dissection, Dissector, TagCheck
from leadlight.errors import ConfigurationError
from leadlight.terms import Kind, Refusal
from leadlight.wire.codec import Codec
from leadlight.wire.tags import KeyRing

FOLDER = Path(__file__).parents[2] / "protocol" / "vectors"
DATAGRAMS = json.loads((FOLDER / "datagrams.json").read_text(encoding="utf-8"))
REFUSED = json.loads((FOLDER / "refused.json").read_text(encoding="utf-8"))
TYPICAL = {case["name"].removeprefix("typical "): case for case in DATAGRAMS if case["name"].startswith("typical")}

each_datagram = pytest.mark.parametrize("case", DATAGRAMS, ids=[case["name"] for case in DATAGRAMS])
each_refusal = pytest.mark.parametrize("case", REFUSED, ids=[case["name"] for case in REFUSED])


def member_of(case: dict[str, Any]) -> Dissector:
    """What reads as a member of a vector's group with that vector's keys does."""
    if "keys" in case:
        keys = {int(slot): bytes.fromhex(key) for slot, key in case["keys"].items()}
    else:
        keys = {} if case["key"] is None else {case["key_slot"]: bytes.fromhex(case["key"])}
    return Dissector(case["group"], KeyRing(keys) if keys else None)


def typical(name: str) -> bytes:
    return bytes.fromhex(TYPICAL[name]["datagram"])


def flat(value: Any, path: str = "") -> dict[str, Any]:
    """The values in a vector by the paths that rows have."""
    if isinstance(value, dict):
        parts = [(f"{path}.{name}" if path else name, part) for name, part in value.items()]
    elif isinstance(value, list):
        parts = [(f"{path}[{index}]", part) for index, part in enumerate(value)]
    else:
        return {path: value}
    return {name: told for inner, part in parts for name, told in flat(part, inner).items()}


def assert_without_gaps(dissection: Dissection, length: int) -> None:
    at = 0
    for row in dissection.rows:
        assert row.start == at, f"{row} does not begin where the last one ended"
        at = row.end
    assert at == length


# -- what must be taken ------------------------------------------------------------------------------------------------


@each_datagram
def test_every_field_of_every_vector_is_told_as_the_vector_has_it(case: dict[str, Any]) -> None:
    data = bytes.fromhex(case["datagram"])
    dissector = member_of(case)
    reading, dissection = dissector.read(data), dissector.dissect(data)
    assert reading.refused is None
    assert reading.kind is not None
    kind = reading.kind.name.lower().replace("_", " ")
    assert {"kind": kind, **dissection.fields} == case["decodes_to"]
    # The table tells the same: each value under its name, spelled as numbers are.
    told = {row.field: row.value for row in dissection.rows}
    for path, value in flat(case["decodes_to"]).items():
        if path == "kind" or (path in ("delays.radio", "delays.doubt_us") and path not in told):
            continue  # an empty array stands for no radio and no doubt
        spelled = {None: "nil", True: "true"}.get(value) if value is None or value is True else None
        expected = spelled or (repr(value) if path == "name" else str(value))
        assert told[path] == expected, path


@each_datagram
def test_every_byte_of_a_vector_is_told_once_and_nothing_is_wrong_with_it(case: dict[str, Any]) -> None:
    data = bytes.fromhex(case["datagram"])
    dissection = member_of(case).dissect(data)
    assert_without_gaps(dissection, len(data))
    assert [row for row in dissection.rows if row.trouble] == []
    assert [row.field for row in dissection.rows if row.field == "tag"] == ["tag"] * (case["key"] is not None)


@each_datagram
def test_who_knows_neither_group_nor_key_is_told_the_same_fields(case: dict[str, Any]) -> None:
    data = bytes.fromhex(case["datagram"])
    stranger = Dissector()
    reading = stranger.read(data)
    assert reading.refused is None
    assert reading.message == member_of(case).read(data).message
    assert reading.tag is (TagCheck.NONE if case["key"] is None else TagCheck.NOT_CHECKED)
    assert stranger.dissect(data).fields == member_of(case).dissect(data).fields


@each_datagram
def test_a_key_checks_a_tag_without_the_groups_name(case: dict[str, Any]) -> None:
    data = bytes.fromhex(case["datagram"])
    if case["key"] is None:
        refused = Dissector(keys=KeyRing({1: bytes(16)})).read(data).refused
        assert refused is not None
        assert refused.reason is Refusal.NO_KEY
        return
    holder = Dissector(keys=KeyRing({case["key_slot"]: bytes.fromhex(case["key"])}))
    assert holder.read(data).tag is TagCheck.RIGHT
    assert holder.read(data).refused is None
    other = Dissector(keys=KeyRing({case["key_slot"]: bytes(16)})).read(data)
    assert other.tag is TagCheck.WRONG
    assert other.refused is not None
    assert other.refused.reason is Refusal.BAD_TAG


def test_units_and_states_are_put_into_words() -> None:
    meanings = {row.field: row.meaning for row in Dissector().dissect(typical("beacon")).rows}
    said = {field: meaning.partition(":")[0] for field, meaning in meanings.items()}
    assert said["sent_at"] == "10800.123456789 s"
    assert said["interval_ms"] == "500 ms"
    assert said["off_at_ms"] == "21600.000 s"
    assert said["leader"] == "1de8d1c3"
    assert said["cue.show"] == "6760de6bd3dc2d18"
    assert said["cue.state"] == "rolling"
    assert said["next_cue.line rate_ppb"] == "+12500 ppb"
    assert said["marks[0].age_ns"] == "871.204311 ms"
    assert said["delays.doubt_us"] == "0.350 ms"
    assert said["delays.medians[2].delay_ns"] == "-0.020004 ms"
    tally = {row.field: row.meaning.partition(":")[0] for row in Dissector().dissect(typical("tally")).rows}
    assert tally["clock"] == "locked"
    assert tally["bound_us"] == "1.850 ms"
    assert tally["beacon_loss_permille"] == "3.1 %"
    assert tally["content"] == "present"
    assert tally["flags"] == "none"
    largest = next(bytes.fromhex(case["datagram"]) for case in DATAGRAMS if case["name"] == "largest tally")
    flags = {row.field: row.meaning.partition(":")[0] for row in Dissector().dissect(largest).rows}["flags"]
    assert flags == "live data, unverified"


# -- what must be refused ----------------------------------------------------------------------------------------------


def has_a_tag_that_a_node_without_keys_refuses(case: dict[str, Any]) -> bool:
    return not case["keys"] and str(case["reason"]) == Refusal.NO_KEY


@each_refusal
def test_every_refused_vector_is_told_as_refused_for_its_reason(case: dict[str, Any]) -> None:
    data = bytes.fromhex(case["datagram"])
    reading = member_of(case).read(data)
    if has_a_tag_that_a_node_without_keys_refuses(case):
        # Whoever gives no key may still have one: the fields are told, and that nobody looked at the tag.
        assert reading.refused is None
        assert reading.tag is TagCheck.NOT_CHECKED
        return
    assert reading.message is None
    assert reading.refused is not None
    assert str(reading.refused.reason) == case["reason"]
    if not case["keys"]:
        with pytest.raises(type(reading.refused)) as strict:
            Codec(case["group"]).decode(data)
        assert reading.refused.detail == strict.value.detail


@each_refusal
def test_every_refused_vector_is_shown_as_far_as_can_be_told_with_what_is_wrong(case: dict[str, Any]) -> None:
    data = bytes.fromhex(case["datagram"])
    dissection = member_of(case).dissect(data)
    assert_without_gaps(dissection, len(data))
    assert any(row.trouble for row in dissection.rows) is not has_a_tag_that_a_node_without_keys_refuses(case)
    json.dumps(dissection.fields, allow_nan=False)


def test_of_a_field_out_of_range_the_others_are_still_told() -> None:
    case = next(case for case in REFUSED if case["name"] == "beacon: rank 128")
    dissection = Dissector().dissect(bytes.fromhex(case["datagram"]))
    assert [(row.field, row.value, row.trouble) for row in dissection.rows if row.trouble] == [
        ("rank", "128", "allowed 0 to 127")
    ]
    assert dissection.fields["rank"] == 128
    assert dissection.fields["delays"]["medians"][2] == {"serials_back": 7, "delay_ns": -20004}


def test_an_array_cut_short_is_told_up_to_the_cut() -> None:
    data = typical("tally")[:23]
    dissection = Dissector().dissect(data)
    last = dissection.rows[-1]
    assert (last.field, last.trouble) == ("serial", "bytes are missing")
    assert list(dissection.fields) == ["follower", "instance"]


def test_what_a_capture_lacks_is_no_fault_of_the_datagram() -> None:
    whole = bytes.fromhex(
        next(case["datagram"] for case in DATAGRAMS if case["name"] == "typical tally, tagged in slot 1")
    )
    for kept in range(len(whole)):
        rows = Dissector().dissect(whole[:kept], len(whole)).rows
        assert {row.trouble for row in rows} - {""} <= {"cut short by the capture"}
        assert rows[-1].end == kept
    # All but the tag's last byte: every field is there.
    cut = Dissector().dissect(whole[:-1], len(whole))
    assert cut.fields == Dissector().dissect(whole).fields
    assert (cut.rows[-1].field, cut.rows[-1].trouble) == ("tag", "cut short by the capture")


def test_a_name_cannot_steer_a_terminal() -> None:
    case = next(case for case in REFUSED if case["name"] == "tally: name with a tab")
    row = next(row for row in Dissector().dissect(bytes.fromhex(case["datagram"])).rows if row.field == "name")
    assert row.value == r"'a\tb'"
    assert row.trouble == "allowed 1 to 24 bytes of printable text"


def test_another_group_is_told_by_both_hashes() -> None:
    dissector = Dissector("garden")
    reading = dissector.read(typical("echo"))
    assert reading.kind is Kind.ECHO
    assert reading.group == bytes.fromhex("9bf6855e")
    assert str(reading.refused) == "other group: 9bf6855e"
    row = next(row for row in dissector.dissect(typical("echo")).rows if row.field == "group")
    assert row.trouble == "not that of 'garden', which is 17b811e7"


def test_a_group_needs_a_name() -> None:
    with pytest.raises(ConfigurationError, match="group"):
        Dissector(" ")
