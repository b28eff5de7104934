"""How a clock judges itself, and which corrections it may serve: what it is told before it starts."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from dataclasses import dataclass
from enum import Enum
from typing import Final

from leadlight.clock.bound import DECLARED_DRIFT, CausalityBound
from leadlight.clock.edge_filter import EdgeFilter
from leadlight.clock.estimator import Estimator
from leadlight.errors import ConfigurationError, check_kind, check_number, check_whole, member
from leadlight.units import MILLISECOND, SECOND


class ClockView(Enum):
    """Which samples the served estimate rests on."""

    NONE = "nothing yet"
    ONE_WAY = "beacons"
    TWO_WAY = "beacons and soundings"
    SHARED_DELAY = "shared delay"
    COMMON_VIEW = "common view"


CORRECTIONS: Final = frozenset({ClockView.SHARED_DELAY, ClockView.COMMON_VIEW})
"""The views that rest on what other followers contribute."""


@dataclass(frozen=True, slots=True)
class ClockSettings:
    """How a clock judges itself.

    ``lock_budget_ns``: the statistical bound within which it calls itself locked. ``settle_after_ns``: how long it
    must have been locked before the learnt rate is declared. ``declared_drift``: a pure number, the most by which this
    node's crystal and the leader's together can differ in rate. ``estimator`` makes the uncorrected estimator.
    ``views`` are the corrections that may be served: without any, the clock serves its uncorrected estimate, and still
    reports delays.
    """

    lock_budget_ns: int = 10 * MILLISECOND
    settle_after_ns: int = 60 * SECOND
    declared_drift: float = DECLARED_DRIFT
    estimator: Callable[[CausalityBound], Estimator] = EdgeFilter
    views: frozenset[ClockView] = CORRECTIONS

    def __post_init__(self) -> None:
        check_whole("lock_budget_ns", self.lock_budget_ns, 1, math.inf, "above zero")
        check_whole("settle_after_ns", self.settle_after_ns, 0, math.inf, "zero or more")
        check_number("declared_drift", self.declared_drift, 0, math.nextafter(1e-2, 0), "above zero, below 0.01")
        if not callable(self.estimator):
            raise ConfigurationError("estimator", self.estimator, "what makes an estimator, such as a class")
        allowed = "any of SHARED_DELAY and COMMON_VIEW"
        check_kind("views", self.views, Collection, allowed)
        views = frozenset(member("views", view, ClockView) for view in self.views)
        if not views <= CORRECTIONS:
            raise ConfigurationError("views", self.views, allowed)
        object.__setattr__(self, "views", views)
