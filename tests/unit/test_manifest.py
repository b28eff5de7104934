from __future__ import annotations

import json
from collections.abc import Callable
from hashlib import blake2s
from typing import Any

import pytest

from leadlight.cue import FrameRate, show_key
from leadlight.errors import ConfigurationError
from leadlight.evening.manifest import Manifest, Part, ShowDescription, ShowEntry, manifest_text, parse_manifest
from leadlight.terms import ContentState

JETTY = Part(12_441_600, bytes(range(16)))
FERRY = Part(10, bytes(16))


def entry(**changes: Any) -> ShowEntry:
    plain: dict[str, Any] = {
        "show": "Tidefall",
        "edition": "2",
        "frame_rate": FrameRate(40),
        "frame_count": 7680,
        "parts": {"jetty": JETTY, "ferry": FERRY},
    }
    return ShowEntry(**(plain | changes))


EMBERS = entry(show="Embers", parts={"willow": FERRY})
SEASON = Manifest((entry(), EMBERS))


def test_the_canonical_form_is_what_the_text_says_to_the_byte() -> None:
    def number(value: int) -> str:
        return f"{value:016x}"

    show = [number(2), "c389", number(0), number(40), number(1), number(7680), number(2)]
    ferry = [number(5), b"ferry".hex(), number(10), "00" * 16]
    jetty = [number(5), b"jetty".hex(), number(12_441_600), "000102030405060708090a0b0c0d0e0f"]
    assert entry(show="É", edition="").canonical.hex() == "".join([*show, *ferry, *jetty])


def test_a_shows_digest_is_of_its_canonical_form_and_goes_into_its_key() -> None:
    digest = blake2s(entry().canonical, digest_size=16, person=b"manifest").digest()
    assert entry().digest == digest
    assert entry().key == entry().stored.key == show_key("Tidefall", "2", digest)


@pytest.mark.parametrize(
    "changes",
    [
        {"show": "Embers"},
        {"edition": "3"},
        {"frame_rate": FrameRate(30)},
        {"frame_count": 7681},
        {"parts": {"jetty": JETTY}},
        {"parts": {"jetty": JETTY, "ferry": Part(11, bytes(16))}},
        {"parts": {"jetty": JETTY, "ferry": Part(10, bytes(15) + b"\1")}},
        {"parts": {"jetty": FERRY, "ferry": JETTY}},
    ],
    ids=str,
)
def test_any_change_to_a_show_changes_its_key(changes: dict[str, Any]) -> None:
    assert entry(**changes).key != entry().key


def test_neither_the_order_of_parts_nor_a_frame_rate_out_of_lowest_terms_changes_a_key() -> None:
    assert entry(parts={"ferry": FERRY, "jetty": JETTY}, frame_rate=FrameRate(80, 2)).key == entry().key


def test_a_manifest_survives_its_file() -> None:
    read = parse_manifest(manifest_text(SEASON))
    assert read == SEASON
    assert read.keys() == {"Tidefall": entry().key, "Embers": EMBERS.key}


def test_a_manifest_knows_its_followers_and_how_long_its_shows_are() -> None:
    assert SEASON.followers() == ["ferry", "jetty", "willow"]
    assert SEASON.lengths() == {"Tidefall": 192_000_000_000, "Embers": 192_000_000_000}
    assert SEASON.find("Embers") is EMBERS
    assert SEASON.find("Night Ferry") is None


@pytest.mark.parametrize(
    ("found", "state"),
    [
        (JETTY, ContentState.PRESENT),
        (None, ContentState.MISSING),
        (Part(12_441_599, JETTY.digest), ContentState.OTHER_EDITION),
        (Part(12_441_600, bytes(16)), ContentState.OTHER_EDITION),
    ],
)
def test_a_part_is_present_only_to_the_last_bit(found: Part | None, state: ContentState) -> None:
    assert JETTY.state_of(found) is state


@pytest.mark.parametrize(
    ("state", "wanted"),
    [(state, state) for state in (ContentState.PRESENT, ContentState.MISSING, ContentState.OTHER_EDITION)],
)
def test_a_follower_holds_what_its_check_found_present(state: ContentState, wanted: ContentState) -> None:
    library = SEASON.library({"Tidefall": state})
    assert library.state_of(entry().key) is wanted
    assert (library.find(entry().key) == entry().stored) is (state is ContentState.PRESENT)
    # The follower has no part in the other show, and so lacks nothing of it.
    assert library.state_of(EMBERS.key) is ContentState.UNKNOWN


def plain() -> dict[str, Any]:
    document: dict[str, Any] = json.loads(manifest_text(SEASON))
    return document


