"""The verdict on a rehearsal in plain sentences: whether it meets its targets, and why not."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from leadlight_sim.measures.rehearsal import Rehearsal
from leadlight_sim.measures.scores import (
    FollowerScore,
    Scores,
    distance_of,
    naive_distance_of,
    was_show_on,
    worst_first,
)
from leadlight_sim.measures.targets import MEASURES, Place, figures_of, limits_of, misses_of
from leadlight_sim.scenario import Scenario
from leadlight_sim.telling import as_time, as_times, possessive

NOTABLE_BIAS_MS: Final = 1.0
"""A bias smaller than this is not worth a sentence: trims are found by eye or camera to about as much."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer in plain words: whether the crowd will see anything, and a sentence for each thing worth knowing."""

    good: bool
    headline: str
    sentences: tuple[str, ...]
    missed: tuple[str, ...] = ()
    """The keys of the measures whose targets were missed."""


def judge(rehearsal: Rehearsal) -> Verdict:
    """Return the verdict on a rehearsal, by its scenario's own targets: of what was seen, not of clocks.

    Where no show was on while anything was scored it is of the clocks, and says so.
    """
    scores = rehearsal.scores
    was_on = was_show_on(scores)
    limits = limits_of(rehearsal.scenario)
    misses = misses_of(figures_of(rehearsal), limits)
    ranked = worst_first(scores.followers)
    order = {score.name: place for place, score in enumerate(ranked)}
    failures: list[str] = []
    for miss in misses:
        over = [place for place in miss.measure.places(rehearsal) if place[1] > miss.limit]
        over.sort(key=lambda place: order.get(place[0], 0))
        failures.extend(_WORDS[miss.measure.key](rehearsal, over, miss.limit))
    notes = _distances(scores, was_on)
    for measure in MEASURES:
        if measure.key == ("tight_pair_p95_ms" if was_on else "clock_tight_pair_p95_ms"):
            limit = limits["tight_pair_p95_ms"]
            for pair, gap_ms in measure.places(rehearsal):
                if gap_ms <= limit:
                    notes.append(f"{_sharing(pair)} stay within {as_time(gap_ms)} of each other (p95).")
    notes.extend(rests_on(rehearsal.scenario))
    notes.extend(_joins(rehearsal))
    notes.extend(_biases(ranked))
    notes.append(
        f"Timing takes {scores.airtime_share * 100:.2f} % of the channel's time over the whole run, joining included."
    )
    if all(score.dark_share == 1 for score in ranked):
        headline = "The crowd will see no show: every light stays dark."
    else:
        headline = "The crowd will see the network." if failures else "The crowd will see nothing of the network."
    sentences = [sentence[0].upper() + sentence[1:] for sentence in (*failures, *notes)]
    return Verdict(not misses, headline, tuple(sentences), tuple(miss.measure.key for miss in misses))


def rests_on(scenario: Scenario) -> list[str]:
    """Return in sentences what recording a scenario's air was learnt from, and what that did not tell; none if none."""
    fitted = scenario.air.fitted
    if fitted is None or fitted.rests_on is None:
        return []
    found = fitted.rests_on
    when = f"made on {found.recorded_at} UTC" if found.recorded_at else "made nobody knows when"
    length = f"{found.seconds:.0f} s" if found.seconds < 120 else f"{found.seconds / 60:.0f} min"
    hosts = f"{found.hosts} host{'s' if found.hosts != 1 else ''}"
    said = [f"The network is a recording of {length} with {hosts}, {when} ({found.recording or 'a file'})."]
    if found.assumed:
        said.append(f"Not recorded, and assumed: {found.assumed[0]}")
        if len(found.assumed) > 1:
            said.append(f"{len(found.assumed) - 1} more assumptions are in its file and in what leadlight fit told.")
    return said


# --- What is missed, in words -----------------------------------------------------------------------------------------


