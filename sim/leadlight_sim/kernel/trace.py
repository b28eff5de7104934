"""The trace of a run, as one digest: two runs with the same digest did the same things at the same instants."""

from __future__ import annotations

from dataclasses import is_dataclass
from hashlib import blake2b
from struct import Struct
from typing import Final

from leadlight_sim.kernel.kernel import TrueInstant

_pack_record = Struct(">cQHI").pack


def plain_text(value: object) -> str:
    """Return every field of an event under its name, whatever is told to people: what the digest rests on."""
    names = getattr(value, "__match_args__", ()) if is_dataclass(value) else getattr(value, "_fields", ())
    if not names:
        return repr(value)
    told = ", ".join(f"{name}={plain_text(getattr(value, name))}" for name in names)
    return f"{type(value).__name__}({told})"


AT_ONCE: Final = 256
"""So many parts are digested in one go: each costs more to hand over than to digest."""


class Trace:
    """Digests what nodes send, receive and report, in the order in which it happens."""

    def __init__(self) -> None:
        self._digest = blake2b(digest_size=16, person=b"trace")
        self._parts: list[bytes] = []

    def note(self, kind: bytes, at: TrueInstant, node: int, data: bytes) -> None:
        """Add one record: a one-byte kind, the true instant, the node's number, and what it was."""
        parts = self._parts
        parts.append(_pack_record(kind, at, node, len(data)))
        parts.append(data)
        if len(parts) >= AT_ONCE:
            self._digest.update(b"".join(parts))
            parts.clear()

    def hexdigest(self) -> str:
        """Return the digest so far."""
        self._digest.update(b"".join(self._parts))
        self._parts.clear()
        return self._digest.hexdigest()
