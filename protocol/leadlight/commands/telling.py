"""Events and states in words for people, and as JSON for scripts."""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Collection, Mapping
from dataclasses import fields
from enum import Enum
from typing import Any, Final

from leadlight.commands.troubles import REMEDIES, UNHEARD, WORST_FIRST, troubles_of, unheard_since
from leadlight.cue import NO_SHOW, Cue
from leadlight.events import (
    CopiesFull,
    CueContradicted,
    Event,
    FollowerCloned,
    LeaderCloned,
    RosterFull,
    RosterSilent,
    SecondSourceReported,
)
from leadlight.follower import Snapshot
from leadlight.leader import Leader, RosterEntry
from leadlight.terms import ClockState, ContentState, Delivery, Refusal, Role
from leadlight.units import SECOND, LocalInstant, describe
from leadlight.wire import word

NOTHING = "–"
_EVER: Final = LocalInstant(0)

FOLLOWER_HEADER = ("piece", "clock", "offset", "bound", "cue", "show", "frame", "group loss")
FOLLOWER_NEWS = (1, 4, 5)
"""The columns whose change is news; the others flicker."""

ROSTER_HEADER = (
    "piece",
    "heard",
    "clock",
    "bound",
    "group loss",
    "cue",
    "show",
    "content",
    "frame",
    "late",
    "sent to",
    "trouble",
)
ROSTER_NEWS = tuple(ROSTER_HEADER.index(column) for column in ("clock", "cue", "show", "content", "sent to", "trouble"))

# What an operator has to look at first comes first.
_WORST_CLOCK_FIRST = (ClockState.FREE_RUN, ClockState.HOLDOVER, ClockState.ACQUIRING, ClockState.LOCKED)


_REMEDIES: dict[type[Event], str] = {
    CueContradicted: "it has not shown the cue for ten seconds: does another leader reach it?",
    RosterSilent: "they may follow another leader: look at one of them, and at whoever else is on this network",
    RosterFull: "give the leader a larger --roster-limit, or look for who else reports to it",
    CopiesFull: "give the leader a larger --copies-limit, or an access point that carries what goes to the group",
    FollowerCloned: "two boards have this name, which no board can share: give one of them another --name",
    LeaderCloned: "another board leads under this node's own name: give one of them another --name",
    SecondSourceReported: REMEDIES["live data as well"],
}


def wall_now() -> datetime.datetime:
    """Return what this host's wall clock shows, in its own zone."""
    return datetime.datetime.now(datetime.UTC).astimezone()


def stamped(line: str, wall_at: datetime.datetime) -> str:
    """Return a line with its time of day, for a file or a pipe that is read later."""
    return f"{wall_at:%Y-%m-%d %H:%M:%S} {line}"


