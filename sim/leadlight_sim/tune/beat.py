"""The access point's own rhythm, and beacon intervals that nearly fall into step with it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from leadlight.leader import DITHER_MAXIMUM_NS, DITHER_SHARE
from leadlight.units import SECOND
from leadlight_sim.air import BEACON_INTERVAL_NS
from leadlight_sim.measures import digits_of

ACCESS_POINT_BEACON_S: Final = BEACON_INTERVAL_NS / SECOND
BEAT_MULTIPLE_MAXIMUM: Final = 10
BEAT_WITHIN: Final = 0.02


@dataclass(frozen=True, slots=True)
class Beat:
    """An interval that nearly falls into step with the access point's own beacons."""

    interval_s: float
    multiple: int

    def told(self) -> str:
        """Return the warning, with its reason and two intervals that are clear of it."""
        near = self.multiple * ACCESS_POINT_BEACON_S
        slip_s = abs(self.interval_s - near)
        if slip_s < 1e-9:
            length = "for as long as both run"
        else:
            length = f"for {digits_of(ACCESS_POINT_BEACON_S / slip_s * self.interval_s)} s on end"
        dither_s = min(DITHER_SHARE * self.interval_s, DITHER_MAXIMUM_NS / SECOND)
        covered = min(1.0, dither_s / ACCESS_POINT_BEACON_S)
        swept = "all" if covered > 0.999 else f"{covered * 100:.0f} %"
        below = math.floor(near * (1 - BEAT_WITHIN) * 100) / 100
        above = math.ceil(near * (1 + BEAT_WITHIN) * 100) / 100
        close = "is" if slip_s < 1e-9 else f"is close to {near:g} s,"
        return (
            f"{self.interval_s:g} s {close} {_times(self.multiple)} the 102.4 ms at which an access "
            f"point sends its own beacons. Our beacons then meet the same moment of its rhythm {length}, and wait the "
            f"same time for it: a constant delay of up to 100 ms, which no follower can tell from a clock error. "
            f"Dither, a random wait of up to {dither_s * 1000:.0f} ms before each beacon, helps: it sweeps {swept} of "
            f"that rhythm. {below:g} s and {above:g} s are clear of it."
        )


def beat_of(interval_s: float) -> Beat | None:
    """Return the beat of an interval within 2 % of 1 to 10 access-point beacon intervals, else ``None``."""
    multiple = round(interval_s / ACCESS_POINT_BEACON_S)
    near = multiple * ACCESS_POINT_BEACON_S
    if not 1 <= multiple <= BEAT_MULTIPLE_MAXIMUM or abs(interval_s - near) > BEAT_WITHIN * near:
        return None
    return Beat(interval_s, multiple)


def _times(multiple: int) -> str:
    return {1: "once", 2: "twice"}.get(multiple, f"{multiple} times")
