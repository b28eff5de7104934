"""A datagram taken apart for people: what the strict decoder says of it, and what each of its bytes is.

The decoder has the last word on whether a datagram is taken. What is shown beside it goes on where the decoder stops,
field by field through the tables of ``layout``, as far as anything can be told.
"""

from __future__ import annotations

import math
from enum import StrEnum
from typing import Any, Final, NamedTuple, NoReturn

import msgpack

from leadlight import wire
from leadlight.errors import WireError
from leadlight.terms import Kind
from leadlight.wire import (
    BEHIND,
    FIELDS,
    KEY_MINIMUM_BYTES,
    MEANINGS,
    TABLES,
    TAG_BYTES,
    UNKEYED_SLOT,
    Codec,
    Field,
    KeyRing,
    Meaning,
    Message,
    Part,
    value_in_words,
    word,
)

EXACT_IN_JSON: Final = (1 << 53) - 1
"""Readers that hold numbers as doubles keep no larger whole number exact; fields that can be larger are strings."""

_KINDS: Final = {int(kind): kind for kind in Kind}
_SLOT_AT: Final = 3
_GROUP_AT: Final = 4
_STAND_IN_GROUP: Final = "any"
_STAND_IN_KEY: Final = bytes(KEY_MINIMUM_BYTES)
_TAGGED_MINIMUM_BYTES: Final = wire.PREAMBLE_BYTES + TAG_BYTES


class TagCheck(StrEnum):
    """What is known of a datagram's tag."""

    NONE = "none"
    """Its key slot says that it carries none."""
    RIGHT = "right"
    WRONG = "wrong"
    NOT_CHECKED = "not checked"
    """There is no key here that would tell."""


class Reading(NamedTuple):
    """What a datagram is: its message, or why it is refused, and how its tag stands.

    ``kind`` and ``group``, the hash of a group's name, are what the preamble says. Where it is not this protocol's they
    are ``None``, and so is ``tag``.
    """

    kind: Kind | None
    group: bytes | None
    tag: TagCheck | None
    message: Message | None
    refused: WireError | None


class Row(NamedTuple):
    """A run of bytes, from ``start`` up to but not including ``end``: what it is and says, and what is wrong with it.

    ``field`` is the name in the specification's tables, behind those of the arrays around it: ``cue.state``,
    ``marks[0].age_ns``. ``value`` is the value as it was read, as text.
    """

    start: int
    end: int
    field: str
    value: str
    meaning: str
    trouble: str = ""


class Dissection(NamedTuple):
    """A datagram byte by byte.

    ``rows`` are its parts in order, without gaps. ``fields`` holds the message's values by name, in the units of the
    wire and nested as in the specification's vectors: numbers that can exceed 2⁵³ − 1 as text. Where the datagram is
    spoiled both go as far as can be told.
    """

    rows: tuple[Row, ...]
    fields: dict[str, Any]


