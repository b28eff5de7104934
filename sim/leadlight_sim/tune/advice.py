"""The recommendation of a sweep in plain words: which interval, by which delivery, and why not another.

Of each delivery the longest interval that meets every target in every run is looked at, and of these the one that takes
the least airtime is recommended. Deliveries that take as good as the same go by the order in which they are told:
automatic, which sends copies only where they are needed, before group, copies, which asks boards to know where their
leader is, and both. Where one delivery alone was tried, no sentence speaks of deliveries.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from leadlight.terms import Delivery
from leadlight_sim.tune.results import DELIVERIES, MEASURES, Standing, by_delivery, digits_of

AS_GOOD_AS_THE_SAME: Final = 1.1
"""Ratio below which two shares of airtime are no reason to choose: one evening differs from the next by as much."""
AS_MUCH: Final = 0.005
"""Part by which two shares of airtime may differ and be told as the same."""


@dataclass(frozen=True, slots=True)
class Recommendation:
    """The answer in plain words: the combination to take, or where none will do the nearest to it."""

    interval_s: float
    delivery: Delivery
    meets_targets: bool
    headline: str
    sentences: tuple[str, ...]


def recommend(found: Sequence[Standing], targets: Mapping[str, float]) -> Recommendation:
    """Return which combination to take.

    ``found`` is what ``standings`` made of at least one combination, each with all its runs.
    """
    sweep = _Sweep(found, targets)
    longest = [meeting[-1] for meeting in by_delivery(sweep.meeting).values()]
    if not longest:
        return _none_will_do(sweep)
    least = min(longest, key=lambda standing: standing.airtime_share)
    best = next(each for each in longest if each.airtime_share < AS_GOOD_AS_THE_SAME * least.airtime_share)
    sentences = [
        *_why(sweep, best, least),
        *_closest(sweep, best),
        *_neighbours(sweep, best),
        *_other_deliveries(sweep, best),
        *_late_cues(sweep, best),
        *_jumps(sweep, best),
        *_to_set(sweep, best),
        _how_sure(sweep, best),
    ]
    if sweep.is_of_several:
        headline = f"Recommended: beacon interval {best.interval_s:g} s, delivery {best.delivery}."
    else:
        headline = f"Recommended beacon interval: {best.interval_s:g} s."
    return Recommendation(best.interval_s, best.delivery, True, headline, tuple(sentences))


class _Sweep:
    """What was found, and how it is spoken of."""

    def __init__(self, found: Sequence[Standing], targets: Mapping[str, float]) -> None:
        self.found = found
        self.targets = targets
        self.meeting = [standing for standing in found if not standing.shortfalls]
        self.grouped = by_delivery(found)
        self.is_of_several = len(self.grouped) > 1
        """Whether several deliveries were tried."""
        self.tried = "combination" if self.is_of_several else "interval"

    def named(self, standing: Standing) -> str:
        """Return what to call a combination."""
        interval = f"{standing.interval_s:g} s"
        return f"delivery {standing.delivery} at {interval}" if self.is_of_several else interval


# --- Where nothing will do --------------------------------------------------------------------------------------------


def _none_will_do(sweep: _Sweep) -> Recommendation:
    found, tried = sweep.found, sweep.tried
    best = _nearest(found)
    worst = best.worst_shortfall
    if len(found) > 1:
        headline = f"None of the {len(found)} {tried}s tried meets every target."
        sentences = [f"Nearest to them is {sweep.named(best)}, which fails by {worst.told()}."]
    else:
        headline = f"The only {tried} tried does not meet every target."
        sentences = [f"{sweep.named(best)} fails by {worst.told()}."]
    sentences += [f"It also fails by {other.told()}." for other in best.shortfalls if other is not worst]
    sentences += [
        f"Delivery {delivery} comes nearest at {_fails(_nearest(of_one), ', which')}"
        for delivery, of_one in sweep.grouped.items()
        if delivery is not best.delivery
    ]
    everywhere = [
        measure.name
        for measure in MEASURES
        if all(measure in {each.measure for each in standing.shortfalls} for standing in found)
    ]
    if everywhere and len(found) > 1:
        swept = "the interval and the delivery" if sweep.is_of_several else "the interval"
        sentences.append(
            f"Every {tried} misses the target for {' and '.join(everywhere)}, so the cause lies elsewhere than in "
            f"{swept}."
        )
    sentences.append(_how_sure(sweep, best))
    return Recommendation(best.interval_s, best.delivery, False, headline, tuple(sentences))


def _nearest(found: Sequence[Standing]) -> Standing:
    """Return which of several that all miss a target misses by least."""

    def distance(standing: Standing) -> tuple[float, int, float]:
        # Of two that miss by as much, the one that misses fewer targets; then the longer, which costs less.
        return standing.worst_shortfall.excess, len(standing.shortfalls), -standing.interval_s

    return min(found, key=distance)


# --- Where something will do ------------------------------------------------------------------------------------------


def _why(sweep: _Sweep, best: Standing, least: Standing) -> Iterable[str]:
    runs = len(best.runs)
    airtime = _airtime(best)
    others = [standing.airtime_share for standing in sweep.meeting if standing is not best]
    is_least = best.airtime_share <= min(others, default=0.0)
    if not sweep.is_of_several:
        every_run = "in the one run made of it" if runs == 1 else f"in every one of its {runs} runs"
        claim = ", the least of those that do" if is_least else ""
        yield (
            f"It is the longest interval tried that meets every target {every_run}. Timing then takes at most "
            f"{airtime}{claim}."
        )
        return
    yield f"Each beacon then goes {_going(best.delivery)}."
    every_run = "in the one run made of each" if runs == 1 else f"in every one of {runs} runs"
    if not others:
        yield f"It alone of {len(sweep.found)} combinations meets every target {every_run}. Timing takes {airtime}."
        return
    told = f"{len(sweep.meeting)} of {len(sweep.found)} combinations meet every target {every_run}."
    if best is least:
        yield f"{told} Timing takes at most {airtime} by this one{', the least of them' if is_least else ''}."
    else:
        order = ", ".join(sweep.grouped)
        yield (
            f"{told} Timing takes at most {airtime} by this one. The least is {_airtime(least)}, by "
            f"{sweep.named(least)}: as good as the same, and of such the first of {order} is taken."
        )


def _airtime(standing: Standing) -> str:
    return f"{digits_of(standing.airtime_share * 100)} % of the channel's time"


def _going(delivery: Delivery) -> str:
    out = DELIVERIES[delivery].out
    return out if out.startswith("to ") else f"as {out}"


def _closest(sweep: _Sweep, best: Standing) -> Iterable[str]:
    """Say which target has the least room left."""
    used = [
        (spread.high / sweep.targets[measure.key], measure, spread.high)
        for measure in MEASURES
        if sweep.targets.get(measure.key) and (spread := best.spread(measure)) is not None
    ]
    if not used:
        return
    share, measure, value = max(used, key=lambda one: one[0])
    yield (
        f"Closest to its limit is {measure.name}: {measure.told(value)} of {measure.told(sweep.targets[measure.key])} "
        f"({share * 100:.0f} %) in the worst run."
    )


def _neighbours(sweep: _Sweep, best: Standing) -> Iterable[str]:
    """Say why not the next longer interval by the same delivery, nor the next shorter."""
    beside = sweep.grouped[best.delivery]
    at = beside.index(best)
    if at + 1 == len(beside):
        yield "No longer interval was tried, so a longer one may do as well."
    else:
        yield f"{'By the same delivery ' if sweep.is_of_several else ''}{_fails(beside[at + 1])}"
    if at and beside[at - 1].shortfalls:
        yield f"Shorter is not better here: {_fails(beside[at - 1])}"


def _fails(standing: Standing, which: str = "") -> str:
    others = len(standing.shortfalls) - 1
    more = f", and {others} other target{'s' if others > 1 else ''}" if others else ""
    return f"{standing.interval_s:g} s{which} fails by {standing.worst_shortfall.told()}{more}."


def _other_deliveries(sweep: _Sweep, best: Standing) -> Iterable[str]:
    """Say of each other delivery what it costs where it meets every target, and what it misses where it does not."""
    for delivery, of_one in sweep.grouped.items():
        if delivery is best.delivery:
            continue
        meeting = [standing for standing in of_one if not standing.shortfalls]
        if not meeting:
            nearest = _fails(_nearest(of_one), ", which")
            yield f"Delivery {delivery} meets every target at no interval; nearest is {nearest}"
            continue
        longest = meeting[-1]
        told = f"Delivery {delivery} meets every target too, at {longest.interval_s:g} s, {_against(longest, best)}"
        at = of_one.index(longest)
        if at + 1 < len(of_one):
            told += f" There {_fails(of_one[at + 1])}"
        if delivery is Delivery.AUTOMATIC and best.delivery is Delivery.GROUP:
            told += " What it takes more is copies, to boards that hear too little of the group."
        yield told


def _against(other: Standing, best: Standing) -> str:
    """Compare what two that both meet the targets take, and how far off their pieces are."""
    ratio = other.airtime_share / best.airtime_share
    if abs(ratio - 1) < AS_MUCH:
        takes = "and takes as much airtime"
    elif ratio < 1:
        takes = f"and takes {_airtime(other)}, {digits_of((1 - ratio) * 100, 2)} % less"
    else:
        more = f"{digits_of((ratio - 1) * 100, 2)} % more" if ratio < 2 else f"{digits_of(ratio, 2)} times as much"
        takes = f"but takes {_airtime(other)}, {more}"
    off, against = _off(other), _off(best)
    return f"{takes}; pieces are {'as far off' if off == against else f'off by {off}, against {against}'}."


def _off(standing: Standing) -> str:
    usual = max(run.error_p95_ms for run in standing.runs)
    furthest = max(run.error_max_ms for run in standing.runs)
    return f"{digits_of(usual, 2)} ms (p95) and {digits_of(furthest, 2)} ms at worst"


def _late_cues(sweep: _Sweep, best: Standing) -> Iterable[str]:
    """Say what cue lateness was where nobody asked, if it is beyond what is asked of the error."""
    if "cue_lateness_ms" in sweep.targets:
        return
    beside = sweep.grouped[best.delivery]
    at = beside.index(best)
    latest = [max(run.cue_lateness_ms for run in standing.runs) for standing in beside]
    if latest[at] <= sweep.targets["error_p95_ms"]:
        return
    told = f"No target is set for cue lateness: at {best.interval_s:g} s a cue came {digits_of(latest[at])} ms late"
    shorter = min(range(at + 1), key=lambda index: latest[index])
    if shorter != at:
        told += f", at {beside[shorter].interval_s:g} s never more than {digits_of(latest[shorter])} ms"
    yield f"{told}. --target-cue-ms sets one."


def _jumps(sweep: _Sweep, best: Standing) -> Iterable[str]:
    def most(standing: Standing) -> int:
        return max(run.visible_steps for run in standing.runs)

    if not most(best):
        return
    told = f"Jumps of a frame or more can be seen at it, up to {most(best)} in a run"
    fewest = min(sweep.found, key=most)
    if most(fewest) < most(best):
        at = "by" if sweep.is_of_several else "at"
        yield f"{told}; {at} {sweep.named(fewest)} there are no more than {most(fewest)}."
    elif len(sweep.found) > 1:
        yield f"{told}; no other {sweep.tried} tried has fewer."
    else:
        yield f"{told}."


def _to_set(sweep: _Sweep, best: Standing) -> Iterable[str]:
    """Say how to have it; where the interval alone was asked for, the delivery is as it was."""
    if not sweep.is_of_several:
        return
    interval, delivery = f"{best.interval_s:g}", best.delivery
    yield f"To have it, start the leader with `leadlight lead --interval {interval} --delivery {delivery}`."
    if delivery is Delivery.COPIES:
        yield (
            "Nothing then tells a board where its leader is, so give each the leader's address: "
            "`leadlight follow --leader HOST:PORT`."
        )


def _how_sure(sweep: _Sweep, standing: Standing) -> str:
    runs = len(standing.runs)
    # An evening that fails one time in five passes n times running with probability 0.8^n.
    passing = f"{0.8**runs * 100:.0f} %" if runs < 20 else "about 1 %" if runs == 20 else "less than 1 %"
    each = f"at each {'interval'}" if not sweep.is_of_several else "of each combination"
    seen = f"One run {each} is one evening" if runs == 1 else f"{runs} runs {each} are {runs} evenings"
    would = "one run would still pass" if runs == 1 else f"{runs} runs would all pass"
    return (
        f"{seen} of one modelled place, not a statement of confidence: if one evening in five went wrong, {would} "
        f"{passing} of the time. More seeds say more."
    )
