"""What a leader and a follower are told before they start, checked where it is said."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

from leadlight.clock import ClockSettings
from leadlight.errors import check_flag, check_kind, check_name, check_whole
from leadlight.units import MILLISECOND, MINUTE, SECOND
from leadlight.wire import NAME_MAXIMUM_BYTES, U16

SILENT_INTERVALS: Final = 5
GOODBYE_INTERVALS: Final = 2
"""A leader that has said goodbye is thought gone after so many: long enough for a live one to contradict a forgery."""
TALLY_INTERVAL_NS: Final = 5 * SECOND
HOLDOVER_CAP_NS: Final = 10 * MINUTE
HOLDOVER_BOUND_NS: Final = 50 * MILLISECOND
"""A clock that may be off by more is no guide any longer: an error of this size the playhead would step."""


@dataclass(frozen=True, slots=True)
class FollowerSettings:
    """One follower's settings; times in ns.

    ``name`` is how people know it, at most 24 bytes. ``latency_ns``: from handing a frame to the output until its light
    shows. ``trim_ns``: this piece later (positive) or earlier. ``radio``: hash of the access point's BSSID where known.
    ``soundings``: off for a node that cannot or may not send. ``holdover_cap_ns``: how long to go on without beacons,
    ``holdover_bound_ns``: and how far off the clock may be, by its statistical bound, while it does. ``lights``: off
    for a node that lights nothing and of which no content is expected.
    """

    name: str
    latency_ns: int = 0
    trim_ns: int = 0
    radio: int | None = None
    soundings: bool = True
    silent_intervals: int = SILENT_INTERVALS
    holdover_cap_ns: int = HOLDOVER_CAP_NS
    holdover_bound_ns: int = HOLDOVER_BOUND_NS
    tally_interval_ns: int = TALLY_INTERVAL_NS
    lights: bool = True
    clock: ClockSettings = field(default_factory=ClockSettings)

    def __post_init__(self) -> None:
        check_name("name", self.name, NAME_MAXIMUM_BYTES)
        check_whole("latency_ns", self.latency_ns, 0, SECOND, "0 to a second in ns")
        check_whole("trim_ns", self.trim_ns, -10 * SECOND, 10 * SECOND, "ten seconds either way in ns")
        if self.radio is not None:
            check_whole("radio", self.radio, 0, U16, "16 bits")
        check_whole("silent_intervals", self.silent_intervals, 2, math.inf, "2 or more")
        check_whole("holdover_cap_ns", self.holdover_cap_ns, 0, math.inf, "zero or more ns")
        check_whole("holdover_bound_ns", self.holdover_bound_ns, 0, math.inf, "zero or more ns")
        check_whole("tally_interval_ns", self.tally_interval_ns, 100 * MILLISECOND, math.inf, "0.1 s or more in ns")
        check_flag("soundings", self.soundings)
        check_flag("lights", self.lights)
        check_kind("clock", self.clock, ClockSettings, "a ClockSettings")
