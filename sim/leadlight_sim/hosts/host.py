"""One host's scheduling latency, drawn packet by packet and timer by timer; ``scheduling`` has the kinds of host."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from leadlight_sim.hosts.scheduling import HostSettings
from leadlight_sim.kernel import Stream


class Host:
    """Draws one host's delays: its timers' from its own stream, its packets' from the stream of the link they came by.

    Delays are independent of each other: two packets that arrive in one stall do not share its end. One that
    ``wakes_at_once`` or ``stamps_at_once`` is late with no program, or with no stamp, and draws nothing for it.
    """

    __slots__ = (
        "_busy_share",
        "_draws_stamps",
        "_jitter_ns",
        "_settings",
        "_spike_share",
        "_stalls_stamps",
        "_stamps_at_once",
        "_stream",
        "_wakes_at_once",
    )

    def __init__(
        self, settings: HostSettings, stream: Stream, wakes_at_once: bool = False, stamps_at_once: bool = False
    ) -> None:
        self._settings = settings
        self._stream = stream
        self._wakes_at_once = wakes_at_once
        self._stamps_at_once = stamps_at_once
        self._busy_share = settings.busy_ns / settings.busy_period_ns if settings.busy_ns else 0.0
        # Of what every packet asks.
        self._jitter_ns = settings.jitter_ns
        self._spike_share = settings.spike_share
        self._draws_stamps = bool(settings.jitter_ns or settings.spike_share)
        self._stalls_stamps = self._busy_share > 0.0 and not settings.is_stamped

    def receive_delay_ns(self, draws: Stream) -> int:
        """Return the time from the next packet's arrival at the network interface to its stamp, in ns.

        The stream is the link's: with one stream for all, a packet from a newcomer would shift the delays of the rest.
        """
        if self._stamps_at_once:
            return 0
        delay = 0.0
        if self._draws_stamps:
            delay, is_spike = draws.half_normal_and_chance(self._jitter_ns, self._spike_share)
            if is_spike:
                delay += draws.uniform(self._settings.spike_from_ns, self._settings.spike_to_ns)
        if self._stalls_stamps:
            delay += self._stall(draws)
        return int(delay)

    def timer_lateness_ns(self) -> int:
        """Return how long after its due instant the next timer runs, in ns."""
        if self._wakes_at_once:
            return 0
        late = self._settings.timer_late_ns
        return int((self._stream.exponential(late) if late else 0.0) + self._stall(self._stream))

    def player_lateness_ns(self) -> int:
        """Return how long after its instant the player is woken next, in ns: by one draw, and one for a stall."""
        waking = self._settings.waking
        if waking is None or self._wakes_at_once:
            return self.timer_lateness_ns()
        return int(waking.at(self._stream.exponential(1.0)) + self._stall(self._stream))

    def player_latenesses_ns(self, count: int) -> list[int]:
        """Return how late the player is woken the next ``count`` times: as many calls of ``player_lateness_ns``."""
        waking = self._settings.waking
        if self._wakes_at_once:
            return [0] * count
        if waking is None or self._busy_share:
            return [self.player_lateness_ns() for _ in range(count)]
        random, log, at = self._stream.random, math.log, waking.at
        return [int(at(-log(1.0 - random()))) for _ in range(count)]

    def players_lateness_ns(self, chance: Stream, count: int) -> npt.NDArray[np.float64]:
        """Return the lateness of a player at so many wakings, in ns, drawn at once from a stream of their own."""
        settings = self._settings
        draws = -np.log1p(-_uniform(chance, count))
        if settings.waking is not None:
            late = settings.waking.each_at(draws)
        else:
            late = draws * settings.timer_late_ns
        if self._busy_share:
            stalls = _uniform(chance, count) < self._busy_share
            late += stalls * _uniform(chance, count) * settings.busy_ns
        return late

    def _stall(self, draws: Stream) -> float:
        if self._busy_share and draws.chance(self._busy_share):
            return draws.uniform(0.0, self._settings.busy_ns)
        return 0.0


def _uniform(chance: Stream, count: int) -> npt.NDArray[np.float64]:
    # Numbers in [0, 1), of 32 random bits each.
    bits = np.frombuffer(chance.bytes(4 * count), dtype=">u4")
    return bits.astype(np.float64) / 2**32
