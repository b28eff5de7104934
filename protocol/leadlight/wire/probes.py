"""Probes and their answers: the datagrams by which a network is recorded, and no part of a show.

They are framed as a show's datagrams are, with another magic, and go to another port: no node of a show ever takes one
for anything. Every one is ``PROBE_BYTES`` long, its tag apart. That is about a beacon, so that what a network does to
them is what it does to a show's. Nobody is sent more bytes than were sent in his name.
"""

from __future__ import annotations

from enum import IntEnum
from itertools import chain
from typing import Any, Final, NamedTuple, TypeAlias

from leadlight.errors import MessageError, WireError
from leadlight.terms import Refusal
from leadlight.units import INSTANT_MAXIMUM
from leadlight.wire.codec import NAME_MAXIMUM_BYTES
from leadlight.wire.framing import U16, U32, Field, Framing, Packer, compile_check
from leadlight.wire.tags import TAG_BYTES, KeyRing

PROBE_MAGIC: Final = b"\xc4\x9d"
PROBE_BYTES: Final = 112
"""The typical beacon's, and what a host's account of five probes or more has room in."""
ENTRIES_MAXIMUM: Final = 16


class ProbeKind(IntEnum):
    """What a probe's datagram is, by the number on the wire."""

    CALL = 1
    GROUP_PROBE = 2
    HOST_PROBE = 3
    PRESENCE = 4
    ANSWER = 5


class Call(NamedTuple):
    """Prober to the group: who is there for this recording?"""

    recording: int


class GroupProbe(NamedTuple):
    """Prober to the group: a probe that counts."""

    recording: int
    number: int


class HostProbe(NamedTuple):
    """Prober to one host: a probe to be answered. ``known``: how many entries of its account have come."""

    recording: int
    number: int
    instance: int
    known: int


class Presence(NamedTuple):
    """Host to prober: what it is called, empty for nothing, and what it is like; ``None`` for what it cannot tell."""

    recording: int
    instance: int
    is_stamped: int
    is_wireless: int | None
    saves_power: int | None
    signal_dbm: int | None
    label: str


class Entry(NamedTuple):
    """One probe that a host heard: its own or the group's, its number, and how long before the answered one, in ns."""

    is_own: int
    number: int
    age_ns: int


class Answer(NamedTuple):
    """Host to prober, at once: when it heard the probe and sent this, by its clock, and more of its account.

    ``first`` is the place of the first of ``entries`` in the account, which has ``total`` of them so far.
    """

    recording: int
    instance: int
    number: int
    heard_at: int
    sent_at: int
    load_percent: int | None
    first: int
    total: int
    entries: tuple[Entry, ...] = ()


ProbeMessage: TypeAlias = Call | GroupProbe | HostProbe | Presence | Answer

CALL_FIELDS: Final = (Field("recording", 1, U32),)
GROUP_PROBE_FIELDS: Final = (*CALL_FIELDS, Field("number", 0, U32))
HOST_PROBE_FIELDS: Final = (*GROUP_PROBE_FIELDS, Field("instance", 1, U32), Field("known", 0, U32))
PRESENCE_FIELDS: Final = (
    Field("recording", 1, U32),
    Field("instance", 1, U32),
    Field("is_stamped", 0, 1),
    Field("is_wireless", 0, 1, optional=True),
    Field("saves_power", 0, 1, optional=True),
    Field("signal_dbm", -128, 127, optional=True),
)
ANSWER_FIELDS: Final = (
    Field("recording", 1, U32),
    Field("instance", 1, U32),
    Field("number", 0, U32),
    Field("heard_at", 0, INSTANT_MAXIMUM),
    Field("sent_at", 0, INSTANT_MAXIMUM),
    Field("load_percent", 0, U16, optional=True),
    Field("first", 0, U32),
    Field("total", 0, U32),
)
ENTRY_FIELDS: Final = (
    Field("is_own", 0, 1),
    Field("number", 0, U32),
    Field("age_ns", -INSTANT_MAXIMUM, INSTANT_MAXIMUM),
)

PROBE_TABLES: Final = {
    Call: (ProbeKind.CALL, CALL_FIELDS),
    GroupProbe: (ProbeKind.GROUP_PROBE, GROUP_PROBE_FIELDS),
    HostProbe: (ProbeKind.HOST_PROBE, HOST_PROBE_FIELDS),
    Presence: (ProbeKind.PRESENCE, PRESENCE_FIELDS),
    Answer: (ProbeKind.ANSWER, ANSWER_FIELDS),
}
_CHECKS: Final = {kind: compile_check(fields) for kind, fields in PROBE_TABLES.values()}
_check_entry: Final = compile_check(ENTRY_FIELDS)


