"""The answer of a sweep in plain words: what to take, how sure that is, what binds, what the next cheaper breaks."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from leadlight.terms import Delivery
from leadlight_sim.measures import MEASURES, digits_of, limit_for, rests_on
from leadlight_sim.tune.candidates import Candidate, Count
from leadlight_sim.tune.proof import share_at_most, share_interval
from leadlight_sim.tune.sweep import Outcome, Question, Trial

BY_KEY: Final = {measure.key: measure for measure in MEASURES}


@dataclass(frozen=True, slots=True)
class Advice:
    """The answer: a headline, and a sentence for each thing worth knowing. ``candidate``: what to take, if anything."""

    candidate: Candidate | None
    headline: str
    sentences: tuple[str, ...]


def advise(outcome: Outcome, rehearse: str = "leadlight rehearse") -> Advice:
    """Return what to tell of a sweep, finished or not; ``rehearse`` is the command that rehearses its scenario."""
    proven = outcome.proven
    if proven is None:
        return Advice(None, "No setting is proven.", tuple(_unproven(outcome)))
    best = proven.candidate
    sentences = [
        f"{_promise(outcome.question)}: {_sure(outcome.question)}, from {_evenings(proven.count.evenings)} with "
        f"{_misses(proven.count.missed)}, none of which had a part in choosing it.",
        f"Timing then takes {_percent(best.seen.airtime_share)} % of the channel's time.",
        *_binding(proven),
        *_cheaper(outcome, proven),
        *_failed_tests(outcome),
        *_to_have_it(best, rehearse),
        *best.contradictions(),
        *rests_on(outcome.question.scenario),
        "All of it is of one modelled place; another network is another question.",
    ]
    return Advice(best, f"Recommended: {best.name}.", tuple(sentences))


def _unproven(outcome: Outcome) -> Iterable[str]:
    if outcome.stopped is not None:
        yield f"It ended before it was done: {outcome.stopped}."
    yield from _failed_tests(outcome)
    test = outcome.tests[-1] if outcome.tests else None
    if test is not None and not test.has_failed:
        count = test.count
        yield (
            f"Open: {test.candidate.name} was being tested. Of {test.size.evenings} evenings {count.evenings} were "
            f"made, with {_misses(count.missed)}."
        )
        if count.evenings and outcome.stopped == "time was up":
            most = share_at_most(count.missed, count.evenings, test.level)
            yield (
                f"What these do show, {_percent_sure(1 - test.level)} sure: at most {digits_of(most * 100, 2)} % of "
                f"evenings miss a target."
            )
    others = [each for each in outcome.in_play if each.seen.evenings and (test is None or each is not test.candidate)]
    if others:
        also = " as well" if test is not None and not test.has_failed else ""
        yield f"Open{also}, neither proven nor failed: {'; '.join(_seen(each) for each in others)}."
    if not outcome.in_play:
        nearest = min(outcome.candidates, key=lambda each: (each.seen.missed / max(each.seen.evenings, 1)))
        yield f"Nothing is left to test. The nearest was {nearest.name}, {_broken(_counted(outcome, nearest))}."
        yield "Other values, a more forgiving target or a larger --share may do; `leadlight rehearse` shows more."
    yield from rests_on(outcome.question.scenario)


def _promise(question: Question) -> str:
    one_in = 1 / question.share
    if abs(one_in - round(one_in)) < 1e-9:
        return f"At most 1 evening in {round(one_in)} misses a target"
    return f"At most {digits_of(question.share * 100)} % of evenings miss a target"


def _sure(question: Question) -> str:
    return f"{_percent_sure(question.confidence)} sure"


def _percent_sure(confidence: float) -> str:
    return f"{confidence * 100:.4g} %"


def _percent(share: float) -> str:
    return digits_of(share * 100)


def _evenings(count: int) -> str:
    return f"{count} evening{'' if count == 1 else 's'}"


def _misses(count: int) -> str:
    return "no miss" if count == 0 else f"{count} miss{'' if count == 1 else 'es'}"


def _seen(candidate: Candidate) -> str:
    return f"{candidate.name} ({_misses(candidate.seen.missed)} in {_evenings(candidate.seen.evenings)})"


def _counted(outcome: Outcome, candidate: Candidate) -> Count:
    """What tells most of a candidate: its test, or what exploration saw."""
    return next((test.count for test in outcome.tests if test.candidate is candidate), candidate.seen)


def _broken(count: Count) -> str:
    """Return what evenings missed, and how often."""
    if count.first_missed is None:
        return f"which missed nothing in {_evenings(count.evenings)}"
    low, high = share_interval(count.missed, count.evenings)
    told = (
        f"which missed a target in {count.missed} of {_evenings(count.evenings)} (between {low * 100:.0f} and "
        f"{high * 100:.0f} % of them, 95 % sure)"
    )
    measure = BY_KEY[count.first_missed]
    worst = count.worst[measure.key]
    return f"{told}; most often {measure.name}, at worst {measure.told(worst)}"


def _binding(proven: Trial) -> Iterable[str]:
    """Say which target has the least room left in the worst evening."""
    worst = proven.count.worst
    limits = proven.candidate.limits
    used = [
        (worst[measure.key] / limit, measure, limit)
        for measure in MEASURES
        if measure.key in worst and (limit := limit_for(measure, worst, limits))
    ]
    if used:
        share, measure, limit = max(used, key=lambda one: one[0])
        value = worst[measure.key]
        reached = "never reached" if math.isinf(share) else f"{measure.told(value)} of {measure.told(limit)}"
        yield f"What binds is {measure.name}: {reached} in the worst of these evenings."


def _cheaper(outcome: Outcome, proven: Trial) -> Iterable[str]:
    """Say what the next cheaper candidate would break, and how often."""
    best = proven.candidate
    cheaper = [each for each in outcome.candidates if each.seen.airtime_share < best.seen.airtime_share]
    if not cheaper:
        yield "Nothing that was tried takes less."
        return
    below = max(cheaper, key=lambda each: each.seen.airtime_share)
    takes = f"The next cheaper, {below.name}, takes {_percent(below.seen.airtime_share)} %"
    if below in outcome.in_play:
        ratio = below.seen.airtime_share / best.seen.airtime_share
        yield f"{takes}: {digits_of((1 - ratio) * 100, 2)} % less, as good as the same. It was not tested."
    else:
        yield f"{takes}, {_broken(_counted(outcome, below))}."


def _failed_tests(outcome: Outcome) -> Iterable[str]:
    for test in outcome.tests:
        if test.has_failed:
            yield (
                f"{test.candidate.name} was tested before and failed: {_misses(test.count.missed)} in "
                f"{_evenings(test.count.evenings)}, where {test.size.evenings} may have {test.size.misses}."
            )


def _to_have_it(best: Candidate, rehearse: str) -> Iterable[str]:
    if best.settings:
        yield f"To rehearse it: {rehearse} {best.to_set()}"
    if (line := best.to_lead()) is not None:
        yield f"To lead so: {line}"
    if best.delivery is Delivery.COPIES:
        yield (
            "Nothing then tells a board where its leader is, so give each the leader's address: "
            "`leadlight follow --leader HOST:PORT`."
        )