def _far(rehearsal: Rehearsal, over: Sequence[Place], limit: float) -> Iterable[str]:
    by_name = {score.name: score for score in rehearsal.scores.followers}
    late = [name for name, value in over if not math.isinf(value)]
    unscored = [name for name, value in over if math.isinf(value) and by_name[name].join_s is not None
                and by_name[name].dark_share != 1]  # fmt: skip
    dark = [name for name, value in over if math.isinf(value) and by_name[name].dark_share == 1]
    if dark:
        yield f"{_listed(dark)} stayed dark whenever a show was on."
    if unscored:
        yield (
            f"Nothing is known of {_listed(unscored)}: the run ended before {rehearsal.scenario.run.settle_s:g} s had "
            f"passed since the first beacon."
        )
    if late:
        yield (
            f"{_listed(late)} {_is_are(late)} more than {limit:g} ms from the music for more than a twentieth of the "
            f"time."
        )


def _apart(_: Rehearsal, over: Sequence[Place], limit: float) -> Iterable[str]:
    for pair, gap_ms in over:
        if math.isinf(gap_ms):
            yield "No two pieces were ever in the show together."
        else:
            yield (f"The worst pair, {pair}, differs by {as_time(gap_ms)} (p95), above the target of {limit:g} ms.")


def _tight_apart(_: Rehearsal, over: Sequence[Place], limit: float) -> Iterable[str]:
    for pair, gap_ms in over:
        if math.isinf(gap_ms):
            yield f"{_sharing(pair)} were never in the show together."
        else:
            yield f"{_sharing(pair)} differ by {as_time(gap_ms)} (p95), above {limit:g} ms."


def _wrong(rehearsal: Rehearsal, over: Sequence[Place], limit: float) -> Iterable[str]:
    dark = {score.name for score in rehearsal.scores.followers if score.dark_share == 1}
    # Those that stayed dark are told of by their light.
    wrong = [name for name, _ in over if name not in dark]
    if wrong:
        yield (
            f"{_listed(wrong)} {_is_are(wrong)} dark or on another frame than the music for more than "
            f"{limit * 100:.0f} % of the time."
        )


def _jumped(_: Rehearsal, over: Sequence[Place], _limit: float) -> Iterable[str]:
    for __, jumps in over:
        yield f"{jumps:.0f} jump{'s' if jumps > 1 else ''} of a frame or more can be seen."


def _cues(rehearsal: Rehearsal, over: Sequence[Place], _: float) -> Iterable[str]:
    missed = {score.name: score.missed_cues for score in rehearsal.scores.followers}
    for count in sorted({missed[name] for name, _ in over} - {0}, reverse=True):
        names = [name for name, _ in over if missed[name] == count]
        yield f"{_listed(names)} missed {'a cue' if count == 1 else f'{count} cues'} of the running order."
    for name, late_ms in over:
        if not missed[name]:
            yield f"{name} took up a cue {as_time(late_ms)} late."


def _joined(_: Rehearsal, over: Sequence[Place], limit: float) -> Iterable[str]:
    never = [name for name, value in over if math.isinf(value)]
    slow = [name for name, value in over if not math.isinf(value)]
    if never:
        yield f"{_listed(never)} never came into step."
    if slow:
        yield f"{_listed(slow)} took longer than {limit:g} s to join, with a show on."


def _returned(_: Rehearsal, over: Sequence[Place], __: float) -> Iterable[str]:
    for name, taken_s in over:
        if math.isinf(taken_s):
            yield f"{name} did not come back into step after its power returned."
        else:
            yield f"{name} took {taken_s:.1f} s to come back after its power returned."


def _crowded(_: Rehearsal, __: Sequence[Place], ___: float) -> Iterable[str]:
    yield "The radio was asked for more than it can carry: packets waited in line, or were dropped."


def _costly(_: Rehearsal, over: Sequence[Place], limit: float) -> Iterable[str]:
    for __, share in over:
        yield f"Timing takes {share * 100:.2f} % of the channel's time, above the {limit * 100:g} % allowed."


