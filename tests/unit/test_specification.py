"""The specification holds: its generated parts, its requirements and their tests, its constants, its enumerations."""

from __future__ import annotations

import re
from pathlib import Path

import specification as writer

from leadlight.terms import ClockState, ContentState, CueState, Kind

ROOT = Path(__file__).parents[2]


TEXT = (ROOT / "protocol" / "SPECIFICATION.md").read_text(encoding="utf-8")
RULES = writer.rules(TEXT)
PROSE = re.sub(writer.PART, "", TEXT)
"""The text without what is generated."""


def test_the_generated_parts_are_what_their_writer_writes() -> None:
    assert writer.render(TEXT) == TEXT, "run tests/tools/specification.py"
    # All that can be written is asked for, once.
    assert sorted(found[1] for found in writer.PART.findall(TEXT)) == sorted(writer.parts())


def test_requirements_are_numbered_without_gaps_and_each_says_how_strict_it_is() -> None:
    numbers: dict[str, list[int]] = {}
    for rule in RULES:
        area, count = rule.number.removeprefix("R-").split("-")
        numbers.setdefault(area, []).append(int(count))
        assert rule.strictness, f"{rule.number} says neither MUST nor SHOULD nor MAY"
    assert {area: list(range(1, len(counts) + 1)) for area, counts in numbers.items()} == numbers
    # None stands in the text in another form, where it would be overlooked.
    assert re.findall(r"\*\*(R-[A-Z]+-\d+)\*\*", PROSE) == [rule.number for rule in RULES]


def test_every_requirement_that_is_referred_to_exists() -> None:
    assert set(re.findall(r"R-[A-Z]+-\d+", PROSE)) == {rule.number for rule in RULES}


def test_every_test_that_the_table_of_threats_names_exists() -> None:
    text = writer.SPECIFICATION.read_text(encoding="utf-8")
    section = text[text.index("## 20. Security") : text.index("## 21. Vectors")]
    named = set(re.findall(r"`(test_[a-z0-9_]+)`", section))
    assert len(named) >= 15
    assert named - writer.test_names() == set()


def test_every_must_has_a_test_and_every_test_that_is_named_exists() -> None:
    mapping = writer.mapping()
    assert list(mapping) == [rule.number for rule in RULES]
    untested = [rule.number for rule in RULES if rule.strictness == "MUST" and not mapping[rule.number]]
    assert untested == []
    named = {name for names in mapping.values() for name in names}
    assert named - writer.test_names() == set()


def test_the_text_and_the_table_name_the_same_constants() -> None:
    listed = {constant.name for group in writer.constants().values() for constant in group}
    named = set(re.findall(r"\b([A-Z]+(?:_[A-Z]+)+|BURST|PROBATION)\b", PROSE))
    assert named == listed


def test_all_sections_that_are_referred_to_exist() -> None:
    headings = set(re.findall(r"^#{2,3} (\d+(?:\.\d+)?)\.? ", PROSE, re.MULTILINE))
    referred = set(re.findall(r"[Ss]ections? (\d+(?:\.\d+)?)", re.sub(r"RFC \d+,? section [\d.]+", "", PROSE)))
    assert referred <= headings


def test_the_numbers_of_the_enumerations_have_not_moved() -> None:
    # They are the protocol's: written down here a second time, so that no reordering changes them unseen.
    assert {kind.name: int(kind) for kind in Kind} == {
        "BEACON": 1,
        "BEACON_COPY": 2,
        "SOUNDING": 3,
        "ECHO": 4,
        "TALLY": 5,
    }
    assert [state.name for state in sorted(CueState)] == ["DARK", "ROLLING", "PAUSED", "STOPPED"]
    assert [state.name for state in sorted(ClockState)] == ["FREE_RUN", "ACQUIRING", "LOCKED", "HOLDOVER"]
    assert [state.name for state in sorted(ContentState)] == ["UNKNOWN", "PRESENT", "MISSING", "OTHER_EDITION"]
    assert [int(state) for kind in (CueState, ClockState, ContentState) for state in kind] == [0, 1, 2, 3] * 3
