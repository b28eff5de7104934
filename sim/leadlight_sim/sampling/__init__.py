"""Sampling: what followers went by as it changed, and what they were off by at many instants, in arrays."""

from leadlight_sim.sampling.history import Flags, Floats, History, Wholes, rows_at
from leadlight_sim.sampling.sampling import (
    NO_SHOW_DUE,
    Instants,
    Sampler,
    Samples,
    Wakings,
    in_ms,
    locals_at,
)
from leadlight_sim.sampling.watching import Change, Taken, Watch

__all__ = [
    "NO_SHOW_DUE",
    "Change",
    "Flags",
    "Floats",
    "History",
    "Instants",
    "Sampler",
    "Samples",
    "Taken",
    "Wakings",
    "Watch",
    "Wholes",
    "in_ms",
    "locals_at",
    "rows_at",
]
