"""Leadlight: a leader/follower timing-beacon protocol for shows that are stored on many boards.

A leader sends small beacons that say what time it is and what is in force. Each follower keeps the leader's clock
through loss and delay, and knows which frame of its stored show is now. ``Leader`` and ``Follower`` do no input or
output of their own: drive them with ``leadlight.net``, with your own loop, or in the simulator.
"""

from leadlight.addresses import GROUP
from leadlight.clock import Bounds, CausalityBound, ClockSettings, ClockView, Estimate, Estimator, Exchange
from leadlight.cue import Cue, FrameRate, ShowLine, show_key
from leadlight.entropy import Entropy
from leadlight.errors import (
    ConfigurationError,
    LeadlightError,
    MessageError,
    NetworkError,
    NotRunningError,
    OrderError,
    WireError,
)
from leadlight.follower import DueFrame, Follower, FollowerSettings, JournalLine, Snapshot
from leadlight.leader import Inheritance, Leader, LeaderSettings, Roster, RosterEntry
from leadlight.playback import (
    AtTick,
    BlendedRecovery,
    Correction,
    History,
    HoldRecovery,
    Library,
    Moved,
    Playhead,
    Recovery,
    Remedy,
    Shown,
    SlewOnlyRecovery,
    StepOnlyRecovery,
    Still,
    StoredShow,
    Stretch,
    stills_of,
)
from leadlight.storage import make_key, read_key_file, read_library
from leadlight.terms import ClockState, ContentState, CueState, Delivery, MusicChange, OnMusicLost, Refusal, Role
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire import Beacon, Codec, DelayReport, Echo, KeyRing, Mark, Message, SharedDelay, Sounding, Tally

__version__ = "0.1.0"

__all__ = [
    "GROUP",
    "MILLISECOND",
    "SECOND",
    "AtTick",
    "Beacon",
    "BlendedRecovery",
    "Bounds",
    "CausalityBound",
    "ClockSettings",
    "ClockState",
    "ClockView",
    "Codec",
    "ConfigurationError",
    "ContentState",
    "Correction",
    "Cue",
    "CueState",
    "DelayReport",
    "Delivery",
    "DueFrame",
    "Echo",
    "Entropy",
    "Estimate",
    "Estimator",
    "Exchange",
    "Follower",
    "FollowerSettings",
    "FrameRate",
    "History",
    "HoldRecovery",
    "Inheritance",
    "JournalLine",
    "KeyRing",
    "Leader",
    "LeaderInstant",
    "LeaderSettings",
    "LeadlightError",
    "Library",
    "LocalInstant",
    "Mark",
    "Message",
    "MessageError",
    "Moved",
    "MusicChange",
    "NetworkError",
    "NotRunningError",
    "OnMusicLost",
    "OrderError",
    "Playhead",
    "Recovery",
    "Refusal",
    "Remedy",
    "Role",
    "Roster",
    "RosterEntry",
    "SharedDelay",
    "ShowLine",
    "ShowPosition",
    "Shown",
    "SlewOnlyRecovery",
    "Snapshot",
    "Sounding",
    "StepOnlyRecovery",
    "Still",
    "StoredShow",
    "Stretch",
    "Tally",
    "WireError",
    "__version__",
    "make_key",
    "read_key_file",
    "read_library",
    "show_key",
    "stills_of",
]
