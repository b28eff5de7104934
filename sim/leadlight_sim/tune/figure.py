"""The figure of a sweep: every candidate's airtime, and the share of evenings in which it misses a target."""

from __future__ import annotations

from typing import Any, Final

from matplotlib.figure import Figure
from matplotlib.ticker import PercentFormatter

from leadlight_sim.tune.advice import BY_KEY, Advice
from leadlight_sim.tune.candidates import Count
from leadlight_sim.tune.proof import share_interval
from leadlight_sim.tune.sweep import Outcome
from leadlight_sim.tune.tables import by_airtime

# Of M. Okabe and K. Ito's set (2008), which all common kinds of colour vision tell apart. Shape tells it again.
_EXPLORED: Final = "#0072B2"
_PROOF: Final = "#D55E00"
_TAKEN: Final = "#009E73"
_INK: Final = "#333333"
_RULE: Final = "#dddddd"
ROWS_MAXIMUM: Final = 40


def draw(outcome: Outcome, advice: Advice) -> Figure:
    """Return a row for each candidate, the cheapest at the top: airtime on the left, missed evenings on the right."""
    rows = [each for each in by_airtime(outcome) if each.seen.evenings][:ROWS_MAXIMUM]
    figure = Figure(figsize=(12, 2.4 + 0.38 * len(rows)), dpi=120, layout="constrained")
    title = f"{outcome.question.scenario.name}. {advice.headline}"
    figure.suptitle(title, x=0.01, ha="left", fontsize=12, fontweight="bold", color=_INK)
    cost, missed = figure.subplots(1, 2, sharey=True, width_ratios=(1, 1.6))
    for place, each in enumerate(rows):
        if each is advice.candidate:
            for axes in (cost, missed):
                axes.axhspan(place - 0.5, place + 0.5, color=_TAKEN, alpha=0.15, linewidth=0)
        cost.plot([each.seen.airtime_share], [place], "o", color=_EXPLORED, markersize=6)
        _interval(missed, each.seen, place - 0.13, _EXPLORED, "o")
        for test in outcome.tests:
            if test.candidate is each and test.count.evenings:
                _interval(missed, test.count, place + 0.13, _PROOF, "s")
        if each.seen.first_missed is not None:
            told = BY_KEY[each.seen.first_missed].short
            missed.annotate(told, (1.0, place), (4, 0), textcoords="offset points", va="center", fontsize=8, color=_INK)
    share = outcome.question.share
    missed.axvline(share, color=_INK, linewidth=1.3, linestyle=(0, (1, 1.5)))
    missed.annotate(f"allowed: {share * 100:g} %", (share, -0.6), (4, 0), textcoords="offset points", fontsize=8)
    missed.set_xlim(0, 1)
    missed.set_xlabel("evenings that miss a target; on the right, which most often", color=_INK)
    missed.set_title("blue circle: exploration; orange square: proof; bars: 95 % intervals", fontsize=9, loc="left")
    cost.set_xlim(left=0)
    cost.set_xlabel("airtime, of the channel's time", color=_INK)
    cost.set_ylim(len(rows) - 0.5, -0.8)
    cost.set_yticks(range(len(rows)), [each.name for each in rows])
    for axes in (cost, missed):
        axes.xaxis.set_major_formatter(PercentFormatter(1.0))
        axes.grid(axis="x", color=_RULE, linewidth=0.6)
        axes.set_axisbelow(True)
        axes.tick_params(labelsize=9, labelcolor=_INK)
        axes.spines[["top", "right"]].set_visible(False)
    return figure


def _interval(axes: Any, count: Count, place: float, colour: str, marker: str) -> None:
    low, high = share_interval(count.missed, count.evenings)
    axes.plot([low, high], [place, place], color=colour, linewidth=2, alpha=0.5)
    axes.plot([count.missed / count.evenings], [place], marker, color=colour, markersize=6, clip_on=False)
