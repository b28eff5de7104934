"""What breaks in a scenario: faults, and when each is over."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import Field

from leadlight_sim.scenario.parts import Part


class Happening(Part):
    """Something that goes wrong at an instant of the run, in seconds."""

    kind: str
    at_s: float = Field(ge=0)


class Spell(Happening):
    """Something that goes wrong for a while."""

    for_s: float = Field(default=60.0, gt=0, le=86400)


class LeaderReboot(Spell):
    """The leader falls silent, and comes back as a new tenure."""

    kind: Literal["leader-reboot"]
    for_s: float = Field(gt=0, le=86400)


class PowerCut(Spell):
    """One follower loses power, and starts again from nothing."""

    kind: Literal["power-cut"]
    follower: str = Field(description="the name of a follower")
    for_s: float = Field(gt=0, le=86400)


class LeaderLost(Happening):
    """The leader falls silent for good."""

    kind: Literal["leader-lost"]


class AccessPointReboot(Spell):
    """An access point restarts: nothing crosses its radio.

    ``access_point``: its name; ``None``: the first one. Stations are back within ``rejoin_s`` after that.
    """

    kind: Literal["access-point-reboot"]
    access_point: str | None = Field(default=None, description="the name of an access point")
    for_s: float = Field(default=90.0, gt=0, le=86400)
    rejoin_s: float = Field(default=0.0, ge=0, le=600)


class Radar(Spell):
    """An access point at 5 GHz hears a radar, and is silent while it checks another channel."""

    kind: Literal["radar"]
    access_point: str | None = Field(default=None, description="the name of an access point")
    for_s: float = Field(default=60.0, gt=0, le=86400)
    """The check takes 60 s on most channels, 600 on those of weather radars (ETSI EN 301 893)."""
    rejoin_s: float = Field(default=0.0, ge=0, le=600)


class SplitNetwork(Spell):
    """Some nodes are cut off from the rest, and hear each other.

    ``direction``: both ways; inbound, nothing reaches those away; or outbound, nothing that they send gets out.
    """

    kind: Literal["split-network"]
    away: tuple[str, ...] = Field(strict=False, min_length=1, description="names of followers and standbys")
    direction: Literal["both", "inbound", "outbound"] = "both"
    for_s: float = Field(gt=0, le=86400)


class BoardSuspended(Spell):
    """One follower's host is suspended and resumed: it keeps its memory and hears nothing."""

    kind: Literal["board-suspended"]
    follower: str = Field(description="the name of a follower")


class StandbyReboot(Spell):
    """A standby falls silent, and starts again from nothing."""

    kind: Literal["standby-reboot"]
    standby: str = Field(description="the name of a standby")
    for_s: float = Field(gt=0, le=86400)


class LeaderSuspended(Spell):
    """The host of a node that can lead is suspended and resumed: it keeps its memory, and its clock counts on.

    ``node``: its name; ``None``: the leader.
    """

    kind: Literal["leader-suspended"]
    node: str | None = Field(default=None, description="the name of the leader or of a standby")


class ClockStep(Happening):
    """Somebody sets the clock that a node goes by, which must not happen while it runs."""

    kind: Literal["clock-step"]
    node: str = Field(description="the name of the leader, of a standby or of a follower")
    by_ms: float = Field(ge=-86_400_000, le=86_400_000)


class ClockStands(Spell):
    """A node's host stands still, and its clock with it: nobody tells its program, which goes on as if nothing was."""

    kind: Literal["clock-stands"]
    node: str = Field(description="the name of the leader, of a standby or of a follower")


class Corruption(Spell):
    """Some packets arrive with bits changed that no checksum below found."""

    kind: Literal["corruption"]
    share: float = Field(default=0.1, gt=0, le=1)


class Repetition(Spell):
    """Some packets arrive twice, the second time up to ``within_ms`` later."""

    kind: Literal["repetition"]
    share: float = Field(default=0.2, gt=0, le=1)
    within_ms: float = Field(default=500.0, ge=0, le=60_000)