_WORDS: Final[Mapping[str, Callable[[Rehearsal, Sequence[Place], float], Iterable[str]]]] = {
    "light_p95_ms": _far,
    "pair_p95_ms": _apart,
    "tight_pair_p95_ms": _tight_apart,
    "wrong_frame_share": _wrong,
    "visible_steps": _jumped,
    "cue_lateness_ms": _cues,
    "seen_joining_s": _joined,
    "rejoin_s": _returned,
    "over_capacity": _crowded,
    "airtime_share": _costly,
    "clock_p95_ms": _far,
    "clock_pair_p95_ms": _apart,
    "clock_tight_pair_p95_ms": _tight_apart,
}


# --- What is worth knowing --------------------------------------------------------------------------------------------


def _sharing(pair: str) -> str:
    return f"{pair}, which share a surface,"


def _joins(rehearsal: Rehearsal) -> Iterable[str]:
    """Tell of boards that were slow to join before there was anything to see, and of those that came back in time."""
    targets = rehearsal.scenario.targets
    first_s = min(cue.at_s for cue in rehearsal.scenario.cues)
    for score in rehearsal.scores.followers:
        is_slow = score.join_s is not None and score.join_s > targets.join_s
        if is_slow and score.joined_at_s is not None and score.joined_at_s <= first_s:
            yield f"{score.name} took {score.join_s:.1f} s to join, and was in step before the first cue."
        for taken in score.rejoin_s:
            if taken is not None and taken <= targets.recover_s:
                yield f"{score.name}, whose power failed, was back in step {_span(taken)} of its first beacon."


def _distances(scores: Scores, was_on: bool) -> list[str]:
    """How far pieces are from the music, their clocks from the leader's, and the naive way: of those that are known."""
    known = [score for score in worst_first(scores.followers) if not math.isnan(distance_of(score, scores).p95)]
    if not known:
        return []
    said = []
    worst = known[0]
    p95 = distance_of(worst, scores).p95
    clock = max(known, key=lambda score: score.error_ms.p95)
    clocks = (
        f"the worst clock, {possessive(clock.name)}, is within {as_time(clock.error_ms.p95)} of the leader's 95 % of "
        "the time"
    )
    if was_on:
        furthest = max(known, key=lambda score: score.light_ms.max)
        said.append(
            f"The worst piece, {worst.name}, shows its light within {as_time(p95)} of the music 95 % of the time; "
            f"the furthest that any was for a moment is {as_time(furthest.light_ms.max)}, {furthest.name}."
        )
        said.append(f"In that, {clocks}; the rest is what playheads correct, and players that wake late for a frame.")
    else:
        said.append(f"No show was on while anything was scored; {clocks}.")
    naive = max((one for score in known if not math.isnan(one := naive_distance_of(score, scores).p95)), default=0.0)
    if naive > p95 > 0:
        said.append(
            f"Boards that simply believed the latest beacon would be {as_time(naive)} off (p95, the worst): "
            f"about {as_times(naive / p95)} times as far."
        )
    return said


def _biases(ranked: Sequence[FollowerScore]) -> list[str]:
    """The piece with the largest bias, where that is worth a trim and a trim brings it closer."""
    bias = max(ranked, key=lambda score: 0.0 if math.isnan(score.light_bias_ms) else abs(score.light_bias_ms))
    if not abs(bias.light_bias_ms) >= NOTABLE_BIAS_MS or not bias.trimmed_p95_ms < bias.light_ms.p95:
        return []
    side = "ahead of" if bias.light_bias_ms > 0 else "behind"
    return [
        f"{bias.name} is {as_time(abs(bias.light_bias_ms))} {side} the music half the time or more; shown "
        f"{'later' if bias.light_bias_ms > 0 else 'sooner'} by as much (trim_ms), it would be within "
        f"{as_time(bias.trimmed_p95_ms)} 95 % of the time."
    ]


def _span(taken_s: float) -> str:
    if taken_s == 0:
        return "at the instant"
    return "within a tenth of a second" if taken_s <= 0.1 else f"within {taken_s:.1f} s"


def _listed(names: list[str]) -> str:
    if len(names) == 1:
        return names[0]
    if len(names) > 4:
        return f"{', '.join(names[:3])} and {len(names) - 3} more"
    return f"{', '.join(names[:-1])} and {names[-1]}"


def _is_are(items: list[Any]) -> str:
    return "is" if len(items) == 1 else "are"
