"""The clock: beacons, soundings and marks come in and are weighed; out goes how far this node's clock is from the
leader's, and how far that may be wrong.

Read in this order: ``estimator`` (what all of them are), ``bound``, ``edge_filter``, ``tracker``, ``shared_delay``,
``common_view``, ``plausibility``, ``states``, ``settings``, and ``clock``, which puts them together."""

from leadlight.clock.bound import CONTINUED_WITHIN_NS, RATE_WANDER, CausalityBound
from leadlight.clock.clock import Bounds, FollowerClock
from leadlight.clock.common_view import CommonViewClock
from leadlight.clock.edge_filter import EdgeFilter
from leadlight.clock.estimator import Estimate, Estimator, Exchange
from leadlight.clock.plausibility import Misfit, Refusals
from leadlight.clock.settings import ClockSettings, ClockView
from leadlight.clock.shared_delay import DelayCollector, reporting_stride
