"""Reads a recording's file, whole or cut anywhere: all whole records before the cut count.

Whatever cannot be is refused with the file's name, the line and what is wrong with it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from leadlight.errors import FileError
from leadlight.recording.contents import GroupProbe, HostProbe, Load, Plan, RecordedHost, Recording
from leadlight.recording.records import FORMAT, FORMAT_KEY, INSTANT_LIMIT, Head

WHAT: Final = "recording"
FILE_MAXIMUM_BYTES: Final = 1 << 30
"""A day and night of a large group at the densest plan; more is no recording."""
NUMBER_MAXIMUM: Final = (1 << 32) - 1
LABEL_MAXIMUM: Final = 64
BEGINNING_BYTES: Final = 8192
"""The head and the record behind it fit into so many."""
KINDS: Final = ("sent", "answer", "told", "unsent", "host", "load", "paused", "end")
HEAD_IS_CUT: Final = (
    "the recording's first line, which says what was recorded and how, is missing or cut here; "
    "copy the file again from where it was recorded, or record again"
)


def is_recording(path: str | Path) -> bool:
    """Return whether a file begins as a recording does, or as one whose first line is missing or cut.

    ``FileError`` if it cannot be read.
    """
    try:
        with Path(path).open("rb") as file:
            beginning = file.read(BEGINNING_BYTES)
    except OSError as error:
        raise FileError(WHAT, str(path), error.strerror or str(error)) from None
    return beginning.lstrip().startswith(b'{"' + FORMAT_KEY.encode()) or _has_records(beginning.split(b"\n"))


def _has_records(lines: list[bytes]) -> bool:
    # Whatever became of the first line, it or the second is a record as it is written.
    return any(line.startswith(b'{"' + kind.encode() + b'":') for line in lines[:2] for kind in KINDS)


def read_recording(path: str | Path) -> Recording:
    """Return what a recording's file holds. Raises ``FileError`` naming the file, the line and what is wrong."""
    try:
        size = Path(path).stat().st_size
        if size > FILE_MAXIMUM_BYTES:
            raise FileError(WHAT, str(path), f"{size} bytes are too long for a recording")
        content = Path(path).read_bytes()
    except OSError as error:
        raise FileError(WHAT, str(path), error.strerror or str(error)) from None
    return parse_recording(content, str(path))


def parse_recording(content: bytes, name: str = "recording") -> Recording:
    """Return what the bytes of a file hold; ``name`` names it in the ``FileError``."""
    # What a power cut leaves: half a line, or zeros where the disk was promised more than it got.
    lines = content.rstrip(b"\0").split(b"\n")[:-1]
    if not lines:
        raise FileError(WHAT, name, "no whole record in it: nothing was recorded, or it is another file")
    reader = _Reader()
    for number, line in enumerate(lines, 1):
        try:
            reader.take(line, is_first=number == 1)
        except _NoHead as wrong:
            told = HEAD_IS_CUT if _has_records(lines) else wrong
            raise FileError(WHAT, name, f"line 1: {told}") from None
        except _Wrong as wrong:
            raise FileError(WHAT, name, f"line {number}: {wrong}") from None
    return reader.result()


class _Wrong(Exception):  # noqa: N818 - it never leaves this module
    pass


class _NoHead(_Wrong):
    pass


