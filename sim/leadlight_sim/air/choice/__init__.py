"""Which air a scenario gets: presets, tables made from a contended run, recordings that were fitted."""

from leadlight_sim.air.choice.choosing import contended_settings, tabled_settings
from leadlight_sim.air.choice.fitting import Fit, FittedLevel, Sample, fit
from leadlight_sim.air.choice.making import AnyAir, air_settings, make_air
from leadlight_sim.air.choice.presets import preset

__all__ = [
    "AnyAir",
    "Fit",
    "FittedLevel",
    "Sample",
    "air_settings",
    "contended_settings",
    "fit",
    "make_air",
    "preset",
    "tabled_settings",
]