class Dissector:
    """Reads datagrams as a member of a group does, or as any group's member would.

    ``group`` is the name of the group whose datagrams are taken; without one those of every group are. ``keys`` are
    what tags are checked with, and then nothing without a tag is taken, as by any member. Without keys a datagram with
    a tag is read as if its tag were right. Raises ``ConfigurationError`` for a group without a name.
    """

    def __init__(self, group: str | None = None, keys: KeyRing | None = None) -> None:
        name = _STAND_IN_GROUP if group is None else group
        self._group = group
        self._keys = keys
        self._codec = Codec(name, keys)
        self._stand_in_group = wire.group_hash(name)
        # For tags that nobody here can check: they are made anew under these.
        self._stand_ins = KeyRing(dict.fromkeys(range(1, 256), _STAND_IN_KEY))
        self._trusting = Codec(name, self._stand_ins)

    def read(self, data: bytes) -> Reading:
        """Return what the strict decoder makes of a datagram; raises nothing whatever the bytes."""
        tag = self.tag_check(data)
        codec, keys = self._codec, self._keys
        if keys is None and tag not in (None, TagCheck.NONE):
            codec, keys = self._trusting, self._stand_ins
        shown = data
        if len(data) > wire.PREAMBLE_BYTES:
            if self._group is None:
                shown = data[:_GROUP_AT] + self._stand_in_group + data[wire.PREAMBLE_BYTES :]
            if keys is not None and (tag is TagCheck.RIGHT or (tag is TagCheck.NOT_CHECKED and self._keys is None)):
                signed = shown[:-TAG_BYTES]
                shown = signed + keys.tag(data[_SLOT_AT], signed)
        kind, group = kind_of(data), group_of(data)
        try:
            return Reading(kind, group, tag, codec.decode(shown), None)
        except WireError as error:
            return Reading(kind, group, tag, None, error)

    def tag_check(self, data: bytes, length: int | None = None) -> TagCheck | None:
        """Return how the tag of a datagram stands, or ``None`` where it is not this protocol's.

        ``length`` is how many bytes it had when it was sent, where a capture cut it short.
        """
        if not _is_preamble(data):
            return None
        whole = len(data) if length is None else length
        slot = data[_SLOT_AT]
        if slot == UNKEYED_SLOT:
            return TagCheck.NONE
        if whole < _TAGGED_MINIMUM_BYTES:
            return TagCheck.WRONG  # there is no room for one
        if len(data) < whole or self._keys is None or slot not in self._keys:
            return TagCheck.NOT_CHECKED
        is_right = self._keys.verify(slot, data[:-TAG_BYTES], data[-TAG_BYTES:])
        return TagCheck.RIGHT if is_right else TagCheck.WRONG

    def dissect(self, data: bytes, length: int | None = None) -> Dissection:
        """Return a datagram byte by byte; raises nothing whatever the bytes.

        ``length`` is how many bytes it had when it was sent, where a capture cut it short.
        """
        whole = len(data) if length is None else length
        walk = _Walk(data)
        if self._preamble(walk, whole):
            slot = data[_SLOT_AT]
            has_tag = slot != UNKEYED_SLOT and whole >= _TAGGED_MINIMUM_BYTES
            body_end = whole - TAG_BYTES if has_tag else whole
            walk.body(_KINDS.get(data[2] & 0x0F), min(body_end, len(data)), is_cut=len(data) < body_end)
            if has_tag and len(data) == whole:
                check = self.tag_check(data)
                walk.row(body_end, whole, "tag", "", *self._tag_in_words(check, slot))
            elif has_tag and len(data) > body_end:
                walk.row(body_end, len(data), "tag", "", "", "cut short by the capture")
        return Dissection(tuple(walk.rows), walk.fields)

    def _preamble(self, walk: _Walk, whole: int) -> bool:
        """Tell the preamble; return whether what follows can be read."""
        data = walk.data
        if len(data) <= wire.PREAMBLE_BYTES:
            cut = "cut short by the capture" if len(data) < whole else "too short"
            walk.row(0, len(data), "", "", "", cut)
            return False
        if data[:2] == wire.MAGIC:
            walk.row(0, 2, "magic", "", "this protocol's")
        else:
            is_probe = data[:2] == wire.PROBE_MAGIC
            whose = "a probe's of `leadlight record`, no part of a show" if is_probe else "not this protocol's"
            walk.row(0, 2, "magic", "", "", f"{whose}; a show's is {wire.MAGIC.hex()}")
            walk.row(2, len(data), "", "", "not looked at")
            return False
        version, number = data[2] >> 4, data[2] & 0x0F
        is_known = version == wire.VERSION
        kind = word(_KINDS[number]).capitalize() if number in _KINDS else ""
        trouble = "" if number in _KINDS else "only kinds " + ", ".join(map(str, _KINDS)) + " are known"
        walk.row(
            2,
            3,
            "version and kind",
            f"{version}, {number}",
            f"version {version}" + (f", {kind}" if is_known and kind else ""),
            trouble if is_known else f"only version {wire.VERSION} is known",
        )
        if not is_known:
            walk.row(3, len(data), "", "", "not looked at")
            return False
        slot, group = data[_SLOT_AT], data[_GROUP_AT : wire.PREAMBLE_BYTES]
        walk.row(3, 4, "key slot", str(slot), *self._slot_in_words(slot, whole))
        meaning, trouble = "hash of the group's name", ""
        if self._group is not None:
            own = wire.group_hash(self._group)
            meaning = f"{meaning}: {self._group!r}" if group == own else meaning
            trouble = "" if group == own else f"not that of {self._group!r}, which is {own.hex()}"
        walk.row(_GROUP_AT, wire.PREAMBLE_BYTES, "group", "", meaning, trouble)
        if whole > wire.DATAGRAM_MAXIMUM_BYTES:
            most = f"{whole} bytes, at most {wire.DATAGRAM_MAXIMUM_BYTES}"
            walk.row(wire.PREAMBLE_BYTES, len(data), "", "", "not looked at", most)
            return False
        return True

    def _slot_in_words(self, slot: int, whole: int) -> tuple[str, str]:
        """Return what a key slot says, and what is wrong with it."""
        if slot == UNKEYED_SLOT:
            return "no tag", "" if self._keys is None else "without a tag, and there is a key"
        if whole < _TAGGED_MINIMUM_BYTES:
            return "", f"a tag, and no room for its {TAG_BYTES} bytes"
        is_known = self._keys is None or slot in self._keys
        return "a tag, under the key in this slot", "" if is_known else "no key here for this slot"

    def _tag_in_words(self, check: TagCheck | None, slot: int) -> tuple[str, str]:
        """Return what is said of a tag, and what is wrong with it."""
        if check is TagCheck.RIGHT:
            return f"right, under the key in slot {slot}", ""
        if check is TagCheck.WRONG:
            return "", f"wrong under the key in slot {slot}"
        return f"not checked: no key here{'' if self._keys is None else f' for slot {slot}'}", ""


