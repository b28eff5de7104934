"""The page of a sweep: what to take and why, and of every target how far each candidate stays from it, and how often.

A panel's scale is that of its target, so that panels are read alike: right of the dashed line is a miss.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any, Final

from leadlight_sim.drawing import LIMIT_AT, Gauge, Line, Mark, Panel, Scale, of_share, rendered, to_limit
from leadlight_sim.measures import MEASURES, Measure, digits_of, limit_for
from leadlight_sim.tune.advice import Advice
from leadlight_sim.tune.candidates import Candidate, Count
from leadlight_sim.tune.proof import share_interval
from leadlight_sim.tune.sweep import Outcome
from leadlight_sim.tune.tables import COLUMNS_NOTE, HEADINGS, by_airtime, rows_of

TEMPLATE: Final = "panels.html.j2"
LINES_MAXIMUM: Final = 12
NONE_ALLOWED: Final = "none is allowed"
EXPLORED, PROOF = "first", "second"


def page(outcome: Outcome, advice: Advice, warnings: Sequence[str] = (), command: str = "") -> str:
    """Return a sweep as HTML, finished or not; ``command`` is the command line that repeats it."""
    drawn = _drawn(outcome, advice)
    key = [
        "Blue-green circle: the worst of what exploration saw, which promises nothing. Orange square: the same of "
        "fresh evenings, which the proof rests on. Bars are 95 % intervals of a share of evenings; its scale goes by "
        "the root, so that small shares have room. An arrow: further off than the scale reaches."
    ]
    if len(drawn) < len(outcome.candidates):
        key.append(f"Drawn are {len(drawn)} of {len(outcome.candidates)} candidates; the table below has all.")
    is_line = [sentence.startswith("To ") for sentence in advice.sentences]
    return rendered(
        TEMPLATE,
        name=f"{outcome.question.scenario.name}: settings",
        headline=advice.headline,
        good=advice.candidate is not None,
        sentences=[sentence for sentence, pasted in zip(advice.sentences, is_line, strict=True) if not pasted]
        or ["No evening was rehearsed to the end."],
        lines_to_paste=[sentence for sentence, pasted in zip(advice.sentences, is_line, strict=True) if pasted],
        key=[*key, *(f"Warning: {warning}" for warning in warnings)],
        what="setting",
        panels=list(_panels(outcome, advice, drawn)),
        tables=[("Every candidate, the cheapest in airtime first", HEADINGS, rows_of(outcome))],
        notes=[COLUMNS_NOTE, f"Scenario digest: {outcome.question.digest}."],
        command=command,
        maker="leadlight tune",
    )


def _drawn(outcome: Outcome, advice: Advice) -> list[Candidate]:
    """Return the candidates to draw, by airtime: what is chosen, what was tested, then those beside it."""
    ranked = [each for each in by_airtime(outcome) if each.seen.evenings]
    tested = [test.candidate for test in outcome.tests]
    centre = ranked.index(advice.candidate) if advice.candidate in ranked else 0
    wanted = sorted(
        range(len(ranked)),
        key=lambda place: (ranked[place] is not advice.candidate, ranked[place] not in tested, abs(place - centre)),
    )
    kept = set(wanted[:LINES_MAXIMUM])
    return [each for place, each in enumerate(ranked) if place in kept]


def _counts(outcome: Outcome, candidate: Candidate) -> list[tuple[str, Count]]:
    """What is known of a candidate: of exploration, and of its test."""
    found = [(EXPLORED, candidate.seen)]
    found += [(PROOF, test.count) for test in outcome.tests if test.candidate is candidate and test.count.evenings]
    return found


def _panels(outcome: Outcome, advice: Advice, drawn: Sequence[Candidate]) -> Iterable[Panel]:
    airtime = next(measure for measure in MEASURES if measure.key == "airtime_share")
    allowed = outcome.question.share
    most = max((each.seen.airtime_share for each in drawn), default=0.0) or 1.0
    chances = Scale("evenings that miss it", of_share(allowed), f"{digits_of(allowed * 100)} % allowed")
    yield Panel(
        f"Any target at all: missed in {digits_of(allowed * 100)} % of evenings at most",
        "First how much of the channel's time timing takes, against its target if it has one; then the share of "
        "evenings that miss one target or more. The cheapest is at the top; what to take is the first whose test was "
        "passed.",
        (_scale(airtime, drawn, "airtime"), chances),
        tuple(
            Line(each.name, (_airtime(each, airtime, most), _chance(each, outcome, None)), each is advice.candidate)
            for each in drawn
        ),
    )
    for measure in MEASURES:
        told = [each for each in drawn if _limit(each, measure) is not None and measure.key in each.seen.worst]
        if not told:
            continue
        yield Panel(
            f"{measure.name[0].upper()}{measure.name[1:]}: {_target(measure, told)}",
            "First the worst evening's, against the target; then the share of evenings that miss this one.",
            (_scale(measure, told, "in the worst evening"), chances),
            tuple(
                Line(
                    each.name,
                    (_worst(each, outcome, measure, _largest(told, outcome, measure)), _chance(each, outcome, measure)),
                    each is advice.candidate,
                )
                for each in told
            ),
        )


def _limit(candidate: Candidate, measure: Measure[Any]) -> float | None:
    return limit_for(measure, candidate.seen.worst, candidate.limits)


def _scale(measure: Measure[Any], told: Sequence[Candidate], title: str) -> Scale:
    target = _target(measure, told)
    if not target:
        return Scale(title)
    return Scale(title, 0.0 if target == NONE_ALLOWED else LIMIT_AT, target)


def _target(measure: Measure[Any], told: Sequence[Candidate]) -> str:
    """Return the target in words; nothing where there is none."""
    limits = {_limit(each, measure) for each in told} - {None}
    if len(limits) > 1:
        return "each against its own target"
    limit = next(iter(limits), None)
    if limit is None:
        return ""
    return f"target {measure.told(limit)}" if limit else NONE_ALLOWED


def _largest(told: Sequence[Candidate], outcome: Outcome, measure: Measure[Any]) -> float:
    values = [count.worst.get(measure.key, 0.0) for each in told for _, count in _counts(outcome, each)]
    return max((value for value in values if math.isfinite(value)), default=0.0)


def _airtime(candidate: Candidate, measure: Measure[Any], largest: float) -> Gauge:
    share = candidate.seen.airtime_share
    limit = _limit(candidate, measure)
    at = share / largest if limit is None else to_limit(share, limit, largest)
    return Gauge((Mark(at, EXPLORED),), measure.told(share))


def _worst(candidate: Candidate, outcome: Outcome, measure: Measure[Any], largest: float) -> Gauge:
    limit = _limit(candidate, measure)
    assert limit is not None
    counts = [(kind, count) for kind, count in _counts(outcome, candidate) if measure.key in count.worst]
    marks = tuple(Mark(to_limit(count.worst[measure.key], limit, largest), kind) for kind, count in counts)
    return Gauge(marks, measure.told(max(count.worst[measure.key] for _, count in counts)))


def _chance(candidate: Candidate, outcome: Outcome, measure: Measure[Any] | None) -> Gauge:
    marks, told = [], []
    for kind, count in _counts(outcome, candidate):
        missed = count.missed if measure is None else count.misses.get(measure.key, 0)
        low, high = share_interval(missed, count.evenings)
        marks.append(Mark(of_share(missed / count.evenings), kind, of_share(low), of_share(high)))
        word = "proof" if kind == PROOF else "explored"
        told.append(f"{word}: {missed} of {count.evenings}, {low * 100:.0f} to {high * 100:.0f} %")
    return Gauge(tuple(marks), "\n".join(told))
