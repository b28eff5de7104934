"""Soak: random evenings by the thousand, each held against every promise, and what breaks one made small."""

from leadlight_sim.soak.campaign import Finished, Results, program_digest, seed_of, soak, told
from leadlight_sim.soak.evenings import random_evening
from leadlight_sim.soak.shrinking import shrunk
from leadlight_sim.soak.trial import Outcome, Violation, hold
