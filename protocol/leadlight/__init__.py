"""Leadlight: a leader/follower timing-beacon protocol for shows that are stored on many boards.

A leader sends small beacons that say what time it is and what is in force; each follower keeps the leader's clock
through loss and delay, and knows which frame of its stored show is now. ``Leader`` and ``Follower`` do no input or
output of their own: drive them with ``leadlight.net``, with your own loop, or in the simulator.
"""

from leadlight.addresses import GROUP
from leadlight.clock import ClockSettings
from leadlight.cue import Cue, FrameRate, ShowLine, show_key
from leadlight.errors import ConfigurationError, LeadlightError, NetworkError, WireError
from leadlight.follower import Follower, FollowerSettings, Snapshot
from leadlight.leader import Leader, LeaderSettings
from leadlight.playback import BlendedRecovery, Shown, Still, StoredShow, stills_of
from leadlight.terms import ClockState, ContentState, CueState, Delivery, OnMusicLost
from leadlight.wire import Codec, KeyRing

__all__ = [
    "GROUP",
    "BlendedRecovery",
    "ClockSettings",
    "ClockState",
    "Codec",
    "ConfigurationError",
    "ContentState",
    "Cue",
    "CueState",
    "Delivery",
    "Follower",
    "FollowerSettings",
    "FrameRate",
    "KeyRing",
    "Leader",
    "LeaderSettings",
    "LeadlightError",
    "NetworkError",
    "OnMusicLost",
    "ShowLine",
    "Shown",
    "Snapshot",
    "Still",
    "StoredShow",
    "WireError",
    "show_key",
    "stills_of",
]
