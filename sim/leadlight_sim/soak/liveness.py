"""What must come about in time: one promise of the specification in one function, held only when nothing is broken."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from leadlight import ClockState, CueState
from leadlight.follower import SPACING_SPREAD, STEADY_INTERVAL_NS, fair_spacing_ns
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.soak.looks import LOCK_BUDGET_NS, Group, Seen
from leadlight_sim.soak.promises import Evening, comes_about
from leadlight_sim.world import Obeyed

SHOWN_WITHIN_NS: Final = 15 * MILLISECOND
"""What a locked piece may be off: its budget, and the error that is still being absorbed."""
RUN_WITHIN_NS: Final = 500 * MILLISECOND
RUN_WITHIN_UNLOCKED_NS: Final = 3 * SECOND
"""Who has not found its clock shows what it can."""
FLOOD_A_SECOND: Final = 30
"""Beacons in a second, beside the regular ones, that no burst comes to for long, however often a button is pressed."""
FLOOD_LASTS_S: Final = 4.0
_LOCKED: Final = ClockState.LOCKED
_ROLLING: Final = CueState.ROLLING
UNDOING: Final = ("hostile-packets", "clashing-leader", "clock-step", "clock-stands")
"""Spells after which another show than was ordered may be on, or none."""
LEADERLESS: Final = ("leader-reboot", "leader-lost", "leader-suspended")
"""Spells after which pieces may go on by a leader that is silent."""


@comes_about(lambda evening: evening.calm.heals_s, "R-ROLE-3", "R-ROLE-4", "R-ROLE-7")
def one_node_leads(group: Group, evening: Evening) -> Mapping[str, str]:
    """Of those that could, one leads, and only one."""
    if len(group.leading) == 1 or not group.could_lead or not evening.calm.is_calm(evening.seconds(group.at)):
        return {}
    if any(_is_cut_off(node.name, group, evening) for node in group.leading):
        return {}
    names = ", ".join(node.name for node in group.leading)
    return {"group": f"{names} lead at once" if names else "nobody leads"}


def _is_cut_off(name: str, group: Group, evening: Evening) -> bool:
    """Return whether nothing gets through on a node's link: the reference models have such spells of any length."""
    return evening.world.air.loss_at(name, group.at) >= 1.0


def _answered_s(evening: Evening) -> float:
    # Answers to challenges come no faster than the budget, and all followers may want one.
    leader = evening.scenario.leader
    nodes = len(evening.scenario.followers) + len(evening.scenario.standbys)
    asks = evening.scenario.keyed or leader.delivery == "copies"
    return 2.0 * nodes / max(leader.sounding_budget, 1) if asks else 0.0


def _following_s(evening: Evening) -> float:
    answered_s = _answered_s(evening)
    lossy = 2.0 if any(follower.extra_loss_fraction for follower in evening.scenario.followers) else 1.0
    return lossy * (evening.calm.heals_s + _asks_for_s(evening)) + 2 * evening.calm.interval_s + answered_s


def _asks_for_s(evening: Evening) -> float:
    """Return how long a piece that lives by copies asks for them: one answer gives the cookie, the next the copies."""
    scenario = evening.scenario
    if scenario.leader.delivery != "copies":
        return 0.0
    fair_ns = fair_spacing_ns(len(scenario.followers) + len(scenario.standbys), max(scenario.leader.sounding_budget, 1))
    return 2 * (1 + SPACING_SPREAD) * max(STEADY_INTERVAL_NS, fair_ns) / SECOND


@comes_about(_following_s, "R-SELECT-1", "R-SELECT-5", "R-CUE-1")
def everybody_follows_the_one_that_leads(group: Group, evening: Evening) -> Mapping[str, str]:
    """A follower that can hear the one leader follows it."""
    if len(group.leading) != 1:
        return {}
    tenure = group.leading[0].leader.tenure
    return {
        seen.name: f"does not follow {group.leading[0].name}"
        for seen in group.seen
        if seen.tenure != tenure and _is_judged(seen, evening)
    }


@comes_about(lambda evening: _following_s(evening) + 10.0, "R-CUE-1", "R-CUE-2", "R-CUE-5", "R-BASE-1")
def everybody_shows_what_the_leader_says(group: Group, evening: Evening) -> Mapping[str, str]:
    """Cue and position are the leader's, to within a locked clock's budget."""
    if len(group.leading) != 1:
        return {}
    leading = group.leading[0]
    cue, now = leading.leader.cue, leading.leader.leader_at(leading.now)
    assert now is not None
    wrong: dict[str, str] = {}
    for seen in group.seen:
        if seen.tenure != leading.leader.tenure:
            continue
        told = None
        if seen.cue.state is not cue.state or seen.cue.show != cue.show:
            told = f"holds {seen.cue.state.name} where the leader says {cue.state.name}"
        elif seen.position is not None and seen.is_lit and seen.is_two_way and seen.state is _LOCKED:
            error_ns = seen.position - cue.position_at(now)
            if abs(error_ns) > SHOWN_WITHIN_NS:
                told = f"{cue.state.name} is {error_ns / MILLISECOND:.1f} ms off"
        if told is not None and _is_judged(seen, evening):
            wrong[seen.name] = told
    return wrong


@comes_about(lambda evening: 3.0 + 2 * evening.calm.interval_s, "R-STATE-1", "R-BOUND-5", "R-CLOCK-4")
def locked_means_locked(group: Group, evening: Evening) -> Mapping[str, str]:
    """A clock that asks and is answered, and calls itself locked, is right to within its budget."""
    return {
        seen.name: f"LOCKED and {seen.error_ns / MILLISECOND:.1f} ms off"
        for seen in group.seen
        if seen.state is _LOCKED
        and seen.is_two_way
        and seen.error_ns is not None
        and abs(seen.error_ns) > LOCK_BUDGET_NS
        and not evening.is_misled(seen.at)
    }


