"""Whole clocks side by side: one that steers a follower, others that are shown the same datagrams and steer nothing.

What a clock gains from soundings, from shared delays or from marks is a difference of a fraction of a millisecond. It
shows at once if all of them live through the same evening.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from leadlight import Follower
from leadlight.clock import ClockSettings, FollowerClock
from leadlight.commands import IS_COMPILED
from leadlight.errors import LeadlightError
from leadlight_sim.world import FollowerNode


@dataclass(frozen=True, slots=True)
class ShadowClock:
    """A clock that steers nothing: its settings, and whether it is told of exchanges."""

    settings: ClockSettings
    soundings: bool = True


class Panel:
    """A follower's clock with shadow clocks beside it. ``others`` are theirs by name; ``samples`` counts what was
    shown."""

    def __init__(self, clock: FollowerClock, shadow_clocks: Mapping[str, ShadowClock]) -> None:
        self.clock = clock
        self.others = {name: FollowerClock(shadow_clock.settings) for name, shadow_clock in shadow_clocks.items()}
        self.samples = 0
        everyone = list(self.others.values())
        told_of_exchanges = [
            self.others[name] for name, shadow_clock in shadow_clocks.items() if shadow_clock.soundings
        ]
        # The clock itself stays the one that the follower's other parts hold.
        for heard in ("observe_beacon", "note_silence", "enter_timebase", "continue_timebase"):
            self._also_tell(clock, heard, everyone)
        self._also_tell(clock, "observe_exchange", told_of_exchanges)
        self._also_tell(clock.common_view, "note_heard", [other.common_view for other in everyone])

    def _also_tell(self, first: object, heard: str, others: Sequence[object]) -> None:
        tell_first = getattr(first, heard)

        def tell_all(*told: Any, **named: Any) -> None:
            tell_first(*told, **named)
            for other in others:
                getattr(other, heard)(*told, **named)
            self.samples += 1

        setattr(first, heard, tell_all)


def install(node: FollowerNode, shadow_clocks: Mapping[str, ShadowClock], radio: int | None = None) -> list[Panel]:
    """Let a node come up, whenever it does, with shadow clocks beside its clock, on the access point named ``radio``.

    Returns the panels, one for each time it has come up: none yet. Raises ``LeadlightError`` where the library is
    compiled: methods are replaced for it.
    """
    if IS_COMPILED:
        raise LeadlightError("shadow clocks run only where the library runs from its sources; this one is compiled")
    start = node.start
    panels: list[Panel] = []

    def start_watched(make: Callable[[], Follower]) -> None:
        def make_watched() -> Follower:
            follower = make()
            panels.append(Panel(follower.clock, shadow_clocks))
            follower.settings = replace(follower.settings, radio=radio)
            return follower

        start(make_watched)

    node.start = start_watched  # type: ignore[method-assign]
    return panels
