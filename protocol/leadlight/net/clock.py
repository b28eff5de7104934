"""This node's own monotonic clock, in whole nanoseconds.

The raw hardware clock is used where the system offers it. A time daemon may bend the ordinary one by up to 500 ppm,
which is more than a crystal is wrong by. Neither counts the time a suspended board sleeps. Where the system can tell,
that time is added, so that a board that wakes sees a long silence and not a leader in the future.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial

from leadlight.units import MILLISECOND, LocalInstant

SLEEP_MINIMUM_NS = 50 * MILLISECOND
"""A shorter suspension is not looked for: it is nearer to the system's own reading of how long it slept."""

Reader = Callable[[], int]


def _reader(clock_name: str) -> Reader | None:
    clock_id = getattr(time, clock_name, None)
    if clock_id is None:
        return None
    try:
        time.clock_gettime_ns(clock_id)
    except OSError:  # the name was known when Python was built, the running kernel lacks it
        return None
    return partial(time.clock_gettime_ns, clock_id)


class LocalClock:
    """Reads the local clock; call it for the instant now.

    ``raw``, ``awake`` and ``boot`` replace the system's clocks in tests: ``raw`` is the clock that is
    read, ``boot`` runs while the system sleeps and ``awake`` does not. Without both of the last two no
    sleep is noticed.
    """

    def __init__(self, raw: Reader | None = None, awake: Reader | None = None, boot: Reader | None = None) -> None:
        if raw is None:
            raw = _reader("CLOCK_MONOTONIC_RAW") or time.monotonic_ns
            # Linux: CLOCK_BOOTTIME is CLOCK_MONOTONIC plus the time asleep (clock_gettime(2)).
            awake, boot = _reader("CLOCK_MONOTONIC"), _reader("CLOCK_BOOTTIME")
        self._raw = raw
        self._awake = awake
        self._boot = boot
        self._slept_ns = 0
        self._slept_before_start_ns = self._asleep_in_all()

    def __call__(self) -> LocalInstant:
        """Return the instant now."""
        # Written out, because it is read several times a frame; otherwise as in ``_asleep_in_all``.
        if self._boot is not None and self._awake is not None:
            slept_ns = self._boot() - self._awake() - self._slept_before_start_ns
            if slept_ns - self._slept_ns >= SLEEP_MINIMUM_NS:
                self._slept_ns = slept_ns
        return LocalInstant(self._raw() + self._slept_ns)

    @property
    def slept_ns(self) -> int:
        """How long the system has been suspended since this clock was made, as far as it was noticed."""
        return self._slept_ns

    @property
    def asleep_before_ns(self) -> int:
        """How long the system had been suspended when this clock was made: other clocks of this boot show less."""
        return self._slept_before_start_ns

    @property
    def asleep_ns(self) -> int:
        """How long the system has been suspended since it was booted."""
        return self._asleep_in_all()

    def _asleep_in_all(self) -> int:
        if self._awake is None or self._boot is None:
            return 0
        # In this order a pause between the two readings can only make the sleep look shorter.
        boot = self._boot()
        return boot - self._awake()
