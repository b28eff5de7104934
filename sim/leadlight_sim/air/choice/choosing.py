"""The contended air's settings for what a scenario says of its network, and what both airs take from it alike.

Presets keep their names and their loss from one air to the other; what the distributions of the sampled air hold of
others' traffic is here a number of neighbours. How many, and how much each sends, is assumed throughout: distributions
and neighbours agree in spirit, not in figures.

``idle``
    Two neighbours that ask for 3 % of the channel each, frames coming independently.
``busy``
    Two that ask for 15 % each, and two that have something to send at all times for 0.3 s in every 1.2 s on average.
``dozing``
    ``idle``, with a visitor's phone that dozes all the time, so that group frames wait for DTIM.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Final

from leadlight.follower import STEADY_INTERVAL_NS, fair_spacing_ns
from leadlight.units import SECOND, seconds
from leadlight_sim import scenario as described
from leadlight_sim.air import Band, Dropout, Radio
from leadlight_sim.air.choice.presets import preset
from leadlight_sim.air.choice.tables import Scene, measured, sampled_settings
from leadlight_sim.air.contended import (
    MEMBERSHIP_LIFETIME_NS,
    NEIGHBOUR_PAYLOAD_BYTES,
    AccessPoint,
    Beacons,
    ContendedSettings,
    Neighbour,
    OnOff,
    Poisson,
    PowerSave,
    Saturated,
    Scans,
)
from leadlight_sim.air.sampled import SampledSettings

_LIGHT: Final = (described.PoissonNeighbour(kind="poisson", load=0.03),) * 2
_HEAVY: Final = (
    *(described.PoissonNeighbour(kind="poisson", load=0.15),) * 2,
    *(described.OnOffNeighbour(kind="on-off", load=0.25, mean_on_s=0.3),) * 2,
)
PRESET_NEIGHBOURS: Final[Mapping[str, tuple[described.Neighbour, ...]]] = MappingProxyType(
    {"idle": _LIGHT, "busy": _HEAVY, "dozing": _LIGHT}
)


TABLES_RUN_NS: Final = 600 * SECOND
TABLES_RUN_LIMIT_NS: Final = 3_000 * SECOND
"""Six thousand beacons: a share of collisions of a tenth is then known to a twentieth of itself. Where fewer collide,
which are quiet networks and quickly run, up to thirty thousand."""
CROWD_MAXIMUM: Final = 30
"""Followers in the run for the tables: of a larger group so many stand for all, and sound as often as all together."""


def radio_of(air: described.Air | described.AccessPoint) -> Radio:
    """Return the access point's radio: the band's usual settings."""
    return Radio(band=Band.GHZ_5 if air.band == "5" else Band.GHZ_2_4)


def stated_loss(air: described.Air) -> tuple[Dropout, Dropout] | None:
    """Return each station's own loss and the loss that all share, as stated; ``None`` where the preset's hold."""
    asked = air.dropouts
    if asked is None:
        return None
    shared_loss = asked.mean_loss_fraction * asked.shared_fraction
    bad_loss = asked.bad_loss_fraction
    return (
        Dropout.from_mean(asked.mean_loss_fraction - shared_loss, asked.mean_burst_s, bad_loss=bad_loss),
        Dropout.from_mean(shared_loss, asked.mean_burst_s, bad_loss=bad_loss),
    )


def contended_settings(scenario: described.Scenario) -> ContendedSettings:
    """Return the contended air's settings for a scenario, whose preset is not one of the reference models.

    A channel's loss strikes each try: a link that is out for longer than the tries last loses unicast frames too.
    """
    air = scenario.air
    radio = radio_of(air)
    of_preset = preset(air.preset)
    dropout, shared_dropout = stated_loss(air) or (of_preset.dropout, of_preset.shared_dropout)
    chosen = scenario.neighbours or PRESET_NEIGHBOURS[air.preset]
    scans = None
    if air.scans is not None:
        scans = Scans(air.scans.stations, seconds(air.scans.every_s), seconds(air.scans.for_s))
    return ContendedSettings(
        name=air.name,
        further=tuple(_access_point(point, shared_dropout) for point in scenario.access_points),
        radio=radio,
        dropout=dropout,
        shared_dropout=shared_dropout,
        beacons=Beacons(period=air.dtim_period),
        power_save=PowerSave(air.dozing, others_doze=of_preset.hold is not None),
        scans=scans,
        converts_multicast=air.converts_multicast,
        answer_loss_factor=air.answer_loss_factor,
        membership_lifetime_ns=MEMBERSHIP_LIFETIME_NS if air.forgets_members else None,
        neighbours=tuple(_neighbour(neighbour, radio) for neighbour in chosen),
        client_isolation=air.client_isolation,
    )


@cache
def _tabled(scene: Scene, directory: Path) -> SampledSettings:
    return sampled_settings(scene, measured(scene, directory))


def tables_scene(scenario: described.Scenario) -> Scene:
    """Return the scene whose contended run gives a scenario's tables."""
    group = len(scenario.followers)
    crowd = min(group, CROWD_MAXIMUM)
    # Two seconds are half of what a small group leaves between Soundings, so that their delays are known well.
    together_ns = max(STEADY_INTERVAL_NS, fair_spacing_ns(group, scenario.leader.sounding_budget))
    return Scene(
        air=contended_settings(scenario),
        followers=crowd,
        leader_is_wired=scenario.leader.wired,
        sounding_interval_ns=min(2 * SECOND, together_ns * crowd // group),
        duration_ns=TABLES_RUN_NS,
        duration_limit_ns=TABLES_RUN_LIMIT_NS,
    )


def tabled_settings(scenario: described.Scenario) -> SampledSettings:
    """Return the sampled air's settings with tables from a contended run of a scenario's network.

    The run is made when its tables are first asked for, and they are kept in the user's cache, ``XDG_CACHE_HOME`` or
    ``~/.cache``. They are the same whatever the scenario's seed. Raises ``ConfigurationError`` if the network is asked
    for more than it can carry.
    """
    caches = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return _tabled(tables_scene(scenario), Path(caches, "leadlight"))


def _access_point(asked: described.AccessPoint, shared_dropout: Dropout) -> AccessPoint:
    radio = radio_of(asked)
    return AccessPoint(
        name=asked.name,
        stations=asked.stations,
        radio=radio,
        shared_dropout=shared_dropout,
        beacons=Beacons(period=asked.dtim_period),
        others_doze=asked.others_doze,
        neighbours=tuple(_neighbour(neighbour, radio) for neighbour in asked.neighbours),
    )


def _neighbour(asked: described.Neighbour, radio: Radio) -> Neighbour:
    if isinstance(asked, described.SaturatedNeighbour):
        return Neighbour(Saturated())
    if isinstance(asked, described.PoissonNeighbour):
        # A share of the channel's time, frames reckoned as a lone sender would need them.
        return Neighbour(Poisson(asked.load * SECOND / radio.unicast_ns(NEIGHBOUR_PAYLOAD_BYTES)))
    return Neighbour(OnOff(asked.mean_on_s, asked.mean_on_s * (1 - asked.load) / asked.load))
