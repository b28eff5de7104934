"""A sweep as a table, and as plain values."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any, Final, TextIO

from leadlight_sim.measures import digits_of
from leadlight_sim.telling import NOTHING, Heading, as_ms, console_of
from leadlight_sim.telling import print_table as print_rows
from leadlight_sim.tune.advice import BY_KEY, Advice
from leadlight_sim.tune.candidates import Candidate, Count
from leadlight_sim.tune.sweep import Outcome, Trial

HEADINGS: Final = (
    Heading("setting", is_number=False, folds=True), Heading("airtime"), Heading("light,\nworst p95"),
    Heading("worst\npair"), Heading("evenings"), Heading("missed"), Heading("most often", is_number=False, folds=True),
    Heading("proof", is_number=False, folds=True),
)  # fmt: skip
COLUMNS_NOTE: Final = (
    "Evenings to missed: of exploration, which promises nothing. Worst: of all of them. Proof: fresh evenings."
)


def print_table(outcome: Outcome, stream: TextIO) -> None:
    """Print a row for every candidate, the cheapest in airtime first."""
    console = console_of(stream)
    print_rows(console, HEADINGS, rows_of(outcome), ("light, worst p95", "worst pair"))
    console.print(COLUMNS_NOTE)


def rows_of(outcome: Outcome) -> list[list[str]]:
    """Return the cells of every candidate, the cheapest in airtime first."""
    rows = []
    for each in by_airtime(outcome):
        seen = each.seen
        most = BY_KEY[seen.first_missed].short if seen.first_missed is not None else NOTHING
        cells = [each.name, f"{digits_of(seen.airtime_share * 100)} %" if seen.evenings else NOTHING]
        cells += [_worst(seen, "light_p95_ms"), _worst(seen, "pair_p95_ms"), str(seen.evenings), str(seen.missed)]
        rows.append([*cells, most, standing(outcome, each)])
    return rows


def by_airtime(outcome: Outcome) -> list[Candidate]:
    """Return the candidates by rising airtime, those that were never run last."""
    return sorted(outcome.candidates, key=lambda each: each.seen.airtime_share if each.seen.evenings else math.inf)


def standing(outcome: Outcome, candidate: Candidate) -> str:
    """Return in a few words how a candidate stands."""
    test = next((test for test in outcome.tests if test.candidate is candidate), None)
    if test is None:
        return "left" if candidate.is_left else "not tested" if outcome.proven else "open"
    word = "proven" if test.has_passed else "failed" if test.has_failed else "open"
    return f"{word}: {test.count.missed} of {test.count.evenings}"


def _worst(count: Count, key: str) -> str:
    value = count.worst.get(key)
    return NOTHING if value is None else "never" if math.isinf(value) else as_ms(value)


def to_json(outcome: Outcome, advice: Advice) -> dict[str, Any]:
    """Return a sweep as plain values; ``None`` for what was never reached or scored."""
    question = outcome.question
    return {
        "scenario": question.scenario.name,
        "scenario_digest": question.digest,
        "share": question.share,
        "confidence": question.confidence,
        "runs": outcome.runs,
        "stopped": outcome.stopped,
        "candidates": [
            {
                "settings": each.plain(),
                "name": each.name,
                "airtime_share": _plain(each.seen.airtime_share),
                "explored": _count(each.seen),
                "left": each.is_left,
                "standing": standing(outcome, each),
                "limits": dict(each.limits),
            }
            for each in by_airtime(outcome)
        ],
        "tests": [_test(test) for test in outcome.tests],
        "recommended": None if advice.candidate is None else advice.candidate.plain(),
        "headline": advice.headline,
        "sentences": list(advice.sentences),
    }


def _test(test: Trial) -> dict[str, Any]:
    return {
        "settings": test.candidate.plain(),
        "level": test.level,
        "evenings": test.size.evenings,
        "misses_allowed": test.size.misses,
        "made": _count(test.count),
        "passed": test.has_passed,
        "failed": test.has_failed,
    }


def _count(count: Count) -> dict[str, Any]:
    plain = asdict(count) | {"worst": {key: _plain(value) for key, value in count.worst.items()}}
    del plain["airtime_sum"]
    return plain


def _plain(value: float) -> float | None:
    return value if math.isfinite(value) else None
