"""Other estimators, for comparison: each in its textbook form, with its source."""

from leadlight_sim.baselines.catalogue import BASELINES
from leadlight_sim.baselines.clock_filter import ClockFilter
from leadlight_sim.baselines.kalman import Kalman
from leadlight_sim.baselines.latest_beacon import LatestBeacon
from leadlight_sim.baselines.least_squares import LeastSquares
from leadlight_sim.baselines.lower_hull import LowerHull
from leadlight_sim.baselines.moving_average import MovingAverage
from leadlight_sim.baselines.pi_servo import PIServo
from leadlight_sim.baselines.side_by_side import Accompanied, accompanied
from leadlight_sim.baselines.sliding_minimum import SlidingMinimum
