"""Bytes to messages and back. The only module that reads or builds datagrams.

A datagram is an eight-byte preamble, one msgpack array, and a tag where the group has a key::

    0       2              3          4                8
    +-------+--------------+----------+----------------+----- - - - -----+-----------+
    | magic | version kind | key slot | group          | msgpack array   | tag (16)  |
    +-------+--------------+----------+----------------+----- - - - -----+-----------+

What each array holds is told by the tables below, which are the only place where a field's range is written: the
encoder, the decoder and the specification all read them. A later version appends fields; a decoder ignores what
follows the fields it knows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from hashlib import blake2s
from itertools import chain
from typing import Any, Final, NamedTuple

import msgpack

from leadlight.cue import RATE_LIMIT_PPB, Cue, ShowLine
from leadlight.errors import WireError
from leadlight.messages import (
    Beacon,
    DelayReport,
    Echo,
    GroupDelay,
    Mark,
    Message,
    Sounding,
    Tally,
)
from leadlight.security import TAG_BYTES, UNKEYED_SLOT, KeyRing
from leadlight.terms import ClockState, ContentState, CueState, Kind, Refusal
from leadlight.units import MICROSECOND, MILLISECOND, SECOND

MAGIC: Final = b"\xc4\x9b"
VERSION: Final = 1
PREAMBLE_BYTES: Final = 8
DATAGRAM_MAXIMUM_BYTES: Final = 512
"""Nothing longer is looked at. The longest message of this version is less than half of it."""

NAME_MAXIMUM_BYTES: Final = 24
"""Longest follower name in UTF-8."""
MARKS_MAXIMUM: Final = 4
DELAYS_MAXIMUM: Final = 4

U8: Final = 0xFF
U16: Final = 0xFFFF
U32: Final = 0xFFFF_FFFF
INSTANT_MAXIMUM: Final = (1 << 62) - 1
"""146 years of nanoseconds; leaves a bit spare for a sum of two."""
DELAY_LIMIT_NS: Final = 2 * SECOND
"""No one-way delay longer than this is worth reporting."""
FLAG_LIVE_DATA: Final = 1
FLAG_UNVERIFIED: Final = 2
MARK_AGE_MAXIMUM_NS: Final = 60 * SECOND


class Field(NamedTuple):
    """One whole number in an array: its name, the range allowed, and whether it may be nil."""

    name: str
    low: int
    high: int
    optional: bool = False


CUE_FIELDS: Final = (
    Field("show", 0, (1 << 64) - 1),
    Field("state", 0, len(CueState) - 1),
    Field("line leader_at", 0, INSTANT_MAXIMUM),
    Field("line position", 0, INSTANT_MAXIMUM),
    Field("line rate_ppb", -RATE_LIMIT_PPB, RATE_LIMIT_PPB),
)
BEACON_FIELDS: Final = (
    Field("leader", 1, U32),
    Field("rank", 0, 127),
    Field("tenure", 1, U32),
    Field("timebase", 1, U32),
    Field("serial", 0, U32),
    Field("sent_at", 0, INSTANT_MAXIMUM),
    Field("interval_ms", 10, U16),
    Field("sounding_budget", 0, U8),
    Field("group_size", 0, U16),
    Field("off_at_ms", 0, INSTANT_MAXIMUM // MILLISECOND, optional=True),
    Field("marker", 1, U32, optional=True),
)
MARK_FIELDS: Final = (Field("turns_back", 0, U8), Field("age_ns", 0, MARK_AGE_MAXIMUM_NS))
GROUP_DELAY_FIELDS: Final = (
    Field("serials_back", 0, U8),
    Field("delay_ns", -DELAY_LIMIT_NS, DELAY_LIMIT_NS),
)
SOUNDING_FIELDS: Final = (
    Field("follower", 1, U32),
    Field("tenure", 0, U32),
    Field("nonce", 0, U32),
    Field("sent_at", 0, INSTANT_MAXIMUM),
    Field("cookie", 0, (1 << 64) - 1, optional=True),
    Field("radio", 0, U16, optional=True),
)
DELAY_REPORT_FIELDS: Final = (
    Field("serial", 0, U16),
    Field("delay_ns", -DELAY_LIMIT_NS, DELAY_LIMIT_NS),
)
ECHO_FIELDS: Final = (
    Field("leader", 1, U32),
    Field("tenure", 1, U32),
    Field("timebase", 1, U32),
    Field("nonce", 0, U32),
    Field("received_at", 0, INSTANT_MAXIMUM),
    Field("sent_at", 0, INSTANT_MAXIMUM),
    Field("cookie", 0, (1 << 64) - 1),
)
TALLY_FIELDS: Final = (
    Field("follower", 1, U32),
    Field("instance", 0, U32),
    Field("serial", 0, U32),
    Field("tenure", 0, U32),
    Field("turn", 0, U32, optional=True),
    Field("clock", 0, len(ClockState) - 1),
    Field("cue_state", 0, len(CueState) - 1),
    Field("bound_us", 0, U32, optional=True),
    Field("beacon_loss_permille", 0, 1000),
    Field("content", 0, len(ContentState) - 1),
    Field("radio", 0, U16, optional=True),
    Field("show", 0, (1 << 64) - 1),
    Field("frame", 0, U32),
    Field("late_frames", 0, U32),
    Field("flags", 0, 3),
)
DELAY_HEAD_FIELDS: Final = (Field("radio", 0, U16, optional=True), Field("doubt_us", 0, U16))

SOUNDING_MINIMUM_BYTES: Final = PREAMBLE_BYTES + 1 + 4 * 5 + 3 * 9
"""Length of the longest Echo, tag apart. A Sounding is padded to it, so that its Echo is never larger than it."""

# Lookups by number are several times cheaper than calling the enumeration.
_CUE_STATES: Final = tuple(CueState)
_CLOCK_STATES: Final = tuple(ClockState)
_CONTENT_STATES: Final = tuple(ContentState)


def group_hash(group: str) -> bytes:
    """Return the four bytes that stand for a group's name in every preamble."""
    return blake2s(group.encode(), digest_size=4, person=b"group").digest()


