"""Sampling: what followers went by as it changed, and what they were off by at many instants, in arrays."""

from leadlight_sim.sampling.history import Flags, Floats, History, Wholes, rows_at
from leadlight_sim.sampling.sampling import NO_SHOW_DUE, Instants, Sampler, Samples
from leadlight_sim.sampling.watching import Taken, Watch
