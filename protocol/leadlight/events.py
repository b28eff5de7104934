"""What leaders and followers report, in the past tense. Each event carries the local instant at which it happened."""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import Enum
from typing import TypeAlias

from leadlight.cue import Cue, show_name
from leadlight.terms import CueState, MusicChange, Refusal, Role
from leadlight.units import LeaderInstant, LocalInstant, ShowPosition, in_seconds

__all__ = [
    "ClockContradicted",
    "CopiesBegun",
    "CopiesEnded",
    "CopiesFull",
    "CueAdopted",
    "CueAnnounced",
    "CueContradicted",
    "CueTakenUp",
    "CueTookEffect",
    "DatagramsRefused",
    "Event",
    "FollowerCloned",
    "FollowerEvent",
    "FollowerJoined",
    "FollowerLost",
    "Held",
    "HoldoverEnded",
    "LeaderChanged",
    "LeaderCloned",
    "LeaderEvent",
    "LeaderFound",
    "LeaderLost",
    "LeaderRestarted",
    "LeaderReturned",
    "LiveDataSeen",
    "LockAcquired",
    "LockLost",
    "MediaJumped",
    "NetworkFound",
    "NetworkLost",
    "NoLeaderHeard",
    "NodeFailed",
    "OffTimeReached",
    "RivalHeard",
    "RoleChanged",
    "RosterFull",
    "RosterSilent",
    "SecondSourceReported",
    "ShowIncomplete",
    "ShowMissing",
    "ShowRefused",
    "ShowsDiffered",
    "Stepped",
    "TimebaseEntered",
]


@dataclass(frozen=True, slots=True, repr=False)
class Event:
    """Something that happened at ``at`` on this node's clock."""

    at: LocalInstant

    def __repr__(self) -> str:
        told = [f"{field.name}={_in_words(field.name, getattr(self, field.name))}" for field in fields(self)]
        return f"{type(self).__name__}({', '.join(told)})"


_IDENTITIES = frozenset({"leader", "follower", "tenure", "timebase"})


def _in_words(field: str, value: object) -> str:
    """Return a field's value for people: instants in seconds, a show by its name, an identity in hexadecimal."""
    if type(value) is int:
        if field in _IDENTITIES:
            return f"{value:08x}"
        if field == "show":
            return show_name(value)
        if field in ("at", "position") or field.endswith(("_at", "_ns")):
            return in_seconds(value)
    return value.name.lower() if isinstance(value, Enum) else repr(value)


@dataclass(frozen=True, slots=True, repr=False)
class NodeFailed(Event):
    """The node has failed, by a fault in it or in what was given to it: it is silent and answers no more."""

    reason: str


@dataclass(frozen=True, slots=True, repr=False)
class DatagramsRefused(Event):
    """``count`` datagrams were refused for one reason since that was told last, at most once a minute."""

    reason: Refusal
    count: int


@dataclass(frozen=True, slots=True, repr=False)
class NetworkLost(Event):
    """There is no network, or none yet: nothing leaves and nothing is heard until there is one."""

    reason: str


@dataclass(frozen=True, slots=True, repr=False)
class NetworkFound(Event):
    """The network is there, or there again; datagrams leave from ``address``."""

    address: str


# -- a follower's ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, repr=False)
class LeaderFound(Event):
    """A leader's first beacon was accepted."""

    leader: int
    tenure: int


@dataclass(frozen=True, slots=True, repr=False)
class NoLeaderHeard(Event):
    """No leader has been followed for so long: told once a minute at most."""

    silent_ns: int


@dataclass(frozen=True, slots=True, repr=False)
class LeaderRestarted(Event):
    """The leader we follow has begun a new tenure."""

    leader: int
    tenure: int


@dataclass(frozen=True, slots=True, repr=False)
class LeaderChanged(Event):
    """Another leader is followed from now on."""

    leader: int
    tenure: int


@dataclass(frozen=True, slots=True, repr=False)
class LeaderLost(Event):
    """So many beacon intervals were silent that the leader must be thought gone."""

    leader: int
    silent_ns: int


@dataclass(frozen=True, slots=True, repr=False)
class LeaderReturned(Event):
    """A beacon of the lost leader's tenure came after all."""

    leader: int
    silent_ns: int


@dataclass(frozen=True, slots=True, repr=False)
class TimebaseEntered(Event):
    """Instants refer to another clock from now on; the old line is held until that clock is known."""

    timebase: int


@dataclass(frozen=True, slots=True, repr=False)
class ClockContradicted(Event):
    """Two packets cannot both be true of one drift, by so much: this clock or the leader's has stepped a little."""

    by_ns: int


@dataclass(frozen=True, slots=True, repr=False)
class LockAcquired(Event):
    """The clock's bound is inside its budget."""

    bound_ns: int


@dataclass(frozen=True, slots=True, repr=False)
class LockLost(Event):
    """The clock's bound has left its budget, or its samples have ceased."""


@dataclass(frozen=True, slots=True, repr=False)
class CueAnnounced(Event):
    """A cue is to take effect at ``takes_effect_at``, on this node's clock as far as it is known."""

    cue: Cue
    takes_effect_at: LocalInstant


@dataclass(frozen=True, slots=True, repr=False)
class CueAdopted(Event):
    """A cue is in force here."""

    cue: Cue


@dataclass(frozen=True, slots=True, repr=False)
class ShowMissing(Event):
    """The cue in force names a show that is not stored here."""

    show: int


@dataclass(frozen=True, slots=True, repr=False)
class Stepped(Event):
    """The playhead jumped by ``shift_ns`` of show; positive is forward."""

    shift_ns: int


