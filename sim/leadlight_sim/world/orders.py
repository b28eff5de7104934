"""Orders of a scenario given to the node that they are for, as a person with a button would."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from leadlight.units import LocalInstant, ShowPosition, seconds
from leadlight_sim import scenario as described
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.world.nodes import LeaderNode


@dataclass(frozen=True, slots=True)
class Obeyed:
    """An order that reached a node ``at`` an instant; ``begins_at`` is when what it rolls begins."""

    at: TrueInstant
    node: LeaderNode
    order: described.Order
    begins_at: TrueInstant | None


def give(order: described.Order, node: LeaderNode, keys: Mapping[str, int]) -> TrueInstant | None:
    """Give an order to a node that is awake; return when the show that it rolls begins, ``None`` for other orders.

    ``keys`` are the shows' by their ids.
    """
    leader, now = node.leader, node.now
    match order.order:
        case "roll":
            assert order.show is not None
            cue = leader.roll(keys[order.show], now, ShowPosition(seconds(order.position_s)))
            return node.true_at(LocalInstant(cue.line.leader_at))
        case "pause":
            leader.pause(now)
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
