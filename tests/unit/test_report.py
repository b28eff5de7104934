from __future__ import annotations

import re
from functools import cache
from html import escape
from html.parser import HTMLParser
from typing import Any

import pytest

from leadlight_sim.measures.rehearsal import Rehearsal, rehearse
from leadlight_sim.measures.verdict import judge
from leadlight_sim.report.document import page
from leadlight_sim.scenario.model import check_scenario

AWKWARD = 'a<b> & "c" {{x}} $y$'


@cache
def run(kind: str) -> Rehearsal:
    table: dict[str, Any] = {
        "name": "pond <script>",
        "run": {"duration_s": 30, "settle_s": 5},
        "followers": [{"name": "oak", "pixels": 90}, {"name": AWKWARD, "pixels": 60}],
        "shows": [{"id": "short", "title": "Rain & <wind>", "duration_s": 15}],
        "cues": [{"at_s": 8, "show": "short"}],
    }
    if kind == "single":
        table["followers"] = [{"name": "oak", "pixels": 90}]
    if kind == "silent":
        # Nobody ever hears the leader: stations of an isolating network.
        table["air"] = {"client_isolation": True}
    if kind == "missed":
        table["targets"] = {"error_ms": 0.0001}
    if kind == "shortest":
        table |= {"run": {"duration_s": 1, "settle_s": 0}, "cues": [{"at_s": 0, "show": "short"}]}
    return rehearse(check_scenario(table, "pond"), timeline=True)


KINDS = ["pair", "single", "silent", "missed", "shortest"]
AGAIN = "leadlight rehearse pond.toml --seed 1"
Pages = dict[str, str]


@pytest.fixture(scope="module")
def pages() -> Pages:
    """The page of each kind of run."""
    return {kind: page(run(kind), AGAIN) for kind in KINDS}


class Outline(HTMLParser):
    """Notes what a page refers to, and that its elements are closed in order."""

    VOID = frozenset({"meta", "br", "link", "img", "input"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.references: list[str] = []
        self.identifiers: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag not in self.VOID:
            self.open.append(tag)
        for name, value in attrs:
            if name in ("src", "href", "xlink:href", "data", "action"):
                self.references.append(value or "")
            if name == "id":
                self.identifiers.append(value or "")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


@pytest.mark.parametrize("kind", KINDS)
def test_a_page_is_well_formed_and_needs_nothing_outside_itself(pages: Pages, kind: str) -> None:
    text = pages[kind]
    outline = Outline()
    outline.feed(text)
    assert outline.open == []
    assert [reference for reference in outline.references if not reference.startswith("#")] == []
    assert len(outline.identifiers) == len(set(outline.identifiers))
    assert not {"link", "img", "iframe", "object"} & set(outline.tags)
    assert "http" not in text
    assert "@import" not in text
    assert re.findall(r"url\((?!#)", text) == []


@pytest.mark.parametrize("kind", KINDS)
def test_a_page_says_the_verdict_in_words_and_every_piece_by_name(pages: Pages, kind: str) -> None:
    text = pages[kind]
    verdict = judge(run(kind))
    assert f"<h1>{verdict.headline}</h1>" in text
    assert ("All targets are met." in text) is verdict.good
    for follower in run(kind).scenario.followers:
        assert f'<th scope="row">{escape(follower.name).replace("&quot;", "&#34;")}</th>' in text


def test_the_verdict_comes_before_anything_else(pages: Pages) -> None:
    text = pages["missed"]
    parts = ("<h1>", 'id="worst-moment"', 'class="value"', 'id="evening"', "<svg", "What was run", "work at height")
    order = [text.index(part) for part in parts]
    assert order == sorted(order)
    assert "Not all targets are met" in text


@pytest.mark.slow
def test_names_are_never_taken_for_markup() -> None:
    text = page(run("pair"), "leadlight rehearse '<i>'")
    assert "<b>" not in "".join(part.split("</table>")[0] for part in text.split("<table>")[1:])
    assert text.count("<script") == 3
    assert "pond <" not in text
    assert "<wind>" not in text
    assert "<i>" not in text
    assert "{{x}}" in text


@pytest.mark.slow
def test_the_same_run_gives_the_same_bytes(pages: Pages) -> None:
    assert page(rehearse(run("pair").scenario, timeline=True), AGAIN) == pages["pair"]


@pytest.mark.slow
def test_another_seed_gives_another_page(pages: Pages) -> None:
    assert page(rehearse(run("pair").scenario, 99, timeline=True), AGAIN) != pages["pair"]


@pytest.mark.parametrize("kind", KINDS)
def test_what_was_not_measured_is_a_dash_and_never_nan(pages: Pages, kind: str) -> None:
    text = pages[kind]
    assert re.findall(r"\b(?:[Nn]a[Nn]|inf|None)\b", text) == []


def test_a_single_piece_has_no_pair(pages: Pages) -> None:
    assert "There are no two pieces to compare." in pages["single"]


def test_a_piece_that_never_heard_a_beacon_is_said_to_have_joined_never(pages: Pages) -> None:
    text = pages["silent"]
    assert text.count("<td>never</td>") == 2
    assert "oak stayed dark" in text


def test_a_page_of_pieces_that_stay_dark_says_so_and_claims_nothing_that_is_not_known(pages: Pages) -> None:
    text = pages["silent"]
    assert "<h1>The crowd will see no show: every light stays dark.</h1>" in text
    assert "No two pieces were ever in the show together" in text
    assert "No board heard a beacon long enough" in text
    assert "nothing is shown" in text
    assert "No piece shows anything." in text
    assert "blue-green band" not in text
    assert "No beacon arrived anywhere." in text
    assert text.count("<td>100\N{NO-BREAK SPACE}%</td>") == 4  # two pieces: wrong frames, and dark
    for absent in ("no two pieces to compare", "within this", "an unknown time", "How often", "0.0\N{NO-BREAK SPACE}%"):
        assert absent not in text


@pytest.mark.parametrize("kind", KINDS)
def test_no_line_of_a_page_breaks_between_a_number_and_its_unit(pages: Pages, kind: str) -> None:
    assert re.findall(r"\d (?:%|ms|µs|s)(?!\w)", pages[kind]) == []


def test_a_page_tells_how_to_repeat_it_and_what_it_cannot_tell(pages: Pages) -> None:
    rehearsal = run("pair")
    text = pages["pair"]
    for part in (
        f"<pre>{AGAIN}</pre>",
        rehearsal.trace_hash,
        rehearsal.scenario.digest(),
        "photosensitive viewers",
        "electrical or",
        "local codes",
    ):
        assert part in text
