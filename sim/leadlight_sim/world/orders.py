"""Orders of a scenario given to the node that they are for, as a person with a button would."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from leadlight import Cue
from leadlight.units import LocalInstant, ShowPosition, seconds
from leadlight_sim import scenario as described
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.world.nodes import LeaderNode


@dataclass(frozen=True, slots=True)
class Obeyed:
    """An order that reached a node ``at`` an instant and was not refused.

    ``cue`` is what the node says that it will put in force, on its own clock, and ``begins_at`` when.
    """

    at: TrueInstant
    node: LeaderNode
    order: described.Order
    cue: Cue | None
    begins_at: TrueInstant | None


def give(order: described.Order, node: LeaderNode, keys: Mapping[str, int]) -> Cue | None:
    """Give an order to a node that is awake; return what it will put in force, ``None`` for orders that are not such.

    ``keys`` are the shows' by their ids. Raises ``OrderError`` where the node cannot do it.
    """
    leader, now = node.leader, node.now
    match order.order:
        case "roll":
            assert order.show is not None
            return leader.roll(keys[order.show], now, ShowPosition(seconds(order.position_s)))
        case "pause":
            return leader.pause(now)
        case "resume":
            return leader.resume(now)
        case "seek":
            return leader.seek(ShowPosition(seconds(order.position_s)), now)
        case "dark":
            leader.go_dark(now)
        case "stop":
            leader.stop(now)
        case "take-back":
            leader.take_back(now)
        case "withdraw":
            leader.withdraw()
        case "off-time":
            leader.set_off_at(None if order.off_in_s is None else LocalInstant(now + seconds(order.off_in_s)))
    return None
