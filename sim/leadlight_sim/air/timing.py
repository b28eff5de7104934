"""How long a frame keeps an 802.11 medium busy.

All durations are whole nanoseconds. Field sizes and constants are those of IEEE 802.11 for one spatial stream, 20 MHz
channels and the long guard interval. The duration formulas are the ones the Linux kernel's ``mac80211`` uses
(``ieee80211_frame_duration``, which cites IEEE 802.11-2012 clauses 18.3.2.4 and 19.8.4).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND

OFDM_RATES_MBPS = (6.0, 9.0, 12.0, 18.0, 24.0, 36.0, 48.0, 54.0)
DSSS_RATES_MBPS = (1.0, 2.0, 5.5, 11.0)
HT20_BITS_PER_SYMBOL = (26, 52, 78, 104, 156, 208, 234, 260)
"""Data bits in one 4 µs symbol of HT20 MCS 0 to 7, one stream (IEEE 802.11-2012 table 20-30)."""

SYMBOL_NS = 4 * MICROSECOND
SIGNAL_EXTENSION_NS = 6 * MICROSECOND
"""Silence after every OFDM frame at 2.4 GHz (IEEE 802.11-2012 clause 19.3.2.4)."""
ACK_BYTES = 14
CW_MAX = 1023

# MAC header 24, CCMP 16, LLC/SNAP 8, IPv4 and UDP 28, FCS 4; a unicast QoS frame has 2 more in its header.
GROUP_OVERHEAD_BYTES = 80
UNICAST_OVERHEAD_BYTES = 82


class Band(Enum):
    """The frequency band of an access point's radio."""

    GHZ_2_4 = "2.4 GHz"
    GHZ_5 = "5 GHz"


