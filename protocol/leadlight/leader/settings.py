"""What a leader is told before it starts, checked where it is said."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from leadlight.entropy import identity
from leadlight.errors import ConfigurationError, check_flag, check_name, check_whole, member
from leadlight.leader.copies import COPIES_MAXIMUM
from leadlight.leader.roster import ROSTER_MAXIMUM
from leadlight.terms import Delivery, OnMusicLost
from leadlight.units import MILLISECOND, SECOND
from leadlight.wire import NAME_MAXIMUM_BYTES, U8, U16

BEACON_INTERVAL_NS: Final = SECOND
"""How often a leader beacons that is told nothing else."""
LISTEN_INTERVALS: Final = 7
"""How long a starting leader listens before it leads: the five silent intervals that stand for an absence, and two."""


@dataclass(frozen=True, slots=True)
class LeaderSettings:
    """One leader's settings; times in ns, whole milliseconds for the interval.

    ``rank``: 0 leads before 1. ``lead_time_ns``: how long ahead a cue is announced. ``sounding_budget``: Soundings a
    second that the whole group may send; with 0 it only listens, and what has to be asked all the same is answered once
    a second. ``group_size``: followers expected, for sharing that budget before they are heard. ``markers``: whether
    followers take turns as markers. ``listen_intervals``: beacon intervals of listening before a start leads, 0 to lead
    at once. ``delivery``: to the group, as copies, or as followers need it. ``on_music_lost``: what a takeover does
    with the show. ``refuse_incomplete``: whether a show that a follower says it does not hold is kept from rolling, or
    only warned about. ``roster_limit``: followers that are kept, and ``copies_limit``: addresses that copies may go to.
    """

    name: str
    interval_ns: int = BEACON_INTERVAL_NS
    rank: int = 0
    lead_time_ns: int = 2 * SECOND
    sounding_budget: int = 60
    group_size: int = 0
    markers: bool = True
    listen_intervals: int = LISTEN_INTERVALS
    delivery: Delivery = Delivery.AUTOMATIC
    on_music_lost: OnMusicLost = OnMusicLost.CONTINUE
    refuse_incomplete: bool = False
    roster_limit: int = ROSTER_MAXIMUM
    copies_limit: int = COPIES_MAXIMUM

    def __post_init__(self) -> None:
        check_name("name", self.name, NAME_MAXIMUM_BYTES)
        allowed = "0.05 s to 10 s in ns, whole milliseconds"
        check_whole("interval_ns", self.interval_ns, 50 * MILLISECOND, 10 * SECOND, allowed)
        if self.interval_ns % MILLISECOND:
            raise ConfigurationError("interval_ns", self.interval_ns, allowed)
        check_whole("rank", self.rank, 0, 127, "0 to 127")
        check_whole("lead_time_ns", self.lead_time_ns, 0, 60 * SECOND, "0 to 60 s in ns")
        check_whole("sounding_budget", self.sounding_budget, 0, U8, f"0 to {U8} a second")
        check_whole("group_size", self.group_size, 0, U16, f"0 to {U16}")
        check_whole("listen_intervals", self.listen_intervals, 0, 1000, "0 to 1000")
        check_whole("roster_limit", self.roster_limit, 1, U16, f"1 to {U16}")
        check_whole("copies_limit", self.copies_limit, 1, U16, f"1 to {U16}")
        check_flag("markers", self.markers)
        check_flag("refuse_incomplete", self.refuse_incomplete)
        # Their text will do, as in a file of settings.
        object.__setattr__(self, "delivery", member("delivery", self.delivery, Delivery))
        object.__setattr__(self, "on_music_lost", member("on_music_lost", self.on_music_lost, OnMusicLost))

    @property
    def identity(self) -> int:
        """The number by which this leader is known."""
        return identity(self.name)
