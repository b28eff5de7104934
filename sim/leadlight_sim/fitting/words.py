"""A fit in words: what it assumes, what was found, how good it is, and what to record next."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.fitting.air import Fit
from leadlight_sim.fitting.goodness import SHARES, WELL_KNOWN, Goodness, WayJudged
from leadlight_sim.fitting.losses import loss_runs, together
from leadlight_sim.recording import Observed
from leadlight_sim.telling import as_share, as_time

RECORD: Final = "`leadlight record` records it"
HOUR_S: Final = 3600.0


def span_words(seconds: float) -> str:
    """Return how long a recording is, in words."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 2 * HOUR_S else f"{seconds / HOUR_S:.1f} h"


def assumed(found: Fit, observed: Observed) -> list[str]:
    """Return what was not recorded, and is therefore assumed, in sentences; the weightiest first."""
    lines = []
    has = {name: bool(observed.ways(name)) for name in ("up", "down", "group")}
    if not has["group"]:
        lines.append(
            "No packets to the group were recorded: beacons to the group are taken to go like packets to one host, and "
            f"whether the access point holds them for its own beacons is unknown, which can cost 200 ms; {RECORD}."
        )
    if any(host.halved for host in observed.hosts):
        lines.append(f"Only round trips were recorded: each way is taken to be one half; {RECORD}.")
    elif has["up"] != has["down"]:
        missing = "up" if has["down"] else "down"
        lines.append(f"No packets {missing} were recorded: they are taken to go like the others; {RECORD}.")
    bounds = [host.bound_ns for host in observed.hosts if not math.isnan(host.bound_ns)]
    if bounds:
        lines.append(
            "How the least round trip divides into its two ways cannot be known: each is taken to be one half, which "
            f"may be wrong by {as_time(max(bounds) / MILLISECOND)}, the same for all packets of a host."
        )
    if found.crosses_twice:
        lines.append(
            "Both ends were on the radio, so that each way is two crossings: a leader on the cable would do better "
            "than this."
        )
    elif observed.prober_is_wireless is None and observed.begun_at is not None:
        lines.append("Whether the prober is on the radio is not known: it is taken to be on the access point's cable.")
    if found.hold is not None:
        lines.append("The access point's beacons are taken to be 102.4 ms apart.")
    if has["group"] and found.signatures.copies is None:
        lines.append(
            "One host alone heard the group: what is lost to all at once, and whether each gets a copy of its own, is "
            "unknown."
        )
    if found.loss.mean_loss and not has["group"]:
        lines.append("Losses are of round trips, which are tried again: the group's, sent once, are more.")
    lines.append("What another evening's visitors, neighbours and weather add is not in any recording.")
    return lines


def findings(found: Fit, observed: Observed) -> list[str]:
    """Return what was found of the access point and of losses, in sentences."""
    lines = []
    group = together([loss_runs(way) for way in observed.ways("group")])
    unicast = together([loss_runs(way) for name in ("down", "up") for way in observed.ways(name)])
    for name, runs in (("To the group, counted for each host", group), ("To a host and back", unicast)):
        if not runs.sent:
            continue
        text = f"{name}: {runs.lost} of {runs.sent} packets were lost ({as_share(runs.share)})"
        if runs.lost:
            text += f", {runs.mean_run:.3g} at a time, {as_time(1e3 * runs.mean_run_s)} on average"
        lines.append(text + ".")
    if not math.isnan(found.loss.shared_share) and found.loss.mean_loss:
        lines.append(f"Of the group's loss {as_share(found.loss.shared_share)} strikes all hosts at once.")
    lines += [
        f"{own.label} loses {as_share(own.share)} of the group's packets, others {as_share(own.usual_share)}. In the "
        "air that is made a board of this name loses as much, and any other the mean of all."
        for own in found.lossy
    ]
    lines += _hold_lines(found)
    signs = found.signatures
    if signs.copies:
        lines.append(
            "The access point sends each host a copy of its own: what hosts hear differs as packets of their own "
            "would. The air that is made gives each board a delay of its own."
        )
    for label, at, span_s in signs.forgotten:
        lines.append(
            f"{label} heard nothing of the group for {span_s:.0f} s from {at:.0f} s on, and its own packets came: the "
            "access point or a switch forgot that it is a member. The air that is made counts these as lost."
        )
    for label in signs.cut_off:
        lines.append(f"{label} was never heard: isolated from the prober, off, or behind a firewall. It is left out.")
    if len(found.levels) > 1:
        lines.append(
            f"Load comes and goes: {len(found.levels)} levels, each {as_time(found.window_ns / MILLISECOND)} of the "
            "recording has one."
        )
    else:
        lines.append("Delays do not resemble those before them more than by chance: one level of load.")
    drifts = [host.drift_ppm for host in observed.hosts if not math.isnan(host.drift_ppm)]
    if drifts:
        lines.append(f"Clocks part from the prober's by up to {max(map(abs, drifts)):.1f} millionths, taken out.")
    return lines


