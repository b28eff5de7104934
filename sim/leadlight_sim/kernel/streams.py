"""Named random streams: every node and purpose has a random stream of its own.

A stream is named, and its seed is a digest of the scenario's seed and that name. So its draws depend on neither the
order in which streams are made nor on what others draw, and adding a follower shifts nobody else's draws.
"""

from __future__ import annotations

from hashlib import blake2b

from leadlight.errors import ConfigurationError
from leadlight_sim.kernel.draws import MULTIPLIER, PlacedStream, Stream


class Streams:
    """Makes the streams of one run from its seed."""

    def __init__(self, seed: int) -> None:
        if type(seed) is not int:
            raise ConfigurationError("seed", seed, "a whole number")
        self.seed = seed

    def stream(self, *name_parts: str) -> Stream:
        """Return the stream of this name, from its beginning.

        Names are lists of words, such as ``("air", "loss", "jetty")``, and ``("a", "bc")`` is not ``("ab", "c")``.
        Asked twice for one name it returns two streams with the same draws.
        """
        return Stream(self._digest(name_parts))

    def compact(self, *name_parts: str) -> Stream:
        """Return the stream of this name in a tenth of the memory, for what is drawn once a frame or more seldom.

        It is Lehmer's generator, whose draws cost three times as long, and not those that ``stream`` returns.
        """
        return PlacedStream(self.key(*name_parts))

    def key(self, *name_parts: str) -> int:
        """Return an odd number of 128 bits of this name: a place for a ``PlacedStream``, or a factor of one.

        It is one step of the generator away from the name's digest.
        """
        return (self._digest(name_parts) | 1) * MULTIPLIER % 2**128

    def _digest(self, name_parts: tuple[str, ...]) -> int:
        if not name_parts:
            raise ConfigurationError("name_parts", name_parts, "one word or more")
        digest = blake2b(digest_size=16, person=b"streams")
        for part in (str(self.seed), *name_parts):
            encoded = part.encode()
            digest.update(len(encoded).to_bytes(4, "big"))
            digest.update(encoded)
        return int.from_bytes(digest.digest(), "big")
