"""Tune: which setting meets every target in all but a share of evenings at the least airtime, how sure that is, and the
figure of it."""

from leadlight_sim.tune.advice import advise
from leadlight_sim.tune.candidates import (
    DEFAULT_INTERVALS_S,
    Candidate,
    Choice,
    check_targets,
    choice_from_text,
    combinations,
)
from leadlight_sim.tune.proof import share_interval
from leadlight_sim.tune.sweep import EVENINGS, Outcome, Question, Sweep
from leadlight_sim.tune.tables import print_table, to_json
