"""Tune: which beacon interval, and by which delivery, meets every target."""

from leadlight_sim.tune.advice import Recommendation, recommend
from leadlight_sim.tune.beat import beat_of
from leadlight_sim.tune.results import MEASURES, Standing, standings, targets_of
from leadlight_sim.tune.tables import print_tables
from leadlight_sim.tune.workers import (
    DEFAULT_INTERVALS_S,
    DELIVERIES_ALLOWED,
    FinishedRun,
    SweepError,
    cores,
    deliveries_from_text,
    intervals_from_text,
    planned_runs,
    sweep,
)

__all__ = [
    "DEFAULT_INTERVALS_S",
    "DELIVERIES_ALLOWED",
    "MEASURES",
    "FinishedRun",
    "Recommendation",
    "Standing",
    "SweepError",
    "beat_of",
    "cores",
    "deliveries_from_text",
    "intervals_from_text",
    "planned_runs",
    "print_tables",
    "recommend",
    "standings",
    "sweep",
    "targets_of",
]