class Codec:
    """Encodes and decodes one group's datagrams.

    ``group`` is the name that all members share. With ``keys`` every datagram is tagged and only tagged ones are
    accepted; without, only untagged ones.
    """

    def __init__(self, group: str, keys: KeyRing | None = None) -> None:
        self.group = group
        self.keys = keys
        slot = UNKEYED_SLOT if keys is None else keys.active
        group_bytes = group_hash(group)
        self._preambles = {
            kind: MAGIC + bytes((VERSION << 4 | kind, slot)) + group_bytes for kind in Kind
        }
        self._group_bytes = group_bytes
        self._sending_slot = slot
        self._packer = msgpack.Packer(use_bin_type=True, autoreset=True)

    # -- out ---------------------------------------------------------------------------------------------------

    def encode(self, message: Message) -> bytes:
        """Return the datagram of ``message``.

        Raises ``WireError`` if a field is outside its range: what this encodes, every peer decodes.
        """
        kind, fields = _PACKERS[type(message)](message)
        signed: bytes = self._preambles[kind] + self._packer.pack(fields)
        if kind is Kind.SOUNDING and (missing := SOUNDING_MINIMUM_BYTES - len(signed)) > 0:
            # The padding is the last field, so far an empty one: two bytes that are replaced by a longer one.
            signed = signed[:-2] + self._packer.pack(bytes(missing))
        if self.keys is None:
            return signed
        return signed + self.keys.tag(self._sending_slot, signed)

    # -- in ----------------------------------------------------------------------------------------------------

    def decode(self, data: bytes) -> Message:
        """Return the message in a datagram of this group.

        Raises ``WireError``, and nothing else, for any bytes that are not one: its ``reason`` is a ``Refusal``.
        Nothing is allocated for a datagram longer than 512 bytes, and nothing is unpacked before its tag is right.
        """
        length = len(data)
        if length > DATAGRAM_MAXIMUM_BYTES:
            raise WireError(Refusal.TOO_LONG, f"{length} bytes, at most {DATAGRAM_MAXIMUM_BYTES}")
        if length <= PREAMBLE_BYTES:
            raise WireError(Refusal.TOO_SHORT, f"{length} bytes")
        if data[:2] != MAGIC:
            raise WireError(Refusal.OTHER_PROTOCOL, data[:2].hex())
        version_and_kind = data[2]
        if version_and_kind >> 4 != VERSION:
            raise WireError(Refusal.OTHER_VERSION, str(version_and_kind >> 4))
        if data[4:8] != self._group_bytes:
            raise WireError(Refusal.OTHER_GROUP, data[4:8].hex())
        body = data[PREAMBLE_BYTES:] if self.keys is None else data[PREAMBLE_BYTES:-TAG_BYTES]
        slot = data[3]
        if self.keys is None:
            if slot != UNKEYED_SLOT:
                raise WireError(Refusal.NO_KEY, f"tagged with slot {slot}, and this group has no key here")
        else:
            if slot not in self.keys:
                raise WireError(Refusal.NO_KEY, f"no key in slot {slot}")
            if not self.keys.verify(slot, data[:-TAG_BYTES], data[-TAG_BYTES:]):
                raise WireError(Refusal.BAD_TAG)
        unpack = _UNPACKERS.get(version_and_kind & 0x0F)
        if unpack is None:
            raise WireError(Refusal.UNKNOWN_KIND, str(version_and_kind & 0x0F))
        try:
            # Every limit is the datagram's own: nothing in it can be longer than it is.
            fields = msgpack.unpackb(
                body,
                use_list=False,
                max_str_len=DATAGRAM_MAXIMUM_BYTES,
                max_bin_len=DATAGRAM_MAXIMUM_BYTES,
                max_array_len=64,
                max_map_len=0,
                max_ext_len=0,
                ext_hook=_refuse_extension,
            )
        except (ValueError, msgpack.UnpackException, RecursionError) as error:
            raise WireError(Refusal.MALFORMED, str(error)) from None
        if type(fields) is not tuple:
            raise WireError(Refusal.MALFORMED, "not an array")
        return unpack(fields)


