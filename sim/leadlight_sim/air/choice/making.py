"""The air that a scenario asks for, made: sampled, contended or tabled."""

from __future__ import annotations

import dataclasses
from typing import TypeAlias

from leadlight.units import milliseconds
from leadlight_sim import scenario as described
from leadlight_sim.air import GroupHold, Radio
from leadlight_sim.air.choice.choosing import contended_settings, radio_of, stated_loss, tabled_settings
from leadlight_sim.air.choice.fitted import FittedLevel, fitted_tables
from leadlight_sim.air.choice.presets import preset
from leadlight_sim.air.contended import ContendedAir
from leadlight_sim.air.sampled import SampledAir, SampledSettings
from leadlight_sim.kernel import Kernel, Streams

AnyAir: TypeAlias = SampledAir | ContendedAir


def air_settings(air: described.Air) -> SampledSettings:
    """Return the air's own settings for what a scenario says of it."""
    settings = preset(air.preset)
    changes: dict[str, object] = {
        "floor_asymmetry": air.floor_asymmetry,
        "measured_asymmetry": air.measured_asymmetry,
        "client_isolation": air.client_isolation,
    }
    if isinstance(settings.radio, Radio):
        changes["radio"] = radio_of(air)
    if settings.hold is not None and not air.preset.startswith("model-"):
        changes["hold"] = dataclasses.replace(settings.hold, period=air.dtim_period)
    if air.fitted is not None:
        changes["tables"], changes["load"] = fitted_tables(
            [FittedLevel(level.up_us, level.down_us, level.group_us) for level in air.fitted.levels],
            air.fitted.windows,
            milliseconds(air.fitted.window_ms),
            settings.tables.cable,
            apart_us=air.fitted.apart_us,
            crosses_twice=air.fitted.crosses_twice,
        )
        changes["retries_delay"] = False
        hold = air.fitted.hold
        if hold is not None:
            # Where an evening begins in the beat, and how much the access point's clock is off, is drawn.
            changes["hold"] = GroupHold(
                hold.beacons,
                doze_share=hold.unicast_share,
                held_share=hold.group_share,
                mean_held_seconds=hold.mean_held_s,
            )
    loss = stated_loss(air)
    if loss is not None:
        changes["dropout"], changes["shared_dropout"] = loss
    return dataclasses.replace(settings, **changes)  # type: ignore[arg-type]


def make_air(scenario: described.Scenario, kernel: Kernel, streams: Streams) -> AnyAir:
    """Return the air that a scenario asks for."""
    if scenario.air.fidelity == "contended":
        return ContendedAir(kernel, streams, contended_settings(scenario))
    if scenario.air.fidelity == "tabled":
        return SampledAir(kernel, streams, tabled_settings(scenario))
    return SampledAir(kernel, streams, air_settings(scenario.air))
