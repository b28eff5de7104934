"""The page of a comparison: every measure in which anything differs, against its target, and the differences."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any, Final

from leadlight_sim.compare.comparing import Comparison, Difference
from leadlight_sim.compare.tables import DIFFERENCES_NOTE, difference_told, headings_of, interval_told, rows_of
from leadlight_sim.drawing import LIMIT_AT, Gauge, Line, Mark, Panel, Scale, of_share, rendered, to_limit
from leadlight_sim.measures import Measure
from leadlight_sim.tune import share_interval

TEMPLATE: Final = "panels.html.j2"
MIDDLE: Final = 0.5
REACH: Final = 0.45
"""Of a scale, on either side of its middle, what the largest difference takes."""


def page(found: Comparison, title: str, command: str = "") -> str:
    """Return a comparison as HTML; ``command`` is the command line that repeats it."""
    numbers = list(range(len(next(iter(found.pairs.values())))))
    differing = [number for number in numbers if any(_differs(own[number]) for own in found.pairs.values())]
    real = [number for number in numbers if any(own[number].is_real for own in found.pairs.values())]
    told = [f"They differ for certain in {_listed(found, real)}." if real else "No difference is certain."]
    told += [
        f"{found.variants[second].name} against {found.variants[first].name}: {_reals(differences)}"
        for (first, second), differences in found.pairs.items()
    ]
    same = [number for number in numbers if number not in differing]
    if same:
        told.append(f"Nothing differs in {_listed(found, same)}.")
    panels = [_any(found)] if found.missed is not None else []
    for number in differing:
        panels.extend(_panels(found, number))
    return rendered(
        TEMPLATE,
        name="side by side",
        headline=title,
        good=True,
        sentences=told,
        lines_to_paste=[],
        key=[
            "Of a difference, orange is real: its interval leaves out that there is none; blue-green and hollow may be "
            "chance. Bars are 95 % intervals; those of differences hold all together. The scale of a share of evenings "
            "goes by the root. An arrow: further off than the scale reaches."
        ],
        what="which",
        panels=panels,
        tables=[
            (f"{found.variants[second].name} against {found.variants[first].name}", headings_of(found, (first, second)),
             rows_of(found, (first, second)))
            for first, second in found.pairs
        ],
        notes=[DIFFERENCES_NOTE],
        command=command,
        maker="leadlight compare",
    )  # fmt: skip


def _differs(each: Difference) -> bool:
    return each.first != each.second or bool(each.median) or each.is_real


def _listed(found: Comparison, numbers: Iterable[int]) -> str:
    measures = next(iter(found.pairs.values()))
    return "; ".join(measures[number].measure.short for number in numbers)


def _reals(differences: Iterable[Difference]) -> str:
    real = [f"{each.measure.short} {difference_told(each)}" for each in differences if each.is_real]
    return f"{'; '.join(real)}." if real else "no difference is certain."


def _chance(found: Comparison, missed: int) -> Gauge:
    low, high = share_interval(missed, found.evenings)
    mark = Mark(of_share(missed / found.evenings), "first", of_share(low), of_share(high))
    return Gauge((mark,), f"{missed} of {found.evenings}, {low * 100:.0f} to {high * 100:.0f} %")


def _any(found: Comparison) -> Panel:
    missed = found.missed or ()
    lines = [Line(each.name, (_chance(found, count),)) for each, count in zip(found.variants, missed, strict=True)]
    caption = "The share of evenings in which one target or more was missed."
    return Panel("Any target at all", caption, (Scale("evenings that miss it"),), tuple(lines))


def _panels(found: Comparison, number: int) -> Iterable[Panel]:
    of_pairs = {pair: own[number] for pair, own in found.pairs.items()}
    measure = next(iter(of_pairs.values())).measure
    standings = found.standings[measure.key]
    limits = {each.limit for each in standings}
    limit = next(iter(limits)) if len(limits) == 1 else None
    title = measure.name[0].upper() + measure.name[1:]
    finite = [each.median for each in standings if math.isfinite(each.median)]
    largest = max(finite, default=0.0)
    target = "each against its own target" if len(limits) > 1 else ""
    if limit is not None:
        target = f"target {measure.told(limit)}" if limit else "none is allowed"
    scales = [Scale("median evening", (LIMIT_AT if limit or len(limits) > 1 else 0.0) if target else None, target)]
    if target:
        scales.append(Scale("evenings that miss it"))
    lines = []
    for variant, each in zip(found.variants, standings, strict=True):
        at = to_limit(each.median, each.limit or 0.0, largest)
        gauges = [Gauge((Mark(at, "first"),), measure.told(each.median))]
        if target:
            gauges.append(_chance(found, each.missed))
        lines.append(Line(variant.name, tuple(gauges)))
    caption = "The median evening's; it has no target."
    if target:
        caption = "First the median evening's, against the target; then the share of evenings that miss it."
    yield Panel(f"{title}: {target}" if target else title, caption, tuple(scales), tuple(lines))
    yield _differences(found, measure, of_pairs, limit)


def _differences(
    found: Comparison, measure: Measure[Any], of_pairs: dict[tuple[int, int], Difference], limit: float | None
) -> Panel:
    bounds = [
        abs(value) for each in of_pairs.values() for value in (each.low, each.median, each.high) if math.isfinite(value)
    ]
    edge = max(bounds, default=0.0) or 1.0
    lines = []
    for (first, second), each in of_pairs.items():
        low, middle, high = (_beside(value, edge) for value in (each.low, each.median, each.high))
        kind = "real" if each.is_real else "open"
        told = f"{difference_told(each)}\n{interval_told(each)}"
        name = f"{found.variants[second].name} − {found.variants[first].name}"
        lines.append(Line(name, (Gauge((Mark(middle, kind, low, high),), told),)))
    reach = f"The scale reaches {measure.told(edge / REACH * MIDDLE)} to either side"
    reach += f"; the target is {measure.told(limit)}." if limit else "."
    caption = f"Right of the line the second named is more. {reach}"
    title = f"{measure.short[0].upper()}{measure.short[1:]}: differences"
    return Panel(title, caption, (Scale("difference", MIDDLE),), tuple(lines))


def _beside(value: float, edge: float) -> float:
    if math.isinf(value):
        return 2.0 if value > 0 else 0.0
    return MIDDLE + value / edge * REACH
