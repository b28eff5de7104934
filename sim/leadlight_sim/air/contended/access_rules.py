"""The figures by which a contended medium is shared: slots, spaces between frames, windows."""

from __future__ import annotations

from dataclasses import dataclass

from leadlight.errors import ConfigurationError
from leadlight_sim.air import CW_MAX, Radio


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessRules:
    """The figures of the coordination function.

    Windows are in slots, 2^k − 1. ``collision_wait_ns`` is what follows a collision before counts go on. With
    ``counts_busy`` a busy period counts as one slot, as it does in Bianchi's model (IEEE JSAC 18(3), 2000); real
    counts stand still.
    """

    slot_ns: int
    sifs_ns: int
    difs_ns: int
    collision_wait_ns: int
    cw_min: int = 15
    cw_max: int = CW_MAX
    counts_busy: bool = False

    def __post_init__(self) -> None:
        for name in ("slot_ns", "sifs_ns", "difs_ns", "collision_wait_ns"):
            value = getattr(self, name)
            if type(value) is not int or value <= 0:
                raise ConfigurationError(name, value, "a whole number of ns above 0")
        for name in ("cw_min", "cw_max"):
            window = getattr(self, name)
            if type(window) is not int or not 0 <= window <= 32767 or window & (window + 1):
                raise ConfigurationError(name, window, "0, 1, 3, 7 and so on to 32767")
        if self.cw_max < self.cw_min:
            raise ConfigurationError("cw_max", self.cw_max, "at least cw_min")

    @classmethod
    def of(cls, radio: Radio) -> AccessRules:
        """Return the rules of a radio, an EIFS after collisions."""
        return cls(
            slot_ns=radio.slot_ns,
            sifs_ns=radio.sifs_ns,
            difs_ns=radio.difs_ns,
            collision_wait_ns=radio.eifs_ns,
            cw_min=radio.cw_min,
        )

    @property
    def window_bits(self) -> tuple[int, ...]:
        """How many random bits make a count after 0, 1, 2 ... failures, up to the largest window."""
        return tuple(range(self.cw_min.bit_length(), self.cw_max.bit_length() + 1))
