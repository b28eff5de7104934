"""Events and states in words for people, and as JSON for scripts."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import fields
from enum import Enum
from typing import Any

from leadlight.cue import NO_SHOW, Cue
from leadlight.events import Event
from leadlight.follower import Snapshot
from leadlight.roster import RosterEntry
from leadlight.terms import ClockState, ContentState
from leadlight.units import SECOND, LocalInstant, describe

NOTHING = "–"

FOLLOWER_HEADER = ("piece", "clock", "offset", "bound", "cue", "show", "frame", "lost")
FOLLOWER_NEWS = (1, 4, 5)
"""The columns whose change is news; the others flicker."""

ROSTER_HEADER = ("piece", "clock", "bound", "cue", "show", "frame", "late", "lost", "heard", "trouble")
ROSTER_NEWS = (1, 3, 4, 9)

# What an operator has to look at first comes first.
_WORST_CLOCK_FIRST = (ClockState.FREE_RUN, ClockState.HOLDOVER, ClockState.ACQUIRING, ClockState.LOCKED)


def event_as_json(event: Event) -> str:
    """Return an event as one line of JSON: its name under ``event``, then its fields; cues as objects."""
    return json.dumps(
        {"event": type(event).__name__} | {field.name: _plain(getattr(event, field.name)) for field in fields(event)}
    )


def _plain(value: Any) -> Any:
    if isinstance(value, Cue):
        return {"show": value.show, "state": word(value.state), **value.line._asdict()}
    return word(value) if isinstance(value, Enum) else value


def event_in_words(event: Event, shows: Mapping[int, str]) -> str:
    """Return an event as a short line; ``shows`` gives shows' names by key."""
    name = re.sub(r"(?<!^)(?=[A-Z])", " ", type(event).__name__).lower()
    told = [
        f"{field.name.removesuffix('_ns').replace('_', ' ')} {_in_words(field.name, getattr(event, field.name), shows)}"
        for field in fields(event)
        if field.name not in ("at", "takes_effect_at", "off_at")
    ]
    return f"{name}: {', '.join(told)}" if told else name


def _in_words(name: str, value: Any, shows: Mapping[int, str]) -> str:
    if isinstance(value, Cue):
        return f"{word(value.state)} {show_name(value.show, shows)}"
    if name == "show":
        return show_name(value, shows)
    if name.endswith("_ns"):
        return describe(value)
    if isinstance(value, Enum):
        return word(value)
    if isinstance(value, tuple):
        return " and ".join(value)
    if isinstance(value, int):
        return f"{value:08x}"
    return str(value)


def word(state: Enum) -> str:
    """Return a state as a lower-case word."""
    return state.name.lower().replace("_", " ")


def show_name(key: int, shows: Mapping[int, str]) -> str:
    """Return the name of a show, or its key in hexadecimal where the name is not known here."""
    return NOTHING if key == NO_SHOW else shows.get(key, f"{key:016x}")


def follower_row(name: str, snapshot: Snapshot, shows: Mapping[int, str]) -> tuple[str, ...]:
    """Return the cells of ``FOLLOWER_HEADER`` for a follower's own table."""
    return (
        name,
        word(snapshot.clock),
        _duration(snapshot.offset_ns),
        _duration(snapshot.bounds.statistical_ns),
        word(snapshot.cue.state),
        show_name(snapshot.cue.show, shows),
        NOTHING if snapshot.frame is None else str(snapshot.frame),
        f"{snapshot.beacon_loss:.1%}",
    )


def _duration(duration_ns: int | None) -> str:
    return NOTHING if duration_ns is None else describe(duration_ns)


def roster_rows(roster: list[RosterEntry], now: LocalInstant, shows: Mapping[int, str]) -> list[tuple[str, ...]]:
    """Return the cells of ``ROSTER_HEADER`` for each follower, those most in need of a look first."""
    return [_roster_row(entry, now, shows) for entry in sorted(roster, key=_need_of_a_look)]


def _need_of_a_look(entry: RosterEntry) -> tuple[Any, ...]:
    tally = entry.tally
    if tally is None:
        return (not entry.lost, False, 0, 0, entry.name)
    return (
        not entry.lost,
        not _trouble(entry),
        _WORST_CLOCK_FIRST.index(tally.clock),
        -(tally.bound_ns or 0),
        entry.name,
    )


def _trouble(entry: RosterEntry) -> str:
    tally = entry.tally
    troubles = [
        (entry.lost, "not heard"),
        (entry.cloned, "two boards, one name"),
        (tally is not None and tally.content is ContentState.MISSING, "show missing"),
        (tally is not None and tally.content is ContentState.OTHER_EDITION, "other edition"),
        (tally is not None and tally.live_data, "live data as well"),
    ]
    return ", ".join(said for is_so, said in troubles if is_so)


def _roster_row(entry: RosterEntry, now: LocalInstant, shows: Mapping[int, str]) -> tuple[str, ...]:
    tally = entry.tally
    heard = f"{(now - entry.heard_at) // SECOND} s"
    if tally is None:
        return (entry.name, *[NOTHING] * 7, heard, _trouble(entry) or NOTHING)
    return (
        entry.name,
        word(tally.clock),
        _duration(tally.bound_ns),
        word(tally.cue_state),
        show_name(tally.show, shows),
        str(tally.frame),
        str(tally.late_frames),
        f"{tally.beacon_loss_permille / 1000:.1%}",
        heard,
        _trouble(entry) or NOTHING,
    )