@dataclass(frozen=True, slots=True, repr=False)
class Held(Event):
    """The playhead froze until the show, ``ahead_ns`` behind it, catches up."""

    ahead_ns: int


@dataclass(frozen=True, slots=True, repr=False)
class LiveDataSeen(Event):
    """Live pixel data is arriving for this piece as well."""


@dataclass(frozen=True, slots=True, repr=False)
class HoldoverEnded(Event):
    """No beacon for as long as a follower may go without, or until its clock is too little known: fading to dark."""

    silent_ns: int


@dataclass(frozen=True, slots=True, repr=False)
class OffTimeReached(Event):
    """The hard off time has come."""

    off_at: LeaderInstant


# -- a leader's ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, repr=False)
class FollowerJoined(Event):
    """A follower has given its name for the first time."""

    follower: int
    name: str


@dataclass(frozen=True, slots=True, repr=False)
class FollowerLost(Event):
    """A follower has not been heard for several tally intervals."""

    follower: int
    name: str


@dataclass(frozen=True, slots=True, repr=False)
class FollowerCloned(Event):
    """Two boards answer to one follower's id."""

    follower: int
    name: str


@dataclass(frozen=True, slots=True, repr=False)
class CueTookEffect(Event):
    """A scheduled cue is in force."""

    cue: Cue


@dataclass(frozen=True, slots=True, repr=False)
class CueTakenUp(Event):
    """A leader that was started again leads on with what it led, to the nanosecond and in the same timebase."""

    cue: Cue


@dataclass(frozen=True, slots=True, repr=False)
class CueContradicted(Event):
    """A follower has reported for some time that another state is in force there than the cue's."""

    follower: int
    name: str
    state: CueState


@dataclass(frozen=True, slots=True, repr=False)
class RosterSilent(Event):
    """All followers that report, ``count`` of them, have fallen silent as one: they may follow somebody else."""

    count: int


@dataclass(frozen=True, slots=True, repr=False)
class RosterFull(Event):
    """More followers are heard than the ``limit`` that the leader keeps: somebody among them is not watched over."""

    limit: int


@dataclass(frozen=True, slots=True, repr=False)
class RivalHeard(Event):
    """Another leader's beacon was heard on this group."""

    leader: int
    tenure: int


@dataclass(frozen=True, slots=True, repr=False)
class ShowsDiffered(Event):
    """Another leader had another cue in force, as where a network has come together again.

    ``is_ours``: whether what this node had in force holds from now on, else what the other had.
    """

    leader: int
    tenure: int
    ours: Cue
    theirs: Cue
    is_ours: bool


@dataclass(frozen=True, slots=True, repr=False)
class LeaderCloned(Event):
    """Another board leads under this leader's own id."""

    leader: int
    tenure: int


@dataclass(frozen=True, slots=True, repr=False)
class RoleChanged(Event):
    """The node took another role: listening, standby, asking or leading."""

    role: Role
    previous: Role


@dataclass(frozen=True, slots=True, repr=False)
class ShowRefused(Event):
    """A scheduled show does not roll, since these followers say that they do not hold it."""

    show: int
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True, repr=False)
class ShowIncomplete(Event):
    """A show rolls although these followers say that they do not hold it."""

    show: int
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True, repr=False)
class MediaJumped(Event):
    """The music is heard somewhere else, ``distance_ns`` ahead of the line, and is not chased; cue anew to follow it.

    Told each time that it pauses, goes on, or goes elsewhere: ``what``.
    """

    position: ShowPosition
    distance_ns: int
    what: MusicChange


@dataclass(frozen=True, slots=True, repr=False)
class SecondSourceReported(Event):
    """Live pixel data reaches a follower as well: two drivers on one piece fight, frame by frame."""

    follower: int
    name: str


@dataclass(frozen=True, slots=True, repr=False)
class CopiesBegun(Event):
    """A follower hears too little of what goes to the group and is sent copies from now on."""

    follower: int
    name: str


@dataclass(frozen=True, slots=True, repr=False)
class CopiesEnded(Event):
    """A follower hears the group well again, or its lease has run out: no more copies."""

    follower: int
    name: str


@dataclass(frozen=True, slots=True, repr=False)
class CopiesFull(Event):
    """More followers answer than the ``limit`` that copies may go to: one that hears too little may get none."""

    limit: int


FollowerEvent: TypeAlias = (
    LeaderFound
    | NoLeaderHeard
    | LeaderRestarted
    | LeaderChanged
    | LeaderLost
    | LeaderReturned
    | TimebaseEntered
    | ClockContradicted
    | LockAcquired
    | LockLost
    | CueAnnounced
    | CueAdopted
    | ShowMissing
    | Stepped
    | Held
    | LiveDataSeen
    | HoldoverEnded
    | OffTimeReached
    | DatagramsRefused
    | NetworkLost
    | NetworkFound
    | NodeFailed
)
LeaderEvent: TypeAlias = (
    FollowerJoined
    | FollowerLost
    | FollowerCloned
    | CueTakenUp
    | CueTookEffect
    | CueContradicted
    | RosterSilent
    | RosterFull
    | RivalHeard
    | ShowsDiffered
    | LeaderCloned
    | RoleChanged
    | ShowRefused
    | ShowIncomplete
    | MediaJumped
    | SecondSourceReported
    | CopiesBegun
    | CopiesEnded
    | CopiesFull
    | DatagramsRefused
    | NetworkLost
    | NetworkFound
    | NodeFailed
)
