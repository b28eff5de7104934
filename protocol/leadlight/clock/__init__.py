"""The clock: how far this node's clock is from the leader's, and how far that answer may be wrong.

Read in this order: ``estimator`` (what all of them are), ``bound``, ``edge_filter``, ``tracker``, ``shared_delay``,
``common_view``, ``plausibility``, ``states``, ``settings``, and ``clock``, which puts them together."""

from leadlight.clock.bound import DEVIATIONS, FLOOR_SHARE, CausalityBound, statistical_half_width_ns
from leadlight.clock.clock import Bounds, FollowerClock
from leadlight.clock.common_view import CommonViewClock
from leadlight.clock.edge_filter import (
    BEACON_SCALE_MAXIMUM,
    EARLY_DEVIATIONS,
    FLOOR_START,
    FLOOR_WANDER,
    LATE_SCALES,
    MEDIAN_OF_EXPONENTIAL,
    NOISE_MINIMUM,
    NOISE_SHARE,
    RATE_WANDER,
    SCALE_MINIMUM,
    TAIL_SCALES,
    EdgeFilter,
    edge_score,
)
from leadlight.clock.estimator import Estimate, Estimator, Exchange
from leadlight.clock.fusion import FLOOR_DEVIATION, LEAST_WEIGHT
from leadlight.clock.plausibility import Misfit, Refusals
from leadlight.clock.settings import ClockSettings, ClockView
from leadlight.clock.shared_delay import (
    ARRIVALS_KEPT,
    REPORT_SPAN,
    REPORTERS_MINIMUM,
    REPORTS_KEPT,
    SPARE_REPORTER_BOUND_NS,
    DelayCollector,
    reporting_stride,
)
from leadlight.clock.tracker import MEAN_DEVIATION_TO_SIGMA, OffsetTracker

__all__ = [
    "ARRIVALS_KEPT",
    "BEACON_SCALE_MAXIMUM",
    "DEVIATIONS",
    "EARLY_DEVIATIONS",
    "FLOOR_DEVIATION",
    "FLOOR_SHARE",
    "FLOOR_START",
    "FLOOR_WANDER",
    "LATE_SCALES",
    "LEAST_WEIGHT",
    "MEAN_DEVIATION_TO_SIGMA",
    "MEDIAN_OF_EXPONENTIAL",
    "NOISE_MINIMUM",
    "NOISE_SHARE",
    "RATE_WANDER",
    "REPORTERS_MINIMUM",
    "REPORTS_KEPT",
    "REPORT_SPAN",
    "SCALE_MINIMUM",
    "SPARE_REPORTER_BOUND_NS",
    "TAIL_SCALES",
    "Bounds",
    "CausalityBound",
    "ClockSettings",
    "ClockView",
    "CommonViewClock",
    "DelayCollector",
    "EdgeFilter",
    "Estimate",
    "Estimator",
    "Exchange",
    "FollowerClock",
    "Misfit",
    "OffsetTracker",
    "Refusals",
    "edge_score",
    "reporting_stride",
    "statistical_half_width_ns",
]