def ofdm_frame_ns(frame_bytes: int, rate_mbps: float, band: Band) -> int:
    """Return the duration of an OFDM frame of ``frame_bytes`` (FCS included) at 6 to 54 Mb/s.

    20 µs of preamble, then 4 µs symbols of 4 bits per Mb/s that carry 16 service, 8 per byte and 6 tail bits.
    """
    bits_per_symbol = round(4 * rate_mbps)
    symbols = -(-(22 + 8 * frame_bytes) // bits_per_symbol)
    return 20 * MICROSECOND + symbols * SYMBOL_NS + _extension_ns(band)


def dsss_frame_ns(frame_bytes: int, rate_mbps: float, *, long_preamble: bool) -> int:
    """Return the duration of a DSSS or CCK frame at 1, 2, 5.5 or 11 Mb/s; 1 Mb/s always has the long
    preamble."""
    preamble_us = 192 if long_preamble or rate_mbps == 1.0 else 96
    # Rates are whole tenths of a megabit per second, so this division is exact integer arithmetic.
    payload_us = -(-(80 * frame_bytes) // round(10 * rate_mbps))
    return (preamble_us + payload_us) * MICROSECOND


def ht20_frame_ns(frame_bytes: int, mcs: int, band: Band) -> int:
    """Return the duration of an HT-mixed 20 MHz frame of one stream: 36 µs of preamble, then symbols."""
    symbols = -(-(22 + 8 * frame_bytes) // HT20_BITS_PER_SYMBOL[mcs])
    return 36 * MICROSECOND + symbols * SYMBOL_NS + _extension_ns(band)


def _extension_ns(band: Band) -> int:
    return SIGNAL_EXTENSION_NS if band is Band.GHZ_2_4 else 0


class FrameCosts(Protocol):
    """What the sampled air asks of a radio: the medium time of one frame, by its UDP payload in bytes."""

    def group_ns(self, payload_bytes: int) -> int:
        """Return the medium time of one group frame."""
        ...

    def unicast_ns(self, payload_bytes: int, attempt: int = 0) -> int:
        """Return the medium time of the unicast try number ``attempt``, counted from 0."""
        ...

    def mean_backoff_ns(self, attempt: int = 0) -> int:
        """Return the mean count before that try, which is in its medium time."""
        ...


@dataclass(frozen=True, slots=True)
class Radio:
    """How one access point's radio is set, and so what each frame costs.

    ``group_rate_mbps`` is the basic rate at which group frames leave; None takes the usual default, 1 Mb/s at
    2.4 GHz and 6 Mb/s at 5 GHz. ``unicast_mcs`` is an HT20 index of one stream. ``long_slot`` says that an
    802.11b station is about (2.4 GHz only): slots last 20 µs and the smallest window is 31.
    ``short_preamble`` applies to group rates of 2, 5.5 and 11 Mb/s.
    """

    band: Band = Band.GHZ_2_4
    group_rate_mbps: float | None = None
    unicast_mcs: int = 3
    long_slot: bool = False
    short_preamble: bool = False

    def __post_init__(self) -> None:
        allowed = OFDM_RATES_MBPS if self.band is Band.GHZ_5 else DSSS_RATES_MBPS + OFDM_RATES_MBPS
        if self.group_rate_mbps is not None and self.group_rate_mbps not in allowed:
            raise ConfigurationError("group_rate_mbps", self.group_rate_mbps, f"one of {allowed} or None")
        if not 0 <= self.unicast_mcs < len(HT20_BITS_PER_SYMBOL):
            raise ConfigurationError("unicast_mcs", self.unicast_mcs, "0 to 7")
        if self.long_slot and self.band is Band.GHZ_5:
            raise ConfigurationError("long_slot", True, "False at 5 GHz")

    @property
    def slot_ns(self) -> int:
        """Slot time."""
        return (20 if self.long_slot else 9) * MICROSECOND

    @property
    def sifs_ns(self) -> int:
        """Short interframe space."""
        return (10 if self.band is Band.GHZ_2_4 else 16) * MICROSECOND

    @property
    def difs_ns(self) -> int:
        """Distributed interframe space: SIFS and two slots."""
        return self.sifs_ns + 2 * self.slot_ns

    @property
    def eifs_ns(self) -> int:
        """Extended interframe space: SIFS, an ACK at the lowest rate the band requires, and DIFS.

        IEEE 802.11-2012 clause 9.3.7; the lowest rate is 6 Mb/s at 5 GHz and 1 Mb/s at 2.4 GHz.
        """
        if self.band is Band.GHZ_5:
            acknowledgement_ns = ofdm_frame_ns(ACK_BYTES, 6.0, self.band)
        else:
            acknowledgement_ns = dsss_frame_ns(ACK_BYTES, 1.0, long_preamble=True)
        return self.sifs_ns + acknowledgement_ns + self.difs_ns

    @property
    def cw_min(self) -> int:
        """Smallest contention window, in slots."""
        return 31 if self.long_slot else 15

    def mean_backoff_ns(self, attempt: int = 0) -> int:
        """Return the mean wait of try ``attempt``: half its window, which doubles with every failure."""
        window = min(((self.cw_min + 1) << attempt) - 1, CW_MAX)
        return window * self.slot_ns // 2

    def group_frame_ns(self, payload_bytes: int) -> int:
        """Return the on-air duration of a group frame alone, without the waits before it."""
        frame_bytes = payload_bytes + GROUP_OVERHEAD_BYTES
        rate_mbps = self.group_rate_mbps
        if rate_mbps is None:
            rate_mbps = 1.0 if self.band is Band.GHZ_2_4 else 6.0
        if rate_mbps in DSSS_RATES_MBPS:
            return dsss_frame_ns(frame_bytes, rate_mbps, long_preamble=not self.short_preamble)
        return ofdm_frame_ns(frame_bytes, rate_mbps, self.band)

    def unicast_frame_ns(self, payload_bytes: int) -> int:
        """Return the on-air duration of a unicast data frame alone."""
        return ht20_frame_ns(payload_bytes + UNICAST_OVERHEAD_BYTES, self.unicast_mcs, self.band)

    def acknowledgement_ns(self) -> int:
        """Return the duration of an ACK, sent at the highest of 6, 12, 24 Mb/s not above the data rate."""
        data_rate_mbps = HT20_BITS_PER_SYMBOL[self.unicast_mcs] / 4
        rate_mbps = 24.0 if data_rate_mbps >= 24 else 12.0 if data_rate_mbps >= 12 else 6.0
        return ofdm_frame_ns(ACK_BYTES, rate_mbps, self.band)

    @property
    def busy_after_ns(self) -> int:
        """How long after a unicast frame nobody may send without counting down first: SIFS, the ACK, DIFS."""
        return self.sifs_ns + self.acknowledgement_ns() + self.difs_ns

    def group_ns(self, payload_bytes: int) -> int:
        """Return DIFS, mean backoff and the frame: what one group frame costs a lone sender."""
        return self.difs_ns + self.mean_backoff_ns() + self.group_frame_ns(payload_bytes)

    def unicast_ns(self, payload_bytes: int, attempt: int = 0) -> int:
        """Return DIFS, mean backoff, the frame, SIFS and the ACK; a failed try waits as long for its ACK."""
        return (
            self.difs_ns
            + self.mean_backoff_ns(attempt)
            + self.unicast_frame_ns(payload_bytes)
            + self.sifs_ns
            + self.acknowledgement_ns()
        )


@dataclass(frozen=True, slots=True)
class WeightlessRadio:
    """A radio whose frames take no time: leaves the delay distributions alone to decide."""

    def group_ns(self, payload_bytes: int) -> int:  # noqa: ARG002 - the size does not matter here
        """Return 0."""
        return 0

    def unicast_ns(self, payload_bytes: int, attempt: int = 0) -> int:  # noqa: ARG002 - likewise
        """Return 0."""
        return 0

    def mean_backoff_ns(self, attempt: int = 0) -> int:  # noqa: ARG002 - likewise
        """Return 0."""
        return 0
