"""The live feed: the same show with its pixels sent as they are shown, to compare a leader's beacons with."""

from leadlight_sim.live.feed import Delivery, LiveRun, send_live, sentences
from leadlight_sim.live.load import DATA_PACKET_BYTES, LiveFeed, universes
