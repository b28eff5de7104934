"""What a drill breaks, in which piece, when and for how long; and how that is asked for.

A drill takes a scenario's place, people and network, lets one show roll throughout, and breaks one thing in it.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from leadlight.errors import ConfigurationError, LeadlightError
from leadlight_sim.drills.names import ALL, GRAMMAR, TOLD
from leadlight_sim.measures import CYCLE_S
from leadlight_sim.scenario import Scenario

ROLLS_AT_S: Final = 22.0
"""The break then falls into the trial content's steady light, in which any fade or gap is seen."""
BREAKS_AT_S: Final = 120.0
"""Two minutes: clocks have locked and learnt their rates."""
BREAKS_AT_S_MINIMUM: Final = 60.0
BREAKS_AT_S_MAXIMUM: Final = 4 * 3600.0
FOR_S_MINIMUM: Final = 0.1
FOR_S_MAXIMUM: Final = 3600.0
LOOKS_BEFORE_S: Final = 10.0
LOOKS_ON_S: Final = 60.0
"""How long a drill looks on after its fault is over."""
STANDBY: Final = "drill's standby"
PIECE, PIECES, ACCESS_POINT = "a piece", "pieces", "an access point"
"""What may be said to be broken."""


class DrillError(LeadlightError, ValueError):
    """A drill that does not exist was asked for, or one that the scenario cannot be put to."""


@dataclass(frozen=True, slots=True)
class Drill:
    """One rehearsed fault.

    ``faults`` makes the scenario's faults from it; ``standby`` says whether one is needed (true), must not be there
    (false), or does not matter. ``has_forced_step``: whether a piece stands still, is without power or is told of
    another place in the show, and so must jump. ``moves``: how much further on, in s, the music is found when it
    breaks, and when that is over. ``takes``: what ``who`` may name, if anything. ``who``: by name what breaks; empty:
    what the drill takes by itself. ``at_s``: when; ``chosen_for_s``: for how long, ``None``: as long as by itself.
    """

    name: str
    faults: Callable[[Scenario, Drill], Sequence[Mapping[str, object]]]
    standby: bool | None = None
    takes: str = ""
    has_forced_step: bool = False
    looks_on_s: float = LOOKS_ON_S
    moves: tuple[float, ...] = ()
    for_s_maximum: float = FOR_S_MAXIMUM
    who: tuple[str, ...] = ()
    at_s: float = BREAKS_AT_S
    chosen_for_s: float | None = None

    @property
    def label(self) -> str:
        """How it is asked for, with all that was chosen."""
        label = self.name
        if self.who:
            label += f":{','.join(self.who)}"
        if self.at_s != BREAKS_AT_S:
            minutes, seconds = divmod(self.at_s, 60)
            label += f"@{int(minutes)}:{seconds:02g}" if seconds >= 10 else f"@{int(minutes)}:0{seconds:g}"
        if self.chosen_for_s is not None:
            label += f"/{self.chosen_for_s:g}s"
        return label

    @property
    def summary(self) -> str:
        """What breaks, in a few words."""
        who = self.who
        listed = " and ".join((", ".join(who[:-1]), who[-1])) if len(who) > 1 else "".join(who)
        return TOLD[self.name].summary(listed, self.chosen_for_s)

    @property
    def for_s(self) -> float:
        """How long after the break the fault is over; 0 for what is broken for good."""
        return self.chosen_for_s or TOLD[self.name].for_s or 0.0

    @property
    def over_at_s(self) -> float:
        """When the fault is over, in seconds of the run."""
        return self.at_s + self.for_s

    @property
    def looks_from_s(self) -> float:
        """From when on pieces are looked at."""
        return self.at_s - LOOKS_BEFORE_S

    @property
    def duration_s(self) -> float:
        """How long the drill runs."""
        return self.over_at_s + self.looks_on_s

    @property
    def rolls_at_s(self) -> float:
        """When the show begins: the break falls into the same part of it whenever it comes."""
        return ROLLS_AT_S + (self.at_s - BREAKS_AT_S) % CYCLE_S

    def applied_to(self, scenario: Scenario, rolls_at_s: float | None = None) -> Scenario:
        """Return the scenario put to this drill. Raises ``ScenarioError`` for one it does not fit.

        ``rolls_at_s`` is when the show begins, and so what part of it is on when something breaks.
        """
        begins_s = self.rolls_at_s if rolls_at_s is None else rolls_at_s
        shows = [show.model_dump(mode="json", exclude_unset=True) for show in scenario.shows]
        shows[0]["duration_s"] = math.ceil(self.duration_s)
        if len(shows) == 1:
            # Something else that a second leader could roll.
            shows.append(shows[0] | {"id": f"{shows[0]['id'][:50]}-another"})
        standbys = [standby.model_dump(mode="json", exclude_unset=True) for standby in scenario.standbys]
        if self.standby is False:
            standbys = []
        elif self.standby and not standbys:
            standbys = [{"name": STANDBY}]
        changes: dict[str, object] = {
            "run.duration_s": self.duration_s,
            "run.settle_s": min(scenario.run.settle_s, self.looks_from_s),
            "shows": shows,
            "cues": self._cues(shows[0]["id"], begins_s),
            "standbys": standbys,
            "orders": [],
            "faults": [],
        }
        if "keyed" not in scenario.model_fields_set:
            changes["keyed"] = True  # what a group in earnest should have
        drilled = scenario.with_changes(changes)
        faults = [{"at_s": self.at_s} | dict(fault) for fault in self.faults(drilled, self)]
        return drilled.with_changes({"faults": faults}, source=f"--drill {self.label}")

    def _cues(self, show: str, rolls_at_s: float) -> Sequence[Mapping[str, object]]:
        cues: list[Mapping[str, object]] = [{"at_s": rolls_at_s, "show": show}]
        moved_s = 0.0
        for at_s, move_s in zip((self.at_s, self.over_at_s), self.moves, strict=False):
            moved_s += move_s
            cues.append({"at_s": at_s, "show": show, "position_s": at_s - rolls_at_s + moved_s})
        return cues


