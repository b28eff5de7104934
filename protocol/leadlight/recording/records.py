"""The lines of a recording's file, one record each: made while it is recorded, and read again in the same order.

The file is described for people in ``protocol/RECORDING.md``. Every record is a JSON object on a line of its own; its
first key says which it is.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any, Final, NamedTuple, TypeAlias

from leadlight.recording.contents import Load, Plan, RecordedHost

FORMAT_KEY: Final = "leadlight_recording"
FORMAT: Final = 1
"""A later one is another file altogether; what is only added to this one is passed over by who does not know it."""

INSTANT_LIMIT: Final = 1 << 53
"""No instant of a record is further from 0: a hundred days in ns, and what other languages read from JSON whole."""


class Head(NamedTuple):
    """The first record."""

    begun_at: datetime
    written_by: str
    prober: RecordedHost
    plan: Plan


class Sent(NamedTuple):
    """A probe has left, to the host of a label, or to the group for ``None``."""

    number: int
    to: str | None
    at: int


class Unsent(NamedTuple):
    """It has not left after all: the socket or the interface refused it."""

    number: int
    to: str | None


class Answered(NamedTuple):
    """A host's answer to a probe of its own has come."""

    number: int
    label: str
    heard_at: int
    answered_at: int
    came_at: int


class Told(NamedTuple):
    """What a host tells of probes that it heard: number and instant of each, by its clock.

    ``until``: it has told of all that was sent before this instant of the prober's, and was to be heard.
    """

    label: str
    group: tuple[tuple[int, int], ...]
    probes: tuple[tuple[int, int], ...]
    until: int | None


class Paused(NamedTuple):
    """The prober's host was suspended, and is found awake at this instant."""

    at: int


class Ended(NamedTuple):
    """The last record: by what it ended, and when."""

    by: str
    at: int


Record: TypeAlias = Head | RecordedHost | Sent | Unsent | Answered | Told | Load | Paused | Ended


def to_line(record: Record) -> bytes:
    """Return a record as a line of the file, its end included."""
    return json.dumps(_to_json(record), ensure_ascii=False, separators=(",", ":")).encode() + b"\n"


def _to_json(record: Record) -> Mapping[str, Any]:
    match record:
        case Sent(number, to, at):
            return {"sent": number, "at": at} if to is None else {"sent": number, "to": to, "at": at}
        case Answered(number, label, heard_at, answered_at, came_at):
            return {"answer": number, "from": label, "heard": heard_at, "left": answered_at, "came": came_at}
        case Told(label, group, probes, until):
            told = {"told": label, "group": group, "probes": probes, "until": until}
            return {key: value for key, value in told.items() if value not in ((), None)}
        case Load(label, at, percent):
            return {"load": percent, "of": label, "at": at}
        case Unsent(number, to):
            return {"unsent": number} if to is None else {"unsent": number, "to": to}
        case RecordedHost():
            return _host_to_json(record)
        case Paused(at):
            return {"paused": at}
        case Ended(by, at):
            return {"end": by, "at": at}
        case Head(begun_at, written_by, prober, plan):
            return {
                FORMAT_KEY: FORMAT,
                "begun": begun_at.astimezone(UTC).isoformat(timespec="seconds"),
                "by": written_by,
                "prober": _host_to_json(prober),
                "plan": asdict(plan),
            }


def _host_to_json(host: RecordedHost) -> Mapping[str, Any]:
    return {
        "host": host.label,
        "at": host.joined_at,
        "stamps": "kernel" if host.is_stamped else "program",
        "wireless": host.is_wireless,
        "saves_power": host.saves_power,
        "signal_dbm": host.signal_dbm,
    }
