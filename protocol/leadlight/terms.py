"""The enumerations that travel in datagrams. Their numbers are the protocol's and never change meaning."""

from __future__ import annotations

from enum import Enum, IntEnum, StrEnum


class Kind(IntEnum):
    """Which message a datagram is; the low four bits of the preamble's third byte."""

    BEACON = 1
    BEACON_COPY = 2
    """A beacon sent to one follower alone: its delay has another distribution than a group frame's."""
    SOUNDING = 3
    ECHO = 4
    TALLY = 5


class CueState(IntEnum):
    """What a cue asks of the playhead."""

    DARK = 0
    """Show nothing."""
    ROLLING = 1
    """The position follows the show line."""
    PAUSED = 2
    """Hold the show line's position."""
    STOPPED = 3
    """Fade to dark within a second, at once, and stay dark until a later cue."""


class ClockState(IntEnum):
    """How far a follower's clock may be trusted, in the terms of ITU-T G.810."""

    FREE_RUN = 0
    """Nothing has been heard yet."""
    ACQUIRING = 1
    """Measuring; the error bound is still outside the budget."""
    LOCKED = 2
    """The error bound is inside the budget."""
    HOLDOVER = 3
    """Beacons have gone; running on the learnt rate with a growing bound."""


class ContentState(IntEnum):
    """Whether a follower holds its part of the show in force."""

    UNKNOWN = 0
    PRESENT = 1
    MISSING = 2
    OTHER_EDITION = 3


class OnMusicLost(StrEnum):
    """What a standby does with the show when it takes over from the host that played the music."""

    CONTINUE = "continue"
    """Go on with what is in force and what was announced."""
    FINISH = "finish"
    """Let the show in force run to its end, then go dark."""
    DARK = "dark"
    """Go dark, one lead time later."""


class Delivery(StrEnum):
    """How beacons reach followers."""

    AUTOMATIC = "automatic"
    """To the group, and a copy to each follower that hears too little of that."""
    GROUP = "group"
    """To the group alone."""
    COPIES = "copies"
    """A copy to each follower that has asked, and nothing to the group."""
    BOTH = "both"
    """To the group and a copy to each follower as well."""


class Refusal(StrEnum):
    """Why a datagram was refused. Counters are kept by these words."""

    TOO_LONG = "too long"
    TOO_SHORT = "too short"
    OTHER_PROTOCOL = "other protocol"
    OTHER_VERSION = "other version"
    OTHER_GROUP = "other group"
    NO_KEY = "no key"
    BAD_TAG = "bad tag"
    UNKNOWN_KIND = "unknown kind"
    MALFORMED = "malformed"
    OUT_OF_RANGE = "out of range"


class Role(Enum):
    """What a node that can lead is doing."""

    LISTENING = "listening"
    """It has started and waits to hear whether anybody leads."""
    STANDBY = "standby"
    """It follows another leader, ready to take over."""
    ASKING = "asking"
    """Beacons have ceased; it asks their leader whether it is there."""
    LEADING = "leading"
    """It leads."""


class MusicChange(StrEnum):
    """What music does that is somewhere else than it should be."""

    PAUSED = "paused"
    """It hardly moves any more."""
    RESUMED = "resumed"
    """It moves again."""
    SOUGHT = "sought"
    """It goes on as it did, somewhere else."""
