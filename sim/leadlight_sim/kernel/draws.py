"""What is drawn from: one random stream, and one that can be put elsewhere.

Everything is derived here from the Mersenne Twister's ``random()`` and ``getrandbits()``, whose outputs CPython keeps
from release to release, by formulas that are ours: a library's idea of how to draw a normal may change. Where a formula
calls ``log``, ``exp`` or a power, the last bit of the result is the C library's.

A Mersenne Twister takes 2.9 kB, too much for every pair of stations. So what a frame to the group meets on its way to
one receiver is drawn by a ``PlacedStream``, of which there is one for all pairs: it is put where the frame's number and
the receiver's key, multiplied, lead on the orbit of one long generator. Such a stream that is never put elsewhere does
for what every station has and seldom draws from.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from random import Random
from statistics import NormalDist
from typing import TypeVar

from leadlight.errors import ConfigurationError

Item = TypeVar("Item")

_inverse_normal = NormalDist().inv_cdf

MULTIPLIER = 0xDA942042E4DD58B5
"""Of the multiplicative congruential generator of modulus 2¹²⁸, chosen by its spectral test: G. Steele and S. Vigna,
"Computationally easy, spectrally good multipliers for congruential pseudorandom number generators", Software: Practice
and Experience 52, 2022."""

_MODULUS_MASK = (1 << 128) - 1
_UNIT = 2.0**-53


class Stream:
    """One stream of chance.

    ``random()`` returns a number uniform in [0, 1), ``getrandbits(k)`` a whole number of ``k`` random bits.
    """

    __slots__ = ("getrandbits", "random")

    def __init__(self, seed: int) -> None:
        generator = Random(seed)
        # The generator's own methods, not methods that call them: half of all draws are nothing more.
        self.random = generator.random
        self.getrandbits = generator.getrandbits

    def uniform(self, low: float, high: float) -> float:
        """Return a number uniform in [low, high)."""
        return low + (high - low) * self.random()

    def exponential(self, mean: float) -> float:
        """Return an exponential of this mean, by inversion: −mean·ln(1 − u)."""
        return -mean * math.log(1.0 - self.random())

    def normal(self, mean: float = 0.0, deviation: float = 1.0) -> float:
        """Return a normal of this mean and standard deviation, by inversion."""
        while (share := self.random()) == 0.0:
            pass  # the inverse is minus infinity there
        return mean + deviation * _inverse_normal(share)

    def half_normal(self, scale: float) -> float:
        """Return the size of a normal of mean zero and standard deviation ``scale``, by the same draw."""
        while (share := self.random()) == 0.0:
            pass
        return abs(scale * _inverse_normal(share))

    def half_normal_and_chance(self, scale: float, probability: float) -> tuple[float, bool]:
        """Return a half-normal, and true with this probability: independent of each other, by one draw.

        What lies below the probability, and what lies above it, is uniform again once it is stretched.
        """
        while True:
            share = self.random()
            if is_so := share < probability:
                share /= probability
            else:
                share = (share - probability) / (1.0 - probability)
            if 0.0 < share < 1.0:
                return abs(scale * _inverse_normal(share)), is_so

    def pareto(self, minimum: float, shape: float, cap: float = math.inf) -> float:
        """Return a Pareto variate by inversion, minimum·(1 − u)^(−1/shape), what exceeds ``cap`` being set to it."""
        scale: float = (1.0 - self.random()) ** (-1.0 / shape)
        return min(minimum * scale, cap)

    def gamma(self, shape: int, scale: float) -> float:
        """Return a gamma variate of whole shape: a sum of exponentials."""
        return sum(self.exponential(scale) for _ in range(shape))

    def chance(self, probability: float) -> bool:
        """Return true with this probability."""
        return self.random() < probability

    def integer(self, low: int, high: int) -> int:
        """Return a whole number from ``low`` to ``high``, both included.

        Always one draw of 84 bits: for spans below 2⁶³ no value is favoured by more than one part in two million.
        """
        if high < low:
            raise ConfigurationError("high", high, f"at least low, {low}")
        return low + (self.getrandbits(84) * (high - low + 1) >> 84)

    def bytes(self, count: int) -> bytes:
        """Return random bytes."""
        return self.getrandbits(8 * count).to_bytes(count, "big")

    def choice(self, items: Sequence[Item]) -> Item:
        """Return one of ``items``."""
        return items[self.integer(0, len(items) - 1)]


class PlacedStream(Stream):
    """A stream that is put at one of 2¹²⁶ places before it is drawn from, and keeps nothing of what it was before.

    It is D. H. Lehmer's generator: the state is multiplied, and its upper bits are the draw. Places are odd numbers.
    Where a place is a frame's random number times a receiver's key, two receivers are one random lag apart: what holds
    their draws apart is what the spectral test measures.
    """

    __slots__ = ("_state", "place")

    def __init__(self, place: int = 1) -> None:
        self.place = place
        """Where the next draw is made: set to any odd number, whose upper bits, of 128, are that draw. 0 once it is."""
        self._state = place
        self.random = self._next
        self.getrandbits = self._bits

    def _next(self) -> float:
        # Most places are drawn from once, and a product of such numbers is what a draw costs: it is left for the next.
        place = self.place
        if place:
            self.place = 0
            self._state = state = place & _MODULUS_MASK
        else:
            self._state = state = self._state * MULTIPLIER & _MODULUS_MASK
        return (state >> 75) * _UNIT

    def _bits(self, count: int) -> int:
        bits = 0
        for _ in range(-(-count // 53)):
            self._next()
            bits = bits << 53 | self._state >> 75
        return bits & (1 << count) - 1
