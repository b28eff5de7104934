"""What share of a channel's time a recording takes, on a network whose rates nobody has told."""

from __future__ import annotations

from typing import Final, NamedTuple

from leadlight.recording.contents import Plan
from leadlight.units import MICROSECOND, SECOND

# Durations of IEEE 802.11-2012: slots of 9 µs and half of the smallest window of 15 before each frame. Around each
# datagram: MAC header 24 (26 where acknowledged), CCMP 16, LLC/SNAP 8, IPv4 and UDP 28, FCS 4 bytes.
_GROUP_BYTES: Final = 80
_UNICAST_BYTES: Final = 82
_BACKOFF_US: Final = 15 * 9 // 2


class BandShare(NamedTuple):
    """A band by its name, the rate at which group frames leave there by default, and the share of time taken."""

    band: str
    group_rate: str
    share: float


def airtime_shares(plan: Plan, hosts: int) -> tuple[BandShare, BandShare]:
    """Return the share of time that a plan with so many hosts takes on either band, each datagram sent up and down.

    Group frames leave at 1 Mb/s with the long preamble on 2.4 GHz (clause 17.2.2) and at 6 Mb/s on 5 GHz (clause
    18.3.2.4). Unicast frames leave at 26 Mb/s (HT20 MCS 3, clause 20.3), each answered by an ACK. Retries are not in
    it.
    """
    size = plan.probe_bytes
    unicast_us = 36 + 4 * -(-(22 + 8 * (size + _UNICAST_BYTES)) // 104) + 32
    group_us = {
        ("2.4 GHz", "1 Mb/s", 28, 10): 192 + 8 * (size + _GROUP_BYTES),
        ("5 GHz", "6 Mb/s", 34, 16): 20 + 4 * -(-(22 + 8 * (size + _GROUP_BYTES)) // 24),
    }
    asked_per_second = hosts * SECOND / plan.host_interval_for(hosts)
    shares = []
    for (band, rate, difs_us, sifs_us), frame_us in group_us.items():
        before_us = difs_us + _BACKOFF_US
        acknowledged_us = before_us + unicast_us + sifs_us
        # A probe and its answer, each to the access point and from it; to the group, up once and then to everybody.
        per_second_us = 4 * acknowledged_us * asked_per_second
        per_second_us += (acknowledged_us + before_us + frame_us) * SECOND / plan.group_interval_ns
        shares.append(BandShare(band, rate, per_second_us * MICROSECOND / SECOND))
    return shares[0], shares[1]
