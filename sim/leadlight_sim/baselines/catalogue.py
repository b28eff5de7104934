"""The catalogue of baselines: makers of all of them, by name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Final

from leadlight.clock import Estimator
from leadlight_sim.baselines.clock_filter import ClockFilter
from leadlight_sim.baselines.kalman import Kalman
from leadlight_sim.baselines.latest_beacon import LatestBeacon
from leadlight_sim.baselines.least_squares import LeastSquares
from leadlight_sim.baselines.lower_hull import LowerHull
from leadlight_sim.baselines.moving_average import MovingAverage
from leadlight_sim.baselines.pi_servo import PIServo
from leadlight_sim.baselines.sliding_minimum import SlidingMinimum

BASELINES: Final[Mapping[str, Callable[[], Estimator]]] = MappingProxyType(
    {
        "latest beacon": LatestBeacon,
        "moving average": MovingAverage,
        "clock filter + PLL": ClockFilter,
        "PI servo": PIServo,
        "sliding minimum": SlidingMinimum,
        "least squares": LeastSquares,
        "lower hull": LowerHull,
        "Kalman": Kalman,
    }
)
"""Makers of all of them, by name."""
