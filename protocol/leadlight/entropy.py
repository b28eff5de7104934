"""Chance, as the core takes it: an argument. The core never draws from anything it was not given."""

from __future__ import annotations

from hashlib import blake2s
from typing import Protocol


class Entropy(Protocol):
    """What the core needs of a source of chance; ``random.Random`` and ``random.SystemRandom`` are two."""

    def getrandbits(self, k: int, /) -> int:
        """Return a whole number of ``k`` random bits."""


def below(entropy: Entropy, limit_ns: int) -> int:
    """Return a whole number from 0 up to but not including ``limit_ns``; 0 if the limit is not above 0.

    The bias is less than 2⁻⁴⁰ for limits of up to an hour.
    """
    if limit_ns <= 0:
        return 0
    return entropy.getrandbits(84) * limit_ns >> 84


def spread(entropy: Entropy, centre_ns: int, share: float) -> int:
    """Return a duration uniform within ``± share`` of ``centre_ns``."""
    half = round(centre_ns * share)
    return centre_ns - half + below(entropy, 2 * half + 1)


def nonzero32(entropy: Entropy) -> int:
    """Return 32 random bits that are not all zero: a tenure, a timebase, an instance."""
    return entropy.getrandbits(32) or 1


def identity(name: str) -> int:
    """Return the number by which a leader or follower of this name is known: a digest, never zero."""
    return int.from_bytes(blake2s(name.encode(), digest_size=4, person=b"identity").digest(), "big") or 1
