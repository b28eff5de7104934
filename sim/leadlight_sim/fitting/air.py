"""A fit: what is kept of a recording as an air, which a scenario holds and the sampled air draws again."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND, MILLISECOND, SECOND
from leadlight_sim.air.choice import FittedLevel
from leadlight_sim.fitting.levels import Levels, find_levels
from leadlight_sim.fitting.losses import FittedLoss, OwnLoss, fitted_loss, own_losses
from leadlight_sim.fitting.queues import on_their_own
from leadlight_sim.fitting.rhythm import Beat, Hold, waits_of
from leadlight_sim.fitting.signatures import Signatures, shared_and_apart, signatures_of
from leadlight_sim.recording import Floats, Observed, Way

PACKETS_MINIMUM: Final = 100
STEPS: Final = 1000
STEPS_OF_LEVEL: Final = 100
"""So close that every thousandth of all delays is a quantile: a straight line over the slowest hundredth would make it
slower than it was."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A recording's air: ``levels`` of load from the calmest to the busiest, and each window's as a letter from "a" on.

    ``beat`` and ``hold`` are None where nothing is known of them; ``unicast_share`` of what goes to one board waits for
    a beacon. ``lossy`` hosts lose more than ``loss``, the mean of all. ``apart_us``: quantiles of what each receiver
    adds to what a group frame takes to all.
    """

    levels: tuple[FittedLevel, ...]
    windows: str
    window_ns: int
    likeness: float
    loss: FittedLoss
    lossy: tuple[OwnLoss, ...]
    beat: Beat | None
    hold: Hold | None
    unicast_share: float
    apart_us: tuple[int, ...]
    crosses_twice: bool
    signatures: Signatures
    packets: int
    net: Net


@dataclass(frozen=True, slots=True)
class Net:
    """All packets of each way, without what the access point held: what the distributions were made of."""

    up: tuple[Way, ...]
    down: tuple[Way, ...]
    group: tuple[Way, ...]


def fit(observed: Observed) -> Fit:
    """Return the air of a recording.

    Raises ``ConfigurationError`` unless a hundred packets or more came, at more than one instant.
    """
    came = [way for name in ("up", "down", "group") for way in observed.ways(name) if way.came.any()]
    packets = observed.came
    if packets < PACKETS_MINIMUM or max((float(np.ptp(way.sent_ns)) for way in came), default=0.0) == 0:
        raise ConfigurationError("samples", packets, f"{PACKETS_MINIMUM} packets or more that came, sent one by one")
    beat, hold, unicast = waits_of(observed)
    group, apart = shared_and_apart(hold.net if hold is not None else observed.ways("group"))
    # What was held leaves by itself again; what came in a burst then waited for the others, too.
    unheld = (_net(observed, "up", unicast), _net(observed, "down", unicast), group)
    net = Net(*(tuple(map(on_their_own, ways)) for ways in unheld))
    levels = find_levels(observed, net.group)
    steps = max(STEPS_OF_LEVEL, STEPS // levels.count)
    by_level = [_level(net, levels, number, steps) for number in range(levels.count)]
    overall = _level(net, None, 0, steps)
    letters = "".join(chr(ord("a") + level) for level in levels.replayed)
    return Fit(
        levels=tuple(_with_all(level, overall) for level in by_level),
        windows=letters,
        window_ns=levels.window_ns,
        likeness=levels.likeness,
        loss=fitted_loss(observed),
        lossy=own_losses(observed),
        beat=beat,
        hold=hold,
        # Boards doze, not what hangs on the cable: the way that waits is the way to them.
        unicast_share=max((found.share for found in unicast.values()), default=0.0),
        apart_us=_quantiles_us(apart, STEPS_OF_LEVEL),
        crosses_twice=observed.two_crossings,
        signatures=signatures_of(observed),
        packets=packets,
        net=net,
    )


def _net(observed: Observed, name: str, unicast: dict[str, Hold]) -> tuple[Way, ...]:
    return unicast[name].net if name in unicast else tuple(observed.ways(name))


def _level(net: Net, levels: Levels | None, number: int, steps: int) -> FittedLevel:
    found = []
    for ways in (net.up, net.down, net.group):
        delays = []
        for way in ways:
            chosen = way.came
            if levels is not None:
                chosen = chosen & (levels.of(way.sent_ns) == number)
            delays.append(way.delay_ns[chosen])
        found.append(_quantiles_us(np.concatenate(delays) if delays else np.empty(0), steps))
    return FittedLevel(*found)


def _with_all(level: FittedLevel, overall: FittedLevel) -> FittedLevel:
    # One way stands in for another that was not recorded; a level without it takes what was seen at any time.
    up = level.up_us or overall.up_us or level.down_us or level.group_us or overall.down_us or overall.group_us
    down = level.down_us or overall.down_us or level.up_us or level.group_us or overall.up_us or overall.group_us
    group = level.group_us or overall.group_us or level.down_us or level.up_us or overall.down_us or overall.up_us
    return FittedLevel(up, down, group)


def _quantiles_us(delays_ns: Floats, steps: int) -> tuple[int, ...]:
    if not len(delays_ns):
        return ()
    ordered = np.sort(delays_ns)
    last = len(ordered) - 1
    steps = min(steps, max(1, last))
    places = [round(number * last / steps) for number in range(steps + 1)]
    return tuple(round(float(ordered[place]) / MICROSECOND) for place in places)


def to_toml(found: Fit, observed: Observed, assumed: Sequence[str]) -> str:
    """Return the parts of a scenario's file that hold a fit of what ``observed`` tells, and what it ``assumed``."""
    loss = found.loss
    parts = [f"# Learnt by leadlight fit from {observed.source!r}.", "[air.dropouts]"]
    parts.append(f"mean_loss_fraction = {loss.mean_loss:.6g}")
    if loss.mean_loss:
        parts.append(f"mean_burst_s = {loss.mean_burst_s:.6g}")
        if loss.bad_loss < 1:
            parts.append(f"bad_loss_fraction = {loss.bad_loss:.6g}")
        if not math.isnan(loss.shared_share):
            parts.append(f"shared_fraction = {loss.shared_share:.6g}")
    parts += ["", "[air.fitted]", f"window_ms = {found.window_ns / MILLISECOND:.6f}", f'windows = "{found.windows}"']
    if found.apart_us:
        parts.append(f"apart_us = {list(found.apart_us)}")
    if found.crosses_twice:
        parts.append("crosses_twice = true")
    parts += ["", "[air.fitted.rests_on]", f"recording = {_quoted(observed.source)}"]
    if observed.begun_at is not None:
        parts.append(f'recorded_at = "{observed.begun_at:%Y-%m-%d %H:%M}"')
    parts.append(f"seconds = {observed.length_ns / SECOND:.1f}")
    parts += [f"hosts = {len(observed.hosts)}", f"packets = {found.packets}"]
    parts += ["assumed = [", *(f"    {_quoted(line)}," for line in assumed), "]", ""]
    if found.beat is not None and (found.unicast_share or (found.hold is not None and found.hold.share)):
        share = found.hold.share if found.hold is not None else 0.0
        parts += ["[air.fitted.hold]", f"beacons = {found.beat.beacons}", f"group_share = {share:.6g}"]
        if found.hold is not None and 0 < share < 1 and math.isfinite(found.hold.mean_run_s):
            parts.append(f"mean_held_s = {max(0.001, min(86_400.0, found.hold.mean_run_s)):.6g}")
        parts.append(f"unicast_share = {found.unicast_share:.6g}")
        parts += [f"phase_ms = {found.beat.phase_ns / MILLISECOND:.3f}", ""]
    for own in found.lossy:
        parts += ["[[air.fitted.lossy]]", f"name = {_quoted(own.label)}"]
        parts += [f"extra_loss_fraction = {own.extra_share:.6g}", f"extra_burst_s = {own.extra_burst_s:.6g}", ""]
    for level in found.levels:
        parts.append("[[air.fitted.levels]]")
        parts += [f"{name} = {list(getattr(level, name))}" for name in ("up_us", "down_us", "group_us")]
        parts.append("")
    return "\n".join(parts)


def _quoted(text: str) -> str:
    kept = "".join(character if character.isprintable() else "�" for character in text)
    escaped = kept.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