def _refuse_extension(code: int, data: bytes) -> None:
    # An empty extension passes the length limit, and would stand unseen in a field that a later version appends.
    raise ValueError(f"extension type {code} of {len(data)} bytes")


# -- checks ----------------------------------------------------------------------------------------------------


def _blame(values: Sequence[Any], fields: tuple[Field, ...]) -> WireError:
    """Return the error that names the first of ``values`` outside its range."""
    if len(values) < len(fields):
        return WireError(Refusal.MALFORMED, f"{len(values)} fields, at least {len(fields)}")
    for value, (name, low, high, optional) in zip(values, fields, strict=False):
        if (value is None and optional) or (type(value) is int and low <= value <= high):
            continue
        return WireError(Refusal.OUT_OF_RANGE, f"{name} is {value!r}, allowed {low} to {high}")
    raise AssertionError("a check failed that blames nothing")


def _compile_check(fields: tuple[Field, ...]) -> Callable[[Sequence[Any]], None]:
    """Return a function that raises ``WireError`` unless a sequence begins with values inside ``fields``.

    The test is one expression built from the table, as the standard library builds its data classes: a loop over
    the table at every datagram takes three times as long, and a hand-written expression could part from it.
    """
    names = [f"v{index}" for index in range(len(fields))]
    # An exact type test: a bool is an int to isinstance.
    conditions = [
        (f"({name} is None or " if field.optional else "(")
        + f"type({name}) is int and {field.low} <= {name} <= {field.high})"
        for name, field in zip(names, fields, strict=True)
    ]
    source = (
        "def check(values):\n"
        f"    if len(values) >= {len(fields)}:\n"
        f"        {', '.join(names)}, = values[:{len(fields)}]\n"
        f"        if {' and '.join(conditions)}:\n"
        "            return\n"
        "    raise blame(values, fields)\n"
    )
    namespace: dict[str, Any] = {"blame": _blame, "fields": fields}
    exec(source, namespace)  # the source is made of the tables above and nothing else
    check: Callable[[Sequence[Any]], None] = namespace["check"]
    return check


class _RunCheck:
    """Refuses a flat array that is not up to ``most`` repetitions of ``fields``."""

    def __init__(self, name: str, fields: tuple[Field, ...], most: int) -> None:
        self._name = name
        self._allowed = f"up to {most} times {len(fields)}"
        self._checks = {
            count * len(fields): _compile_check(fields * count) for count in range(1, most + 1)
        }

    def __call__(self, values: Any) -> None:
        if type(values) is not tuple:
            raise WireError(Refusal.MALFORMED, f"{self._name} is not an array")
        check = self._checks.get(len(values))
        if check is None:
            if values == ():
                return
            raise WireError(
                Refusal.OUT_OF_RANGE, f"{self._name} has {len(values)} numbers, allowed {self._allowed}"
            )
        check(values)