def _hold_lines(found: Fit) -> list[str]:
    beat, hold = found.beat, found.hold
    lines = []
    if hold is not None and beat is not None and hold.share:
        length = f"{beat.beacons} of its beacons" if beat.beacons > 1 else "every beacon"
        text = f"The access point holds the group's packets for {length}, {beat.period_ns / MILLISECOND:.1f} ms apart"
        text += f" ({as_share(hold.share)} of the time"
        if math.isfinite(hold.mean_run_s) and hold.mean_run_s > 0:
            text += f", {span_words(hold.mean_run_s)} at a time"
        text += f"; first release {beat.phase_ns / MILLISECOND:.1f} ms into the recording)."
        lines.append(text)
    elif hold is not None:
        lines.append("The access point never held the group's packets.")
    if found.unicast_share:
        lines.append(f"{as_share(found.unicast_share)} of the packets to one host wait for a beacon: that host dozes.")
    return lines


def headline(judged: Goodness, observed: Observed) -> tuple[bool, str]:
    """Return whether the fit may be relied on, and that in a sentence."""
    good = all(way.inside for way in judged.ways)
    seconds = span_words(observed.length_ns / SECOND)
    if good:
        return True, f"The air made of these {seconds} draws what was recorded."
    worst = max((way for way in judged.ways if not way.inside), key=lambda way: way.worst_ratio)
    return False, f"The air made of these {seconds} is off by up to {worst.worst_ratio:.2f} times ({worst.name})."


def steadiness(judged: Goodness) -> str:
    """Return how steady the network was, from one half of the recording to the other."""
    moved = [way for way in judged.ways if not way.steady]
    if not moved:
        return "Both halves of the recording are alike (median and p90 within a quarter): a steady network."
    way = max(moved, key=_change)
    first, second = way.halves
    place = max((0, 1), key=lambda number: _ratio(first[number], second[number]))
    return (
        f"The two halves differ: p{SHARES[place] * 100:g} of {way.name} was {as_time(first[place] / MILLISECOND)} and "
        f"then {as_time(second[place] / MILLISECOND)}. Record longer, and at the hour of the show."
    )


def _ratio(first: float, second: float) -> float:
    return max(first / second, second / first) if first > 0 and second > 0 else math.inf


def _change(way: WayJudged) -> float:
    return max(_ratio(first, second) for first, second in list(zip(*way.halves, strict=True))[:2])


def longer(judged: Goodness, observed: Observed) -> str:
    """Return how much longer to record, if anything is known poorly."""
    widest, needed = judged.widest, judged.longer_s
    if widest is None or needed is None:
        return "Every quantile below is known to a tenth: this recording is long enough."
    name, share, known = widest
    if known.spread > 1:
        wide = f"anywhere from {as_time(known.low / MILLISECOND)} to {as_time(known.high / MILLISECOND)}"
    else:
        wide = f"known to {as_share(known.spread)} only"
    more = np.ceil(max(0.0, needed - observed.length_ns / SECOND) / 60) * 60
    more_words = f"about {span_words(float(more))} more would make that {as_share(WELL_KNOWN)}"
    return f"p{share * 100:g} of {name} is {wide}: {more_words}."
