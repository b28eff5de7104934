"""Other estimators, for comparison: each in its textbook form, with its source.

They run beside the library's own on the same samples, so that a comparison is on the same luck.
"""

from leadlight_sim.baselines.accompanied import Accompanied, accompanied
from leadlight_sim.baselines.latest_beacon import LatestBeacon

__all__ = ["Accompanied", "LatestBeacon", "accompanied"]