def kind_of(data: bytes) -> Kind | None:
    """Return the kind that a preamble names, if it is one of this protocol's."""
    return _KINDS.get(data[2] & 0x0F) if _is_preamble(data) else None


def group_of(data: bytes) -> bytes | None:
    """Return the hash of a group's name that a preamble holds, if it is one of this protocol's."""
    return data[_GROUP_AT : wire.PREAMBLE_BYTES] if _is_preamble(data) else None


def _is_preamble(data: bytes) -> bool:
    return len(data) >= wire.PREAMBLE_BYTES and data[:2] == wire.MAGIC and data[2] >> 4 == wire.VERSION


_LATER = "appended by a later edition; ignored"
_AS_IF_ABSENT = "no {}: as if it were absent"


class _StopError(Exception):
    """The walk cannot go on: where the next value begins is not known."""


class _Walk:
    """Goes through a datagram from front to back and keeps what it finds."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.rows: list[Row] = []
        self.fields: dict[str, Any] = {}
        self._at = 0
        self._end = 0
        self._is_cut = False

    def row(self, start: int, end: int, field: str, value: str, meaning: str, trouble: str = "") -> None:
        self.rows.append(Row(start, end, field, value, meaning, trouble))

    def body(self, kind: Kind | None, end: int, *, is_cut: bool) -> None:
        """Tell the array behind the preamble. ``is_cut``: whether the capture lacks its end."""
        self._at, self._end, self._is_cut = wire.PREAMBLE_BYTES, end, is_cut
        try:
            table = "" if kind is None else TABLES[kind]
            self._message(table)
            if self._at < end:
                self.row(self._at, end, "", "", "", "left over behind the array")
        except _StopError:
            pass

    def _message(self, table: str) -> None:
        count = self._array("body", "", _needed(table))
        if count is None:
            return
        numbers, parts = FIELDS.get(table, ()), BEHIND.get(table, ())
        self._numbers(table, min(count, len(numbers)), self.fields, "")
        for part in parts[: max(0, count - len(numbers))]:
            self._part(part)
        known = len(numbers) + len(parts)
        meaning = _LATER if table else ""
        for index in range(known, count):
            self._unnamed(f"[{index}]", meaning)

    def _numbers(self, table: str, count: int, fields: dict[str, Any], path: str) -> None:
        """Tell the first ``count`` numbers of a table and put them into ``fields``."""
        for field in FIELDS.get(table, ())[:count]:
            self._number(field, MEANINGS[table][field.name], fields, path)

    def _number(self, field: Field, meaning: Meaning, fields: dict[str, Any], path: str) -> None:
        start, value = self._at, self._item(path + field.name, meaning.text)
        is_right = (value is None and field.optional) or (type(value) is int and field.low <= value <= field.high)
        said = value_in_words(meaning, value) if is_right else ""
        allowed = f"allowed {field.low} to {field.high}{' or nil' if field.optional else ''}"
        self.row(
            start,
            self._at,
            path + field.name,
            shown(value),
            f"{said}: {meaning.text}" if said else meaning.text,
            "" if is_right else allowed,
        )
        is_large = type(value) is int and field.high > EXACT_IN_JSON
        fields[field.name] = str(value) if is_large else for_json(value)

    def _part(self, part: Part) -> None:
        if part.type.startswith("truth"):
            start, value = self._at, self._item(part.name, part.text)
            is_right = type(value) is bool
            self.row(start, self._at, part.name, shown(value), part.text if is_right else _AS_IF_ABSENT.format("truth"))
            if value is True:
                self.fields[part.name] = True
        elif part.type in ("text", "binary"):
            self._leaf(part)
        elif part.type == "array or nil" and self._at < self._end and self.data[self._at] == 0xC0:
            self.row(self._at, self._at + 1, part.name, shown(None), part.text)
            self._at += 1
            self.fields[part.name] = None
        elif part.run:
            self._flat(part)
        else:
            needed = len(FIELDS[part.head])
            count = self._array(part.name, part.text, needed)
            if count is None:
                return
            inner = self.fields[part.name] = {}
            self._numbers(part.head, min(count, needed), inner, f"{part.name}.")
            for index in range(needed, count):
                if index == needed and part.head == "cue":
                    self._order(inner, f"{part.name}.")
                else:
                    self._unnamed(f"{part.name}[{index}]", _LATER)

    def _order(self, cue: dict[str, Any], path: str) -> None:
        """Tell a cue's order, which an earlier edition's cue lacks; what is no array there counts as none."""
        (part,) = BEHIND["cue"]
        first = self.data[self._at] if self._at < self._end else 0x90
        if first & 0xF0 != 0x90 and first not in (0xDC, 0xDD):
            self._unnamed(path + part.name, _AS_IF_ABSENT.format("array"))
            return
        count = self._array(path + part.name, part.text, 0) or 0
        self._numbers(part.head, min(count, 1), cue, path)
        for index in range(1, count):
            self._unnamed(f"{path}{part.name}[{index}]", _LATER)

    def _flat(self, part: Part) -> None:
        head = FIELDS.get(part.head, ())
        run = FIELDS[part.run]
        start = self._at
        count = self._array(part.name, part.text, 0)
        if count is None:
            return
        entries: list[dict[str, Any]] = []
        if head:
            inner: dict[str, Any] = {"radio": None, "doubt_us": 0, part.run_name: entries}
            self.fields[part.name] = inner
            if 0 < count < len(head):
                self._mark(start, f"{count} of {len(head)} numbers that come first")
            self._numbers(part.head, min(count, len(head)), inner, f"{part.name}.")
        else:
            self.fields[part.name] = entries
        repeated = max(0, count - len(head))
        if repeated % len(run) or repeated > part.most * len(run):
            self._mark(start, f"{repeated} numbers that repeat, allowed up to {part.most} times {len(run)}")
        for index in range(repeated):
            place, column = divmod(index, len(run))
            if column == 0:
                entries.append({})
            path = f"{part.name}.{part.run_name}" if part.run_name else part.name
            field = run[column]
            self._number(field, MEANINGS[part.run][field.name], entries[-1], f"{path}[{place}].")

    def _mark(self, start: int, trouble: str) -> None:
        """Say what is wrong with the array that begins at ``start``, once its numbers are counted."""
        index = next(index for index, row in enumerate(self.rows) if row.start == start)
        self.rows[index] = self.rows[index]._replace(trouble=trouble)

    def _leaf(self, part: Part) -> None:
        start, value = self._at, self._item(part.name, part.text)
        trouble = ""
        if part.type == "text" and isinstance(value, str):
            size = len(value.encode(errors="replace"))
            if not 1 <= size <= wire.NAME_MAXIMUM_BYTES or not value.isprintable():
                trouble = f"allowed 1 to {wire.NAME_MAXIMUM_BYTES} bytes of printable text"
            self.fields[part.name] = value
        elif part.type == "text" or not isinstance(value, bytes):
            trouble = f"not {part.type}"
        self.row(start, self._at, part.name, shown(value), part.text, trouble)

    def _unnamed(self, path: str, meaning: str) -> None:
        start, value = self._at, self._item(path, meaning)
        self.row(start, self._at, path, shown(value), meaning)

    # -- msgpack ---------------------------------------------------------------------------------------------------

    def _array(self, path: str, text: str, needed: int) -> int | None:
        """Tell an array's head and return how many values it holds, or ``None`` if there is no array."""
        start = self._at
        first = self.data[start] if start < self._end else None
        size_bytes = {0xDC: 2, 0xDD: 4}.get(first or 0, 0)
        if first is None or start + 1 + size_bytes > self._end:
            self._stop(path, text, "bytes are missing")
        if not size_bytes and first & 0xF0 != 0x90:
            value = self._item(path, text)
            self.row(start, self._at, path, shown(value), text, "not an array")
            return None
        self._at += 1 + size_bytes
        count = int.from_bytes(self.data[start + 1 : self._at], "big") if size_bytes else first & 0x0F
        trouble = ""
        if count > wire.ARRAY_MAXIMUM:
            trouble = f"at most {wire.ARRAY_MAXIMUM} values"
        elif count < needed:
            trouble = f"at least {needed} values"
        self.row(start, self._at, path, f"array of {count}", text, trouble)
        return count

    def _item(self, path: str, text: str) -> Any:
        """Return the next value and step behind it."""
        try:
            # The limits of the strict decoder, value by value: it reads the whole array at once.
            unpacker = msgpack.Unpacker(
                use_list=False,
                max_array_len=wire.ARRAY_MAXIMUM,
                max_map_len=0,
                max_ext_len=0,
                ext_hook=wire.refuse_extension,
                object_hook=wire.refuse_map,
            )
            unpacker.feed(self.data[self._at : self._end])
            value = unpacker.unpack()
            self._at += unpacker.tell()
        except msgpack.OutOfData:
            self._stop(path, text, "bytes are missing")
        except (ValueError, msgpack.UnpackException, RecursionError) as error:
            self._stop(path, text, f"cannot be read: {error}" if str(error) else "cannot be read")
        return value

    def _stop(self, path: str, text: str, trouble: str) -> NoReturn:
        if self._is_cut and trouble == "bytes are missing":
            trouble = "cut short by the capture"
        self.row(self._at, self._end, path, "", text, trouble)
        raise _StopError


def _needed(table: str) -> int:
    parts = [part for part in BEHIND.get(table, ()) if not part.type.endswith("may be absent")]
    return len(FIELDS.get(table, ())) + len(parts)


def shown(value: Any) -> str:
    """Return a value that msgpack holds as text for people, in which nothing can steer a terminal."""
    if value is None:
        return "nil"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, bytes):
        return f"{len(value)} bytes"
    if isinstance(value, tuple):
        return f"[{', '.join(map(shown, value))}]"
    return repr(value)  # of text, with what cannot be printed spelled out


def for_json(value: Any) -> Any:
    """Return a value that JSON can hold: binary as hexadecimal digits, what is no number there as text."""
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, tuple):
        return [for_json(part) for part in value]
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return value
