"""Aiming at an instant: how early a wait should be woken, and its last stretch, which is slept through or spun away.

A timer that is exact still wakes late, by what the system takes to get round to the program, the loop to the task and
the player to what it prepares. So it is set early by nearly the most of what that has lately been. What is left is
waited for standing still, in a short sleep: from that a core that has only just been woken wakes far more evenly than
from a long one, and nothing lies between waking and the player. The sleep ends early by what nearly every one has been
late. To be surer still it ends early by nearly the most of that, and the rest is spent asking the clock: a spin. That
takes a little of one core: waits are given credit for a share of the time that passes, and none spins for longer than
it has.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from time import monotonic_ns, sleep
from typing import Final

from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LocalInstant

KEPT: Final = 128
"""About three seconds of frames: soon enough to follow what else the host begins to do."""
EARLY_SHARE: Final = 0.05
"""The share of wakes that may come before their instant, where that is then waited for by asking the clock."""
LATE_SHARE: Final = 0.02
"""The share of wakes that may come later than was aimed for."""
MEDIANS_MAXIMUM: Final = 3
"""Nothing is aimed earlier by more than so many medians: what comes later is another program's doing, and rare."""
WAKE_LATE_AT_FIRST_NS: Final = 300 * MICROSECOND
SLEEP_LATE_AT_FIRST_NS: Final = 100 * MICROSECOND
"""Before anything is known: what an idle computer was measured to need."""
MARGIN_NS: Final = 100 * MICROSECOND
"""A sleep is meant to be so long at least: several players of one host hold each other up."""
SPIN_MARGIN_NS: Final = 20 * MICROSECOND
"""A spin begins so much earlier than any sleep is known to end late: by then what follows it has been fetched."""
SLEEP_MINIMUM_NS: Final = 10 * MICROSECOND
"""A shorter sleep is not worth its beginning and end."""
LEAD_MAXIMUM_NS: Final = 2 * MILLISECOND
"""Whatever wakes later than this is not waited out: the loop stands still for as long."""
_CREDIT_KEPT_NS: Final = SECOND // 4
"""Credit is kept for so much time, so that a rare wait may spin for as long as it needs."""
_LEARNT_EVERY: Final = 8
_LEARNT_LATER_EVERY: Final = 32
"""Once as many are kept as can be: one more changes little, and sorting them costs as much as a look at a frame."""


class Lateness:
    """How late something of this host has lately been, in ns; ``most_ns`` is a guess until it is known."""

    def __init__(self, most_ns: int) -> None:
        self.least_ns = 0
        """What nearly every one was late."""
        self.most_ns = most_ns
        """What hardly any was later than."""
        self._late: deque[int] = deque(maxlen=KEPT)
        self._notes = 0

    def note(self, late_ns: int) -> None:
        """Learn of one more."""
        self._late.append(late_ns)
        self._notes += 1
        if self._notes % (_LEARNT_EVERY if self._notes <= KEPT else _LEARNT_LATER_EVERY) == 0:
            ordered = sorted(self._late)
            count = len(ordered)
            most_ns = min(ordered[int(count * (1.0 - LATE_SHARE))], MEDIANS_MAXIMUM * ordered[count // 2])
            self.most_ns = max(min(most_ns, LEAD_MAXIMUM_NS), 0)
            self.least_ns = min(max(ordered[int(count * EARLY_SHARE)], 0), self.most_ns)


class Aim:
    """How long before an instant a node should be woken, learnt from how late it has been; and the wait from there.

    ``share`` is the most that spinning may cost of one core, 0 to 1; with 0 there is none. Unless it
    ``stands_still`` there is no wait from there: the timer is set early by the least it has been late, and that is all.
    """

    def __init__(self, share: float, clock: Callable[[], LocalInstant]) -> None:
        self.share = share
        self.stands_still = False
        self.spun_ns = 0
        """What spinning has cost so far."""
        self.wakes = Lateness(WAKE_LATE_AT_FIRST_NS)
        self.sleeps = Lateness(SLEEP_LATE_AT_FIRST_NS)
        self._clock = clock
        self._sleep_lead_ns = 0
        self._wake_late_ns: int | None = None
        self._sleep_late_ns: int | None = None
        self._credit_ns = 0.0
        self._credited_at = clock()

    def lead_ns(self, now: LocalInstant) -> int:
        """Return how long before its instant a wait that begins now should be woken, in ns."""
        self._learn()
        if not self.stands_still:
            return self.wakes.least_ns
        lead_ns = self.sleeps.least_ns
        if self.share > 0.0:
            credit = self._credit_ns + (now - self._credited_at) * self.share
            self._credit_ns = min(credit, _CREDIT_KEPT_NS * self.share)
            self._credited_at = now
            lead_ns = max(min(self.sleeps.most_ns + SPIN_MARGIN_NS, lead_ns + int(self._credit_ns)), lead_ns)
        self._sleep_lead_ns = lead_ns
        return lead_ns + self.wakes.most_ns + MARGIN_NS

    def note_woken(self, late_ns: int) -> None:
        """Learn that the timer woke so many ns after it was due."""
        self.wakes.note(late_ns)

    def stand_still(self, at: LocalInstant, woken_for: LocalInstant | None) -> LocalInstant:
        """Return when the clock shows ``at``, having slept and spun since a wake that was due at ``woken_for``.

        Returns the instant by then.
        """
        left_ns = at - self._clock()
        began_at = now = monotonic_ns()
        if woken_for is not None:
            self._wake_late_ns = at - left_ns - woken_for
        # From here on by the system's clock, which is read in a fifth of the time. They part by 500 ppm at most; a
        # thousandth more makes sure that it is not too soon, and so does reading it second.
        until = began_at + left_ns + (left_ns >> 10)
        ahead_ns = at - left_ns - began_at
        sleeps_until = until - self._sleep_lead_ns
        if sleeps_until - began_at > SLEEP_MINIMUM_NS:
            sleep((sleeps_until - began_at) / SECOND)
            # All that follows lies between the frame's instant and the frame.
            now = monotonic_ns()
            self._sleep_late_ns = now - sleeps_until
        return LocalInstant(ahead_ns + now) if now >= until else self._spin(at)

    def _learn(self) -> None:
        # At the next wait: between waking and the player there is no time for it.
        if self._wake_late_ns is not None:
            self.wakes.note(self._wake_late_ns)
            self._wake_late_ns = None
        if self._sleep_late_ns is not None:
            self.sleeps.note(self._sleep_late_ns)
            self._sleep_late_ns = None

    def _spin(self, at: LocalInstant) -> LocalInstant:
        # There is time for another look at the node's own clock.
        left_ns = at - self._clock()
        began_at = now = monotonic_ns()
        until = began_at + left_ns + (left_ns >> 10)
        while now < until:
            now = monotonic_ns()
        self.spun_ns += now - began_at
        self._credit_ns -= now - began_at
        return LocalInstant(at - left_ns + now - began_at)