def json_line(wall_at: datetime.datetime, content: Mapping[str, Any]) -> str:
    """Return one line of JSON that begins with its time in UTC."""
    utc = wall_at.astimezone(datetime.UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
    return json.dumps({"utc": utc, **content})


def event_as_json(event: Event, shows: Mapping[int, str]) -> dict[str, Any]:
    """Return an event as JSON takes it: its name under ``event``, then its fields; cues as objects."""
    told: dict[str, Any] = {"event": type(event).__name__}
    for field in fields(event):
        value = getattr(event, field.name)
        if isinstance(value, Cue):
            told[field.name] = cue_as_json(value, shows)
        elif field.name == "show":
            told |= show_as_json(value, shows)
        else:
            told[field.name] = word(value) if isinstance(value, Enum) else value
    return told


def cue_as_json(cue: Cue, shows: Mapping[int, str]) -> dict[str, Any]:
    """Return a cue as JSON takes it."""
    return {**show_as_json(cue.show, shows), "state": word(cue.state), **cue.line._asdict()}


def show_as_json(key: int, shows: Mapping[int, str]) -> dict[str, str]:
    """Return a show's key, and its name where that is known here.

    A key is sixteen hexadecimal digits: a number would not survive a reader that takes numbers for doubles.
    """
    return {"show": f"{key:016x}"} | ({"show_name": shows[key]} if key in shows else {})


def event_in_words(event: Event, shows: Mapping[int, str]) -> str:
    """Return an event as a short line; ``shows`` gives shows' names by key."""
    name = re.sub(r"(?<!^)(?=[A-Z])", " ", type(event).__name__).lower()
    told = [
        f"{field.name.removesuffix('_ns').replace('_', ' ')} {_in_words(field.name, getattr(event, field.name), shows)}"
        for field in fields(event)
        if field.name not in ("at", "takes_effect_at", "off_at")
    ]
    said = f"{name}: {', '.join(told)}" if told else name
    return f"{said}; {_REMEDIES[type(event)]}" if type(event) in _REMEDIES else said


def _in_words(name: str, value: Any, shows: Mapping[int, str]) -> str:
    if isinstance(value, Cue):
        return f"{word(value.state)} {show_name(value.show, shows)}"
    if name == "show":
        return show_name(value, shows)
    if name.endswith("_ns") or name == "position":
        return describe(value)
    if name in ("count", "limit"):
        return str(value)
    if isinstance(value, Enum):
        return word(value)
    if isinstance(value, tuple):
        return " and ".join(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return f"{value:08x}"
    return str(value)


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


_DOING = {
    Role.LISTENING: "listens, before it leads",
    Role.STANDBY: "stands by in",
    Role.ASKING: "misses the leader of",
    Role.LEADING: "leads",
}


def leader_doing(leader: Leader, group: str) -> str:
    """Return what a node that can lead does."""
    return f"{leader.settings.name} {_DOING[leader.role]} {group}"


def unheard_news(group: str, leader: str | None, refused: Mapping[str, int]) -> str:
    """Return what to look at where a follower hears no leader; ``leader`` is the HOST:PORT that it asks, if any.

    ``refused`` counts what was heard and not taken, by cause.
    """
    if leader is None:
        said = f"no leader of {group} is heard: is one running, on this network and this interface?"
    else:
        port = leader.rpartition(":")[2]
        said = f"no answer from {leader}: does a leader of {group} run there, with --own-port {port} and the same key?"
    told = ", ".join(f"{refused[cause]} {cause}" for cause in map(str, Refusal) if refused.get(cause))
    return f"{said} Heard and refused: {told}" if told else said


def missing_news(key: int, shows: Mapping[int, str], held: str) -> str:
    """Return what may be wrong where a follower lacks the show of this key; ``shows`` are those it was told of.

    ``held`` says of which edition those are, or by what they were told.
    """
    if not shows:
        return "no show is held here: --show and --edition, or --manifest and --content, say which are"
    if key in shows:
        return f"the part of {shows[key]} that is held here is missing or another one: see `leadlight manifest check`"
    names = ", ".join(dict.fromkeys(shows.values()))
    return f"known here {held}: {names}; if it is one of these, its --edition or manifest is another at the leader"


def role_news(role: Role, previous: Role, group: str, ordered: str = "", *, is_to_come: bool = False) -> list[str]:
    """Return what a change of role means, a line each, for a leader that ``ordered`` a show, as in "Embers for 17:00".

    ``is_to_come``: whether that time is still ahead, and the order kept.
    """
    told: list[str] = []
    if role is Role.STANDBY and previous is Role.LISTENING:
        told.append(f"another leads {group} already: what it leads goes on, and this node leads if it falls silent")
    elif role is Role.STANDBY and previous is Role.LEADING:
        told.append(f"a leader that outranks this one leads {group} now: what it leads is in force everywhere")
        told.append("the lower --rank outranks the other; if nobody of yours started it, give the group a key")
    if role is Role.STANDBY and previous in (Role.LISTENING, Role.LEADING) and ordered:
        kept = "begins if this node leads by then" if is_to_come else "no longer in force here, as another leads"
        told.append(f"{ordered}: {kept}")
    elif role is Role.LEADING and previous is not Role.LISTENING and ordered and not is_to_come:
        told.append(f"{ordered}: that was while another led; what was in force goes on")
    return told


def leader_rows(leader: Leader, now: LocalInstant, shows: Mapping[int, str]) -> list[tuple[str, ...]]:
    """Return the cells of ``ROSTER_HEADER`` for each of a leader's followers, those most in need of a look first."""
    to_group = leader.settings.delivery is not Delivery.COPIES
    group = "group" if to_group else NOTHING
    copied = leader.served_copies
    sent_to = {entry.follower: "copies" if entry.follower in copied else group for entry in leader.roster}
    since = unheard_since(leader, now)
    return roster_rows(list(leader.roster), now, shows, sent_to, since, leader.not_stopped, to_group=to_group)


def roster_rows(
    roster: list[RosterEntry],
    now: LocalInstant,
    shows: Mapping[int, str],
    sent_to: Mapping[int, str] | None = None,
    since: LocalInstant = _EVER,
    not_stopped: Collection[str] = (),
    *,
    to_group: bool = True,
) -> list[tuple[str, ...]]:
    """Return the cells of ``ROSTER_HEADER`` for each follower, those most in need of a look first.

    ``sent_to`` says by follower's id how beacons reach it. One not heard ``since`` is in trouble, and so are those
    ``not_stopped`` names, that have not confirmed a stop. ``to_group`` says whether beacons go to the group at all,
    else there is nothing to lose of them.
    """
    ways = sent_to or {}
    told = [(entry, troubles_of(entry, since, not_stopped)) for entry in roster]
    told.sort(key=_need_of_a_look)
    rows = [
        _roster_row(entry, ", ".join(troubles), ways.get(entry.follower, NOTHING), now, shows)
        for entry, troubles in told
    ]
    if to_group:
        return rows
    loss = ROSTER_HEADER.index("group loss")
    return [(*row[:loss], NOTHING, *row[loss + 1 :]) for row in rows]


def _need_of_a_look(told: tuple[RosterEntry, list[str]]) -> tuple[Any, ...]:
    entry, troubles = told
    tally = entry.tally
    is_heard = UNHEARD not in troubles
    worst = min((WORST_FIRST.index(trouble) for trouble in troubles), default=len(WORST_FIRST))
    if tally is None:
        return (is_heard, 0, 0, 0, 0, entry.name)
    return (
        is_heard,
        worst,
        _WORST_CLOCK_FIRST.index(tally.clock),
        -(tally.bound_ns or 0),
        -tally.beacon_loss_permille,
        entry.name,
    )


def _roster_row(
    entry: RosterEntry, trouble: str, sent_to: str, now: LocalInstant, shows: Mapping[int, str]
) -> tuple[str, ...]:
    tally = entry.tally
    heard = f"{(now - entry.heard_at) // SECOND} s"
    if tally is None:
        return (entry.name, heard, *[NOTHING] * 8, sent_to, trouble or NOTHING)
    return (
        entry.name,
        heard,
        word(tally.clock),
        _duration(tally.bound_ns),
        f"{tally.beacon_loss_permille / 1000:.1%}",
        word(tally.cue_state),
        show_name(tally.show, shows),
        NOTHING if tally.content is ContentState.UNKNOWN else word(tally.content),
        str(tally.frame),
        str(tally.late_frames),
        sent_to,
        trouble or NOTHING,
    )
