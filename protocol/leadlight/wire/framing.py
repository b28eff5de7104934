"""What every datagram has: a preamble, one msgpack array, and a tag where the group has a key.

    0       2              3          4                8
    +-------+--------------+----------+----------------+----- - - - -----+-----------+
    | magic | version kind | key slot | group          | msgpack array   | tag (16)  |
    +-------+--------------+----------+----------------+----- - - - -----+-----------+

What the array holds is told by tables of fields, from which its checks are made.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from hashlib import blake2s
from typing import Any, Final, Generic, NamedTuple, TypeAlias, TypeVar

import msgpack

from leadlight.errors import ConfigurationError, MessageError, WireError, check_kind
from leadlight.terms import Refusal
from leadlight.wire.tags import TAG_BYTES, UNKEYED_SLOT, KeyRing

VERSION: Final = 1
PREAMBLE_BYTES: Final = 8
KINDS: Final = 16
"""How many kinds of message four bits can tell apart."""
DATAGRAM_MAXIMUM_BYTES: Final = 512
"""Nothing longer is looked at. The longest message of this version is less than half of it."""

ARRAY_MAXIMUM: Final = 64
"""Most values in one array, appended ones too."""

U8: Final = 0xFF
U16: Final = 0xFFFF
U32: Final = 0xFFFF_FFFF


class Field(NamedTuple):
    """One whole number in an array: its name, the range allowed, and whether it may be nil."""

    name: str
    low: int
    high: int
    optional: bool = False


def group_hash(group: str) -> bytes:
    """Return the four bytes that stand for a group's name in every preamble."""
    return blake2s(group.encode(), digest_size=4, person=b"group").digest()


MessageType = TypeVar("MessageType")
Packer: TypeAlias = Callable[[Any], tuple[int, tuple[Any, ...]]]
"""Returns the kind of a message and the values of its array."""


class Framing(Generic[MessageType]):
    """Encodes and decodes one group's datagrams of one protocol.

    ``group`` is the name that all members share. With ``keys`` every datagram is tagged and only tagged ones are
    accepted; without, only untagged ones. ``magic`` names the protocol, ``packers`` and ``readers`` are its messages,
    and ``minimum_bytes`` how long those of a kind are made, by padding that is their last field.
    Raises ``ConfigurationError`` for a group without a name.
    """

    def __init__(
        self,
        group: str,
        keys: KeyRing | None,
        magic: bytes,
        packers: Mapping[type, Packer],
        readers: Mapping[int, Callable[[tuple[Any, ...]], MessageType]],
        minimum_bytes: Mapping[int, int],
    ) -> None:
        check_kind("group", group, str, "a name")
        if not group.strip():
            raise ConfigurationError("group", group, "a name")
        if keys is not None:
            check_kind("keys", keys, KeyRing, "a KeyRing, such as KeyRing({1: key})")
        self.group = group
        self.keys = keys
        self._magic = magic
        self._packers = packers
        self._minimum_bytes = minimum_bytes
        slot = UNKEYED_SLOT if keys is None else keys.active
        group_bytes = group_hash(group)

        def preamble(kind: int, slot: int) -> bytes:
            return magic + bytes((VERSION << 4 | kind, slot)) + group_bytes

        self._preambles = [preamble(kind, slot) for kind in range(KINDS)]
        # Every preamble that is not refused, and what reads the array behind it; nothing where the kind is unknown.
        self._readers = {
            preamble(kind, slot): readers.get(kind)
            for slot in ((UNKEYED_SLOT,) if keys is None else keys)
            for kind in range(KINDS)
        }
        self._group_bytes = group_bytes
        self._sending_slot = slot
        self._packer = msgpack.Packer(use_bin_type=True, autoreset=True)

    # -- out ---------------------------------------------------------------------------------------------------

    def encode(self, message: MessageType) -> bytes:
        """Return the datagram of ``message``.

        Raises ``MessageError`` if a field is outside its range: what this encodes, every peer decodes.
        """
        try:
            kind, fields = self._packers[type(message)](message)
        except (WireError, KeyError, TypeError, ValueError, AttributeError) as error:
            raise MessageError(f"{type(message).__name__} cannot be sent: {error}") from error
        signed: bytes = self._preambles[kind] + self._packer.pack(fields)
        if (missing := self._minimum_bytes.get(kind, 0) - len(signed)) > 0:
            # The padding is the last field, so far an empty one: two bytes that are replaced by a longer one.
            signed = signed[:-2] + self._packer.pack(bytes(missing))
        if self.keys is None:
            return signed
        return signed + self.keys.tag(self._sending_slot, signed)

    # -- in ----------------------------------------------------------------------------------------------------

    def decode(self, data: bytes) -> MessageType:
        """Return the message in a datagram of this group.

        Raises ``WireError``, and nothing else, for any bytes that are not one: its ``reason`` is a ``Refusal``.
        Nothing is allocated for a datagram longer than 512 bytes, and nothing is unpacked before its tag is right.
        """
        length = len(data)
        if length > DATAGRAM_MAXIMUM_BYTES:
            raise WireError(Refusal.TOO_LONG, f"{length} bytes, at most {DATAGRAM_MAXIMUM_BYTES}")
        preamble = data[:PREAMBLE_BYTES]
        if length <= PREAMBLE_BYTES or preamble not in self._readers:
            raise self._blame_preamble(data)
        if self.keys is None:
            body = data[PREAMBLE_BYTES:]
        else:
            signed = data[:-TAG_BYTES]
            if not self.keys.verify(data[3], signed, data[-TAG_BYTES:]):
                raise WireError(Refusal.BAD_TAG)
            body = signed[PREAMBLE_BYTES:]
        unpack = self._readers[preamble]
        if unpack is None:
            raise WireError(Refusal.UNKNOWN_KIND, str(data[2] & 0x0F))
        try:
            # Lengths are limited by the body's own: msgpack refuses what claims to be longer than it is.
            fields = msgpack.unpackb(
                body,
                use_list=False,
                max_array_len=ARRAY_MAXIMUM,
                max_map_len=0,
                max_ext_len=0,
                ext_hook=refuse_extension,
                object_hook=refuse_map,
            )
        except (ValueError, msgpack.UnpackException, RecursionError) as error:
            raise WireError(Refusal.MALFORMED, str(error)) from None
        if type(fields) is not tuple:
            raise WireError(Refusal.MALFORMED, "not an array")
        return unpack(fields)

    def _blame_preamble(self, data: bytes) -> WireError:
        """Return the error that says what is wrong with a preamble that is not ours."""
        if len(data) <= PREAMBLE_BYTES:
            return WireError(Refusal.TOO_SHORT, f"{len(data)} bytes")
        if data[:2] != self._magic:
            return WireError(Refusal.OTHER_PROTOCOL, data[:2].hex())
        if data[2] >> 4 != VERSION:
            return WireError(Refusal.OTHER_VERSION, str(data[2] >> 4))
        if data[4:8] != self._group_bytes:
            return WireError(Refusal.OTHER_GROUP, data[4:8].hex())
        return WireError(Refusal.NO_KEY, f"no key here for slot {data[3]}")