def _stops_in_s(evening: Evening) -> float:
    air = evening.scenario.air
    lossy = air.dropouts is not None or air.preset.startswith("model-")
    lossy = lossy or any(follower.extra_loss_fraction for follower in evening.scenario.followers)
    told_s = evening.calm.heals_s + 2.0 if lossy else 2 * evening.calm.interval_s + 2.0
    return told_s + _asks_for_s(evening)


@comes_about(_stops_in_s, "R-STOP-1", "R-STOP-2", "R-STOP-3", "R-ROLE-8")
def a_stop_is_obeyed_everywhere_and_stays(group: Group, evening: Evening) -> Mapping[str, str]:
    """Whoever was told to stop, everyone is dark, until somebody orders otherwise."""
    at_s = evening.seconds(group.at)
    stop = _stop_in_force(evening, group.at)
    if stop is None or not evening.calm.is_whole(at_s):
        return {}
    if stop.node is not evening.world.leader:
        if at_s < stop.at / SECOND + _answered_s(evening):
            return {}  # whoever has not followed it yet has it prove its tenure first (R-SELECT-3)
        if evening.calm.any_since(at_s, at_s, *LEADERLESS):
            return {}  # a piece stays with a leader that outranks this one until that one counts as lost (R-SELECT-5)
    return {
        seen.name: f"lit {at_s - stop.at / SECOND:.1f} s after {stop.node.name} was told to stop"
        for seen in group.seen
        if seen.is_lit
        and evening.calm.is_whole(at_s, seen.name)
        and _hears(seen, evening)
        and not _is_cut_off(seen.name, group, evening)
    }


def _stop_in_force(evening: Evening, at: TrueInstant) -> Obeyed | None:
    """Return the stop after which nobody has ordered otherwise, and nothing has happened that could undo it."""
    obeyed = evening.world.obeyed
    if not obeyed:
        return None
    stops = [one for one in obeyed if one.order.order == "stop"]
    if not stops:
        return None
    stop, at_s = stops[-1], evening.seconds(at)
    stopped_s = evening.seconds(stop.at)
    if any(one.order.order in ("roll", "pause", "resume", "seek", "dark") for one in obeyed[obeyed.index(stop) + 1 :]):
        return None
    if any(stop.at <= planned.at <= at for planned in evening.world.plan):
        return None  # the running order goes on
    if evening.calm.any_since(stopped_s, at_s, *UNDOING) or evening.is_misled(at):
        return None
    # Where the node that was told dies before anybody heard of it, nobody knows.
    for node in evening.world.leaders:
        if any(not on and switched_at >= stop.at for switched_at, on in node.switched):
            return None
    return stop


@comes_about(lambda _evening: FLOOD_LASTS_S, "R-LEAD-2", "R-LEAD-7", "R-STOP-1", "R-ROLE-13")
def no_leader_floods_the_group(group: Group, evening: Evening) -> Mapping[str, str]:
    """Beacons come at their interval, and in bursts that end."""
    flooding: dict[str, str] = {}
    for node in evening.world.leaders:
        if node.beacons_sent is None:
            node.beacons_sent = []
        since = group.at - SECOND
        while node.beacons_sent and node.beacons_sent[0][1] < since:
            node.beacons_sent.pop(0)
        if len(node.beacons_sent) > 1.5 / evening.calm.interval_s + FLOOD_A_SECOND:
            flooding[node.name] = f"{len(node.beacons_sent)} beacons in a second"
    return flooding


@comes_about(lambda _evening: 8.0, "R-ROLE-5", "R-ROLE-6", "R-CUE-6", "R-STOP-3")
def no_show_rolls_that_nobody_ordered(group: Group, evening: Evening) -> Mapping[str, str]:
    """What rolls anywhere was ordered: by the running order or by a person, from there and then."""
    if evening.calm.has_begun(evening.seconds(group.at), UNDOING) or evening.is_misled(group.at):
        return {}
    rolling = [seen for seen in group.seen if seen.is_lit and seen.cue.state is _ROLLING]
    if not rolling:
        return {}
    runs = [(planned.at, planned.show, planned.position) for planned in evening.world.plan if planned.at <= group.at]
    runs += [
        (one.begins_at, one.cue.show, one.cue.line.position)
        for one in evening.world.obeyed
        if one.begins_at is not None and one.cue is not None
    ]
    wrong: dict[str, str] = {}
    for seen in rolling:
        if seen.position is None:
            continue
        distances = [
            abs(position + (group.at - at) - seen.position) for at, show, position in runs if show == seen.show
        ]
        within_ns = RUN_WITHIN_NS if seen.state is _LOCKED else RUN_WITHIN_UNLOCKED_NS
        if not distances or min(distances) > within_ns:
            how = f"{min(distances) / SECOND:.1f} s from any run of it" if distances else "which nobody rolled"
            wrong[seen.name] = f"rolls a show {how}"
    return wrong


def _hears(seen: Seen, evening: Evening) -> bool:
    """Return whether a follower can hear a leader at all: by copies alone, only one that asks can."""
    return seen.sounds or evening.scenario.leader.delivery != "copies"


def _is_judged(seen: Seen, evening: Evening) -> bool:
    return evening.calm.is_calm(evening.seconds(seen.at), seen.name) and _hears(seen, evening)
