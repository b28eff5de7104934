"""The modelled air: what happens to a datagram between two stations; here what every air is made of."""

from leadlight_sim.air.access_point import (
    BEACON_INTERVAL_NS,
    BeaconGrid,
    GroupHold,
    check_clock_error,
    check_names,
    check_period,
)
from leadlight_sim.air.conditions import Conditions, LoadRecord, Replay, block_windows
from leadlight_sim.air.distributions import (
    AirTables,
    DelayDistribution,
    Empirical,
    Exponential,
    Fixed,
    Gamma,
    HalfNormal,
    LogNormal,
    Mixture,
    Pareto,
    Sometimes,
    StretchedExcess,
    Sum,
    Uniform,
)
from leadlight_sim.air.dropouts import (
    NO_DROPOUT,
    Channel,
    Dropout,
    ExponentialSojourn,
    JointChannel,
    LossAt,
    Trajectory,
)
from leadlight_sim.air.interface import Air, Counts, LinkKind, Station
from leadlight_sim.air.timing import (
    CW_MAX,
    DSSS_RATES_MBPS,
    GROUP_OVERHEAD_BYTES,
    HT20_BITS_PER_SYMBOL,
    Band,
    FrameCosts,
    Radio,
    WeightlessRadio,
)