_check_cue: Final = _compile_check(CUE_FIELDS)
_check_beacon: Final = _compile_check(BEACON_FIELDS)
_check_sounding: Final = _compile_check(SOUNDING_FIELDS)
_check_echo: Final = _compile_check(ECHO_FIELDS)
_check_tally: Final = _compile_check(TALLY_FIELDS)
_check_delay_head: Final = _compile_check(DELAY_HEAD_FIELDS)
_check_marks: Final = _RunCheck("marks", MARK_FIELDS, MARKS_MAXIMUM)
_check_group_delays: Final = _RunCheck("group delays", GROUP_DELAY_FIELDS, DELAYS_MAXIMUM)
_check_delay_reports: Final = _RunCheck("delays", DELAY_REPORT_FIELDS, DELAYS_MAXIMUM)

# Building a named tuple from a tuple that is already in order, without its slower keyword-aware constructor.
_new_mark: Final = partial(tuple.__new__, Mark)
_new_group_delay: Final = partial(tuple.__new__, GroupDelay)
_new_delay_report: Final = partial(tuple.__new__, DelayReport)


# -- one pair of functions a message -----------------------------------------------------------------------------


def _cue_fields(cue: Cue) -> tuple[int, ...]:
    show, state, (leader_at, position, rate_ppb) = cue
    fields = (show, int(state), leader_at, position, rate_ppb)
    _check_cue(fields)
    return fields


def _read_cue(fields: Any) -> Cue:
    if type(fields) is not tuple:
        raise WireError(Refusal.MALFORMED, "a cue is not an array")
    _check_cue(fields)
    show, state, leader_at, position, rate_ppb = fields[:5]
    return Cue(show, _CUE_STATES[state], ShowLine(leader_at, position, rate_ppb))


def _whole(duration_ns: int, unit_ns: int, name: str) -> int:
    count, rest = divmod(duration_ns, unit_ns)
    if rest:
        raise WireError(Refusal.OUT_OF_RANGE, f"{name} is {duration_ns} ns, allowed: whole multiples of {unit_ns}")
    return count


def _pack_beacon(beacon: Beacon) -> tuple[Kind, tuple[Any, ...]]:
    off_at = beacon.off_at
    scalars = (
        beacon.leader,
        beacon.rank,
        beacon.tenure,
        beacon.timebase,
        beacon.serial,
        beacon.sent_at,
        _whole(beacon.interval_ns, MILLISECOND, "interval_ns"),
        beacon.sounding_budget,
        beacon.group_size,
        None if off_at is None else _whole(off_at, MILLISECOND, "off_at"),
        beacon.marker,
    )
    _check_beacon(scalars)
    marks = tuple(chain.from_iterable(beacon.marks))
    _check_marks(marks)
    delays: tuple[int | None, ...] = ()
    if beacon.group_delays:
        doubt_us = _whole(beacon.delay_doubt_ns, MICROSECOND, "delay_doubt_ns")
        delays = (beacon.delay_radio, doubt_us, *chain.from_iterable(beacon.group_delays))
        _check_delay_head(delays)
        _check_group_delays(delays[2:])
    next_cue = None if beacon.next_cue is None else _cue_fields(beacon.next_cue)
    kind = Kind.BEACON_COPY if beacon.is_copy else Kind.BEACON
    return kind, (*scalars, _cue_fields(beacon.cue), next_cue, marks, delays)


def _read_beacon(fields: tuple[Any, ...], is_copy: bool = False) -> Beacon:
    if len(fields) < len(BEACON_FIELDS) + 4:
        raise WireError(Refusal.MALFORMED, f"{len(fields)} fields in a beacon")
    _check_beacon(fields)
    (
        leader,
        rank,
        tenure,
        timebase,
        serial,
        sent_at,
        interval_ms,
        budget,
        size,
        off_at_ms,
        marker,
        cue,
        next_cue,
        marks,
        delays,
    ) = fields[:15]
    if marks != ():
        _check_marks(marks)
        marks = tuple(map(_new_mark, zip(marks[::2], marks[1::2], strict=True)))
    delay_radio = None
    doubt_us = 0
    if delays != ():
        if type(delays) is not tuple:
            raise WireError(Refusal.MALFORMED, "group delays is not an array")
        _check_delay_head(delays)
        delay_radio, doubt_us = delays[:2]
        _check_group_delays(delays[2:])
        delays = tuple(map(_new_group_delay, zip(delays[2::2], delays[3::2], strict=True)))
    return Beacon(
        leader,
        rank,
        tenure,
        timebase,
        serial,
        sent_at,
        interval_ms * MILLISECOND,
        budget,
        size,
        None if off_at_ms is None else off_at_ms * MILLISECOND,
        marker,
        _read_cue(cue),
        None if next_cue is None else _read_cue(next_cue),
        marks,
        delay_radio,
        doubt_us * MICROSECOND,
        delays,
        is_copy,
    )


