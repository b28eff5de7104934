"""Measures: what the crowd sees, as numbers taken from a world while it runs, held against targets, and the verdict in
words."""

from leadlight_sim.measures.flashes import CYCLE_S, AddedFlashes, trial_content, trial_stills, worst_viewpoint
from leadlight_sim.measures.rehearsal import Rehearsal, rehearse, scored
from leadlight_sim.measures.scores import (
    SCORE_EVERY_NS,
    Floats,
    FollowerScore,
    Percentiles,
    Scores,
    distance_of,
    naive_distance_of,
    was_show_on,
    worst_first,
)
from leadlight_sim.measures.scoring import Scorer
from leadlight_sim.measures.table import COLUMNS, GIVEN_UP_FIRST, rows
from leadlight_sim.measures.targets import (
    MEASURES,
    Figures,
    Measure,
    digits_of,
    figures_of,
    limit_for,
    limits_of,
    misses_of,
)
from leadlight_sim.measures.verdict import Verdict, judge, rests_on
