"""Leadlight: a leader/follower timing-beacon protocol for shows that are stored on many boards.

A leader sends small beacons that say what time it is and what is in force. Each follower keeps the leader's clock
through loss and delay, and knows which frame of its stored show is now. ``Leader`` and ``Follower`` do no input or
output of their own: drive them with ``leadlight.net``, with your own loop, or in the simulator. Nothing is loaded
before it is asked for.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
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
        OutputClock,
        OutputClockSettings,
        Playhead,
        Recovery,
        Remedy,
        Shown,
        SlewOnlyRecovery,
        Steering,
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
    "OutputClock",
    "OutputClockSettings",
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
    "Steering",
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

_WORDS = ("units", "terms", "errors", "addresses", "cue", "entropy")
_PLACES = (*_WORDS, "wire", "clock", "playback", "follower", "leader", "storage")
"""Where these names are; first the places that load least."""


def __getattr__(name: str) -> Any:
    """Load a name of the face when it is first asked for: a command's help must not wait for the whole library."""
    if name in __all__:
        for place in _PLACES:
            module = import_module(f"{__name__}.{place}")
            if hasattr(module, name):
                globals()[name] = getattr(module, name)
                return globals()[name]
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__
