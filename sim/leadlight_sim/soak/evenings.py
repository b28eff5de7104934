"""Random evenings: a scenario made of a seed, with nothing in it that the rules do not allow.

Which kinds of fault and of order an evening may have is drawn first, so that in many evenings most kinds are missing.
What happens always hides what happens rarely (swarm testing: Groce, Zhang, Eide, Chen and Regehr, ISSTA 2012).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, Final, TypeVar

from leadlight_sim.kernel import Stream, Streams
from leadlight_sim.scenario import Scenario, check_scenario

Table = dict[str, Any]
T = TypeVar("T")

DURATIONS_S: Final = (60, 120, 180, 300)
CONTENDED_S: Final = 60
"""Frames that compete take a hundred times as long to simulate."""
INTERVALS_S: Final = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
CALM_INTERVALS: Final = 30
CALM_S: Final = 25
"""Every evening ends with so much time, or so many intervals, in which nothing breaks: what heals must be seen to."""
FAULTS_MAXIMUM: Final = 6
ORDERS_MAXIMUM: Final = 6


def random_evening(seed: int) -> Scenario:
    """Return the evening of a seed, always the same one."""
    streams = Streams(seed)
    place = _Place(streams.stream("soak", "place"))
    table = place.table()
    chance = streams.stream("soak", "faults")
    kinds = [kind for kind in FAULTS if chance.chance(0.4)]
    makers = [FAULTS[kind] for kind in kinds if _fits(kind, table)]
    faults: list[Table] = []
    for _ in range(chance.integer(0, FAULTS_MAXIMUM) if makers else 0):
        maker = _one(chance, makers)
        begin_s = round(chance.uniform(0, place.calm_from_s), 3)
        for_s = round(min(chance.exponential(12.0) + 0.2, max(place.calm_from_s - begin_s, 0.2)), 3)
        faults.append(maker(chance, table) | {"at_s": begin_s} | ({"for_s": for_s} if maker not in INSTANT else {}))
    table["faults"] = _apart(faults)
    chance = streams.stream("soak", "orders")
    allowed = [order for order in ORDERS if chance.chance(0.6)]
    count = chance.integer(0, ORDERS_MAXIMUM) if allowed else 0
    edges_s = [fault["at_s"] + after_s for fault in table["faults"] for after_s in (0.0, fault.get("for_s", 0.0))]
    orders: list[Table] = []
    for _ in range(count):
        at_s = chance.uniform(0, place.calm_from_s)
        if edges_s and chance.chance(0.5):
            # What is hard to get right happens while something breaks or heals.
            at_s = min(max(_one(chance, edges_s) + chance.uniform(-5.0, 5.0), 0.0), place.calm_from_s)
        order = _order(chance, _one(chance, allowed), table)
        times = chance.integer(2, 10) if chance.chance(0.2) else 1  # an impatient thumb
        orders += [order | {"at_s": round(at_s + number * 0.3, 3)} for number in range(times)]
    table["orders"] = sorted(orders, key=lambda order: float(order["at_s"]))
    return check_scenario(_without_nothing(table), f"evening {seed}")


def _one(stream: Stream, among: Sequence[T]) -> T:
    return among[stream.integer(0, len(among) - 1)]


def _without_nothing(table: Table) -> Table:
    return {key: value for key, value in table.items() if value not in ([], {})}


class _Place:
    """Who is there, on what air, and what is to be played."""

    def __init__(self, stream: Stream) -> None:
        self._stream = stream
        self.interval_s = _one(stream, INTERVALS_S)
        self.calm_from_s = 0.0

    def table(self) -> Table:
        stream = self._stream
        seed = stream.integer(1, 2**31)
        air, is_contended = self._air()
        delivery = _one(stream, ("automatic", "automatic", "group", "copies", "both"))
        # By copies alone a standby would have to be told where the leader is, which no setting of it does, and a group
        # that may hardly ask loses its leases.
        budgets = (10, 60, 60, 255) if delivery == "copies" else (0, 1, 10, 60, 60, 255)
        standbys = 0 if delivery == "copies" else _one(stream, (0, 1, 1, 2))
        duration_s = CONTENDED_S if is_contended else _one(stream, DURATIONS_S)
        calm_s = max(CALM_S, CALM_INTERVALS * self.interval_s)
        duration_s = int(max(duration_s, calm_s + 30))
        self.calm_from_s = duration_s - calm_s
        return {
            "name": f"evening {seed}",
            "keyed": stream.chance(0.5),
            "run": {"duration_s": duration_s, "seed": seed, "settle_s": 10},
            "leader": {
                "name": "leader",
                "wired": stream.chance(0.3),
                "interval_s": self.interval_s,
                "delivery": delivery,
                "lead_time_s": _one(stream, (0.0, 0.5, 2.0, 2.0, 5.0, 20.0)),
                "sounding_budget": _one(stream, budgets),
                "on_music_lost": _one(stream, ("continue", "continue", "finish", "dark")),
                "tally_interval_s": _one(stream, (0.5, 5.0, 5.0, 30.0)),
                "host": _one(stream, ("steady", "small-board", "busy")),
            },
            "standbys": [
                {"name": f"standby {number}", "rank": _one(stream, (1, number, 7)), "wired": stream.chance(0.3)}
                for number in range(1, standbys + 1)
            ],
            "followers": [self._follower(number) for number in range(1, stream.integer(1, 12) + 1)],
            "clocks": {"tolerance_ppm": _one(stream, (5.0, 50.0, 50.0, 80.0))},
            "air": air,
            "shows": [
                {"id": "long", "duration_s": 600, "frame_rate": [40, 1]},
                {"id": "short", "duration_s": 25, "frame_rate": [30000, 1001]},
                {"id": "slow", "duration_s": 90, "frame_rate": [10, 1]},
            ],
            "cues": self._cues(),
        }

    def _air(self) -> tuple[Table, bool]:
        stream = self._stream
        if stream.chance(0.06):
            return {"preset": _one(stream, ("idle", "busy", "dozing")), "fidelity": "contended"}, True
        models = tuple(f"model-{letter}" for letter in "abcde")
        air: Table = {"preset": _one(stream, ("idle", "idle", "busy", "busy", "dozing", "dozing", *models))}
        if stream.chance(0.3):
            air["dropouts"] = {"mean_loss_fraction": round(stream.uniform(0.0, 0.2), 3)}
        air["dtim_period"] = _one(stream, (1, 2, 3))
        if stream.chance(0.2):
            air["client_isolation"] = False
        return air, False

    def _follower(self, number: int) -> Table:
        stream = self._stream
        table: Table = {"name": f"piece {number}", "pixels": stream.integer(1, 2000)}
        if stream.chance(0.2):
            table["sounds"] = False
        if stream.chance(0.15):
            table["extra_loss_fraction"] = round(stream.uniform(0.02, 0.3), 3)
        if stream.chance(0.2):
            table["trim_ms"] = round(stream.uniform(-200, 200), 1)
        if stream.chance(0.2):
            table["output_latency_ms"] = _one(stream, (0.0, 5.0, 300.0, 1000.0))
        table["host"] = _one(stream, ("steady", "small-board", "small-board", "busy"))
        return table

    def _cues(self) -> list[Table]:
        stream = self._stream
        at_s = round(stream.uniform(0, 15), 3)
        cues: list[Table] = []
        for _ in range(stream.integer(1, 4)):
            state = _one(stream, ("rolling", "rolling", "rolling", "paused", "dark"))
            cue: Table = {"at_s": at_s, "state": state}
            if state != "dark":
                show = _one(stream, ("long", "long", "short", "slow"))
                cue |= {"show": show, "position_s": _one(stream, (0.0, 0.0, 12.5))}
            cues.append(cue)
            at_s = round(at_s + 0.5 + stream.exponential(20.0), 3)
        return [cue for cue in cues if cue["at_s"] < self.calm_from_s] or cues[:1]


# -- what breaks -----------------------------------------------------------------------------------------------------


def _piece(stream: Stream, table: Table) -> str:
    return str(_one(stream, table["followers"])["name"])


def _anybody(stream: Stream, table: Table) -> str:
    return str(_one(stream, [table["leader"], *table["standbys"], *table["followers"]])["name"])


def _can_lead(stream: Stream, table: Table) -> str:
    return str(_one(stream, [table["leader"], *table["standbys"]])["name"])


def _split(stream: Stream, table: Table) -> Table:
    names = [str(one["name"]) for one in (*table["standbys"], *table["followers"])]
    away = [name for name in names if stream.chance(0.5)] or names[:1]
    return {"kind": "split-network", "away": away, "direction": _one(stream, ("both", "both", "inbound", "outbound"))}


def _standby_reboot(stream: Stream, table: Table) -> Table:
    return {"kind": "standby-reboot", "standby": _one(stream, table["standbys"])["name"]}


def _radio_silence(stream: Stream, _table: Table) -> Table:
    return {"kind": "access-point-reboot", "rejoin_s": _one(stream, (0.0, 3.0))}


def _clock_step(stream: Stream, table: Table) -> Table:
    by_ms = _one(stream, (-5000.0, -20.0, -1.0, 1.0, 18.0, 300.0, 5000.0, 3_600_000.0))
    return {"kind": "clock-step", "node": _anybody(stream, table), "by_ms": by_ms}


def _roam(stream: Stream, table: Table) -> Table:
    slower = {} if table["air"].get("fidelity") == "contended" else {"slower_ms": _one(stream, (0.0, 5.0, 20.0, 80.0))}
    return {"kind": "roam", "follower": _piece(stream, table)} | slower


def _rival(stream: Stream, _table: Table) -> Table:
    return {"kind": "clashing-leader", "rank": _one(stream, (1, 5, 127)), "show": _one(stream, ("long", "short"))}


def _hostile(stream: Stream, _table: Table) -> Table:
    what = _one(stream, ("replays", "garbage", "beacons", "leaders", "followers"))
    return {"kind": "hostile-packets", "what": what, "every_s": _one(stream, (0.05, 0.5, 2.0, 60.0))}


Maker = Callable[[Stream, Table], Table]
FAULTS: Final[dict[str, Maker]] = {
    "leader-reboot": lambda _stream, _table: {"kind": "leader-reboot"},
    "leader-lost": lambda _stream, _table: {"kind": "leader-lost"},
    "standby-reboot": _standby_reboot,
    "power-cut": lambda stream, table: {"kind": "power-cut", "follower": _piece(stream, table)},
    "access-point-reboot": _radio_silence,
    "split-network": _split,
    "board-suspended": lambda stream, table: {"kind": "board-suspended", "follower": _piece(stream, table)},
    "leader-suspended": lambda stream, table: {"kind": "leader-suspended", "node": _can_lead(stream, table)},
    "clock-step": _clock_step,
    "clock-stands": lambda stream, table: {"kind": "clock-stands", "node": _anybody(stream, table)},
    "loss-spell": lambda stream, _table: {"kind": "loss-spell", "loss_fraction": _one(stream, (0.1, 0.3, 0.6, 0.95))},
    "corruption": lambda stream, _table: {"kind": "corruption", "share": _one(stream, (0.05, 0.5))},
    "repetition": lambda stream, _table: {"kind": "repetition", "share": _one(stream, (0.1, 0.8))},
    "reordering": lambda stream, _table: {"kind": "reordering", "share": _one(stream, (0.1, 0.5))},
    "roam": _roam,
    "live-data": lambda stream, table: {"kind": "live-data", "follower": _piece(stream, table)},
    "clashing-leader": _rival,
    "hostile-packets": _hostile,
}
INSTANT: Final = frozenset({FAULTS["leader-lost"], FAULTS["clock-step"]})
"""Kinds that do not last."""


def _fits(kind: str, table: Table) -> bool:
    if kind == "standby-reboot":
        return bool(table["standbys"])
    if kind == "clashing-leader":
        return bool(table["leader"]["delivery"] != "copies")
    return True


def _apart(faults: list[Table]) -> list[Table]:
    """Return the faults in order, without those that would befall the same node while another of the kind does."""
    kept: list[Table] = []
    over_at_s: dict[tuple[object, object], float] = {}
    for fault in sorted(faults, key=lambda fault: float(fault["at_s"])):
        kind = fault["kind"]
        where = fault.get("follower") or fault.get("standby") or fault.get("node")
        if kind == "roam":
            fault["for_s"] = min(fault["for_s"], 60.0)
        # A host sleeps, stands still and is without power one after the other; the leader may be gone for good.
        key = ("host", where or "leader") if kind in HOST_FAULTS else (kind, where)
        if fault["at_s"] < over_at_s.get(key, 0.0):
            continue
        over_at_s[key] = math.inf if kind == "leader-lost" else fault["at_s"] + fault.get("for_s", 0.0)
        kept.append(fault)
    return kept


HOST_FAULTS: Final = frozenset(
    {
        "board-suspended",
        "clock-stands",
        "leader-lost",
        "leader-reboot",
        "leader-suspended",
        "power-cut",
        "standby-reboot",
    }
)

# -- what people order -----------------------------------------------------------------------------------------------

ORDERS: Final = ("roll", "pause", "resume", "seek", "dark", "stop", "stop", "take-back", "withdraw", "off-time")


def _order(stream: Stream, what: str, table: Table) -> Table:
    order: Table = {"order": what, "node": _can_lead(stream, table)}
    if what == "roll":
        order |= {"show": _one(stream, ("long", "short")), "position_s": _one(stream, (0.0, 0.0, 7.0))}
    elif what == "seek":
        order["position_s"] = round(stream.uniform(0.0, 60.0), 3)
    elif what == "off-time" and stream.chance(0.8):
        order["off_in_s"] = round(stream.exponential(20.0), 3)
    return order
