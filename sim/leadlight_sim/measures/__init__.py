"""Measures: what the crowd sees, as numbers, taken from a world while it runs."""

from leadlight_sim.measures.flashes import AddedFlashes, trial_content, trial_stills, worst_viewpoint
from leadlight_sim.measures.rehearsal import (
    Rehearsal,
    Verdict,
    distance_of,
    judge,
    naive_distance_of,
    rehearse,
    was_show_on,
)
from leadlight_sim.measures.scores import SCORE_EVERY_NS, Floats, FollowerScore, Percentiles, Scores, worst_first
from leadlight_sim.measures.scoring import Scorer
from leadlight_sim.measures.table import COLUMNS, rows

__all__ = [
    "COLUMNS",
    "SCORE_EVERY_NS",
    "AddedFlashes",
    "Floats",
    "FollowerScore",
    "Percentiles",
    "Rehearsal",
    "Scorer",
    "Scores",
    "Verdict",
    "distance_of",
    "judge",
    "naive_distance_of",
    "rehearse",
    "rows",
    "trial_content",
    "trial_stills",
    "was_show_on",
    "worst_first",
    "worst_viewpoint",
]
