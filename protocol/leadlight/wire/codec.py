"""A show's messages as bytes, and back.

What each array holds is told by the tables below, which are the only place where a field's range is written. The
encoder, the decoder and the specification all read them. A later version appends fields; a decoder ignores what follows
the fields it knows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from itertools import chain
from typing import Any, Final

from leadlight.cue import RATE_LIMIT_PPB, SHOW_KEY_MAXIMUM, Cue, ShowLine
from leadlight.errors import WireError
from leadlight.terms import ClockState, ContentState, CueState, Kind, Refusal
from leadlight.units import INSTANT_MAXIMUM, MICROSECOND, MILLISECOND, SECOND
from leadlight.wire.framing import PREAMBLE_BYTES, U8, U16, U32, Field, Framing, Packer, compile_check
from leadlight.wire.messages import (
    Beacon,
    DelayReport,
    Echo,
    Mark,
    Message,
    SharedDelay,
    Sounding,
    Tally,
)
from leadlight.wire.tags import KeyRing

MAGIC: Final = b"\xc4\x9b"

NAME_MAXIMUM_BYTES: Final = 24
"""Longest follower name in UTF-8."""
MARKS_MAXIMUM: Final = 4
DELAYS_MAXIMUM: Final = 4

DELAY_LIMIT_NS: Final = 2 * SECOND
"""No one-way delay longer than this is worth reporting."""
FLAG_LIVE_DATA: Final = 1
FLAG_UNVERIFIED: Final = 2
MARK_AGE_MAXIMUM_NS: Final = 60 * SECOND


CUE_FIELDS: Final = (
    Field("show", 0, SHOW_KEY_MAXIMUM),
    Field("state", 0, len(CueState) - 1),
    Field("line leader_at", 0, INSTANT_MAXIMUM),
    Field("line position", 0, INSTANT_MAXIMUM),
    Field("line rate_ppb", -RATE_LIMIT_PPB, RATE_LIMIT_PPB),
)
ORDER_FIELDS: Final = (Field("ordered_at", 0, INSTANT_MAXIMUM),)
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
SHARED_DELAY_FIELDS: Final = (
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

# Lookups by number are several times cheaper than calling the enumeration, and names of one's own than its members'.
_BEACON, _BEACON_COPY, _SOUNDING, _ECHO, _TALLY = Kind
_CUE_STATES: Final = tuple(CueState)
_CLOCK_STATES: Final = tuple(ClockState)
_CONTENT_STATES: Final = tuple(ContentState)


class _Run:
    """Reads and writes a flat array of up to ``most`` pairs whose values are inside ``fields``."""

    def __init__(self, name: str, pair: type, fields: tuple[Field, ...], most: int) -> None:
        self._name = name
        self._allowed = f"up to {most} times {len(fields)}"
        counts = range(1, most + 1)
        self._checks = {count * len(fields): compile_check(fields * count) for count in counts}
        new = partial(tuple.__new__, pair)
        pairs = [f"new((v{2 * index}, v{2 * index + 1})), " for index in range(most)]
        self._readers = {
            count * len(fields): compile_check(fields * count, f"({''.join(pairs[:count])})", new=new)
            for count in counts
        }

    def flatten(self, pairs: tuple[Any, ...]) -> tuple[Any, ...]:
        if not pairs:
            return ()
        values = tuple(chain.from_iterable(pairs))
        check = self._checks.get(len(values))
        if check is None:
            raise self._blame_count(values)
        check(values)
        return values

    def read(self, values: Any) -> Any:
        if type(values) is not tuple:
            raise WireError(Refusal.MALFORMED, f"{self._name} is not an array")
        if not values:
            return ()
        reader = self._readers.get(len(values))
        if reader is None:
            raise self._blame_count(values)
        return reader(values)

    def _blame_count(self, values: tuple[Any, ...]) -> WireError:
        return WireError(Refusal.OUT_OF_RANGE, f"{self._name} has {len(values)} numbers, allowed {self._allowed}")


_check_cue: Final = compile_check(CUE_FIELDS)
_check_order: Final = compile_check(ORDER_FIELDS)
_check_beacon: Final = compile_check(BEACON_FIELDS)
_check_sounding: Final = compile_check(SOUNDING_FIELDS)
_check_echo: Final = compile_check(ECHO_FIELDS)
_check_tally: Final = compile_check(TALLY_FIELDS)
_check_delay_head: Final = compile_check(DELAY_HEAD_FIELDS)
_marks: Final = _Run("marks", Mark, MARK_FIELDS, MARKS_MAXIMUM)
_shared_delays: Final = _Run("shared delays", SharedDelay, SHARED_DELAY_FIELDS, DELAYS_MAXIMUM)
_delay_reports: Final = _Run("delays", DelayReport, DELAY_REPORT_FIELDS, DELAYS_MAXIMUM)

# Building a named tuple from a tuple that is already in order, without its slower keyword-aware constructor.
_new_beacon: Final = partial(tuple.__new__, Beacon)
_new_sounding: Final = partial(tuple.__new__, Sounding)
_new_echo: Final = partial(tuple.__new__, Echo)
_new_tally: Final = partial(tuple.__new__, Tally)

# A cue is made where its values are checked: taken apart but once, for every beacon holds one or two.
_CUE_PARTS: Final[dict[str, Any]] = {
    "cue": partial(tuple.__new__, Cue),
    "line": partial(tuple.__new__, ShowLine),
    "states": _CUE_STATES,
}
_read_unordered_cue: Final[Callable[[Sequence[Any]], Cue]] = compile_check(
    CUE_FIELDS, "cue((v0, states[v1], line((v2, v3, v4)), None))", **_CUE_PARTS
)
_read_ordered_cue: Final[Callable[[Sequence[Any], Any], Cue]] = compile_check(
    CUE_FIELDS + ORDER_FIELDS, "cue((v0, states[v1], line((v2, v3, v4)), v5))", apart=1, **_CUE_PARTS
)


# -- one pair of functions a message -----------------------------------------------------------------------------


def _cue_fields(cue: Cue) -> tuple[Any, ...]:
    show, state, (leader_at, position, rate_ppb), ordered_at = cue
    fields = (show, state.real, leader_at, position, rate_ppb)
    _check_cue(fields)
    if ordered_at is None:
        return fields
    order = (ordered_at,)
    _check_order(order)
    return (*fields, order)


def _read_cue(fields: Any) -> Cue:
    if type(fields) is not tuple:
        raise WireError(Refusal.MALFORMED, "a cue is not an array")
    if len(fields) > 5:
        # Appended: what is no array there was ignored before there was this field, and still is.
        order = fields[5]
        if type(order) is tuple and order:
            return _read_ordered_cue(fields, order[0])
    return _read_unordered_cue(fields)


def _whole(duration_ns: int, unit_ns: int, name: str) -> int:
    count, rest = divmod(duration_ns, unit_ns)
    if rest:
        raise WireError(Refusal.OUT_OF_RANGE, f"{name} is {duration_ns} ns, allowed: whole multiples of {unit_ns}")
    return count


def _pack_beacon(beacon: Beacon) -> tuple[Kind, tuple[Any, ...]]:
    (
        leader,
        rank,
        tenure,
        timebase,
        serial,
        sent_at,
        interval_ns,
        budget,
        size,
        off_at,
        marker,
        cue,
        next_cue,
        marks,
        delay_radio,
        delay_doubt_ns,
        shared_delays,
        is_copy,
        goodbye,
    ) = beacon
    interval_ms = _whole(interval_ns, MILLISECOND, "interval_ns")
    off_at_ms = None if off_at is None else _whole(off_at, MILLISECOND, "off_at")
    scalars = (leader, rank, tenure, timebase, serial, sent_at, interval_ms, budget, size, off_at_ms, marker)
    _check_beacon(scalars)
    delays: tuple[int | None, ...] = ()
    if shared_delays:
        head = (delay_radio, _whole(delay_doubt_ns, MICROSECOND, "delay_doubt_ns"))
        _check_delay_head(head)
        delays = head + _shared_delays.flatten(shared_delays)
    next_fields = None if next_cue is None else _cue_fields(next_cue)
    kind = _BEACON_COPY if is_copy else _BEACON
    fields = (*scalars, _cue_fields(cue), next_fields, _marks.flatten(marks), delays)
    return kind, (*fields, True) if goodbye else fields


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
    delay_radio = None
    doubt_us = 0
    if delays != ():
        if type(delays) is not tuple:
            raise WireError(Refusal.MALFORMED, "shared delays is not an array")
        _check_delay_head(delays)
        delay_radio, doubt_us = delays[:2]
        delays = _shared_delays.read(delays[2:])
    return _new_beacon(
        (
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
            _marks.read(marks),
            delay_radio,
            doubt_us * MICROSECOND,
            delays,
            is_copy,
            # Appended: whatever else stands there means what its absence means.
            len(fields) > 15 and fields[15] is True,
        )
    )


def _read_beacon_copy(fields: tuple[Any, ...]) -> Beacon:
    return _read_beacon(fields, is_copy=True)


def _pack_sounding(sounding: Sounding) -> tuple[Kind, tuple[Any, ...]]:
    scalars = sounding[:6]
    _check_sounding(scalars)
    return _SOUNDING, (*scalars, _delay_reports.flatten(sounding.delays), b"")


def _read_sounding(fields: tuple[Any, ...]) -> Sounding:
    if len(fields) < len(SOUNDING_FIELDS) + 2:
        raise WireError(Refusal.MALFORMED, f"{len(fields)} fields in a sounding")
    _check_sounding(fields)
    delays = _delay_reports.read(fields[6])
    if type(fields[7]) is not bytes:
        raise WireError(Refusal.MALFORMED, "padding is not binary")
    follower, tenure, nonce, sent_at, cookie, radio = fields[:6]
    return _new_sounding((follower, tenure, nonce, sent_at, cookie, radio, delays))


def _pack_echo(echo: Echo) -> tuple[Kind, tuple[Any, ...]]:
    _check_echo(echo)
    return _ECHO, echo


def _read_echo(fields: tuple[Any, ...]) -> Echo:
    _check_echo(fields)
    return _new_echo(fields[:7])


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
    return _TALLY, (*scalars, tally.name)


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
    return _new_tally(
        (
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
    )


_PACKERS: Final[dict[type, Packer]] = {
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


class Codec(Framing[Message]):
    """Encodes and decodes the datagrams of one group's shows; arguments and errors as for ``Framing``."""

    def __init__(self, group: str, keys: KeyRing | None = None) -> None:
        super().__init__(group, keys, MAGIC, _PACKERS, _UNPACKERS, {Kind.SOUNDING: SOUNDING_MINIMUM_BYTES})
