"""Drills: rehearsed faults, and what the crowd sees of each."""

from leadlight_sim.drills.drills import (
    BREAKS_AT_S,
    DEFAULT_RECOVERY,
    RECOVERIES,
    DrillResult,
    drills_named,
    limits_told,
    run_drill,
)
from leadlight_sim.drills.figures import DRILL_MEASURES, drilled
from leadlight_sim.drills.names import DRILL_SUMMARIES

__all__ = [
    "BREAKS_AT_S",
    "DEFAULT_RECOVERY",
    "DRILL_MEASURES",
    "DRILL_SUMMARIES",
    "RECOVERIES",
    "DrillResult",
    "drilled",
    "drills_named",
    "limits_told",
    "run_drill",
]
