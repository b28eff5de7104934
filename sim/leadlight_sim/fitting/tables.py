"""The tables of a fit: how good it is, losses, likeness in time, and what each host saw."""

from __future__ import annotations

from typing import Final

import numpy as np

from leadlight.units import MILLISECOND
from leadlight_sim.fitting.goodness import SHARES, Goodness
from leadlight_sim.fitting.losses import LossRuns, loss_runs
from leadlight_sim.recording import HostObserved, Observed, Way
from leadlight_sim.telling import NOTHING, Sheet, as_ms, as_share, as_time

LIKENESS_NOTE: Final = "How much delays a while apart resemble each other: 1 is the same, 0 not at all."


def sheets(judged: Goodness, observed: Observed) -> list[Sheet]:
    """Return all tables of a judged fit."""
    return [delays(judged), losses(judged), likeness(judged), hosts(observed)]


def delays(judged: Goodness) -> Sheet:
    """Return the table of quantiles: recorded with bounds, not fitted, and drawn."""
    rows = []
    for way in judged.ways:
        for place, share in enumerate(SHARES):
            known = way.known[place]
            ratio = way.drawn[place] / way.judged[place] if way.judged[place] > 0 else float("nan")
            rows.append((
                f"{way.name}, p{share * 100:g}",
                as_ms(known.value / MILLISECOND),
                f"{as_ms(known.low / MILLISECOND)} to {as_ms(known.high / MILLISECOND)}",
                as_ms(way.judged[place] / MILLISECOND),
                as_ms(way.drawn[place] / MILLISECOND),
                f"{ratio:.2f}" if np.isfinite(ratio) else NOTHING,
                " / ".join(as_ms(half[place] / MILLISECOND) for half in way.halves),
            ))  # fmt: skip
    return Sheet(
        "Delays: what the fit draws against the seconds that it was not made of",
        ("delay", "recorded", "known to lie in", "even s", "drawn", "drawn / even", "first / second half"),
        tuple(rows),
        ("Odd seconds are fitted, even ones judged; bounds of 95 % by blocks of time.",),
    )


def losses(judged: Goodness) -> Sheet:
    """Return the table of losses and their runs, recorded and drawn."""
    rows = [
        (one.name, str(one.recorded.sent), str(one.recorded.lost), *_loss_cells(one.recorded), *_loss_cells(one.drawn))
        for one in judged.losses
    ]
    headings = ("packets", "sent", "lost", "share", "mean run", "longest", "drawn: share", "mean run", "longest")
    return Sheet("Losses, in runs of packets", headings, tuple(rows))


def _loss_cells(runs: LossRuns) -> tuple[str, str, str]:
    return as_share(runs.share), f"{runs.mean_run:.1f}", str(max(runs.runs, default=0))


def likeness(judged: Goodness) -> Sheet:
    """Return the table of correlation in time, recorded and drawn."""
    rows = tuple(
        (
            as_time(1e3 * one.lag_s),
            *(f"{value:+.2f}" if np.isfinite(value) else NOTHING for value in (one.recorded, one.drawn)),
        )
        for one in judged.likeness
    )
    return Sheet("Likeness in time", ("apart", "recorded", "drawn"), rows, (LIKENESS_NOTE,))


def hosts(observed: Observed) -> Sheet:
    """Return what each host saw."""
    headings = ("host", "least round trip", "group p50", "p99", "group lost", "down p50", "p99", "down lost", "clock")
    return Sheet("Hosts", headings, tuple(_host_row(host) for host in observed.hosts))


def _host_row(host: HostObserved) -> tuple[str, ...]:
    least = as_time(float(np.min(host.round_trip.delays)) / MILLISECOND) if host.round_trip.came.any() else NOTHING
    drift = f"{host.drift_ppm:+.1f} ppm" if np.isfinite(host.drift_ppm) else NOTHING
    return (host.label, least, *_way_cells(host.group), *_way_cells(host.down), drift)


def _way_cells(way: Way) -> tuple[str, str, str]:
    if not way.came.any():
        return NOTHING, NOTHING, as_share(loss_runs(way).share)
    middle, slow = np.quantile(way.delays, [0.5, 0.99]) / MILLISECOND
    return as_ms(float(middle)), as_ms(float(slow)), as_share(loss_runs(way).share)
