"""Tags that prove a datagram comes from a holder of the group's key.

A tag is keyed BLAKE2s (RFC 7693) over the whole datagram before it, cut to sixteen bytes. Whoever holds the key can
make one, so it tells members from strangers and not members from each other.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from hashlib import blake2s
from hmac import compare_digest

from leadlight.errors import ConfigurationError, check_kind, check_whole

TAG_BYTES = 16
KEY_MINIMUM_BYTES = 16
KEY_MAXIMUM_BYTES = 32
"""BLAKE2s takes no longer key."""

UNKEYED_SLOT = 0
"""The key slot of a datagram that carries no tag."""


class KeyRing:
    """The group's keys by slot. One slot is used for sending; all are accepted, so that keys can be rotated.

    ``keys`` maps slots 1 to 255 to keys of 16 to 32 bytes. ``active`` is the sending slot; by default the lowest.
    Raises ``ConfigurationError`` for a slot or key outside that.
    """

    def __init__(self, keys: Mapping[int, bytes], active: int | None = None) -> None:
        check_kind("keys", keys, Mapping, "keys by slot, such as {1: key}")
        if not keys:
            raise ConfigurationError("keys", dict(keys), "at least one key")
        for slot, key in keys.items():
            check_whole("key slot", slot, 1, 255, "1 to 255")
            check_kind(f"key in slot {slot}", key, bytes, "bytes")
            if not KEY_MINIMUM_BYTES <= len(key) <= KEY_MAXIMUM_BYTES:
                raise ConfigurationError(
                    f"key in slot {slot}",
                    f"{len(key)} bytes",
                    f"{KEY_MINIMUM_BYTES} to {KEY_MAXIMUM_BYTES} bytes",
                )
        self.active = min(keys) if active is None else active
        if self.active not in keys:
            raise ConfigurationError("active key slot", self.active, f"one of {sorted(keys)}")
        # A hash object that has already taken in its key is copied for each datagram: half the cost of a new one.
        self._primed = {slot: blake2s(key=key, digest_size=TAG_BYTES, person=b"leadlght") for slot, key in keys.items()}

    def __contains__(self, slot: int) -> bool:
        """Return whether there is a key in ``slot``."""
        return slot in self._primed

    def __iter__(self) -> Iterator[int]:
        """Go through the slots that hold a key."""
        return iter(self._primed)

    def tag(self, slot: int, signed: bytes) -> bytes:
        """Return the tag of ``signed`` under the key in ``slot``; ``KeyError`` if the slot is empty."""
        state = self._primed[slot].copy()
        state.update(signed)
        return state.digest()

    def verify(self, slot: int, signed: bytes, tag: bytes) -> bool:
        """Return whether ``tag`` is right, in a time that does not depend on where it is wrong."""
        state = self._primed[slot].copy()
        state.update(signed)
        return compare_digest(state.digest(), tag)