def _packer(message_type: type) -> Packer:
    kind, fields = PROBE_TABLES[message_type]
    count = len(fields)

    def pack(message: tuple[Any, ...]) -> tuple[int, tuple[Any, ...]]:
        scalars = message[:count]
        _CHECKS[kind](scalars)
        return kind, (*scalars, *_behind(kind, message[count:]), b"")

    return pack


def _behind(kind: ProbeKind, rest: tuple[Any, ...]) -> tuple[Any, ...]:
    """Return what stands between the numbers and the padding, as it goes on the wire."""
    if kind is ProbeKind.PRESENCE:
        _check_label(rest[0])
        return rest
    if kind is ProbeKind.ANSWER:
        (entries,) = rest
        for entry in entries:
            _check_entry(entry)
        if len(entries) > ENTRIES_MAXIMUM:
            raise WireError(Refusal.OUT_OF_RANGE, f"{len(entries)} entries, allowed {ENTRIES_MAXIMUM}")
        return (tuple(chain.from_iterable(entries)),)
    return ()


def _reader(message_type: Any) -> Any:
    kind, fields = PROBE_TABLES[message_type]
    count = len(fields)
    behind = count + (kind in (ProbeKind.PRESENCE, ProbeKind.ANSWER))

    def read(values: tuple[Any, ...]) -> Any:
        if len(values) <= behind:
            raise WireError(Refusal.MALFORMED, f"{len(values)} fields, at least {behind + 1}")
        _CHECKS[kind](values)
        if type(values[behind]) is not bytes:
            raise WireError(Refusal.MALFORMED, "padding is not binary")
        if kind is ProbeKind.PRESENCE:
            _check_label(values[count])
            return message_type(*values[: count + 1])
        if kind is ProbeKind.ANSWER:
            return message_type(*values[:count], _read_entries(values[count]))
        return message_type(*values[:count])

    return read


def _check_label(label: Any) -> None:
    if type(label) is not str:
        raise WireError(Refusal.MALFORMED, "a label is not text")
    if len(label.encode(errors="replace")) > NAME_MAXIMUM_BYTES or (label and not label.isprintable()):
        raise WireError(Refusal.OUT_OF_RANGE, f"label is {label!r}, allowed 0 to {NAME_MAXIMUM_BYTES} printable bytes")


def _read_entries(values: Any) -> tuple[Entry, ...]:
    if type(values) is not tuple:
        raise WireError(Refusal.MALFORMED, "entries is not an array")
    count, rest = divmod(len(values), len(ENTRY_FIELDS))
    if rest or count > ENTRIES_MAXIMUM:
        raise WireError(Refusal.OUT_OF_RANGE, f"entries has {len(values)} numbers, allowed up to {ENTRIES_MAXIMUM} × 3")
    entries = [values[3 * place : 3 * place + 3] for place in range(count)]
    for entry in entries:
        _check_entry(entry)
    return tuple(Entry(*entry) for entry in entries)


class ProbeCodec(Framing[ProbeMessage]):
    """Encodes and decodes the probes that record the network of one group; arguments and errors as for ``Framing``."""

    def __init__(self, group: str, keys: KeyRing | None = None) -> None:
        packers = {message_type: _packer(message_type) for message_type in PROBE_TABLES}
        readers = {int(kind): _reader(message_type) for message_type, (kind, _) in PROBE_TABLES.items()}
        super().__init__(group, keys, PROBE_MAGIC, packers, readers, dict.fromkeys(ProbeKind, PROBE_BYTES))
        self._bytes = PROBE_BYTES + (0 if keys is None else TAG_BYTES)

    def decode_probe(self, data: bytes) -> ProbeMessage:
        """Return the message in a datagram; ``WireError`` as for ``decode``, and for one that is too short."""
        message = self.decode(data)
        if len(data) < self._bytes:
            raise WireError(Refusal.TOO_SHORT, f"{len(data)} bytes, at least {self._bytes}")
        return message

    def answer(self, answer: Answer, entries: list[Entry]) -> bytes:
        """Return the datagram of an answer with as many of its account's next ``entries`` as there is room for."""
        for count in range(min(len(entries), ENTRIES_MAXIMUM), -1, -1):
            data = self.encode(answer._replace(entries=tuple(entries[:count])))
            if len(data) <= self._bytes:
                return data
        raise MessageError("an answer that has no room for itself")
