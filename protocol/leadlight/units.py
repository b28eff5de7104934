"""Nanoseconds: the one unit of time, and the three clocks an instant may be read on.

Every instant and duration in the library is an ``int`` of nanoseconds. An instant belongs to one clock, so each clock
has its own type and a type checker refuses to mix them. A duration is a plain ``int`` whose name ends in ``_ns``. Two
sound clocks disagree about the length of a second by less than a thousandth, and where that matters the rate is carried
beside it.

The simulator adds a fourth clock, true time, which nothing in this package may see.
"""

from __future__ import annotations

import math
from typing import NewType

from leadlight.errors import ConfigurationError

__all__ = [
    "BILLION",
    "HOUR",
    "INSTANT_MAXIMUM",
    "MICROSECOND",
    "MILLISECOND",
    "MINUTE",
    "SECOND",
    "LeaderInstant",
    "LocalInstant",
    "ShowPosition",
    "describe",
    "in_seconds",
    "milliseconds",
    "seconds",
]

LocalInstant = NewType("LocalInstant", int)
"""An instant on this node's own monotonic clock."""

LeaderInstant = NewType("LeaderInstant", int)
"""An instant on the clock that the current timebase names."""

ShowPosition = NewType("ShowPosition", int)
"""Nanoseconds of show elapsed since its first frame began."""

INSTANT_MAXIMUM = (1 << 62) - 1
"""The last instant and position that travel: 146 years; leaves a bit spare for a sum of two."""

MICROSECOND = 1_000
MILLISECOND = 1_000_000
SECOND = 1_000_000_000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE

BILLION = 1_000_000_000
"""Parts per billion in one: the scale of every rate."""


def seconds(value: float, *, field: str = "duration", minimum: float = 0.0) -> int:
    """Return ``value`` seconds as whole nanoseconds, refusing what cannot be a duration.

    Raises ``ConfigurationError`` naming ``field`` if the value is NaN, infinite or below ``minimum``.
    """
    if not math.isfinite(value) or value < minimum:
        raise ConfigurationError(field, value, f"a finite number of seconds, at least {minimum:g}")
    return round(value * SECOND)


def milliseconds(value: float, *, field: str = "duration", minimum: float = 0.0) -> int:
    """Return ``value`` milliseconds as whole nanoseconds; refuses as ``seconds`` does."""
    if not math.isfinite(value) or value < minimum:
        raise ConfigurationError(field, value, f"a finite number of milliseconds, at least {minimum:g}")
    return round(value * MILLISECOND)


def in_seconds(ns: int) -> str:
    """Return an instant or a duration exactly, in seconds: ``"30.5 s"``."""
    whole, rest = divmod(abs(ns), SECOND)
    fraction = f".{rest:09d}".rstrip("0") if rest else ""
    return f"{'-' if ns < 0 else ''}{whole}{fraction} s"


def describe(duration_ns: float) -> str:
    """Return a duration for people, in the largest unit that keeps three digits: ``"1.25 ms"``."""
    size = abs(duration_ns)
    # Half a last digit early, so that what rounds to a thousand of one unit is told as one of the next.
    if size >= 999.5 * SECOND:
        return f"{duration_ns / SECOND:.0f} s"
    for unit_ns, name in ((SECOND, "s"), (MILLISECOND, "ms"), (MICROSECOND, "µs")):
        if size >= 0.9995 * unit_ns:
            return f"{duration_ns / unit_ns:.3g} {name}"
    return f"{duration_ns:.0f} ns"
