"""What no air can be made of, refused with the figure that says so; and what is worth a warning."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from leadlight.errors import LeadlightError
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.fitting.losses import loss_runs, together
from leadlight_sim.recording import Observed, Way
from leadlight_sim.telling import as_share, as_time

PACKETS_MINIMUM: Final = 100
SECONDS_MINIMUM: Final = 2.0
SECONDS_SHORT: Final = 60.0
TOO_QUICK_NS: Final = 50_000
"""A frame alone takes so long on the radio, its acknowledgement included (IEEE 802.11, 54 Mb/s)."""
TOO_SLOW_NS: Final = 2 * SECOND
"""Half of all packets later than this is no network that anybody would keep: more likely the unit is wrong."""
TOO_SPARSE_NS: Final = 60 * SECOND
LOST_MAXIMUM: Final = 0.5
LOST_NOTABLE: Final = 0.2
COARSE_VALUES: Final = 20
HOSTS_APART: Final = 3.0
"""From so many times as much loss on, hosts are said to differ."""
COLUMNS: Final = {"up": "up", "down": "down", "group": "group"}


class FitError(LeadlightError, ValueError):
    """A recording of which no air can be made. The message names the file and the figure."""


def check_observed(observed: Observed) -> list[str]:
    """Return what a user should be warned of. Raises ``FitError`` for a recording that nothing can be learnt of."""
    name = observed.source
    ways = [(kind, way) for kind in COLUMNS for way in observed.ways(kind)]
    sent = sum(len(way) for _, way in ways)
    if not sent:
        raise FitError(f"{name}: no packets in it: nothing was recorded, or it was cut short at its beginning")
    if not any(way.came.any() for _, way in ways):
        raise FitError(
            f"{name}: nothing came of {sent} packets: hosts that cannot reach each other both ways (client isolation, "
            "a firewall, another network) make no recording"
        )
    halved = any(host.halved for host in observed.hosts)
    counted = [way for kind, way in ways if not (halved and kind == "down")]
    if observed.came < PACKETS_MINIMUM:
        raise FitError(f"{name}: {observed.came} packets came, too few to learn from; needed: {PACKETS_MINIMUM}")
    span_s = max(float(np.ptp(way.sent_ns)) for way in counted) / SECOND
    if span_s < SECONDS_MINIMUM:
        raise FitError(
            f"{name}: {span_s:.3g} s are too short to learn from; needed: {SECONDS_MINIMUM:g} s, better minutes"
        )
    for kind, way in ways:
        if way.came.any():
            _check_way(name, kind, way)
    unicast = together([loss_runs(way) for kind, way in ways if kind != "group"])
    if unicast.sent and unicast.share > LOST_MAXIMUM:
        raise FitError(
            f"{name}: {as_share(unicast.share)} of {unicast.sent} packets to one host were lost, more than half: a "
            "network that carries no show; look for the cause before anything is learnt of it"
        )
    return _warnings(observed, span_s)


def _check_way(name: str, kind: str, way: Way) -> None:
    delays = way.delays
    middle = float(np.median(delays))
    if len(delays) >= PACKETS_MINIMUM and float(np.ptp(delays)) == 0:
        raise FitError(
            f"{name}: all {len(delays)} packets {kind} took {as_time(middle / MILLISECOND)}: a column that never "
            "changes was not measured"
        )
    if middle < TOO_QUICK_NS and float(np.max(delays)) < MILLISECOND:
        raise FitError(
            f"{name}: half of the packets {kind} took less than {as_time(middle / MILLISECOND)}, quicker than any "
            "radio: are these seconds in a column of milliseconds, or hosts on a cable?"
        )
    if middle > TOO_SLOW_NS:
        raise FitError(
            f"{name}: half of the packets {kind} took more than {as_time(middle / MILLISECOND)}: are these "
            "microseconds in a column of milliseconds?"
        )
    spacing_ns = float(np.median(np.diff(way.sent_ns))) if len(way) > 1 else 0.0
    if spacing_ns > TOO_SPARSE_NS:
        raise FitError(
            f"{name}: a packet {kind} was sent every {spacing_ns / SECOND:.0f} s: are these milliseconds in at_s, "
            "which is in seconds?"
        )


def _warnings(observed: Observed, span_s: float) -> list[str]:
    warnings = list(observed.notes)
    if span_s < SECONDS_SHORT:
        warnings.append(
            f"{span_s:.0f} s are short: what happens once a minute is not in them. Five minutes are better."
        )
    for kind in COLUMNS:
        ways = [way for way in observed.ways(kind) if way.came.any()]
        delays = np.concatenate([way.delays for way in ways]) if ways else np.empty(0)
        values = len(np.unique(delays))
        if len(delays) >= PACKETS_MINIMUM and values < COARSE_VALUES:
            warnings.append(f"Of {len(delays)} delays {kind} only {values} are different: they were rounded.")
    group = [loss_runs(way) for way in observed.ways("group")]
    lost = together(group)
    if lost.sent and lost.share > LOST_NOTABLE:
        most = " More than half is more than any setting makes up for." if lost.share > LOST_MAXIMUM else ""
        warnings.append(f"{as_share(lost.share)} of the group's packets were lost.{most}")
    for host in observed.hosts:
        share = loss_runs(host.group).share
        if len(group) > 1 and not math.isnan(share) and share > 0.01 and share > HOSTS_APART * lost.share:
            warnings.append(
                f"{host.label} lost {as_share(share)} of the group's packets, all hosts {as_share(lost.share)}: the "
                "air that is made has the same loss for every board."
            )
    return warnings
