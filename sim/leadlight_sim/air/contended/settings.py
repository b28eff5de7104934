"""What a contended air is told: the radio, the access point's habits, who dozes, who scans, who lives next door."""

from __future__ import annotations

from dataclasses import dataclass, field

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND, MILLISECOND, SECOND
from leadlight_sim.air import (
    BEACON_INTERVAL_NS,
    NO_DROPOUT,
    DelayDistribution,
    Dropout,
    Fixed,
    Radio,
    check_clock_error,
    check_names,
    check_period,
)
from leadlight_sim.air.contended.access_rules import AccessRules
from leadlight_sim.air.contended.neighbours import Neighbour
from leadlight_sim.air.contended.rates import RateStep, fallback_chain

BEACON_FRAME_BYTES = 250
"""A beacon frame with its usual elements, FCS included; assumed (such frames run from 150 to 400 bytes)."""
GROUP_QUEUE_FRAMES = 128
"""AP_MAX_BC_BUFFER of Linux ``mac80211``: group frames held by an access point, oldest dropped first."""
STATION_QUEUE_FRAMES = 64
"""STA_MAX_TX_BUFFER of Linux ``mac80211``: frames held for one station, oldest dropped first."""
SLEEP_AFTER_NS = 100 * MILLISECOND
"""Idle time after which a station dozes: the default of Linux ``mac80211`` dynamic power save."""
MEMBERSHIP_LIFETIME_NS = 260 * SECOND
"""How long a snooping switch remembers a report: 2 · 125 s + 10 s (RFC 3376 sections 8.1 to 8.4)."""
CABLE_NS = 150 * MICROSECOND
"""A switched Ethernet hop between access point and wired station; assumed."""


@dataclass(frozen=True, slots=True)
class Beacons:
    """The access point's own beacons, which take air and carry the DTIM.

    ``period``, ``phase_ns`` and ``clock_error_ppb`` are as for ``GroupHold``, drawn from the seed where None.
    ``frame_bytes`` counts the whole frame, FCS included; it goes at the group rate.
    """

    period: int = 2
    phase_ns: int | None = None
    clock_error_ppb: int | None = None
    frame_bytes: int = BEACON_FRAME_BYTES

    def __post_init__(self) -> None:
        check_period(self.period)
        if self.phase_ns is not None and not 0 <= self.phase_ns < self.period * BEACON_INTERVAL_NS:
            raise ConfigurationError("phase_ns", self.phase_ns, "0 up to one DTIM interval, or None")
        if self.clock_error_ppb is not None:
            check_clock_error(self.clock_error_ppb)
        if type(self.frame_bytes) is not int or not 50 <= self.frame_bytes <= 2304:
            raise ConfigurationError("frame_bytes", self.frame_bytes, "50 to 2304")


@dataclass(frozen=True, slots=True)
class PowerSave:
    """Who dozes. While anybody does, all group frames wait for the DTIM beacon (RFC 9119 section 4.3).

    The stations named doze ``sleep_after_ns`` after their latest unicast frame, and wake to send, for DTIM bursts, and
    for the next beacon if there is unicast for them. With ``others_doze`` a visitor's phone dozes all the time. With
    ``deaf`` dozing stations miss group frames, as some chips do.
    """

    stations: tuple[str, ...] = ()
    sleep_after_ns: int = SLEEP_AFTER_NS
    others_doze: bool = False
    deaf: bool = False

    def __post_init__(self) -> None:
        check_names("stations", self.stations)
        if type(self.sleep_after_ns) is not int or self.sleep_after_ns < 1:
            raise ConfigurationError("sleep_after_ns", self.sleep_after_ns, "a whole number of ns above 0")


