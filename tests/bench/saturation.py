"""What theory says of contenders that always have something to send: Bianchi's model, to check the medium against.

G. Bianchi, "Performance Analysis of the IEEE 802.11 Distributed Coordination Function", IEEE Journal on Selected Areas
in Communications 18(3), 2000, doi 10.1109/49.840210. Every try of a saturated contender is taken to collide with the
same chance p, whatever came before; then the chance τ that a contender transmits in a given slot, and p, follow from
each other.
"""

from __future__ import annotations

from dataclasses import dataclass

from leadlight.errors import ConfigurationError


@dataclass(frozen=True, slots=True)
class Saturation:
    """The state of ``contenders`` saturated contenders: ``transmit_chance`` τ in a slot, ``collision_chance`` p of a
    try."""

    contenders: int
    transmit_chance: float
    collision_chance: float

    @property
    def busy_chance(self) -> float:
        """The chance that somebody transmits in a slot: 1 − (1 − τ)^n."""
        return float(1.0 - (1.0 - self.transmit_chance) ** self.contenders)

    @property
    def success_chance(self) -> float:
        """The chance that exactly one contender transmits in a slot: n·τ·(1 − τ)^(n − 1)."""
        return float(self.contenders * self.transmit_chance * (1.0 - self.transmit_chance) ** (self.contenders - 1))

    def throughput(
        self, payload: float, slot: float, success: float, collision: float, *, exclusive_window: int | None = None
    ) -> float:
        """Return payload carried per unit of time, for the durations of an idle slot, a success and a collision.

        Equation 13 of the paper; units are the caller's. Where counts stand still while the medium is busy, the slot
        after a success is its sender's alone, which draws it once in ``exclusive_window`` tries (I. Tinnirello,
        G. Bianchi and Y. Xiao, IEEE Transactions on Vehicular Technology 59(2), 2010): a success is then a run of
        1 / (1 − 1 / window) frames, and an idle slot.
        """
        if exclusive_window is not None:
            run = 1.0 / (1.0 - 1.0 / exclusive_window)
            payload, success = payload * run, success * run + slot
        busy, successful = self.busy_chance, self.success_chance
        return successful * payload / ((1.0 - busy) * slot + successful * success + (busy - successful) * collision)


def saturation(contenders: int, window: int, stages: int) -> Saturation:
    """Solve for the fixed point of ``contenders``, first window ``window`` = W slots and ``stages`` = m doublings.

    τ = 2(1 − 2p) / ((1 − 2p)(W + 1) + p·W·(1 − (2p)^m)) and p = 1 − (1 − τ)^(n − 1), equations 7 and 9 of the paper.
    τ falls as p rises, so the fixed point is unique and bisection finds it.
    """
    if type(contenders) is not int or contenders < 1:
        raise ConfigurationError("contenders", contenders, "a whole number, 1 or more")
    if type(window) is not int or window < 1:
        raise ConfigurationError("window", window, "a whole number of slots, 1 or more")
    if type(stages) is not int or stages < 0:
        raise ConfigurationError("stages", stages, "a whole number, 0 or more")
    low, high = 0.0, 1.0
    for _ in range(100):
        middle = (low + high) / 2.0
        if 1.0 - (1.0 - _transmit_chance(middle, window, stages)) ** (contenders - 1) > middle:
            low = middle
        else:
            high = middle
    return Saturation(contenders, _transmit_chance(low, window, stages), low)


def _transmit_chance(collision_chance: float, window: int, stages: int) -> float:
    # The formula with its common factor 1 − 2p divided out, which would be 0 / 0 at p = 1/2:
    # (1 − (2p)^m) / (1 − 2p) is the sum of (2p)^k for k below m.
    doublings: float = sum((2.0 * collision_chance) ** stage for stage in range(stages))
    return 2.0 / (window + 1.0 + collision_chance * window * doublings)
