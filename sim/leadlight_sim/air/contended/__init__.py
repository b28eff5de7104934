"""The contended air: every frame competes for its channel, by the rules of IEEE 802.11."""

from leadlight_sim.air.contended.air import ContendedAir
from leadlight_sim.air.contended.neighbours import NEIGHBOUR_PAYLOAD_BYTES, Neighbour, OnOff, Poisson, Saturated
from leadlight_sim.air.contended.radio_queues import Frame, Port
from leadlight_sim.air.contended.settings import (
    MEMBERSHIP_LIFETIME_NS,
    AccessPoint,
    Beacons,
    ContendedSettings,
    PowerSave,
    Scans,
)
