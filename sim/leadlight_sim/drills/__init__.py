"""Drills: rehearsed faults, and what the crowd sees of each."""

from leadlight_sim.drills.breaking import Drill, drills_named
from leadlight_sim.drills.drills import DEFAULT_RECOVERY, RECOVERIES, DrillResult, evening_of, limits_told, run_drill
from leadlight_sim.drills.figures import DRILL_MEASURES, drilled
from leadlight_sim.drills.names import DRILL_SUMMARIES, GRAMMAR, GRAMMAR_TOLD
