"""The leader: it fills Beacons with time, cues and marks, answers Soundings, keeps a roster of its followers, and
stands by while another leads."""

from leadlight.leader.beacon_times import DITHER_MAXIMUM_NS, DITHER_SHARE
from leadlight.leader.copies import BEGIN_ABOVE_PERMILLE, COPIES_MAXIMUM, END_BELOW_PERMILLE
from leadlight.leader.kept import in_a_new_timebase, is_idle, kept_as_plain, kept_from_plain
from leadlight.leader.leader import Leader
from leadlight.leader.limiter import RateLimiter
from leadlight.leader.roster import ROSTER_MAXIMUM, Roster, RosterEntry
from leadlight.leader.settings import BEACON_INTERVAL_NS, LISTEN_INTERVALS, LeaderSettings
from leadlight.leader.tenure import Inheritance