def put(path: str, value: Any) -> Callable[[dict[str, Any]], None]:
    def change(document: dict[str, Any]) -> None:
        place: Any = document
        *way, last = (int(step) if step.isdecimal() else step for step in path.split("."))
        for step in way:
            place = place[step]
        place[last] = value

    return change


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        ("manifest", 2, "season.json: manifest: 2 is not allowed; allowed: version 1"),
        ("manifest", True, "allowed: version 1"),
        ("shows", [], "season.json: shows: []"),
        ("shows", {}, "a list that is not empty"),
        ("colour", 1, "season.json: 'colour' is not allowed; allowed: the keys manifest, shows"),
        ("shows.1.show", "Tidefall", "season.json: shows[1].show: 'Tidefall' is not allowed; allowed: each show once"),
        ("shows.1.show", "", "season.json: shows[1].show: ''"),
        ("shows.1.show", "../Embers", "without slashes"),
        ("shows.1.show", "..", "without slashes"),
        ("shows.1.show", "Em\x1b[2Jbers", "printable"),
        ("shows.1.show", "\ud800", "printable"),
        ("shows.1.show", "é" * 128, "at most 255 bytes"),
        ("shows.0.edition", 2, "season.json: shows[0].edition: 2"),
        ("shows.0.frame_rate", 40, "two whole numbers"),
        ("shows.0.frame_rate", [40, 0], "season.json: shows[0].frame_rate[1]: 0"),
        ("shows.0.frame_rate", [40.0, 1], "season.json: shows[0].frame_rate[0]: 40.0"),
        ("shows.0.frame_rate", [10**400, 1], "a whole number above zero"),
        ("shows.0.frame_rate", [5000, 1], "between 1 and 1000 frames a second"),
        ("shows.0.frame_count", 0, "season.json: shows[0].frame_count: 0"),
        ("shows.0.frame_count", True, "a whole number above zero"),
        ("shows.0.parts", {}, "at least one follower"),
        ("shows.0.parts.jetty", 5, "season.json: shows[0].parts.jetty: 5"),
        ("shows.0.parts.jetty", {"size_bytes": 5}, "'no digest' is not allowed; allowed: the key 'digest' as well"),
        ("shows.0.parts.jetty.size_bytes", -1, "season.json: shows[0].parts.jetty.size_bytes: -1"),
        ("shows.0.parts.jetty.digest", "00" * 15, "32 hexadecimal digits"),
        ("shows.0.parts.jetty.digest", "0F" * 16, "lower case"),
        ("shows.0.parts.jetty.owner", "x", "the keys digest, size_bytes"),
    ],
)
def test_what_is_wrong_with_a_manifest_is_named(path: str, value: Any, said: str) -> None:
    document = plain()
    put(path, value)(document)
    with pytest.raises(ConfigurationError) as caught:
        parse_manifest(json.dumps(document), "season.json")
    assert said in str(caught.value)
    assert str(caught.value).startswith("season.json:")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "line 1"),
        ("{\n  nonsense", "line 2"),
        ("[]", "an object with the key 'manifest'"),
        ("{}", "an object with the key 'manifest'"),
        ('{"manifest": 1}', "no shows"),
        ('{"manifest": 1, "manifest": 1}', "'manifest' is not allowed; allowed: each key once"),
        ('{"manifest": NaN}', "whole numbers"),
        ('{"manifest": ' + "9" * 5000 + "}", "numbers of usual size"),
        ("[" * 100_000, "not nested"),
    ],
    ids=["empty", "nonsense", "list", "object", "no shows", "twice", "nan", "long number", "deep"],
)
def test_a_file_that_is_no_manifest_is_refused(text: str, said: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        parse_manifest(text, "season.json")
    assert said in str(caught.value)


def described(text: str) -> ShowDescription:
    return ShowDescription.parse(text, "show.toml")


def test_a_shows_frames_are_given_or_counted() -> None:
    given = described('edition = "2"\nframe_rate = [40, 1]\nframe_count = 7680')
    counted = described('edition = "2"\nframe_rate = [40, 1]\nframe_bytes = { jetty = 1620 }')
    parts = {"jetty": JETTY, "ferry": FERRY}
    assert given.entry("Tidefall", parts) == counted.entry("Tidefall", parts) == entry()


@pytest.mark.parametrize(
    ("frame_bytes", "said"),
    [
        ("{ jetty = 1621 }", "show.toml: frame_bytes.jetty: '7675 frames and 425 bytes'"),
        ("{ jetty = 810 }", "'15360 frames and 0 bytes' is not allowed; allowed: a part of 7680 frames"),
        ("{ willow = 1620 }", "allowed: followers: ferry, jetty"),
    ],
)
def test_a_part_that_is_not_the_shows_length_is_refused(frame_bytes: str, said: str) -> None:
    description = described(f"frame_rate = [40, 1]\nframe_count = 7680\nframe_bytes = {frame_bytes}")
    with pytest.raises(ConfigurationError) as caught:
        description.entry("Tidefall", {"jetty": JETTY, "ferry": FERRY})
    assert said in str(caught.value)


def test_a_part_that_broke_off_within_a_frame_is_refused_where_frames_are_counted() -> None:
    description = described("frame_rate = [40, 1]\nframe_bytes = { jetty = 1621 }")
    with pytest.raises(ConfigurationError, match="a part of whole frames of 1621 bytes"):
        description.entry("Tidefall", {"jetty": JETTY, "ferry": FERRY})


def test_counted_parts_must_agree() -> None:
    description = described("frame_rate = [40, 1]\nframe_bytes = { ferry = 5, jetty = 1620 }")
    with pytest.raises(ConfigurationError, match="a part of 2 frames"):
        description.entry("Tidefall", {"jetty": JETTY, "ferry": FERRY})


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("frame_rate = ", "show.toml: 'its text'"),
        ("frame_count = 5", "show.toml: 'no frame_rate'"),
        ("frame_rate = [40, 1]", "'frame_bytes' to count by"),
        ("frame_rate = [40, 1]\nframe_count = 5.0", "show.toml: frame_count: 5.0"),
        ("frame_rate = [40, 1]\nframes = 5", "the keys edition, frame_bytes, frame_count, frame_rate"),
        ("frame_rate = [40, 1]\nframe_bytes = 5", "a table of followers"),
        ("frame_rate = [40, 1]\nframe_bytes = { jetty = 0 }", "show.toml: frame_bytes.jetty: 0"),
    ],
)
def test_what_is_wrong_with_a_description_is_named(text: str, said: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        described(text)
    assert said in str(caught.value)
