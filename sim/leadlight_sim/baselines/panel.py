"""Whole clocks side by side: one that steers a follower, others that are shown the same datagrams and steer nothing.

What a clock gains from soundings, from group delays or from marks is a difference of a fraction of a millisecond. It
shows at once if all of them live through the same evening.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from leadlight import Follower
from leadlight.clock import ClockSettings, Exchange, FollowerClock
from leadlight.clock.common_view import CommonViewClock
from leadlight.messages import Beacon
from leadlight.units import LocalInstant
from leadlight_sim.nodes import FollowerNode


@dataclass(frozen=True, slots=True)
class Onlooker:
    """A clock that looks on: its settings, and whether it is told of exchanges."""

    settings: ClockSettings
    soundings: bool = True


class _OverheardTallies(CommonViewClock):
    """Lets every clock of a panel hear the Tallies that the steering one hears."""

    def __init__(self, others: list[FollowerClock]) -> None:
        super().__init__()
        self._others = others

    def note_heard(self, turn: int, heard_at: LocalInstant) -> None:
        """Remember when the Tally for ``turn`` was heard, in all."""
        super().note_heard(turn, heard_at)
        for other in self._others:
            other.common_view.note_heard(turn, heard_at)


class PanelClock(FollowerClock):
    """A follower's clock with onlookers. ``others`` are their clocks by name; ``samples`` counts what was shown."""

    def __init__(self, settings: ClockSettings, onlookers: Mapping[str, Onlooker]) -> None:
        super().__init__(settings)
        self.others = {name: FollowerClock(onlooker.settings) for name, onlooker in onlookers.items()}
        self.samples = 0
        self._told_of_exchanges = [self.others[name] for name, onlooker in onlookers.items() if onlooker.soundings]
        self.common_view = _OverheardTallies(list(self.others.values()))

    def observe_beacon(self, beacon: Beacon, received_at: LocalInstant, radio: int | None) -> None:
        """Show a beacon to all."""
        super().observe_beacon(beacon, received_at, radio)
        self.samples += 1
        for other in self.others.values():
            other.observe_beacon(beacon, received_at, radio)

    def observe_exchange(self, exchange: Exchange) -> None:
        """Show an exchange to all that are told of exchanges."""
        super().observe_exchange(exchange)
        self.samples += 1
        for other in self._told_of_exchanges:
            other.observe_exchange(exchange)

    def note_silence(self) -> None:
        """Tell all that beacons have gone."""
        super().note_silence()
        for other in self.others.values():
            other.note_silence()

    def enter_timebase(self, same_host: bool = False) -> None:
        """Let all start anew."""
        super().enter_timebase(same_host)
        for other in self.others.values():
            other.enter_timebase(same_host)

    def continue_timebase(self, within_ns: int) -> None:
        """Tell all that another leader goes on in this timebase."""
        super().continue_timebase(within_ns)
        for other in self.others.values():
            other.continue_timebase(within_ns)


def install(node: FollowerNode, onlookers: Mapping[str, Onlooker], radio: int | None = None) -> None:
    """Let a node come up, whenever it does, with onlookers beside its clock, on the access point named ``radio``."""
    start = node.start

    def start_watched(make: Callable[[], Follower]) -> None:
        def make_watched() -> Follower:
            follower = make()
            follower.clock = PanelClock(follower.clock.settings, onlookers)
            follower.settings = replace(follower.settings, radio=radio)
            return follower

        start(make_watched)

    node.start = start_watched  # type: ignore[method-assign]
