"""The tables of a sweep: a delivery's intervals side by side, and which combinations meet every target."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Mapping, Sequence
from typing import Final, TextIO, TypeVar

from rich import box
from rich.console import Console
from rich.measure import Measurement
from rich.table import Table
from rich.text import Text

from leadlight.terms import Delivery
from leadlight_sim.tune.results import DELIVERIES, MEASURES, Measure, Standing, by_delivery, digits_of

Item = TypeVar("Item")

LABEL_WIDTH: Final = 30
"""Characters that labels and targets take, before the intervals' columns."""
COLUMN_WIDTH: Final = 12
PROSE_WIDTH: Final = 100
MISS: Final = "bold red"


def print_tables(
    found: Sequence[Standing], targets: Mapping[str, float], seeds: int, names_deliveries: bool, stream: TextIO
) -> None:
    """Print a sweep: measures down and intervals across, in as many tables as the terminal's width asks for.

    ``seeds`` is the number of runs that each combination was to have. With ``names_deliveries`` each delivery has its
    own tables under words that say what it is, and an overview of all comes last.
    """
    console = Console(file=stream, highlight=False, soft_wrap=True)
    grouped = by_delivery(found)
    across = max(1, (console.width - LABEL_WIDTH) // COLUMN_WIDTH)
    for delivery, of_one in grouped.items():
        if names_deliveries:
            way = DELIVERIES[delivery]
            console.print("\n" + textwrap.fill(f"Delivery {delivery}: {way.out}; {way.meaning}.", PROSE_WIDTH))
        _print_parts(console, of_one, across, lambda part: _measures(part, targets, seeds))
    console.print(
        "Median of the runs; below it the least and the most. Over followers the worst counts. ! misses the target."
    )
    if names_deliveries:
        console.print("\nThe most airtime that a run took, or where a target is missed (!) the one missed by most.")
        intervals = sorted({standing.interval_s for standing in found})
        _print_parts(console, intervals, len(intervals), lambda part: _overview(grouped, part))


def _print_parts(console: Console, items: Sequence[Item], most: int, made: Callable[[Sequence[Item]], Table]) -> None:
    """Print tables of at most ``most`` items each: fewer where the table would be wider than the terminal."""
    start = 0
    while start < len(items):
        count = min(most, len(items) - start)
        while count > 1 and _width(console, made(items[start : start + count])) > console.width:
            count -= 1
        console.print(made(items[start : start + count]))
        start += count


def _width(console: Console, table: Table) -> int:
    # By the widest that it would be: told no limit, it would be measured as cut to the terminal's.
    return Measurement.get(console, console.options.update(width=10_000), table).maximum


def _columns(first: str) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column(first, no_wrap=True)
    return table


def _measures(found: Sequence[Standing], targets: Mapping[str, float], seeds: int) -> Table:
    table = _columns("beacon interval")
    table.add_column("target", justify="right", no_wrap=True)
    for standing in found:
        table.add_column(f"{standing.interval_s:g} s", justify="right", no_wrap=True)
    for measure in MEASURES:
        if all(standing.spread(measure) is None for standing in found):
            continue
        target = targets.get(measure.key)
        limit = "" if target is None else f"≤ {measure.number(target)}"
        label = measure.short + (f", {measure.unit}" if measure.unit else "")
        table.add_row(label, limit, *(_cell(standing, measure) for standing in found))
    table.add_row("runs", "", *(f"{len(standing.runs)} of {seeds}" for standing in found))
    table.add_row("meets every target", "", *("no" if standing.shortfalls else "yes" for standing in found))
    return table


def _cell(standing: Standing, measure: Measure) -> Text:
    spread = standing.spread(measure)
    if spread is None:
        return Text("–")
    misses = any(shortfall.measure is measure for shortfall in standing.shortfalls)
    cell = Text(measure.number(spread.median) + (" !" if misses else ""), style=MISS if misses else "")
    if len(standing.runs) > 1:
        low, high = measure.number(spread.low, digits=2), measure.number(spread.high, digits=2)
        cell.append(f"\n{low}–{high}" if low != high else "\n", style="dim")
    return cell


def _overview(grouped: Mapping[Delivery, Sequence[Standing]], intervals_s: Sequence[float]) -> Table:
    table = _columns("delivery")
    for interval_s in intervals_s:
        table.add_column(f"{interval_s:g} s", justify="right", no_wrap=True)
    for delivery, of_one in grouped.items():
        at = {standing.interval_s: _outcome(standing) for standing in of_one}
        table.add_row(delivery.value, *(at.get(interval_s, Text("–")) for interval_s in intervals_s))
    return table


def _outcome(standing: Standing) -> Text:
    if not standing.shortfalls:
        return Text(f"{digits_of(standing.airtime_share * 100)} %")
    worst = standing.worst_shortfall
    return Text(f"{worst.measure.short} !\n{worst.excess_told or worst.measure.told(worst.worst)}", style=MISS)
