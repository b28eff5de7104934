"""When an evening is calm: what has broken in it, how far that reaches, and when it must have healed.

A promise that something comes about in time is held against a node only while nothing is broken that could keep it.
After the last such thing was over it is held no sooner than the rules allow.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from leadlight_sim import scenario as described
from leadlight_sim.scenario import Scenario, over_at_s

HARMLESS_KINDS: Final = ("live-data", "repetition", "board-suspended", "power-cut", "roam")
"""Faults that trouble one follower, or nobody: who leads is none of their business."""
HARMLESS_STRANGERS: Final = ("garbage", "followers")
"""What a stranger may send without anybody being led astray, key or no key."""
HOST_STARTS_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class Spell:
    """Something that is broken, from ``begin_s`` until it is over at ``end_s`` of the run.

    ``recovers_s`` is how long after that the rules give until one node leads. ``node`` is whom alone it troubles.
    """

    kind: str
    begin_s: float
    end_s: float
    recovers_s: float
    node: str | None = None


class Calm:
    """Knows an evening's spells. Times are seconds of the run."""

    def __init__(self, scenario: Scenario) -> None:
        interval_s = scenario.leader.interval_s
        rank = max((standby.rank for standby in scenario.standbys), default=0)
        self.interval_s = interval_s
        self.heals_s = max(10 * interval_s, 6.0)
        """Within which one of two leaders yields, though the air loses some."""
        if scenario.air.preset.startswith("model-"):
            # The reference models let nothing through for five seconds in the mean, a tenth of the time.
            self.heals_s = max(25 * interval_s, 30.0)
        self.takes_over_s = 5 * interval_s + 1.0 + 0.2 * rank + HOST_STARTS_S
        self.listens_s = (7 + rank) * interval_s + HOST_STARTS_S
        self.is_keyed = scenario.keyed
        self.spells = [Spell("start", 0.0, 0.0, self.listens_s + self.heals_s), *self._of_faults(scenario.faults)]
        self.spells += self._of_orders(scenario)
        self._first_s: dict[tuple[str, ...], float] = {}

    def _of_faults(self, faults: Iterable[described.Fault]) -> Iterable[Spell]:
        for fault in faults:
            end_s = over_at_s(fault)
            begin_s, end_s = fault.at_s, fault.at_s if end_s is None else end_s
            if fault.kind in HARMLESS_KINDS:
                node = getattr(fault, "follower", None)
                if isinstance(fault, described.Repetition):
                    end_s += fault.within_ms / 1000
                yield Spell(fault.kind, begin_s, end_s, self.listens_s + self.heals_s, node or "nobody")
                continue
            recovers_s = self.listens_s + self.takes_over_s + self.heals_s
            if isinstance(fault, described.HostilePackets):
                if self.is_keyed or fault.what in HARMLESS_STRANGERS:
                    continue
                recovers_s += 10 * self.interval_s + 10.0
            elif isinstance(fault, described.Reordering):
                end_s += fault.by_ms / 1000
            elif isinstance(fault, described.ClockStep | described.ClockStands):
                recovers_s += 30.0
            yield Spell(fault.kind, begin_s, end_s, recovers_s)

    def _of_orders(self, scenario: Scenario) -> Iterable[Spell]:
        for order in scenario.orders:
            is_at_standby = order.node not in (None, scenario.leader.name)
            if order.order in ("stop", "take-back"):
                # Who takes the lead for it gives it back to one that outranks it, after a while.
                recovers_s = 2.0 + self.heals_s + (self.takes_over_s if is_at_standby else 0.0)
                yield Spell(order.order, order.at_s, order.at_s, recovers_s)

    def is_calm(self, at_s: float, node: str | None = None) -> bool:
        """Return whether nothing that troubles everybody, or ``node``, is broken or still healing."""
        return not any(
            spell.begin_s <= at_s < spell.end_s + spell.recovers_s and spell.node in (None, node)
            for spell in self.spells
        )

    def is_whole(self, at_s: float, node: str | None = None) -> bool:
        """Return whether nothing is broken, however short a while ago it was."""
        return not any(
            spell.begin_s <= at_s < spell.end_s and spell.node in (None, node) for spell in self.spells
        )

    def has_begun(self, at_s: float, kinds: tuple[str, ...]) -> bool:
        """Return whether a spell of one of the kinds is on, or has ever been."""
        first_s = self._first_s.get(kinds)
        if first_s is None:
            begins_s = [spell.begin_s for spell in self.spells if spell.kind in kinds]
            first_s = self._first_s[kinds] = min(begins_s, default=math.inf)
        return first_s <= at_s

    def any_since(self, since_s: float, at_s: float, *kinds: str) -> bool:
        """Return whether a spell of one of the kinds was on, or healing, between two instants."""
        return any(
            spell.kind in kinds and spell.begin_s <= at_s and spell.end_s + spell.recovers_s >= since_s
            for spell in self.spells
        )
