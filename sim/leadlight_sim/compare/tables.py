"""A comparison as tables, and as plain values."""

from __future__ import annotations

import math
from typing import Any, Final, TextIO

from leadlight_sim.compare.comparing import Comparison, Difference
from leadlight_sim.telling import NOTHING, Heading, console_of, print_table, wrapped
from leadlight_sim.tune import share_interval

DIFFERENCES_NOTE: Final = (
    "Medians over the evenings, of the worst piece or pair of each. Difference: the second less the first, on the same "
    "evening. The intervals assume no distribution, and hold all together. Real: the interval leaves out that there is "
    "none."
)


def print_tables(found: Comparison, stream: TextIO) -> None:
    """Print a table for every pair of variants: each measure of both, their difference, and whether it is real."""
    console = console_of(stream)
    for pair in found.pairs:
        styles = ["bold" if each.is_real else "dim" if each.first == each.second else "" for each in found.pairs[pair]]
        console.print()
        print_table(console, headings_of(found, pair), rows_of(found, pair), styles=styles)
    if found.missed is not None:
        stream.write("\n")
        for variant, missed in zip(found.variants, found.missed, strict=True):
            low, high = share_interval(missed, found.evenings)
            stream.write(
                wrapped(
                    f"{variant.name}: {missed} of {found.evenings} evenings missed a target (95 % interval: "
                    f"{low * 100:.0f} to {high * 100:.0f} %).", more="  ",
                )
            )  # fmt: skip
    stream.write("\n" + wrapped(DIFFERENCES_NOTE))
    if all(math.isinf(each.low) and math.isinf(each.high) for own in found.pairs.values() for each in own):
        stream.write("There are too few evenings for any interval: take more.\n")


def headings_of(found: Comparison, pair: tuple[int, int]) -> list[Heading]:
    """Return the headings of a pair's table."""
    names = [found.variants[number].name for number in pair]
    numbers = [Heading(name, folds=True) for name in (*names, "difference", "95 % interval")]
    return [Heading("measure", is_number=False), *numbers, Heading("real", is_number=False)]


def rows_of(found: Comparison, pair: tuple[int, int]) -> list[list[str]]:
    """Return the cells of a pair's table, a row for each measure."""
    return [
        [each.measure.titled, each.measure.number(each.first), each.measure.number(each.second),
         _signed(each, each.median), interval_told(each), "yes" if each.is_real else "no"]
        for each in found.pairs[pair]
    ]  # fmt: skip


def difference_told(each: Difference) -> str:
    """Return a difference with its sign and its unit."""
    return f"{_signed(each, each.median)} {each.measure.unit}".rstrip() if each.median else "0"


def interval_told(each: Difference) -> str:
    """Return a difference's interval in words."""
    if math.isinf(each.low) and math.isinf(each.high) and each.low < each.high:
        return NOTHING
    return f"{_signed(each, each.low)} to {_signed(each, each.high)}"


def _signed(each: Difference, value: float) -> str:
    number = each.measure.number(abs(value))
    return number if value == 0 else f"{'+' if value > 0 else '−'}{number}"


def to_json(found: Comparison) -> dict[str, Any]:
    """Return a comparison as plain values; ``None`` for what is never reached or unbounded."""
    return {
        "evenings": found.evenings,
        "variants": [
            {"name": each.name, "digest": each.scenario.digest(), "missed": missed}
            for each, missed in zip(found.variants, found.missed or [None] * len(found.variants), strict=True)
        ],
        "pairs": [
            {
                "first": found.variants[first].name,
                "second": found.variants[second].name,
                "differences": {
                    each.measure.key: {
                        name: _plain(getattr(each, name)) for name in ("first", "second", "median", "low", "high")
                    } | {"real": each.is_real}
                    for each in differences
                },
            }
            for (first, second), differences in found.pairs.items()
        ],
    }  # fmt: skip


def _plain(value: float) -> float | None:
    return value if math.isfinite(value) else None
