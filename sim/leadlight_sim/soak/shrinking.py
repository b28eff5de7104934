"""A broken promise made small: the fewest faults, orders, cues and nodes of an evening that still break it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final

from leadlight_sim.scenario import Scenario, ScenarioError, check_scenario
from leadlight_sim.soak.trial import hold

Table = dict[str, Any]
LISTS: Final = ("faults", "orders", "standbys", "cues", "followers", "shows")
"""What is left out, the likeliest to be of no matter first."""
AFTER_S: Final = 2.0
"""How much of the evening is kept after the promise is broken."""
PLAIN: Final[Mapping[str, object]] = {
    "keyed": False,
    "air": {"preset": "idle"},
    "leader.wired": None,
    "leader.host": None,
    "leader.delivery": None,
    "leader.lead_time_s": None,
    "leader.sounding_budget": None,
    "leader.on_music_lost": None,
    "leader.tally_interval_s": None,
    "clocks": None,
    "leader.interval_s": 1.0,
}
"""Values that say nothing, each tried where the evening has another."""


Breaks = Callable[[Scenario], float | None]


def shrunk(scenario: Scenario, promise: str, wall_s: float, breaks: Breaks | None = None) -> Scenario:
    """Return the smallest evening found within ``wall_s`` seconds of work that breaks a promise, by its name.

    ``breaks`` returns when an evening breaks it, in seconds of the run, or ``None``.
    """
    until = time.perf_counter() + wall_s
    broken_at_s = breaks or (lambda evening: _broken_at_s(evening, promise))
    smallest = scenario
    found_more = True
    while found_more:
        found_more = False
        for candidate in _smaller(smallest):
            if time.perf_counter() >= until:
                return smallest
            if candidate.digest() == smallest.digest():
                continue
            at_s = broken_at_s(candidate)
            if at_s is not None:
                smallest, found_more = _cut_after(candidate, at_s), True
                break
    return smallest


def _broken_at_s(evening: Scenario, promise: str) -> float | None:
    return next((violation.at_s for violation in hold(evening).violations if violation.promise == promise), None)


def _cut_after(evening: Scenario, at_s: float) -> Scenario:
    end_s = round(at_s + AFTER_S, 1)
    if end_s >= evening.run.duration_s or min(cue.at_s for cue in evening.cues) >= end_s:
        return evening
    settle_s = min(evening.run.settle_s, end_s / 2)
    return evening.with_changes({"run.settle_s": settle_s}).cut_to(end_s)


def _smaller(scenario: Scenario) -> Iterator[Scenario]:
    """Yield evenings that are a little smaller, whole halves of a list first."""
    table = scenario.model_dump(mode="json", exclude_unset=True)
    for part in LISTS:
        entries = table.get(part, [])
        size = len(entries)
        while size:
            for begin in range(0, len(entries), size):
                yield from _checked(_without(table, part, set(range(begin, min(begin + size, len(entries))))))
            size //= 2
    for key, value in PLAIN.items():
        try:
            yield scenario.with_changes({key: value})
        except ScenarioError:
            continue
    for number, fault in enumerate(table.get("faults", [])):
        for key in ("for_s", "every_s"):
            if fault.get(key, 0.0) > 1.0:
                yield from _checked(_with(table, "faults", number, key, round(fault[key] / 2, 3)))
    for number, follower in enumerate(table.get("followers", [])):
        for key in sorted(set(follower) - {"name", "pixels"}):
            yield from _checked(_with(table, "followers", number, key, None))


def _with(table: Table, part: str, number: int, key: str, value: object) -> Table:
    entries = [dict(entry) for entry in table[part]]
    if value is None:
        del entries[number][key]
    else:
        entries[number][key] = value
    return table | {part: entries}


def _without(table: Table, part: str, numbers: set[int]) -> Table:
    """Return a table without some entries of a list, nor what speaks of nodes that are gone with them."""
    gone = {entry.get("name") for number, entry in enumerate(table[part]) if number in numbers} - {None}
    left = table | {part: [entry for number, entry in enumerate(table[part]) if number not in numbers]}
    for other in ("faults", "orders"):
        kept = []
        for entry in left.get(other, []):
            if gone & {entry.get("follower"), entry.get("standby"), entry.get("node")}:
                continue
            if "away" in entry:
                away = [name for name in entry["away"] if name not in gone]
                if not away:
                    continue
                entry = entry | {"away": away}
            kept.append(entry)
        if other in left:
            left[other] = kept
    return {key: value for key, value in left.items() if value != []}


def _checked(table: Table) -> Iterator[Scenario]:
    try:
        yield check_scenario(table, "smaller")
    except ScenarioError:
        return
