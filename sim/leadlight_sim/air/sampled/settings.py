"""What a sampled air is told: whose delays and losses, who dozes, how the network's load comes and goes."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from leadlight.errors import ConfigurationError
from leadlight.units import SECOND
from leadlight_sim.air import NO_DROPOUT, AirTables, Dropout, FrameCosts, GroupHold, LoadRecord, Radio, StretchedExcess

MEASURED_EXCESS_UP = 3.2 / 2.4
MEASURED_EXCESS_DOWN = 1.6 / 2.4
"""How far each direction's delay above the floor is from the mean of both: medians of 3.2 ms one way and 1.6
ms the other, from a public trace of 1 kHz datagrams over 5 GHz home Wi-Fi (github.com/swystems/det-bypass,
rpi-tests). Which direction was which the trace does not tell; here the way up is the slower."""


@dataclass(frozen=True, slots=True)
class Congestion:
    """Episodes in which other tables hold, for the whole network; the air begins calm.

    Both means are in seconds, both sojourns exponential.
    """

    tables: AirTables
    mean_calm_seconds: float
    mean_congested_seconds: float

    def __post_init__(self) -> None:
        for name in ("mean_calm_seconds", "mean_congested_seconds"):
            value = getattr(self, name)
            if not 1e-3 <= value < float("inf"):
                raise ConfigurationError(name, value, "a finite number of seconds, at least 0.001")


@dataclass(frozen=True, slots=True, kw_only=True)
class SampledSettings:
    """Everything that a sampled air is told.

    ``dropout`` is each radio station's own channel, ``shared_dropout`` one that all stations have in common. ``load``
    replays how busy a network was, whose tables then hold instead of ``tables`` (what both are on average).
    ``group_distribution_bytes`` and ``unicast_distribution_bytes`` are the UDP payloads for which the distributions
    were found: a longer one takes as much more as its airtime is. None means that they hold for every size.
    ``retries_block`` is for distributions of frames that competed. With it, whatever the access point has to send waits
    while it tries a unicast frame again. Each sender carries only as many frames as collisions, and counts slowed down
    by the load, leave it time for. ``unicast_tries`` is R, the first try included; later tries delay a frame unless
    ``retries_delay`` is off, which is for distributions of what was recorded, where they are in it. A frame that would
    wait more than ``backlog_ns`` behind earlier ones is dropped; 1 s is what unmanaged queues have been seen to hold.
    Held group frames have the limit of their ``hold`` instead. ``floor_asymmetry`` is a share of the path floor: each
    station's floor up and down is off by its own constant drawn within plus or minus that share. ``measured_asymmetry``
    makes the excess over the floor twice as large up as down, as measured.
    """

    tables: AirTables
    dropout: Dropout = NO_DROPOUT
    shared_dropout: Dropout = NO_DROPOUT
    hold: GroupHold | None = None
    congestion: Congestion | None = None
    radio: FrameCosts = field(default_factory=Radio)
    load: LoadRecord | None = None
    group_distribution_bytes: int | None = None
    unicast_distribution_bytes: int | None = None
    retries_block: bool = False
    unicast_tries: int = 7
    retries_delay: bool = True
    backlog_ns: int = SECOND
    client_isolation: bool = False
    floor_asymmetry: float = 0.0
    measured_asymmetry: bool = False

    def __post_init__(self) -> None:
        if self.unicast_tries < 1:
            raise ConfigurationError("unicast_tries", self.unicast_tries, "at least 1")
        if self.backlog_ns < 0:
            raise ConfigurationError("backlog_ns", self.backlog_ns, "0 or more")
        if not 0.0 <= self.floor_asymmetry <= 1.0:
            raise ConfigurationError("floor_asymmetry", self.floor_asymmetry, "0 to 1")
        for name in ("group_distribution_bytes", "unicast_distribution_bytes"):
            size = getattr(self, name)
            if size is not None and not 0 <= size <= 1472:
                raise ConfigurationError(name, size, "0 to 1472, or None")
        if self.load is not None and self.congestion is not None:
            raise ConfigurationError("congestion", self.congestion, "None where there is a load")


def with_measured_asymmetry(tables: AirTables) -> AirTables:
    """Return the tables with the excess over the floor stretched up and shrunk down, as measured."""
    return replace(
        tables,
        up=StretchedExcess(tables.up, tables.floor_ns, MEASURED_EXCESS_UP),
        down=StretchedExcess(tables.down, tables.floor_ns, MEASURED_EXCESS_DOWN),
    )
