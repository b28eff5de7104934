"""The leader: it gives the time, announces cues, keeps a roster, and stands by while another leads."""

from leadlight.leader.copies import BEGIN_ABOVE_PERMILLE, END_BELOW_PERMILLE, CopyList
from leadlight.leader.leader import Leader
from leadlight.leader.limiter import RateLimiter
from leadlight.leader.roster import Roster, RosterEntry
from leadlight.leader.settings import LISTEN_INTERVALS, LeaderSettings
from leadlight.leader.tenure import DITHER_MAXIMUM_NS, DITHER_SHARE, MARK_PUBLICATIONS

__all__ = [
    "BEGIN_ABOVE_PERMILLE",
    "DITHER_MAXIMUM_NS",
    "DITHER_SHARE",
    "END_BELOW_PERMILLE",
    "LISTEN_INTERVALS",
    "MARK_PUBLICATIONS",
    "CopyList",
    "Leader",
    "LeaderSettings",
    "RateLimiter",
    "Roster",
    "RosterEntry",
]
