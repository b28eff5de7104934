"""The clock: how far this node's clock is from the leader's, and how far that answer may be wrong.

Read in this order: ``estimator`` (what all of them are), ``bound``, ``edge_filter``, ``tracker``, ``group_delay``,
``common_view``, ``states``, ``settings``, and ``clock``, which puts them together.
"""

from leadlight.clock.bound import CausalityBound, statistical_half_width_ns
from leadlight.clock.clock import Bounds, FollowerClock
from leadlight.clock.edge_filter import EdgeFilter
from leadlight.clock.estimator import Estimate, Estimator, Exchange
from leadlight.clock.settings import ClockSettings, ClockView

__all__ = [
    "Bounds",
    "CausalityBound",
    "ClockSettings",
    "ClockView",
    "EdgeFilter",
    "Estimate",
    "Estimator",
    "Exchange",
    "FollowerClock",
    "statistical_half_width_ns",
]
