"""What a promise is, and what an oracle remembers of an evening while it holds the promises against it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

from leadlight.units import SECOND, LocalInstant
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.scenario import Scenario
from leadlight_sim.soak.calm import Calm
from leadlight_sim.soak.looks import Group, Seam, Seen
from leadlight_sim.world import World

FALSEHOODS: Final = ("hostile-packets", "corruption")
"""Spells that may tell a group without a key what no leader has said."""


@dataclass(slots=True)
class Evening:
    """One evening while it is looked at."""

    scenario: Scenario
    world: World
    calm: Calm
    before: dict[str, Seen] = field(default_factory=dict)
    """Each follower at the look before, if it was awake."""
    lives: dict[str, int] = field(default_factory=dict)
    stepped_at: dict[str, int] = field(default_factory=dict)
    changed_at: dict[str, int] = field(default_factory=dict)
    stopped_since: dict[str, TrueInstant] = field(default_factory=dict)
    off_since: dict[str, LocalInstant] = field(default_factory=dict)
    adopted: set[str] = field(default_factory=set)
    """Followers that have put a cue in force since they were switched on."""

    def begin_life(self, seen: Seen) -> None:
        """Forget what a follower was before it was switched off."""
        self.lives[seen.name] = seen.life
        self.adopted.discard(seen.name)
        for remembered in (self.stepped_at, self.changed_at, self.stopped_since, self.off_since):
            remembered.pop(seen.name, None)

    def is_misled(self, at: TrueInstant) -> bool:
        """Return whether anybody may go by falsehoods: without a key nothing tells them from the truth.

        What is once proven by one stays so until a new timebase, whoever hears better.
        """
        return not self.calm.is_keyed and self.calm.has_begun(at / SECOND, FALSEHOODS)

    def seconds(self, at: TrueInstant) -> float:
        """Return an instant in seconds of the run."""
        return at / SECOND


Look = Callable[[Seen, Seen | None, Evening], str | None]
"""Judges one follower by this look and the one before; returns what is wrong, in words."""
AtSeam = Callable[[Seam, Evening], str | None]
AtGroup = Callable[[Group, Evening], Mapping[str, str]]
"""Judges everybody at one look; returns what is wrong with whom. It is broken only if it lasts."""
Patience = Callable[[Evening], float]


@dataclass(frozen=True, slots=True)
class Promise:
    """A promise of the specification: its name, the requirements it is made of, and what finds it broken."""

    name: str
    requirements: str
    at_look: Look | None = None
    at_seam: AtSeam | None = None
    at_group: AtGroup | None = None
    patience_s: Patience | None = None
    """For how long the complaint must last before the promise is broken, in seconds."""


SAFETY: Final[list[Promise]] = []
LIVENESS: Final[list[Promise]] = []


def safe_at_look(*requirements: str) -> Callable[[Look], Look]:
    """Enter a function among the promises that are looked into at every look."""

    def enter(function: Look) -> Look:
        SAFETY.append(Promise(_named(function), ", ".join(requirements), at_look=function))
        return function

    return enter


def safe_at_seam(*requirements: str) -> Callable[[AtSeam], AtSeam]:
    """Enter a function among the promises that are looked into whenever a plan is changed."""

    def enter(function: AtSeam) -> AtSeam:
        SAFETY.append(Promise(_named(function), ", ".join(requirements), at_seam=function))
        return function

    return enter


def comes_about(patience_s: Patience, *requirements: str) -> Callable[[AtGroup], AtGroup]:
    """Enter a function among the promises that something comes about in time."""

    def enter(function: AtGroup) -> AtGroup:
        promise = Promise(_named(function), ", ".join(requirements), at_group=function, patience_s=patience_s)
        LIVENESS.append(promise)
        return function

    return enter


def _named(function: Callable[..., object]) -> str:
    return function.__name__.replace("_", " ")
