"""The test vectors hold: for the library, and for a second codec that was written from the specification alone."""

from __future__ import annotations

import ast
import json
import math
import statistics
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import independent_codec as independent
import pytest

import vectors as writer
from leadlight.errors import WireError
from leadlight.wire.codec import Codec
from leadlight.wire.probes import PROBE_BYTES, ProbeCodec
from leadlight.wire.tags import TAG_BYTES, KeyRing

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "protocol" / "vectors"
TOOLS = ROOT / "tests" / "tools"


def read(name: str) -> Any:
    return json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))


DATAGRAMS = read("datagrams")
REFUSED = read("refused")
DERIVED = read("derived")
ARITHMETIC = read("arithmetic")
PROBES = read("probes")

each_datagram = pytest.mark.parametrize("case", DATAGRAMS, ids=[case["name"] for case in DATAGRAMS])
each_refusal = pytest.mark.parametrize("case", REFUSED, ids=[case["name"] for case in REFUSED])


def keys_of(case: dict[str, Any]) -> dict[int, bytes]:
    if "keys" in case:
        return {int(slot): bytes.fromhex(key) for slot, key in case["keys"].items()}
    return {} if case["key"] is None else {case["key_slot"]: bytes.fromhex(case["key"])}


def codec_of(case: dict[str, Any]) -> Codec:
    keys = keys_of(case)
    return Codec(case["group"], KeyRing(keys) if keys else None)


# -- the library -------------------------------------------------------------------------------------------------------


def test_the_files_are_what_their_writer_writes() -> None:
    files = writer.files()
    assert {path.name for path in FOLDER.iterdir()} == set(files)
    for name, text in files.items():
        assert (FOLDER / name).read_text(encoding="utf-8") == text, f"run tests/tools/vectors.py: {name} has changed"


@each_datagram
def test_the_library_decodes_every_datagram_and_writes_it_so(case: dict[str, Any]) -> None:
    data = bytes.fromhex(case["datagram"])
    codec = codec_of(case)
    message = codec.decode(data)
    assert writer.as_json(message) == case["decodes_to"]
    assert (codec.encode(message) == data) is case["encodes_so"]


@each_refusal
def test_the_library_refuses_what_must_be_refused_and_says_why(case: dict[str, Any]) -> None:
    with pytest.raises(WireError) as refused:
        codec_of(case).decode(bytes.fromhex(case["datagram"]))
    assert str(refused.value.reason) == case["reason"]


@pytest.mark.parametrize("case", PROBES, ids=[case["name"] for case in PROBES])
def test_every_probe_is_decoded_written_so_and_refused_by_a_node_of_a_show(case: dict[str, Any]) -> None:
    data, keys = bytes.fromhex(case["datagram"]), keys_of(case)
    codec = ProbeCodec(case["group"], KeyRing(keys) if keys else None)
    message = codec.decode(data)
    assert writer.probe_as_json(message) == case["decodes_to"]
    assert codec.encode(message) == data
    assert len(data) == PROBE_BYTES + (TAG_BYTES if keys else 0)
    key = None if case["key"] is None else bytes.fromhex(case["key"])
    assert independent.encode_probe(case["decodes_to"], case["group"], case["key_slot"], key) == data
    with pytest.raises(WireError, match="other protocol"):
        codec_of(case).decode(data)


def test_every_reason_of_refusal_and_every_kind_and_size_has_a_vector() -> None:
    from leadlight.terms import Refusal

    assert {case["reason"] for case in REFUSED} == {str(reason) for reason in Refusal}
    names = {case["name"] for case in DATAGRAMS}
    for kind in ("beacon", "beacon copy", "sounding", "echo", "tally"):
        for size in ("smallest", "typical", "largest"):
            assert {f"{size} {kind}", f"{size} {kind}, tagged in slot 1"} <= names


# -- the second codec --------------------------------------------------------------------------------------------------


def test_the_second_codec_imports_nothing_but_the_standard_library() -> None:
    tree = ast.parse((TOOLS / "independent_codec.py").read_text(encoding="utf-8"))
    imported: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            imported |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            imported.add(node.module or "")
    assert imported == {"__future__", "collections.abc", "hashlib", "hmac", "struct", "typing", "unicodedata"}


@each_datagram
def test_a_codec_written_from_the_text_decodes_every_datagram(case: dict[str, Any]) -> None:
    data = bytes.fromhex(case["datagram"])
    assert independent.decode(data, case["group"], keys_of(case)) == case["decodes_to"]


