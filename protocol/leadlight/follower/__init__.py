"""The follower: told the time and handed datagrams, it chooses its leader, sends Soundings and Tallies, and knows which
frame it is now."""

from leadlight.follower.exchange import SPACING_SPREAD, STEADY_INTERVAL_NS, fair_spacing_ns
from leadlight.follower.follower import JOIN_PATIENCE_NS, Follower, Snapshot
from leadlight.follower.frames import DueFrame, FrameRow, Look
from leadlight.follower.journal import JournalLine
from leadlight.follower.settings import SILENT_INTERVALS, TALLY_INTERVAL_NS, FollowerSettings
from leadlight.follower.tallies import TALLIES_PER_SECOND, tally_spacing_ns
from leadlight.follower.tenures import SERIAL_HALF, SERIAL_MASK, is_newer