class _Reader:
    """Puts the records together."""

    def __init__(self) -> None:
        self._head: Head | None = None
        self._hosts: dict[str, RecordedHost] = {}
        self._group: dict[int, GroupProbe] = {}
        self._probes: dict[str, dict[int, HostProbe]] = {}
        self._not_left: set[tuple[str | None, int]] = set()
        """Whoever says that he heard one of these is wrong: nothing counts of them."""
        self._known_until: dict[str, int] = {}
        self._loads: list[Load] = []
        self._paused_at: list[int] = []
        self._ended: str | None = None
        self._last_at = 0
        takes = (
            self._sent, self._answer, self._told, self._unsent, self._host, self._load, self._paused, self._end
        )  # fmt: skip
        self._takes = dict(zip(KINDS, takes, strict=True))

    def take(self, line: bytes, is_first: bool) -> None:
        try:
            found = json.loads(line)
        except (ValueError, RecursionError):
            if is_first:
                raise _NoHead("not a recording of `leadlight record`") from None
            raise _Wrong("no JSON") from None
        if is_first:
            if not isinstance(found, dict) or FORMAT_KEY not in found:
                raise _NoHead("not a recording of `leadlight record`")
            self._head = _head(found)
            return
        if not isinstance(found, dict):
            raise _Wrong("no object")
        if self._ended is not None:
            raise _Wrong("a record behind the end")
        # A kind of record that a later edition has added is passed over.
        take = self._takes.get(next(iter(found), ""))
        if take is not None:
            take(found)

    def result(self) -> Recording:
        assert self._head is not None
        return Recording(
            begun_at=self._head.begun_at,
            written_by=self._head.written_by,
            prober=self._head.prober,
            plan=self._head.plan,
            hosts=tuple(self._hosts.values()),
            group=tuple(self._group.values()),
            probes={label: tuple(probes.values()) for label, probes in self._probes.items()},
            known_until=self._known_until,
            loads=tuple(self._loads),
            paused_at=tuple(self._paused_at),
            ended=self._ended,
            length_ns=self._last_at,
        )

    # -- records -----------------------------------------------------------------------------------------------------

    def _sent(self, found: Mapping[str, Any]) -> None:
        number, at = _number(found, "sent"), _instant(found, "at")
        probes: dict[int, Any] = self._group if found.get("to") is None else self._probes[self._label(found, "to")]
        if number in probes:
            raise _Wrong(f"probe {number} was sent before")
        if probes and at < next(reversed(probes.values())).sent_at:
            raise _Wrong(f"at: {at} is before the probe before it")
        probes[number] = GroupProbe(number, at) if probes is self._group else HostProbe(number, at)
        self._last_at = max(self._last_at, at)

    def _unsent(self, found: Mapping[str, Any]) -> None:
        number = _number(found, "unsent")
        probes: dict[int, Any] = self._group if found.get("to") is None else self._probes[self._label(found, "to")]
        if probes.pop(number, None) is None:
            raise _Wrong(f"probe {number} was never sent")
        self._not_left.add((found.get("to"), number))

    def _answer(self, found: Mapping[str, Any]) -> None:
        label, number = self._label(found, "from"), _number(found, "answer")
        if (label, number) in self._not_left:
            return
        probe = self._probe(label, number)
        heard_at, left_at, came_at = (_instant(found, key) for key in ("heard", "left", "came"))
        if left_at < heard_at:
            raise _Wrong(f"left: {left_at} is before heard, {heard_at}")
        if came_at < probe.sent_at:
            raise _Wrong(f"came: {came_at} is before the probe was sent, {probe.sent_at}")
        if probe.came_at is None:
            probe.heard_at, probe.answered_at, probe.came_at = heard_at, left_at, came_at

    def _told(self, found: Mapping[str, Any]) -> None:
        label = self._label(found, "told")
        for number, at in _pairs(found, "group"):
            group_probe = self._group.get(number)
            if group_probe is not None:
                group_probe.heard.setdefault(label, at)
            elif (None, number) not in self._not_left:
                raise _Wrong(f"group: probe {number} was never sent")
        for number, at in _pairs(found, "probes"):
            if (label, number) in self._not_left:
                continue
            probe = self._probe(label, number)
            if probe.heard_at is None:
                probe.heard_at = at
        if found.get("until") is not None:
            self._known_until[label] = max(self._known_until.get(label, -1), _instant(found, "until"))

    def _host(self, found: Mapping[str, Any]) -> None:
        host = _host(found)
        if host.label in self._hosts or (self._head is not None and host.label == self._head.prober.label):
            raise _Wrong(f"host: {host.label!r} is there already")
        self._hosts[host.label] = host
        self._probes[host.label] = {}

    def _load(self, found: Mapping[str, Any]) -> None:
        assert self._head is not None
        label = found.get("of")
        if label != self._head.prober.label:
            label = self._label(found, "of")
        self._loads.append(Load(label, _instant(found, "at"), _number(found, "load")))

    def _paused(self, found: Mapping[str, Any]) -> None:
        self._paused_at.append(_instant(found, "paused"))

    def _end(self, found: Mapping[str, Any]) -> None:
        self._ended = _text(found, "end")
        _instant(found, "at")

    def _label(self, found: Mapping[str, Any], key: str) -> str:
        label = _text(found, key)
        if label not in self._hosts:
            raise _Wrong(f"{key}: there is no host {label!r} above")
        return label

    def _probe(self, label: str, number: int) -> HostProbe:
        probe = self._probes[label].get(number)
        if probe is None:
            raise _Wrong(f"probe {number} was never sent to {label!r}")
        return probe