@pytest.mark.parametrize("case", [case for case in DATAGRAMS if case["encodes_so"]], ids=lambda case: case["name"])
def test_a_codec_written_from_the_text_writes_the_same_bytes(case: dict[str, Any]) -> None:
    key = None if case["key"] is None else bytes.fromhex(case["key"])
    assert independent.encode(case["decodes_to"], case["group"], case["key_slot"], key).hex() == case["datagram"]


@each_refusal
def test_a_codec_written_from_the_text_refuses_for_the_same_reason(case: dict[str, Any]) -> None:
    with pytest.raises(independent.Refused) as refused:
        independent.decode(bytes.fromhex(case["datagram"]), case["group"], keys_of(case))
    assert str(refused.value) == case["reason"]


def test_numbers_made_of_names_follow_from_the_text() -> None:
    for case in DERIVED["identity"]:
        assert independent.identity(case["name"]) == case["identity"]
    for case in DERIVED["group_hash"]:
        assert independent.group_hash(case["group"]).hex() == case["hash"]
    for case in DERIVED["group_address"]:
        assert independent.group_address(case["group"]) == case["address"]
    for case in DERIVED["group_address_v6"]:
        assert ip_address(independent.group_address_v6(case["group"])) == ip_address(case["address"])
    for case in DERIVED["show_key"]:
        found = independent.show_key(case["show"], case["edition"], bytes.fromhex(case["manifest_digest"]))
        assert str(found) == case["key"]
    for case in DERIVED["show_digest"]:
        canonical = independent.canonical(case)
        assert canonical.hex() == case["canonical"]
        digest = independent.digest(16, b"manifest", canonical)
        assert digest.hex() == case["digest"]
        assert str(independent.show_key(case["show"], case["edition"], digest)) == case["key"]
    for case in DERIVED["tag"]:
        assert independent.tag(bytes.fromhex(case["key"]), bytes.fromhex(case["signed"])).hex() == case["tag"]


def test_frames_follow_from_the_text() -> None:
    for case in ARITHMETIC["frames"]:
        rate = case["frame_rate"]
        assert independent.frame_at(int(case["position"]), *rate) == case["frame"]
        assert str(independent.frame_begins(case["frame"] + 1, *rate)) == case["next_frame_at"]
    for case in ARITHMETIC["show_lengths"]:
        assert str(independent.frame_begins(case["frame_count"], *case["frame_rate"])) == case["length_ns"]


def test_show_lines_follow_from_the_text() -> None:
    for case in ARITHMETIC["show_lines"]:
        leader_at, position, rate_ppb = case["line"]
        line = (int(leader_at), int(position), rate_ppb)
        assert str(independent.position_at(line, int(case["leader_at"]))) == case["position"]
        assert str(independent.first_instant(line, int(case["position"]))) == case["first_at"]


def test_serial_comparison_follows_from_the_text() -> None:
    for case in ARITHMETIC["serials"]:
        assert independent.compare(case["serial"], case["last"]) == case["is"]
    for case in ARITHMETIC["serial_advances"]:
        assert case["at_most"] == 64 + case["elapsed_ns"] // 10**7


def test_strides_spacings_and_medians_follow_from_the_text() -> None:
    for case in ARITHMETIC["reporting_strides"]:
        assert max(1, -(-case["sounding_interval_ns"] // (4 * case["beacon_interval_ns"]))) == case["stride"]
    for case in ARITHMETIC["fair_spacings"]:
        assert case["group_size"] * 10**10 // (9 * case["sounding_budget"]) == case["spacing_ns"]
    for case in ARITHMETIC["medians"]:
        delays = case["delays_ns"]
        middle = statistics.median(delays)
        assert case["median_ns"] == math.floor(middle)
        distance = sum(abs(delay - middle) for delay in delays) / len(delays)
        assert math.ceil(math.pi / 2 * distance / math.sqrt(len(delays)) / 1_000) == case["doubt_us"]


def test_the_plausibility_of_samples_follows_from_the_text() -> None:
    held_back_ns, budget_ns = 10**9, 10**7
    for case in ARITHMETIC["plausibility"]:
        sample_ns = int(case["sample_less_estimate_ns"])
        lower_ns, statistical_ns = case["lower_less_estimate_ns"], case["statistical_ns"]
        if lower_ns is not None:
            earliest_ns = lower_ns - budget_ns
        elif statistical_ns is None:
            earliest_ns = -held_back_ns
        else:
            earliest_ns = -min(statistical_ns + budget_ns, held_back_ns)
        if sample_ns > held_back_ns:
            assert case["is"] == "implausible, late"
        else:
            assert case["is"] == ("plausible" if sample_ns >= earliest_ns else "implausible, early")
