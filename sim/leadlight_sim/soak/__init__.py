"""Soak: random evenings by the thousand, each held against every promise, and what breaks one made small."""

from leadlight_sim.soak.campaign import Finished, Results, SoakError, program_digest, seed_of, soak, told
from leadlight_sim.soak.evenings import random_evening
from leadlight_sim.soak.promises import LIVENESS, SAFETY
from leadlight_sim.soak.shrinking import shrunk
from leadlight_sim.soak.trial import NOTHING_RAISES, Outcome, Violation, hold

__all__ = [
    "LIVENESS",
    "NOTHING_RAISES",
    "SAFETY",
    "Finished",
    "Outcome",
    "Results",
    "SoakError",
    "Violation",
    "hold",
    "program_digest",
    "random_evening",
    "seed_of",
    "shrunk",
    "soak",
    "told",
]