# -- fields ----------------------------------------------------------------------------------------------------------


def _whole(found: Mapping[str, Any], key: str, low: int, high: int) -> int:
    value = found.get(key)
    if type(value) is not int or not low <= value <= high:
        raise _Wrong(f"{key}: {_shown(value)} is not allowed; allowed: a whole number from {low} to {high}")
    return value


def _number(found: Mapping[str, Any], key: str) -> int:
    return _whole(found, key, 0, NUMBER_MAXIMUM)


def _instant(found: Mapping[str, Any], key: str) -> int:
    return _whole(found, key, -INSTANT_LIMIT, INSTANT_LIMIT)


def _pairs(found: Mapping[str, Any], key: str) -> list[tuple[int, int]]:
    pairs = found.get(key, [])
    if not isinstance(pairs, list) or not all(isinstance(pair, list) and len(pair) == 2 for pair in pairs):
        raise _Wrong(f"{key}: {_shown(pairs)} is not allowed; allowed: a list of numbers with their instants")
    named = [{"number": number, key: at} for number, at in pairs]
    return [(_number(pair, "number"), _instant(pair, key)) for pair in named]


def _text(found: Mapping[str, Any], key: str) -> str:
    value = found.get(key)
    if not isinstance(value, str) or not 0 < len(value) <= LABEL_MAXIMUM or not value.isprintable():
        raise _Wrong(f"{key}: {_shown(value)} is not allowed; allowed: 1 to {LABEL_MAXIMUM} printable characters")
    return value


def _flag_or_none(found: Mapping[str, Any], key: str) -> bool | None:
    value = found.get(key)
    if value is not None and not isinstance(value, bool):
        raise _Wrong(f"{key}: {_shown(value)} is not allowed; allowed: true, false or null")
    return value


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _host(found: Mapping[str, Any]) -> RecordedHost:
    stamps = found.get("stamps")
    if stamps not in ("kernel", "program"):
        raise _Wrong(f'stamps: {_shown(stamps)} is not allowed; allowed: "kernel" or "program"')
    return RecordedHost(
        label=_text(found, "host"),
        joined_at=_instant(found, "at"),
        is_stamped=stamps == "kernel",
        is_wireless=_flag_or_none(found, "wireless"),
        saves_power=_flag_or_none(found, "saves_power"),
        signal_dbm=None if found.get("signal_dbm") is None else _whole(found, "signal_dbm", -128, 127),
    )


def _head(found: Mapping[str, Any]) -> Head:
    if found[FORMAT_KEY] != FORMAT:
        raise _Wrong(f"format {_shown(found[FORMAT_KEY])}; this edition reads format {FORMAT}")
    try:
        begun_at = datetime.fromisoformat(_text(found, "begun")).astimezone(UTC)
    except (ValueError, OverflowError, OSError):  # the last two where the system cannot reckon so far
        raise _Wrong(f"begun: {_shown(found.get('begun'))} is not allowed; allowed: a date and time") from None
    prober, plan = found.get("prober"), found.get("plan")
    if not isinstance(prober, dict) or not isinstance(plan, dict):
        raise _Wrong("prober or plan is missing from the head")
    return Head(begun_at, _text(found, "by"), _host(prober), _plan(plan))


def _plan(found: Mapping[str, Any]) -> Plan:
    values: dict[str, Any] = {}
    for one in fields(Plan):
        if one.name == "dither_share":
            share = found.get(one.name)
            if type(share) not in (int, float) or not 0 <= share <= 0.5:  # type: ignore[operator]
                raise _Wrong(f"{one.name}: {_shown(share)} is not allowed; allowed: 0 to 0.5")
            values[one.name] = share
        else:
            values[one.name] = _whole(found, one.name, 1, INSTANT_LIMIT)
    return Plan(**values)
