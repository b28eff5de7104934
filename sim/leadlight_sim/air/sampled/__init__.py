"""The sampled air: delays drawn from distributions, queues at the access point, and losses from a channel that is good
or bad for a while."""

from leadlight_sim.air.sampled.air import SampledAir
from leadlight_sim.air.sampled.settings import Congestion, SampledSettings
