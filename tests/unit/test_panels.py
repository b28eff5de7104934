"""The pages of sweeps and comparisons: each panel by its own target, what is chosen marked, words for each mark."""

from __future__ import annotations

import math
import re
from html import unescape

import pytest

from leadlight_sim.compare import Variant, compared
from leadlight_sim.compare.page import page as comparison_page
from leadlight_sim.drawing import LIMIT_AT, of_share, to_limit
from leadlight_sim.measures import MEASURES, Figures
from leadlight_sim.scenario.files import load_shipped
from leadlight_sim.tune.advice import advise
from leadlight_sim.tune.candidates import Candidate, Choice, combinations
from leadlight_sim.tune.page import LINES_MAXIMUM, page
from leadlight_sim.tune.proof import Size
from leadlight_sim.tune.sweep import Outcome, Question, Trial

LAKE = load_shipped("quarry-lake")
BY_KEY = {measure.key: measure for measure in MEASURES}


def text_of(document: str) -> str:
    plain = unescape(re.sub(r"<[^<>]*>", " ", document)).replace("\N{NO-BREAK SPACE}", " ")
    return re.sub(r"\s+", " ", plain)


def seen(candidate: Candidate, airtime: float, *lights: float) -> None:
    for light in lights:
        figures = Figures({"light_p95_ms": light, "visible_steps": float(light > 20), "airtime_share": airtime}, {})
        missed = [key for key in ("light_p95_ms", "visible_steps") if figures.values[key] > candidate.limits[key]]
        candidate.seen.add(figures, missed)


def a_sweep(count: int = 2) -> Outcome:
    intervals = tuple(5.0 - number for number in range(2)) + tuple(0.1 + 0.01 * number for number in range(count - 2))
    cheap, dear, *more = combinations(LAKE, [Choice("leader.interval_s", intervals)])
    seen(cheap, 0.01, 6.25, 25.0)
    seen(dear, 0.02, 1.0, 2.0)
    for number, each in enumerate(more):
        seen(each, 0.03 + 0.001 * number, 1.0)
    test = Trial(dear, Size(59, 0), 0.05)
    for number in range(59):
        light = 3.0 if number else 9.0
        test.count.add(Figures({"light_p95_ms": light, "visible_steps": 0.0, "airtime_share": 0.02}, {}), [])
    return Outcome(Question(LAKE), [cheap, dear, *more], [test], 63)


def test_a_limit_stands_at_the_same_place_of_every_scale() -> None:
    assert to_limit(12.5, 12.5, 99.0) == to_limit(0.3, 0.3, 99.0) == LIMIT_AT
    assert to_limit(math.inf, 12.5, 99.0) > 1
    # Where none is allowed the limit is the left end, and the worst the right one.
    assert [to_limit(value, 0.0, 4.0) for value in (0.0, 2.0, 4.0)] == [0.0, 0.5, 1.0]
    assert to_limit(0.0, 0.0, 0.0) == 0.0
    assert [of_share(share) for share in (0.0, 0.25, 1.0)] == [0.0, 0.5, 1.0]


def test_a_sweeps_page_marks_what_is_chosen_and_tells_of_each_target_how_far_and_how_often() -> None:
    outcome = a_sweep()
    document = page(outcome, advise(outcome), ["beware"], "leadlight tune --vary x")
    text = text_of(document)
    assert "Quarry Lake lantern trail: settings Recommended: beacon interval 4 s. At most 1 evening in 20" in text
    assert document.count('<tr class="chosen">') == 3  # in each panel: any target, light, jumps
    assert "Distance of light from the music (p95): target 12.5 ms" in text
    assert "Visible jumps: none is allowed" in text
    # The cheap one's worst evening is twice the target, further than the scale reaches; 1 of 2 evenings missed it.
    assert "beacon interval 5 s 25 ms explored: 1 of 2, 1 to 99 %" in text
    assert "beacon interval 4 s (chosen) 9 ms explored: 0 of 2, 0 to 84 % proof: 0 of 59, 0 to 6 %" in text
    light = document[document.index("Distance of light") : document.index("Visible jumps")]
    assert light.count('class="limit" style="left:60.00%"') == 2
    assert light.count('class="dot beyond"') == 1
    assert 'class="dot second" style="margin-top:6px;left:43.20%"' in light  # 9 of 12.5
    assert "Warning: beware" in text
    assert "<pre>leadlight tune --vary x</pre>" in document
    assert not re.search(r"""(?:src|href)\s*=|url\(|@import""", document)


def test_of_many_candidates_those_beside_the_chosen_are_drawn_and_all_are_listed() -> None:
    outcome = a_sweep(40)
    document = page(outcome, advise(outcome))
    assert f"Drawn are {LINES_MAXIMUM} of 40 candidates" in document
    assert document[document.index("Every candidate") :].count("<tr>") == 41  # with its head
    assert document.count('<tr class="chosen">') == 3


def test_a_sweep_without_an_evening_has_a_page_too() -> None:
    tried = combinations(LAKE, [Choice("leader.interval_s", (1.0, 2.0))])
    outcome = Outcome(Question(LAKE), tried, stopped="time was up")
    assert '<header class="band bad">' in page(outcome, advise(outcome))


def figures(*lights: float) -> list[Figures]:
    return [Figures({"light_p95_ms": light, "visible_steps": 0.0}, {}) for light in lights]


@pytest.mark.parametrize("limits", [None, [{"light_p95_ms": 12.5, "visible_steps": 0.0}] * 2])
def test_a_comparisons_page_tells_what_differs_and_draws_it(limits: list[dict[str, float]] | None) -> None:
    variants = [Variant("a <b>", LAKE), Variant("c", LAKE)]
    measures = [BY_KEY["light_p95_ms"], BY_KEY["visible_steps"]]
    later = [5.5 + 0.01 * number for number in range(11)]
    found = compared(variants, [figures(*[5.0] * 12), figures(*later, 25.0)], measures, limits)
    document = comparison_page(found, "2 side by side", "leadlight compare")
    text = text_of(document)
    assert "a &lt;b&gt;" in document
    assert "They differ for certain in light, p95." in text
    assert "c against a <b>: light, p95 +0.55 ms." in text
    assert "Nothing differs in visible jumps." in text
    assert document.count('class="dot real"') == 1
    assert ("target 12.5 ms" in text) == ("1 of 12, 0 to 38 %" in text) == (limits is not None)


def test_what_is_never_reached_and_what_has_no_interval_is_drawn_at_the_edges() -> None:
    variants = [Variant("a", LAKE), Variant("b", LAKE)]
    found = compared(variants, [figures(5.0, 5.0), figures(math.inf, math.inf)], [BY_KEY["light_p95_ms"]])
    document = comparison_page(found, "2 side by side")
    assert "No difference is certain." in document
    assert "nan" not in document
    assert re.search(r"left:0\.00%;right:calc\(100% - 100\.00%\)", document)
