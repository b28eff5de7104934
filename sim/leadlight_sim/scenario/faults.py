"""What breaks in a scenario: faults, and when each is over."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import (
    Field,
)

from leadlight_sim.scenario.parts import Part


class LeaderReboot(Part):
    """The leader falls silent, and comes back as a new tenure."""

    kind: Literal["leader-reboot"]
    at_s: float = Field(ge=0)
    for_s: float = Field(gt=0, le=86400)


class PowerCut(Part):
    """One follower loses power, and starts again from nothing."""

    kind: Literal["power-cut"]
    follower: str = Field(description="the name of a follower")
    at_s: float = Field(ge=0)
    for_s: float = Field(gt=0, le=86400)


class LeaderLost(Part):
    """The leader falls silent for good."""

    kind: Literal["leader-lost"]
    at_s: float = Field(ge=0)


class AccessPointReboot(Part):
    """An access point restarts: nothing crosses its radio.

    ``access_point``: its name; ``None``: the first one. Stations are back within ``rejoin_s`` after that.
    """

    kind: Literal["access-point-reboot"]
    access_point: str | None = Field(default=None, description="the name of an access point")
    at_s: float = Field(ge=0)
    for_s: float = Field(default=90.0, gt=0, le=86400)
    rejoin_s: float = Field(default=0.0, ge=0, le=600)


class Radar(Part):
    """An access point at 5 GHz hears a radar, and is silent while it checks another channel."""

    kind: Literal["radar"]
    access_point: str | None = Field(default=None, description="the name of an access point")
    at_s: float = Field(ge=0)
    for_s: float = Field(default=60.0, gt=0, le=86400)
    """The check takes 60 s on most channels, 600 on those of weather radars (ETSI EN 301 893)."""
    rejoin_s: float = Field(default=0.0, ge=0, le=600)


class SplitNetwork(Part):
    """Some nodes are cut off from the rest, and hear each other."""

    kind: Literal["split-network"]
    away: tuple[str, ...] = Field(strict=False, min_length=1, description="names of followers and standbys")
    at_s: float = Field(ge=0)
    for_s: float = Field(gt=0, le=86400)


class BoardSuspended(Part):
    """One follower's host is suspended and resumed: it keeps its memory and hears nothing."""

    kind: Literal["board-suspended"]
    follower: str = Field(description="the name of a follower")
    at_s: float = Field(ge=0)
    for_s: float = Field(default=60.0, gt=0, le=86400)


class LossSpell(Part):
    """Every packet is lost with this chance, on top of what the network does."""

    kind: Literal["loss-spell"]
    loss_fraction: float = Field(default=0.3, gt=0, le=1)
    at_s: float = Field(ge=0)
    for_s: float = Field(default=60.0, gt=0, le=86400)


class Roam(Part):
    """One follower changes to another access point: a gap, and another path from then on.

    ``to`` names one of the scenario's; ``None`` is one that it does not have, whose path is slower by ``slower_ms``, 20
    if that is left out.
    """

    kind: Literal["roam"]
    follower: str = Field(description="the name of a follower")
    to: str | None = Field(default=None, description="the name of an access point")
    at_s: float = Field(ge=0)
    for_s: float = Field(default=0.2, gt=0, le=60)
    slower_ms: float | None = Field(default=None, ge=0, le=1000)


class LiveData(Part):
    """Live pixel data reaches one follower as well."""

    kind: Literal["live-data"]
    follower: str = Field(description="the name of a follower")
    at_s: float = Field(ge=0)
    for_s: float = Field(gt=0, le=86400)


class ClashingLeader(Part):
    """A second leader that hears nobody comes up with a clock and a show of its own, and goes again.

    ``rank``: the scenario's leader has 0 and goes before it. ``show``: the id of what it rolls; ``None``: the first.
    """

    kind: Literal["clashing-leader"]
    rank: int = Field(default=1, ge=1, le=127)
    show: str | None = Field(default=None, description="the id of a show")
    at_s: float = Field(ge=0)
    for_s: float = Field(default=60.0, gt=0, le=86400)


# A further kind of fault is a class like these, added here. Its `at_s`, `for_s`, `follower` and `away`, where it
# has them, are then checked against the rest of the scenario without more ado.
Fault: TypeAlias = Annotated[
    LeaderReboot
    | LeaderLost
    | PowerCut
    | AccessPointReboot
    | Radar
    | SplitNetwork
    | BoardSuspended
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
    rejoin_s = fault.rejoin_s if isinstance(fault, AccessPointReboot | Radar) else 0.0
    return fault.at_s + fault.for_s + rejoin_s


def title_of(fault: Fault) -> str:
    """Return a fault in a few words, for a label."""
    if isinstance(fault, LeaderReboot):
        return "leader restarts"
    words = fault.kind.replace("-", " ")
    if isinstance(fault, PowerCut | BoardSuspended | Roam | LiveData):
        return f"{fault.follower}: {words}"
    return words
