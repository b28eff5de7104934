"""Writes the generated parts of protocol/SPECIFICATION.md: `python tests/tools/specification.py`.

A generated part stands between `<!-- generated: NAME -->` and `<!-- end -->` and is made of the library's own tables,
of the requirements in the text itself, and of `tests/requirements.toml`.
"""

from __future__ import annotations

import ast
import importlib
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from enum import Enum, IntEnum
from functools import cache
from pathlib import Path
from typing import Any, Final, NamedTuple

from leadlight.clock.settings import ClockSettings
from leadlight.clock.states import TRANSITIONS as CLOCK_TRANSITIONS
from leadlight.leader.roles import TRANSITIONS as ROLE_TRANSITIONS
from leadlight.playback.recovery import BlendedRecovery
from leadlight.terms import ClockState, ContentState, CueState, Kind
from leadlight.units import MICROSECOND, MILLISECOND, SECOND
from leadlight.wire import codec as wire
from leadlight.wire.layout import BEHIND, FIELDS, FLAGS, MEANINGS, word

ROOT: Final = Path(__file__).parents[2]
SPECIFICATION: Final = ROOT / "protocol" / "SPECIFICATION.md"
REQUIREMENTS: Final = ROOT / "tests" / "requirements.toml"
TESTS: Final = ROOT / "tests"
LIBRARY: Final = Path(wire.__file__).parents[1]

PART: Final = re.compile(r"(<!-- generated: ([a-z-]+) -->\n).*?(<!-- end -->)", re.DOTALL)
RULE: Final = re.compile(
    r"^- \*\*(R-[A-Z]+-[0-9]+)\*\* \(([a-z0-9 ]+)\) ((?:.|\n(?!\n|- \*\*|#|\|))*)", re.MULTILINE
)
WORDS: Final = ("MUST", "SHOULD", "MAY")
"""Of several such words in one rule, with or without NOT, the strictest, in this order, is the rule's."""


class Rule(NamedTuple):
    """One numbered requirement: whom it binds, its words, and how strict it is."""

    number: str
    binds: str
    text: str

    @property
    def strictness(self) -> str:
        return next((word for word in WORDS if re.search(rf"\b{word}\b", self.text)), "")


def rules(text: str) -> list[Rule]:
    """Return the requirements that stand in the text, in order."""
    return [Rule(number, binds, " ".join(words.split())) for number, binds, words in RULE.findall(text)]


def mapping() -> dict[str, list[str]]:
    """Return the names of the tests of each requirement."""
    table: dict[str, list[str]] = tomllib.loads(REQUIREMENTS.read_text(encoding="utf-8"))["requirements"]
    return table


def test_names() -> set[str]:
    """Return the name of every test function in the folder of tests, read and not run."""
    return {
        name
        for path in TESTS.rglob("test_*.py")
        for name in re.findall(r"^ *(?:async )?def (test_\w+)\(", path.read_text(encoding="utf-8"), re.MULTILINE)
    }


# -- tables ------------------------------------------------------------------------------------------------------------


