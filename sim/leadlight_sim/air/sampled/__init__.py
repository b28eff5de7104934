"""The sampled air: every delay drawn from a distribution, every loss from a channel that is good or bad for a while."""

from leadlight_sim.air.sampled.air import SampledAir
from leadlight_sim.air.sampled.settings import Congestion, SampledSettings
