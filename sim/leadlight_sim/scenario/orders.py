"""What a person orders in the course of a scenario: one order, to one node that can lead, at one instant."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from leadlight_sim.scenario.parts import Part


class Order(Part):
    """One order. A node that is without power or suspended then does not get it, and one may refuse what it cannot do.

    ``node``: who is ordered; ``None``: the leader. ``show`` is for *roll* alone, ``position_s`` for *roll* and *seek*,
    ``off_in_s`` for *off-time*: how long after the order everyone is to be dark, ``None`` to forget the off time.
    """

    order: Literal["roll", "pause", "resume", "seek", "dark", "stop", "take-back", "withdraw", "off-time"]
    at_s: float = Field(ge=0)
    node: str | None = Field(default=None, description="the name of the leader or of a standby")
    show: str | None = Field(default=None, description="the id of a show")
    position_s: float = Field(default=0.0, ge=0)
    off_in_s: float | None = Field(default=None, ge=0, le=86400)