# --- What breaks ------------------------------------------------------------------------------------------------------

Faults = Callable[[Scenario, Drill], Sequence[Mapping[str, object]]]


def _one(kind: str, **values: object) -> Faults:
    return lambda _scenario, drill: [{"kind": kind, "for_s": drill.for_s} | values]


def _for_good(kind: str) -> Faults:
    return lambda _scenario, _drill: [{"kind": kind}]


def _piece(kind: str, **values: object) -> Faults:
    def faults(scenario: Scenario, drill: Drill) -> Sequence[Mapping[str, object]]:
        name = drill.who[0] if drill.who else scenario.followers[0].name
        return [{"kind": kind, "follower": name, "for_s": drill.for_s} | values]

    return faults


def _nothing(_scenario: Scenario, _drill: Drill) -> Sequence[Mapping[str, object]]:
    return []


def _access_point(_scenario: Scenario, drill: Drill) -> Sequence[Mapping[str, object]]:
    named = {"access_point": drill.who[0]} if drill.who else {}
    return [{"kind": "access-point-reboot", "for_s": drill.for_s} | named]


def _cut_off(scenario: Scenario, drill: Drill) -> Sequence[Mapping[str, object]]:
    names = [follower.name for follower in scenario.followers]
    away = list(drill.who) or [*names[len(names) // 2 :], *(standby.name for standby in scenario.standbys)]
    return [{"kind": "split-network", "away": away, "for_s": drill.for_s}]


def _clash(scenario: Scenario, drill: Drill) -> Sequence[Mapping[str, object]]:
    return [{"kind": "clashing-leader", "show": scenario.shows[1].id, "for_s": drill.for_s}]


DRILLS: Final = (
    Drill("leader-reboot", _one("leader-reboot"), standby=False),
    Drill("standby", _for_good("leader-lost"), standby=True),
    Drill("leader-lost", _for_good("leader-lost"), standby=False, looks_on_s=180),
    Drill("power-cut", _piece("power-cut"), takes=PIECE, has_forced_step=True),
    Drill("access-point", _access_point, takes=ACCESS_POINT),
    Drill("split-network", _cut_off, standby=True, takes=PIECES),
    Drill("suspended", _piece("board-suspended"), takes=PIECE, has_forced_step=True),
    Drill("loss", _one("loss-spell", loss_fraction=0.3)),
    Drill("roam", _piece("roam", slower_ms=20), takes=PIECE, for_s_maximum=60),
    Drill("clash", _clash),
    Drill("live-data", _piece("live-data"), takes=PIECE),
    Drill("music-moved", _nothing, has_forced_step=True, moves=(0.2, -0.2)),
)


# --- How it is asked for ----------------------------------------------------------------------------------------------

# What begins like a number, or is missing, is meant as one though it be none: a piece's name may hold the rest.
_NUMBER: Final = r"(?:[-+\d:.][^@/]*)?"
_ASKED: Final = re.compile(rf"(?P<name>[^:@/]+)(?::(?P<who>.+?))?(?:@(?P<at>{_NUMBER}))?(?:/(?P<for>{_NUMBER}))?")
_CLOCK: Final = re.compile(r"(?:(\d+):)?(\d+):(\d\d(?:\.\d+)?)")
_SPAN: Final = re.compile(r"(\d+(?:\.\d+)?)(ms|s|min|h)?")
_UNITS_S: Final = {"ms": 0.001, "s": 1.0, "min": 60.0, "h": 3600.0}


def drills_named(asked: str, scenario: Scenario | None = None) -> tuple[Drill, ...]:
    """Return the drill that was asked for, as ``NAME[:WHO][@WHEN][/FOR]``, or every one for ``all``.

    Raises ``DrillError``, which gives the nearest name, or ``ConfigurationError``; and, where the scenario is given,
    ``ScenarioError`` for one that it cannot be put to.
    """
    if asked == ALL:
        return DRILLS
    found = _ASKED.fullmatch(asked)
    if found is None:
        raise DrillError(f"--drill: {asked!r} is not understood; allowed: {GRAMMAR}, such as power-cut@3:20/40s")
    if found["name"] == ALL:
        raise DrillError(f"--drill {asked}: {ALL} goes by itself; name a drill to say who, when or for how long")
    by_name = {drill.name: drill for drill in DRILLS}
    drill = by_name.get(found["name"])
    if drill is None:
        known = [*by_name, ALL]
        near = difflib.get_close_matches(found["name"], known, n=1, cutoff=0.0)
        raise DrillError(f"--drill: there is no {found['name']!r}; did you mean {near[0]}? allowed: {', '.join(known)}")
    drill = replace(
        drill,
        who=_who(drill, found["who"]),
        at_s=BREAKS_AT_S if found["at"] is None else _at_s(found["at"]),
        chosen_for_s=None if found["for"] is None else _for_s(drill, found["for"]),
    )
    if scenario is not None:
        drill.applied_to(scenario)
    return (drill,)


def _who(drill: Drill, text: str | None) -> tuple[str, ...]:
    if text is None:
        return ()
    if not drill.takes:
        raise DrillError(f"--drill {drill.name}:{text}: of {drill.name} nobody can be chosen; leave out :{text}")
    return tuple(each.strip() for each in text.split(",")) if drill.takes is PIECES else (text,)


def _at_s(text: str) -> float:
    clock = _CLOCK.fullmatch(text)
    if clock is not None:
        at_s = 3600.0 * int(clock[1] or 0) + 60 * int(clock[2]) + float(clock[3])
    else:
        at_s = _span_s(f"@{text}", text, "when it breaks, such as 3:20 or 200s")
    if not BREAKS_AT_S_MINIMUM <= at_s <= BREAKS_AT_S_MAXIMUM:
        raise ConfigurationError("--drill", f"@{text}", "from 1:00, when clocks have locked, to 4:00:00")
    return at_s


def _for_s(drill: Drill, text: str) -> float:
    default = TOLD[drill.name].for_s
    if default is None:
        raise DrillError(f"--drill {drill.name}/{text}: that is for good; leave out /{text}")
    for_s = _span_s(f"/{text}", text, "for how long, such as 40s or 2min")
    if not FOR_S_MINIMUM <= for_s <= drill.for_s_maximum:
        raise ConfigurationError("--drill", f"/{text}", f"from {FOR_S_MINIMUM:g} s to {drill.for_s_maximum:g} s")
    return for_s


def _span_s(shown: str, text: str, allowed: str) -> float:
    found = _SPAN.fullmatch(text)
    if found is None:
        raise ConfigurationError("--drill", shown, allowed)
    return float(found[1]) * _UNITS_S[found[2] or "s"]
