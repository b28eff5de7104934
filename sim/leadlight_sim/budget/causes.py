"""The causes of what a crowd sees, each of which can be taken away from a rehearsal while all else stays as it was.

What is taken away is still drawn wherever another draw of the same random stream follows it, so that the rest of the
evening meets the same chances. Only where fewer packets are lost or sent again do later packets meet other draws.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from enum import Enum
from functools import partial
from typing import Final

from leadlight_sim.air import NO_DROPOUT, AirTables, DelayDistribution, StretchedExcess
from leadlight_sim.air.choice import AnyAir, air_settings, contended_settings, tabled_settings
from leadlight_sim.air.contended import ContendedAir, ContendedSettings, PowerSave
from leadlight_sim.air.sampled import SampledAir, SampledSettings
from leadlight_sim.hosts import Host, HostSettings
from leadlight_sim.kernel import Kernel, Stream, Streams
from leadlight_sim.scenario import Scenario


class Cause(Enum):
    """What makes light early or late."""

    WAKING = "hosts that wake late"
    STAMPING = "packets stamped late"
    WAITING = "waiting behind traffic"
    LOSS = "lost packets"
    PATHS = "unequal paths"
    CRYSTALS = "crystals that drift"


NEVER: Final = sys.float_info.min
"""A chance that is drawn for and never comes."""


def host_without(gone: frozenset[Cause]) -> Callable[[HostSettings, Stream], Host]:
    """Return what makes hosts when some causes are gone."""
    return partial(Host, wakes_at_once=Cause.WAKING in gone, stamps_at_once=Cause.STAMPING in gone)


def scenario_without(scenario: Scenario, gone: frozenset[Cause]) -> Scenario:
    """Return a scenario that says nothing of causes that are gone."""
    changes: dict[str, object] = {}
    if Cause.CRYSTALS in gone:
        changes["clocks"] = {"tolerance_ppm": 0, "wander_ppm_per_sqrt_s": [0, 0], "cooling_ppm": [0, 0]}
        changes |= {f"followers[{number}].oscillator_ppm": None for number in range(len(scenario.followers))}
        changes |= {f"standbys[{number}].oscillator_ppm": None for number in range(len(scenario.standbys))}
        if scenario.leader.oscillator_ppm is not None:
            changes["leader.oscillator_ppm"] = None
    if Cause.PATHS in gone:
        changes |= {"air.floor_asymmetry": 0.0, "air.measured_asymmetry": False}
    if Cause.LOSS in gone:
        changes |= {f"followers[{number}].extra_loss_fraction": 0.0 for number in range(len(scenario.followers))}
        if scenario.air.fitted is not None:
            changes["air.fitted.lossy"] = []
    return scenario.with_changes(changes)


def air_without(gone: frozenset[Cause]) -> Callable[[Scenario, Kernel, Streams], AnyAir]:
    """Return what makes a scenario's air when some causes are gone."""

    def make(scenario: Scenario, kernel: Kernel, streams: Streams) -> AnyAir:
        if scenario.air.fidelity == "contended":
            return ContendedAir(kernel, streams, _contended_without(contended_settings(scenario), gone))
        tabled = scenario.air.fidelity == "tabled"
        settings = tabled_settings(scenario) if tabled else air_settings(scenario.air)
        return SampledAir(kernel, streams, _sampled_without(settings, gone))

    return make


def _contended_without(settings: ContendedSettings, gone: frozenset[Cause]) -> ContendedSettings:
    if Cause.LOSS in gone:
        further = tuple(replace(point, shared_dropout=NO_DROPOUT) for point in settings.further)
        settings = replace(settings, dropout=NO_DROPOUT, shared_dropout=NO_DROPOUT, further=further)
    if Cause.WAITING in gone:
        further = tuple(replace(point, neighbours=(), others_doze=False) for point in settings.further)
        settings = replace(settings, neighbours=(), power_save=PowerSave(), scans=None, further=further)
    return settings


def _sampled_without(settings: SampledSettings, gone: frozenset[Cause]) -> SampledSettings:
    congestion, load = settings.congestion, settings.load
    if Cause.WAITING in gone:
        # Whatever the load, a packet takes as long as on an idle channel.
        settings, congestion, load = replace(settings, hold=None, retries_block=False), None, None
    if congestion is not None:
        congestion = replace(congestion, tables=_tables_without(congestion.tables, gone))
    if load is not None:
        load = replace(load, levels=tuple(_tables_without(level, gone) for level in load.levels))
    if Cause.LOSS in gone:
        settings = replace(settings, dropout=NO_DROPOUT, shared_dropout=NO_DROPOUT)
    return replace(settings, tables=_tables_without(settings.tables, gone), congestion=congestion, load=load)


def _tables_without(tables: AirTables, gone: frozenset[Cause]) -> AirTables:
    if Cause.STAMPING in gone:
        # What each receiver adds of its own, in radio and driver.
        tables = replace(tables, private=StretchedExcess(tables.private, 0, 0.0))
    if Cause.WAITING in gone:

        def quickest(distribution: DelayDistribution) -> DelayDistribution:
            return StretchedExcess(distribution, tables.floor_ns, 0.0)

        def quickest_if_any(distribution: DelayDistribution | None) -> DelayDistribution | None:
            return None if distribution is None else quickest(distribution)

        tables = replace(
            tables,
            up=quickest(tables.up),
            down=quickest(tables.down),
            group=quickest(tables.group),
            first_hop=quickest_if_any(tables.first_hop),
            forwarded=quickest_if_any(tables.forwarded),
            reply=quickest_if_any(tables.reply),
            behind=quickest_if_any(tables.behind),
            count_stretch=1.0,
        )
    if Cause.LOSS in gone:
        tables = replace(tables, group_loss=min(tables.group_loss, NEVER), behind_loss=min(tables.behind_loss, NEVER))
    return tables