def _read_beacon_copy(fields: tuple[Any, ...]) -> Beacon:
    return _read_beacon(fields, is_copy=True)


def _pack_sounding(sounding: Sounding) -> tuple[Kind, tuple[Any, ...]]:
    scalars = sounding[:6]
    _check_sounding(scalars)
    delays = tuple(chain.from_iterable(sounding.delays))
    _check_delay_reports(delays)
    return Kind.SOUNDING, (*scalars, delays, b"")


def _read_sounding(fields: tuple[Any, ...]) -> Sounding:
    if len(fields) < len(SOUNDING_FIELDS) + 2:
        raise WireError(Refusal.MALFORMED, f"{len(fields)} fields in a sounding")
    _check_sounding(fields)
    delays = fields[6]
    if delays != ():
        _check_delay_reports(delays)
        delays = tuple(map(_new_delay_report, zip(delays[::2], delays[1::2], strict=True)))
    if type(fields[7]) is not bytes:
        raise WireError(Refusal.MALFORMED, "padding is not binary")
    follower, tenure, nonce, sent_at, cookie, radio = fields[:6]
    return Sounding(follower, tenure, nonce, sent_at, cookie, radio, delays)


def _pack_echo(echo: Echo) -> tuple[Kind, tuple[Any, ...]]:
    _check_echo(echo)
    return Kind.ECHO, echo


def _read_echo(fields: tuple[Any, ...]) -> Echo:
    _check_echo(fields)
    return Echo(*fields[:7])


def _pack_tally(tally: Tally) -> tuple[Kind, tuple[Any, ...]]:
    bound_ns = tally.bound_ns
    scalars = (
        tally.follower,
        tally.instance,
        tally.serial,
        tally.tenure,
        tally.turn,
        int(tally.clock),
        int(tally.cue_state),
        None if bound_ns is None else _whole(bound_ns, MICROSECOND, "bound_ns"),
        tally.beacon_loss_permille,
        int(tally.content),
        tally.radio,
        tally.show,
        tally.frame,
        tally.late_frames,
        tally.live_data * FLAG_LIVE_DATA + tally.unverified * FLAG_UNVERIFIED,
    )
    _check_tally(scalars)
    _check_name(tally.name)
    return Kind.TALLY, (*scalars, tally.name)


def _check_name(name: Any) -> None:
    if type(name) is not str:
        raise WireError(Refusal.MALFORMED, "a name is not text")
    if not 1 <= len(name.encode(errors="replace")) <= NAME_MAXIMUM_BYTES or not name.isprintable():
        raise WireError(
            Refusal.OUT_OF_RANGE, f"name is {name!r}, allowed 1 to {NAME_MAXIMUM_BYTES} bytes of printable text"
        )


def _read_tally(fields: tuple[Any, ...]) -> Tally:
    if len(fields) < len(TALLY_FIELDS) + 1:
        raise WireError(Refusal.MALFORMED, f"{len(fields)} fields in a tally")
    _check_tally(fields)
    (
        follower,
        instance,
        serial,
        tenure,
        turn,
        clock,
        cue_state,
        bound_us,
        loss,
        content,
        radio,
        show,
        frame,
        late,
        flags,
        name,
    ) = fields[:16]
    _check_name(name)
    return Tally(
        follower,
        instance,
        serial,
        tenure,
        turn,
        _CLOCK_STATES[clock],
        _CUE_STATES[cue_state],
        None if bound_us is None else bound_us * MICROSECOND,
        loss,
        _CONTENT_STATES[content],
        radio,
        show,
        frame,
        late,
        bool(flags & FLAG_LIVE_DATA),
        bool(flags & FLAG_UNVERIFIED),
        name,
    )


_PACKERS: Final[dict[type, Callable[[Any], tuple[Kind, tuple[Any, ...]]]]] = {
    Beacon: _pack_beacon,
    Sounding: _pack_sounding,
    Echo: _pack_echo,
    Tally: _pack_tally,
}
_UNPACKERS: Final[dict[int, Callable[[tuple[Any, ...]], Message]]] = {
    Kind.BEACON: _read_beacon,
    Kind.BEACON_COPY: _read_beacon_copy,
    Kind.SOUNDING: _read_sounding,
    Kind.ECHO: _read_echo,
    Kind.TALLY: _read_tally,
}
