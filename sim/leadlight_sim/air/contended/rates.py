"""The rates that a unicast frame's tries go at, and how long each try lasts.

A sender that gets no ACK tries again, after some tries at a lower rate. Which tries go at which rate is each driver's
own affair. The rule here is tries 1 and 2 at the best rate, 3 and 4 at half its index, 5 to 7 at the lowest. It is
assumed, after the retry chains of Linux's Minstrel, which steps down after two to six failures.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from leadlight.errors import ConfigurationError
from leadlight_sim.air import HT20_BITS_PER_SYMBOL, Radio
from leadlight_sim.air.contended.contention import RETRY_LIMIT


@dataclass(frozen=True, slots=True)
class RateStep:
    """``tries`` in a row at one HT20 rate; ``loss_factor`` times the channel's loss is what such a try suffers.

    By how much a lower rate helps has no published figure, so that the factor is 1 unless told otherwise.
    """

    mcs: int
    tries: int = 1
    loss_factor: float = 1.0

    def __post_init__(self) -> None:
        if not 0 <= self.mcs < len(HT20_BITS_PER_SYMBOL):
            raise ConfigurationError("mcs", self.mcs, "0 to 7")
        if type(self.tries) is not int or self.tries < 1:
            raise ConfigurationError("tries", self.tries, "a whole number, 1 or more")
        if not 0.0 <= self.loss_factor <= 1.0:
            raise ConfigurationError("loss_factor", self.loss_factor, "0 to 1")


def fallback_chain(mcs: int) -> tuple[RateStep, ...]:
    """Return the seven tries of a sender whose best rate is ``mcs``."""
    lowest_tries = RETRY_LIMIT - 4
    return RateStep(mcs, 2), RateStep(mcs // 2, 2), RateStep(0, lowest_tries)


class FrameTimes:
    """Durations of one radio's frames, remembered by size. ``tries`` is the length of the rate chain."""

    def __init__(self, radio: Radio, chain: tuple[RateStep, ...]) -> None:
        self._radio = radio
        self._rates = [replace(radio, unicast_mcs=step.mcs) for step in chain for _ in range(step.tries)]
        self._group_ns: dict[int, int] = {}
        self._unicast_ns: dict[tuple[int, int], int] = {}
        self.tries = len(self._rates)
        self.loss_factors = [step.loss_factor for step in chain for _ in range(step.tries)]
        self.answer_ns = [radio.sifs_ns + rate.acknowledgement_ns() for rate in self._rates]
        """SIFS and ACK after each try."""

    def group_ns(self, payload_bytes: int) -> int:
        """Return the on-air duration of a group frame."""
        duration_ns = self._group_ns.get(payload_bytes)
        if duration_ns is None:
            duration_ns = self._group_ns[payload_bytes] = self._radio.group_frame_ns(payload_bytes)
        return duration_ns

    def unicast_ns(self, payload_bytes: int, attempt: int) -> int:
        """Return the on-air duration of try number ``attempt``, counted from 0."""
        key = payload_bytes, attempt
        duration_ns = self._unicast_ns.get(key)
        if duration_ns is None:
            duration_ns = self._unicast_ns[key] = self._rates[attempt].unicast_frame_ns(payload_bytes)
        return duration_ns
