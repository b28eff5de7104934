"""The page: one HTML file that says what the crowd will see, and why, and needs nothing outside itself."""

from __future__ import annotations

import importlib.metadata
import math
import platform
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from markupsafe import Markup

from leadlight_sim.drawing import Drawing, in_both_widths, rendered
from leadlight_sim.live import LiveRun
from leadlight_sim.live.view import live_view
from leadlight_sim.measures import (
    COLUMNS,
    Rehearsal,
    distance_of,
    judge,
    naive_distance_of,
    rows,
    was_show_on,
    worst_first,
)
from leadlight_sim.report.crowd_view import crowd_view
from leadlight_sim.report.evening import clock_label, moving_evening
from leadlight_sim.report.figures import beacon_timeline, error_distribution, error_over_time
from leadlight_sim.telling import NOTHING, as_time

TEMPLATE = "page.html.j2"
MOVING = frozenset({"error-over-time", "crowd-view", "beacon-timeline"})
"""Drawings that the evening one can move through shows as well: where its script runs they are hidden."""


@dataclass(frozen=True, slots=True)
class BigNumber:
    """One of the numbers at the top: what it is called, its value, and what it means."""

    label: str
    value: str
    meaning: str


def page(rehearsal: Rehearsal, command: str = "", live: Sequence[LiveRun] = ()) -> str:
    """Return a rehearsal's report as HTML; ``command`` is the command line that repeats it.

    ``live`` are live runs of the same scenario, to compare.

    The same rehearsal gives the same text, whenever and wherever it is made with the same versions.
    """
    drawings = [
        error_over_time(rehearsal),
        crowd_view(rehearsal),
        *(in_both_widths(partial(live_view, live, rehearsal)) if live else ()),
        *in_both_widths(partial(error_distribution, rehearsal)),
        beacon_timeline(rehearsal),
    ]
    verdict = judge(rehearsal)
    timeline = rehearsal.timeline
    return rendered(
        TEMPLATE,
        scenario=rehearsal.scenario,
        verdict=verdict,
        good=verdict.good,
        worst=None if timeline is None else timeline.worst,
        evening=moving_evening(rehearsal),
        label=clock_label,
        moving=MOVING,
        numbers=big_numbers(rehearsal),
        drawings=[(drawing, Markup(drawing.svg)) for drawing in drawings if drawing is not None],
        columns=COLUMNS,
        rows=rows(rehearsal.scores.followers),
        facts=facts(rehearsal),
        command=command,
    )


def timeline_page(rehearsal: Rehearsal, title: str) -> str:
    """Return a page with the evening one can move through and nothing else; the rehearsal has kept its timeline."""
    timeline, moving = rehearsal.timeline, moving_evening(rehearsal)
    assert timeline is not None
    assert moving is not None
    about = f"Seed {rehearsal.seed}, trace hash {rehearsal.trace_hash}."
    return rendered(
        "alone.html.j2",
        title=title,
        good=True,
        worst=timeline.worst,
        evening=moving,
        label=clock_label,
        about=about,
    )


def big_numbers(rehearsal: Rehearsal) -> list[BigNumber]:
    """Return the three numbers that answer first: the worst piece, the naive way, the worst pair."""
    scores = rehearsal.scores
    worst = worst_first(scores.followers)[0]
    p95 = distance_of(worst, scores).p95
    measured = [one for score in scores.followers if not math.isnan(one := naive_distance_of(score, scores).p95)]
    was_on = was_show_on(scores)
    two, two_ms = (
        (scores.worst_light_pair, scores.worst_light_pair_ms) if was_on else (scores.worst_pair, scores.worst_pair_ms)
    )
    if len(scores.followers) == 1:
        pair = "There are no two pieces to compare."
    elif two is None:
        pair = "No two pieces were ever in the show together while they were scored."
    else:
        pair = f"{two[0]} and {two[1]} are within this of each other 95 % of the time."
    if not math.isnan(p95):
        piece = f"{worst.name} is within this of {'the music' if was_on else 'the leader, by its clock,'} 95 % of the "
        piece += "time; all others are closer."
    elif worst.dark_share == 1:
        piece = f"{worst.name} stayed dark: there is no light whose distance could be told."
    else:
        piece = f"{worst.name} was never in step long enough to be scored."
    return [
        BigNumber("worst piece", as_time(p95), piece),
        BigNumber("worst two pieces", as_time(two_ms.p95), pair),
        BigNumber(
            "without Leadlight",
            as_time(max(measured, default=math.nan)),
            "The worst of boards that simply believed the latest beacon would be within this 95 % of the time."
            if measured
            else "No board heard a beacon long enough to believe it.",
        ),
    ]


def facts(rehearsal: Rehearsal) -> list[tuple[str, str]]:
    """Return what was run, as names and values, enough to tell two reports apart."""
    scenario = rehearsal.scenario
    leader, air = scenario.leader, scenario.air
    loss = NOTHING if air.dropouts is None else f"{air.dropouts.mean_loss_fraction:.1%}"
    versions = ", ".join(f"{name} {_version(name)}" for name in ("leadlight", "numpy", "matplotlib"))
    return [
        ("scenario", scenario.name),
        ("seed", str(rehearsal.seed)),
        ("length", f"{rehearsal.simulated_s:g} s, scored from {scenario.run.settle_s:g} s after a first beacon"),
        ("pieces", f"{len(scenario.followers)}, {sum(f.pixels for f in scenario.followers):,} pixels"),
        ("leader", f"{leader.name}, {'wired' if leader.wired else 'on Wi-Fi'}, a beacon every {leader.interval_s:g} s"),
        ("air", f"{air.preset}, {air.fidelity}, {air.band} GHz" + ("" if air.dropouts is None else f", {loss} lost")),
        ("scenario digest", scenario.digest()),
        ("trace hash", rehearsal.trace_hash),
        ("events", f"{rehearsal.events:,}"),
        ("versions", f"{versions}, Python {platform.python_version()}"),
    ]


def _version(package: str) -> str:
    try:
        return importlib.metadata.version(package)
    except importlib.metadata.PackageNotFoundError:
        return "from source"


__all__ = ["BigNumber", "Drawing", "big_numbers", "facts", "page"]