def table(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    lines = [header, ["---"] * len(header), *rows]
    return "".join("| " + " | ".join(str(cell) for cell in line) + " |\n" for line in lines)


def number(value: int) -> str:
    """Return a whole number as people read it: a power of two less one as such, others in groups of three."""
    if value >= 1 << 16 and value & (value + 1) == 0:
        return f"2^{value.bit_length()} − 1"
    grouped = f"{abs(value):,}".replace(",", " ")
    return grouped if value >= 0 else f"−{grouped}"


def field_table(name: str) -> str:
    """Return the table of one array: position, name, type, range, unit, meaning."""
    fields = FIELDS[name]
    meanings = MEANINGS[name]
    if list(meanings) != [field.name for field in fields]:
        raise ValueError(f"{name}: the meanings are not those of the fields on the wire")
    rows: list[tuple[object, ...]] = [
        (
            position,
            f"`{field.name}`",
            "whole number or nil" if field.optional else "whole number",
            f"{number(field.low)} to {number(field.high)}",
            meanings[field.name].unit,
            meanings[field.name].text,
        )
        for position, field in enumerate(fields)
    ]
    rows += [
        (position, f"`{part.name}`", part.type, "", "", part.text)
        for position, part in enumerate(BEHIND.get(name, ()), len(fields))
    ]
    return table(("position", "field", "type", "range", "unit", "meaning"), rows)


def kinds() -> str:
    senders = {
        Kind.BEACON: ("leader", "the group"),
        Kind.BEACON_COPY: ("leader", "one follower"),
        Kind.SOUNDING: ("follower", "the leader"),
        Kind.ECHO: ("leader", "who sent the Sounding"),
        Kind.TALLY: ("follower", "the leader; the marker's to the group"),
    }
    return table(
        ("kind", "message", "from", "to"),
        [(int(kind), kind.name.capitalize().replace("_", " "), *senders[kind]) for kind in Kind],
    )


def enumerations() -> str:
    def members(name: str, enumeration: type[IntEnum]) -> list[tuple[object, ...]]:
        return [(name, int(member), word(member)) for member in enumeration]

    return table(
        ("enumeration", "number", "name"),
        [
            *members("cue state", CueState),
            *members("clock state", ClockState),
            *members("content state", ContentState),
            *[("flag of a Tally", flag, f"{name}: {text}") for flag, (name, text) in FLAGS.items()],
        ],
    )


# -- states ------------------------------------------------------------------------------------------------------------


def diagram(transitions: Mapping[tuple[Any, Any], Any], first: Enum) -> str:
    """Return a state table as a drawing and as a table. What leaves a state as it is is not drawn."""
    labels: dict[tuple[Enum, Enum], list[str]] = {}
    states: list[Enum] = []
    inputs: list[Enum] = []
    for (state, what), then in transitions.items():
        if state not in states:
            states.append(state)
        if what not in inputs:
            inputs.append(what)
        if then is not state:
            labels.setdefault((state, then), []).append(str(what.value).replace(";", ","))
    lines = [f"    [*] --> {first.name}"]
    lines += [f"    {state.name} --> {then.name}: {' / '.join(words)}" for (state, then), words in labels.items()]
    rows = [
        (what.value, *(transitions[state, what].name.lower().replace("_", " ") for state in states)) for what in inputs
    ]
    header = ("what happens", *(f"in {state.name.lower().replace('_', ' ')}" for state in states))
    return "```mermaid\nstateDiagram-v2\n" + "\n".join(lines) + "\n```\n\n" + table(header, rows)


# -- constants ---------------------------------------------------------------------------------------------------------


class Constant(NamedTuple):
    """A named value, where it is kept, and what it is for."""

    name: str
    value: Any
    home: str
    meaning: str


class Duration(NamedTuple):
    """A setting's default; its name in the text has no unit."""

    ns: int


def duration(value: int) -> str:
    """Return a duration in the largest unit that writes it without a long tail."""
    for unit, name in ((SECOND, "s"), (MILLISECOND, "ms"), (MICROSECOND, "µs")):
        if value and value % (unit // 10) == 0 and value >= unit:
            return f"{value / unit:g} {name}"
    return f"{value} ns"


def shown(constant: Constant) -> str:
    value = constant.value
    if isinstance(value, Duration):
        return duration(value.ns)
    if isinstance(value, tuple):
        return ", ".join(duration(part) if part else "0" for part in value)
    if constant.name.endswith("_NS"):
        return duration(value)
    return f"{value:g}" if isinstance(value, float) else str(value)


@cache
def homes() -> dict[str, list[str]]:
    """Return the modules of the library that give a value to each name in capitals."""
    found: dict[str, list[str]] = {}
    for path in sorted(LIBRARY.rglob("*.py")):
        module = ".".join(path.relative_to(LIBRARY.parent).with_suffix("").parts)
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.AnnAssign | ast.Assign):
                targets = [node.target] if isinstance(node, ast.AnnAssign) else node.targets
                for target in targets:
                    if isinstance(target, ast.Name) and target.id.isupper():
                        found.setdefault(target.id, []).append(module)
    return found


def of(name: str, meaning: str, home: str = "") -> Constant:
    """Return a constant of the library. Where two modules give one name two values, ``home`` says which is meant."""
    modules = [module for module in homes().get(name, []) if module.endswith(home)]
    values = [getattr(importlib.import_module(module), name) for module in modules]
    if len(set(values)) != 1:
        raise ValueError(f"{name} has {len(set(values))} values, in {modules}")
    return Constant(name, values[0], modules[0], meaning)


def constants() -> dict[str, list[Constant]]:
    """Return the constants that the text names, by the section that has their table."""
    recovery = BlendedRecovery()
    clock = ClockSettings()
    home, clock_home = BlendedRecovery.__module__, ClockSettings.__module__
    return {
        "wire": [
            of("DATAGRAM_MAXIMUM_BYTES", "longest datagram that is looked at"),
            of("SOUNDING_MINIMUM_BYTES", "shortest Sounding, its tag apart"),
            of("NAME_MAXIMUM_BYTES", "longest name", "codec"),
            of("MARKS_MAXIMUM", "marks in one beacon"),
            of("DELAYS_MAXIMUM", "medians in one beacon, reports in one Sounding"),
            of("DEFAULT_PORT", "UDP port of a group"),
            of("HOP_LIMIT", "hop limit of datagrams to the group"),
        ],
        "leader": [
            of("DITHER_SHARE", "share of the interval over which beacons are dithered"),
            of("DITHER_MAXIMUM_NS", "and at most this"),
            of("CHANGE_BURST_NS", "extra beacons when a change is first told"),
            of("STOP_BURST_NS", "beacons of a stop"),
            of("GOODBYE_BURST_NS", "beacons of a leader that ends"),
            of("LOST_AFTER_NS", "a follower unheard for so long no longer counts"),
            of("STOP_REPEATED_NS", "their spacing after that, while somebody may not have heard,"),
            of("STOP_REPEATED_FOR_NS", "for so long at the most"),
            of("CONTRADICTED_AFTER_NS", "for how long a follower's Tallies may say another state"),
            of("SILENT_AS_ONE_NS", "and a group may be silent, before people are told,"),
            of("SILENT_SPACINGS", "or so many tally spacings, if that is longer"),
            of("REPEATED_EVERY_NS", "least time between two bursts for it"),
        ],
        "exchange": [
            of("BURST", "Soundings in the first burst"),
            of("BURST_SPACING_NS", "their spacing"),
            of("FIRST_SOUNDINGS", "of them that are closer"),
            of("FIRST_SPACING_NS", "and their spacing"),
            of("SPACING_GROWTH", "each later spacing over the one before"),
            of("GROWTH_DEVIATION_NS", "not while the clock's standard deviation is above this,"),
            of("GROWTH_WAIT_NS", "for so long at the most"),
            of("STEADY_INTERVAL_NS", "spacing at which it ends"),
            of("SPACING_SPREAD", "share by which spacings vary either way"),
            of("ANSWERED_WITHIN_NS", "a later Echo is not used"),
            of("OUTSTANDING_MAXIMUM", "Soundings that wait for their Echo"),
            of("ANSWER_BURST_S", "seconds' worth of the budget answered at once"),
            of("PROVEN_PARTS", "parts of the budget that are kept for Soundings with a cookie,"),
            of("UNPROVEN_PARTS", "and that are for all of them"),
            of("PROVEN_RESERVE", "share of what is kept that those without a cookie leave"),
            of("ECHO_QUEUE_MAXIMUM", "Echoes that wait to be sent"),
        ],
        "copies": [
            of("LEASE_NS", "how long an address stays proven"),
            of("COPIES_MAXIMUM", "addresses with a lease, if told no other limit"),
            of("BEGIN_ABOVE_PERMILLE", "loss above which copies begin"),
            of("END_BELOW_PERMILLE", "loss below which they may end"),
            of("END_AFTER_NS", "for how long it must be so"),
            of("LOSS_WINDOW", "serials over which loss is counted"),
            of("LOSS_FEWEST", "and the fewest of which a share is taken"),
        ],
        "follower": [
            of("SILENT_INTERVALS", "silent intervals after which a leader is lost"),
            of("GOODBYE_INTERVALS", "and after which one that has said goodbye is"),
            of("JOIN_PATIENCE_NS", "how long a lock is waited for"),
            of("CUE_JUMP_NS", "a cue that moves a show by so much begins it anew"),
            of("HOLDOVER_CAP_NS", "how long a show goes on without beacons,"),
            of("HOLDOVER_BOUND_NS", "and how wide the statistical bound may be while it does"),
            of("TALLY_INTERVAL_NS", "spacing of Tallies"),
            of("TALLY_SPREAD", "share by which it varies either way"),
            of("TALLY_SOON_NS", "within which news is told"),
            of("TALLIES_PER_SECOND", "what all Tallies together may come to"),
            of("NEWS_PER_SECOND", "the same of those that are brought forward for news"),
            of("LIVE_DATA_LASTS_NS", "how long live data is told after it was last seen"),
            of("UNKEYED_SPACING_NS", "between changes without a key"),
            of("CONTINUED_WITHIN_NS", "by how much a continued timebase may be off"),
            of("SERIALS_AT_ONCE", "serials by which a beacon may be ahead at once,"),
            of("SERIAL_SPACING_NS", "and for each so long since the last, one more"),
            of("INSISTING_BEACONS", "beacons that show what was followed to be false"),
            of("PROVISIONAL_INTERVALS", "intervals for which a tenure begun anew is followed on trust"),
            of("RETURNING_BEACONS", "beacons of the one before within them that show it to be false"),
            of("RETIRED_KEPT", "tenures remembered as left"),
            of("CHALLENGE_SPACING_NS", "between two challenges of one tenure"),
            of("CHALLENGES_MAXIMUM", "tenures that are challenged at a time"),
            of("CHALLENGE_LASTS_NS", "after so long one that was asked in vain makes room"),
            of("GAPS_ABOVE_NS", "announced intervals above this are held against gaps"),
            of("UNPROVEN_INTERVAL_NS", "longest interval of an unproven tenure that is relied upon"),
            of("PROVEN_BEACONS", "beacons by which a tenure has gone on"),
            of("RIVALS_KEPT", "tenures that wait for their second beacon"),
            of("RIVAL_LASTS_INTERVALS", "intervals in which it has to come"),
            of("GHOST_BEACONS", "fewer make nobody a leader that has taken over"),
            of("ROSTER_MAXIMUM", "followers that a leader keeps, if told no other limit"),
            of("INSTANCES_KEPT", "and instances of each of them"),
        ],
        "probes": [
            of("PROBE_BYTES", "length of every datagram, its tag apart", "probes"),
            of("ENTRIES_MAXIMUM", "entries in one Answer"),
            of("DITHER_SHARE_OF_PROBES", "share of its interval by which a probe leaves sooner or later"),
            of("ANSWERS_PER_SECOND", "most answers of one recording"),
            of("PRESENCE_WITHIN_NS", "within which hosts answer a Call,"),
            of("PRESENCE_SPACING_NS", "and how far apart"),
            of("SETTLED_NS", "a probe that has not arrived after so long is not coming"),
        ],
        "playhead": [
            of("STOP_FADE_NS", "fade of a stop and of the off time"),
            of("ASK_WITHIN_NS", "at the latest a player asks again while a cue is announced"),
            of("CONTRADICTED_BY", "beacons with another cue that release a stop"),
            of("STOP_CARRIED_INTERVALS", "intervals, or if that is longer,"),
            of("STOP_CARRIED_NS", "for which a stop outlives a change to another leader's timebase"),
            of("HOLDOVER_FADE_NS", "fade at holdover's end"),
            of("RETURN_FADE_NS", "fade of coming back"),
            Constant("DEAD_BAND", Duration(recovery.dead_band_ns), home, "errors to this are absorbed over a second"),
            Constant("SLEW_RATE", recovery.slew_rate, home, "share of normal speed by which larger ones are slewed"),
            Constant("STEP_ABOVE", Duration(recovery.step_above_ns), home, "errors above this are stepped"),
            Constant("HOLD_ABOVE", Duration(recovery.hold_above_ns), home, "one ahead by this or more freezes instead"),
            Constant("STEP_SPACING", Duration(recovery.step_spacing_ns), home, "least time between two steps"),
            Constant("STEP_PATIENCE", Duration(recovery.step_patience_ns), home, "most that a step waits to be unseen"),
            Constant("REVERSAL_SPACING", Duration(recovery.reversal_spacing_ns), home, "least time to a slew back"),
        ],
        "shared-delay": [
            of("REPORTERS_MINIMUM", "reporters of a median"),
            of("REPORTER_BOUND_NS", "a follower with a wider bound does not report while medians come"),
            of("SPARE_REPORTER_BOUND_NS", "the same while none come"),
            of("MEDIANS_MISSED", "beacons without one after which none come"),
            of("SAMPLES_BEFORE_USE", "medians before they serve"),
            of("REPORT_SPAN", "strides back to which beacons are reported"),
            of("STALE_NS", "and how long they do after the last", "shared_delay"),
        ],
        "marks": [
            of("MARK_PUBLICATIONS", "beacons that publish a mark"),
            of("MARK_INTERVALS", "intervals after which a mark is too old"),
            of("HEARD_FOR_NS", "how long a heard Tally is remembered at least"),
            of("HEARD_KEPT", "heard Tallies remembered"),
            of("PROBATION", "marks before any steers"),
            of("POSSIBLE_SHARE", "of them, without strays, possible by causality, to earn trust"),
            of("POSSIBLE_SHARE_KEPT", "of all of them, to earn and to keep it"),
            of("STRAY_DEVIATIONS", "standard deviations of a mark from the others that make a stray"),
            of("BIAS_DEVIATIONS", "deviations of a fair coin by which residuals are biased"),
            of("SIDED_NS", "a smaller residual counts for neither side"),
            of("VOUCHED_TIMES", "statistical bounds of the soundings from which a mark is beyond"),
            of("CONTRADICTING_SHARE", "of the marks beyond on one side, above which soundings contradict them"),
            of("SHARP_WINDOW", "latest marks looked at for sharpness"),
            of("SHARP_MINIMUM", "and how few of them may do"),
            of("MARKS_BEFORE_USE", "marks that were not refused, before any steers"),
            of("DELAYS_KEPT", "latest beacons to the group whose delays marks are judged beside"),
            of("SHARP_SHARE", "of the beacon delays' median deviation, below which they are sharp"),
            of("STAMPING_NS", "what stamps may err by; added to the bound while marks steer"),
            of("UNKNOWN_RADIO_NS", "added instead where the own radio is not known"),
        ],
        "clock": [
            of("DECLARED_DRIFT", "declared drift until the clock has settled"),
            of("SETTLED_DRIFT", "declared drift about the learnt rate"),
            of("SETTLED_DEVIATIONS", "standard deviations of that rate on top"),
            of("FLOOR_SHARE", "of the floor in the statistical bound"),
            of("RATE_WANDER", "random walk of the rate, per square root of a second"),
            of("ONE_WAY_BEACONS", "beacons before a clock that rests on them alone has a bound, and may lock"),
            of("LATENESS_WINDOW", "packets whose lateness tells of the wait that all of them may have shared"),
            of("UNSEEN_WAITS", "of their mean lateness over their number, the longest such wait"),
            of("HELD_BACK_NS", "a packet later than this says nothing of a clock"),
            of("REFUSED_RUN", "refused samples in a row that agree, after which the clock begins anew"),
            of("REFUSED_INTERVALS", "beacon intervals that they span,"),
            of("REFUSED_DITHER", "less this share of one"),
            of("VOUCHED_EXCHANGES", "latest exchanges that say whether the paths are still the same, at least;"),
            of("VOUCHED_NS", "and all of so long"),
            of("AGREEING_WAITS", "mean waits within which refused beacons agree, without exchanges"),
            Constant("LOCK_BUDGET", Duration(clock.lock_budget_ns), clock_home, "bound of a locked clock"),
            Constant("SETTLE_AFTER", Duration(clock.settle_after_ns), clock_home, "time locked before it has settled"),
        ],
        "roles": [
            of("LISTEN_INTERVALS", "intervals of listening after a start"),
            of("ASK_TIMES", "Soundings before a takeover"),
            of("ASK_SPACING_NS", "their spacing"),
            of("ASK_PATIENCE_NS", "how long an answer is waited for"),
            of("RANK_SPACING_NS", "how much longer each next rank waits"),
            of("LAST_RANK", "what a start sends for its rank that leads at once and has nothing to lead"),
            of("STOP_WINS_NS", "by so much another order may be younger than a stop that holds against it"),
            of("SAME_ORDER_NS", "orders of one state and show no further apart are one"),
            of("TOLD_INTERVALS", "intervals, or if that is longer,"),
            of("TOLD_NS", "for which a leader with a younger order does not yield at the most"),
            of("REPEATED_TO_RIVALS_NS", "least time between bursts for other leaders"),
        ],
    }  # fmt: skip


def constant_table(group: str) -> str:
    return table(
        ("constant", "value", "meaning"),
        [(f"`{constant.name}`", shown(constant), constant.meaning) for constant in constants()[group]],
    )


def constant_list() -> str:
    every = sorted((constant for group in constants().values() for constant in group), key=lambda one: one.name)
    return table(
        ("constant", "value", "kept in"),
        [(f"`{constant.name}`", shown(constant), f"`{constant.home}`") for constant in every],
    )


# -- requirements ------------------------------------------------------------------------------------------------------


def by_level(text: str) -> str:
    groups: dict[str, list[str]] = {}
    for rule in rules(text):
        groups.setdefault(rule.binds, []).append(rule.number)
    order = ("all", "level 0", "level 1", "level 2", "leader", "standby", "prober", "answerer")
    return table(("binds", "requirements"), [(binds, ", ".join(groups[binds])) for binds in order])


def requirement_table(text: str) -> str:
    tests = mapping()
    return table(
        ("requirement", "binds", "word", "tests"),
        [
            (
                rule.number,
                rule.binds,
                rule.strictness,
                "<br>".join(f"`{name}`" for name in tests.get(rule.number, [])) or "none",
            )
            for rule in rules(text)
        ],
    )


# -- the whole ---------------------------------------------------------------------------------------------------------


def parts() -> dict[str, Callable[[str], str]]:
    """Return what writes each generated part, given the whole text."""
    writers: dict[str, Callable[[str], str]] = {
        "kinds": lambda _: kinds(),
        "enumerations": lambda _: enumerations(),
        "clock-states": lambda _: diagram(CLOCK_TRANSITIONS, ClockState.FREE_RUN),
        "roles": lambda _: diagram(ROLE_TRANSITIONS, next(iter(ROLE_TRANSITIONS))[0]),
        "constants": lambda _: constant_list(),
        "levels": by_level,
        "requirements": requirement_table,
    }
    for name in FIELDS:
        writers[name] = lambda _, name=name: field_table(name)  # type: ignore[misc]
    for group in constants():
        writers[f"constants-{group}"] = lambda _, group=group: constant_table(group)  # type: ignore[misc]
    return writers


def render(text: str) -> str:
    """Return the text with every generated part written anew."""
    writers = parts()
    return PART.sub(lambda found: f"{found[1]}\n{writers[found[2]](text)}\n{found[3]}", text)


def main() -> None:
    SPECIFICATION.write_text(render(SPECIFICATION.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
