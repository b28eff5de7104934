"""Which air a scenario gets: presets, tables made from a contended run, recordings that were fitted."""

from leadlight_sim.air.choice.choosing import contended_settings, tabled_settings
from leadlight_sim.air.choice.fitted import FittedLevel
from leadlight_sim.air.choice.making import AnyAir, air_settings, make_air
from leadlight_sim.air.choice.presets import preset