@dataclass(frozen=True, slots=True)
class Scans:
    """Stations that leave the channel for ``duration_ns`` in every ``period_ns``, first at ``phase_ns``.

    A station tells the access point before it goes, as one that dozes: its unicast waits, group frames pass it by.
    """

    stations: tuple[str, ...]
    period_ns: int
    duration_ns: int
    phase_ns: int = 0

    def __post_init__(self) -> None:
        check_names("stations", self.stations)
        if not 0 < self.duration_ns < self.period_ns:
            raise ConfigurationError("duration_ns", self.duration_ns, "above 0 and below period_ns")
        if self.phase_ns < 0:
            raise ConfigurationError("phase_ns", self.phase_ns, "0 or more")


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessPoint:
    """One access point: its channel, its habits, and its stations.

    ``rules``, ``chain``, ``beacons``, ``neighbours`` and ``shared_dropout`` are as for ``ContendedSettings``, and
    ``others_doze`` as for ``PowerSave``. ``stations`` names its own; the first access point has those of no other.
    """

    name: str
    stations: tuple[str, ...] = ()
    radio: Radio = field(default_factory=Radio)
    rules: AccessRules | None = None
    chain: tuple[RateStep, ...] | None = None
    shared_dropout: Dropout = NO_DROPOUT
    beacons: Beacons | None = field(default_factory=Beacons)
    others_doze: bool = False
    neighbours: tuple[Neighbour, ...] = ()

    def __post_init__(self) -> None:
        if not self.name:
            raise ConfigurationError("name", self.name, "a name")
        check_names("stations", self.stations)
        if self.chain is not None and not self.chain:
            raise ConfigurationError("chain", self.chain, "one step or more, or None")
        if self.others_doze and self.beacons is None:
            raise ConfigurationError("beacons", None, "beacons, where anybody dozes")

    @property
    def access_rules(self) -> AccessRules:
        """The rules that hold."""
        return AccessRules.of(self.radio) if self.rules is None else self.rules

    @property
    def rate_chain(self) -> tuple[RateStep, ...]:
        """The rate chain that holds."""
        return fallback_chain(self.radio.unicast_mcs) if self.chain is None else self.chain


@dataclass(frozen=True, slots=True, kw_only=True)
class ContendedSettings:
    """Everything that a contended air is told.

    ``rules`` None takes those of the radio, ``chain`` None its ``fallback_chain``; the chain's length is the retry
    limit. ``dropout`` is each radio station's own channel, ``shared_dropout`` one that all have in common; both give
    the loss of one try. ``beacons`` None is an access point without any, which holds nothing. With
    ``converts_multicast`` the access point sends each member of the group an acknowledged copy. With
    ``membership_lifetime_ns`` it snoops, has no querier, and forgets members that long after their latest report;
    None floods. ``answer_loss_factor`` times the channel's loss is what an ACK suffers, short and slow as it is:
    what it answers is then tried again, although it has arrived. ``name`` is the access point's; ``further`` are others
    on the same cable, each on a channel that the rest do not hear.
    """

    name: str = "access point"
    further: tuple[AccessPoint, ...] = ()
    radio: Radio = field(default_factory=Radio)
    rules: AccessRules | None = None
    chain: tuple[RateStep, ...] | None = None
    dropout: Dropout = NO_DROPOUT
    shared_dropout: Dropout = NO_DROPOUT
    beacons: Beacons | None = field(default_factory=Beacons)
    power_save: PowerSave = field(default_factory=PowerSave)
    scans: Scans | None = None
    neighbours: tuple[Neighbour, ...] = ()
    cable: DelayDistribution = field(default_factory=lambda: Fixed(CABLE_NS))
    group_queue_frames: int = GROUP_QUEUE_FRAMES
    station_queue_frames: int = STATION_QUEUE_FRAMES
    client_isolation: bool = False
    converts_multicast: bool = False
    membership_lifetime_ns: int | None = None
    answer_loss_factor: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.answer_loss_factor <= 1.0:
            raise ConfigurationError("answer_loss_factor", self.answer_loss_factor, "0 to 1")
        if self.chain is not None and not self.chain:
            raise ConfigurationError("chain", self.chain, "one step or more, or None")
        for name in ("group_queue_frames", "station_queue_frames"):
            value = getattr(self, name)
            if type(value) is not int or value < 1:
                raise ConfigurationError(name, value, "a whole number, 1 or more")
        lifetime_ns = self.membership_lifetime_ns
        if lifetime_ns is not None and lifetime_ns <= 0:
            raise ConfigurationError("membership_lifetime_ns", lifetime_ns, "above 0, or None")
        points = self.access_points
        if self.power_save.stations and any(point.beacons is None for point in points):
            raise ConfigurationError("beacons", None, "beacons, where anybody dozes")
        if len({point.name for point in points}) < len(points):
            raise ConfigurationError("further", self.further, "access points of different names")
        check_names("stations", tuple(name for point in self.further for name in point.stations))

    @property
    def access_points(self) -> tuple[AccessPoint, ...]:
        """All access points, the first one first."""
        first = AccessPoint(
            name=self.name,
            radio=self.radio,
            rules=self.rules,
            chain=self.chain,
            shared_dropout=self.shared_dropout,
            beacons=self.beacons,
            others_doze=self.power_save.others_doze,
            neighbours=self.neighbours,
        )
        return first, *self.further

    @property
    def access_rules(self) -> AccessRules:
        """The rules that hold at the first access point."""
        return self.access_points[0].access_rules

    @property
    def rate_chain(self) -> tuple[RateStep, ...]:
        """The rate chain that holds at the first access point."""
        return self.access_points[0].rate_chain