def key_slot(data: bytes) -> int:
    """Return the key slot that a datagram's preamble names: ``UNKEYED_SLOT`` for one without a tag."""
    return data[3]


def refuse_extension(code: int, data: bytes) -> None:
    """Raise ``ValueError``: no body holds an extension type."""
    # An empty extension passes the length limit, and would stand unseen in a field that a later version appends.
    raise ValueError(f"extension type {code} of {len(data)} bytes")


def refuse_map(fields: dict[Any, Any]) -> None:
    """Raise ``ValueError``: no body holds a map."""
    # As with an extension: an empty map passes the length limit.
    raise ValueError(f"a map of {len(fields)} entries")


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


def _range_test(name: str, field: Field) -> str:
    """Return the expression that is true of a whole number inside a field's range."""
    if field.low == 0 and field.high & (field.high + 1) == 0:
        return f"not {name} >> {field.high.bit_length()}"  # all of so many bits: one operation, and never of a negative
    return f"{field.low} <= {name} <= {field.high}"


def compile_check(fields: tuple[Field, ...], result: str = "", apart: int = 0, **known: Any) -> Callable[..., Any]:
    """Return a function that raises ``WireError`` unless a sequence begins with values inside ``fields``.

    It returns ``result``, an expression of the values ``v0``, ``v1`` and so on and of what is ``known``. The last
    ``apart`` of the values are not in the sequence, but arguments after it.

    The test is one expression built from the table, as the standard library builds its data classes. A loop over the
    table at every datagram takes three times as long, and a hand-written expression could part from it.
    """
    names = [f"v{index}" for index in range(len(fields))]
    # An exact type test: a bool is an int to isinstance.
    conditions = [
        (f"({name} is None or " if field.optional else "(") + f"type({name}) is int and {_range_test(name, field)})"
        for name, field in zip(names, fields, strict=True)
    ]
    inside, outside = names[: len(names) - apart], names[len(names) - apart :]
    source = (
        f"def check({', '.join(['values', *outside])}):\n"
        f"    if len(values) >= {len(inside)}:\n"
        f"        {', '.join(inside)}, = values[:{len(inside)}]\n"
        f"        if {' and '.join(conditions)}:\n"
        f"            return {result}\n"
        f"    raise blame((*values[:{len(inside)}], {', '.join(outside)}), fields)\n"
    )
    namespace: dict[str, Any] = {"blame": _blame, "fields": fields, **known}
    exec(source, namespace)  # the source is made of the tables above and nothing else
    check: Callable[..., Any] = namespace["check"]
    return check