class Reordering(Spell):
    """Some packets arrive up to ``by_ms`` later than they would, behind others that were sent after them."""

    kind: Literal["reordering"]
    share: float = Field(default=0.2, gt=0, le=1)
    by_ms: float = Field(default=1500.0, gt=0, le=60_000)


class HostilePackets(Spell):
    """A stranger on the network sends what it likes, one datagram every ``every_s``.

    ``what``: replays of what it has heard; bytes that nobody should understand; beacons of the leader that is followed
    with one or two values at an end of what is legal; beacons of leaders that do not exist; or questions and reports
    of followers that do not exist. In a group with a key it has none.
    """

    kind: Literal["hostile-packets"]
    what: Literal["replays", "garbage", "beacons", "leaders", "followers"]
    every_s: float = Field(default=1.0, ge=0.001, le=3600)
    for_s: float = Field(default=30.0, gt=0, le=86400)


class LossSpell(Spell):
    """Every packet is lost with this chance, on top of what the network does."""

    kind: Literal["loss-spell"]
    loss_fraction: float = Field(default=0.3, gt=0, le=1)


class Roam(Spell):
    """One follower changes to another access point: a gap, and another path from then on.

    ``to`` names one of the scenario's; ``None`` is one that it does not have, whose path is slower by ``slower_ms``, 20
    if that is left out.
    """

    kind: Literal["roam"]
    follower: str = Field(description="the name of a follower")
    to: str | None = Field(default=None, description="the name of an access point")
    for_s: float = Field(default=0.2, gt=0, le=60)
    slower_ms: float | None = Field(default=None, ge=0, le=1000)


class LiveData(Spell):
    """Live pixel data reaches one follower as well."""

    kind: Literal["live-data"]
    follower: str = Field(description="the name of a follower")
    for_s: float = Field(gt=0, le=86400)


class ClashingLeader(Spell):
    """A second leader that hears nobody comes up with a clock and a show of its own, and goes again.

    ``rank``: the scenario's leader has 0 and outranks it. ``show``: the id of what it rolls; ``None``: the first.
    """

    kind: Literal["clashing-leader"]
    rank: int = Field(default=1, ge=1, le=127)
    show: str | None = Field(default=None, description="the id of a show")


# A further kind of fault is a class like these, added here. Its `at_s`, `for_s`, `follower`, `standby`, `node` and
# `away`, where it has them, are then checked against the rest of the scenario without more ado.
Fault: TypeAlias = Annotated[
    LeaderReboot
    | LeaderLost
    | PowerCut
    | AccessPointReboot
    | Radar
    | SplitNetwork
    | BoardSuspended
    | StandbyReboot
    | LeaderSuspended
    | ClockStep
    | ClockStands
    | Corruption
    | Repetition
    | Reordering
    | HostilePackets
    | LossSpell
    | Roam
    | LiveData
    | ClashingLeader,
    Field(discriminator="kind"),
]


def over_at_s(fault: Fault) -> float | None:
    """Return when a fault is over, in seconds of the run; ``None`` for one that is for good."""
    if isinstance(fault, LeaderLost):
        return None
    if isinstance(fault, ClockStep):
        return fault.at_s
    rejoin_s = fault.rejoin_s if isinstance(fault, AccessPointReboot | Radar) else 0.0
    return fault.at_s + fault.for_s + rejoin_s


def title_of(fault: Fault) -> str:
    """Return a fault in a few words, for a label."""
    if isinstance(fault, LeaderReboot):
        return "leader restarts"
    words = fault.kind.replace("-", " ")
    if isinstance(fault, PowerCut | BoardSuspended | Roam | LiveData):
        return f"{fault.follower}: {words}"
    if isinstance(fault, ClockStep | ClockStands):
        return f"{fault.node}: {words}"
    if isinstance(fault, StandbyReboot):
        return f"{fault.standby}: restarts"
    return words
