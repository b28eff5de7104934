"""Ready networks for the sampled air, every constant with its source; "assumed" means that none was found.

Home networks, fitted to measurements:

``idle``
    A quiet 5 GHz home: the one-way delays of a public trace, 1 kHz datagrams between a small board and a
    laptop (github.com/swystems/det-bypass, rpi-tests; half of each round trip, re-analysed).
``busy``
    A loaded network: the Wi-Fi hop of a campus of 47,000 devices (K. Sui et al., MobiSys 2016,
    doi 10.1145/2906388.2906393): 50 % under 3 ms, 90 % under 20 ms, 99 % under 250 ms.
``dozing``
    ``idle`` with a dozing station on the access point, so that group frames wait for DTIM, period 2.

Reference models, chosen to compare clock estimators (all of it assumed, none measured), with 10 % loss in bursts of 5
beacons at one a second. ``model-a`` is idle, ``model-b`` busy, and ``model-c`` held for a beacon every 102.4 ms.
``model-d`` is wired (its stations count as radio stations, so that they lose packets too). ``model-e`` is busy with
episodes of five times the queueing. A frame that crosses the radio twice takes no time for its first hop there, so one
draw of the distribution is the whole delay, whoever sends.

Change one with ``dataclasses.replace``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND, MILLISECOND
from leadlight_sim.air import (
    AirTables,
    DelayDistribution,
    Dropout,
    Exponential,
    ExponentialSojourn,
    Fixed,
    Gamma,
    GroupHold,
    HalfNormal,
    LogNormal,
    Mixture,
    Pareto,
    Sometimes,
    Sum,
    Uniform,
    WeightlessRadio,
)
from leadlight_sim.air.sampled import Congestion, SampledSettings

# Loss: mean good and bad sojourns and the loss in each. Assumed throughout, for no measured burst parameters
# are published; the means fall where single reports do (RFC 9119 section 3.1.1: 5 % and more is not
# uncommon).

GOOD_HOME_LOSS: Final = Dropout(
    0.002, 0.5, ExponentialSojourn(20_000 * MILLISECOND), ExponentialSojourn(100 * MILLISECOND)
)
"""0.45 % in all: 20 s good, 0.10 s bad."""
TYPICAL_LOSS: Final = Dropout(
    0.005, 0.6, ExponentialSojourn(2_000 * MILLISECOND), ExponentialSojourn(160 * MILLISECOND)
)
"""4.9 % in all: 2 s good, 0.16 s bad."""
BAD_LOSS: Final = Dropout(0.01, 0.7, ExponentialSojourn(320 * MILLISECOND), ExponentialSojourn(160 * MILLISECOND))
"""24 % in all: 0.32 s good, 0.16 s bad."""
REFERENCE_LOSS: Final = Dropout.packet_bursts(0.10, packets=5.0, interval_seconds=1.0)
"""10 % in bursts of 5 beacons at one a second; assumed."""

# Delays of the home networks.

IDLE_DELAY: Final = Sum(
    (
        # ln(ms) of the trace: µ 1.19 to 1.29, sigma 0.23 to 0.27.
        LogNormal(math.exp(1.24) * MILLISECOND, 0.25),
        # Its outermost half per cent, fitted by eye to p99.9 of 12 to 28 ms.
        Sometimes(0.005, Uniform(5 * MILLISECOND, 20 * MILLISECOND)),
    )
)
"""p50 3.46, p95 5.3, p99 6.6, p99.9 20 ms; measured 3.49, 5.17, 7.16 and 12.0 ms."""
IDLE_FLOOR_NS: Final = 1_090 * MICROSECOND
"""The trace's median of 3.49 ms less the mean of both directions' median excess over the floor, 3.2 and 1.6
ms."""

BUSY_DELAY: Final = Mixture(
    (
        # Weights and parameters fitted to the three published quantiles; the shape between them is assumed.
        (0.82, LogNormal(math.exp(0.93) * MILLISECOND, 0.5)),
        (0.15, LogNormal(math.exp(3.0) * MILLISECOND, 0.6)),
        (0.03, Pareto(120 * MILLISECOND, 1.5, 1_000 * MILLISECOND)),
    )
)
"""p50 2.9, p90 21, p99 247 ms; published 3, 20 and 250 ms."""
BUSY_FLOOR_NS: Final = 790 * MICROSECOND
"""The first percentile of the distribution's body, exp(0.93 − 2.326 · 0.5) ms."""

RADIO_PRIVATE: Final = HalfNormal(100 * MICROSECOND)
"""Radio and driver, one receiver alone; assumed. What the host then adds is the station's own receive
delay."""
CABLE_DELAY: Final = Sum((Fixed(150 * MICROSECOND), HalfNormal(20 * MICROSECOND)))
"""A switched Ethernet hop; assumed."""
PATH_FLOOR_ASYMMETRY: Final = 0.25
"""Share of the floor by which each direction may be off; assumed, because no host can observe it."""

# Delays of the reference models, all assumed.

MODEL_IDLE_DELAY: Final = Sum(
    (
        Fixed(800 * MICROSECOND),
        Exponential(500 * MICROSECOND),
        Sometimes(0.02, LogNormal(8 * MILLISECOND, 0.8, 50 * MILLISECOND)),
    )
)
_MODEL_BUSY_FLOOR: Final = Fixed(1_000 * MICROSECOND)
_MODEL_BUSY_TAIL: Final = Sometimes(0.10, LogNormal(25 * MILLISECOND, 0.8, 150 * MILLISECOND))
MODEL_BUSY_DELAY: Final = Sum((_MODEL_BUSY_FLOOR, Gamma(2, 2 * MILLISECOND), _MODEL_BUSY_TAIL))
MODEL_CONGESTED_DELAY: Final = Sum((_MODEL_BUSY_FLOOR, Gamma(2, 10 * MILLISECOND), _MODEL_BUSY_TAIL))
MODEL_RECEIVE_JITTER: Final = Sum(
    (HalfNormal(100 * MICROSECOND), Sometimes(0.005, Uniform(2_500 * MICROSECOND, 7_500 * MICROSECOND)))
)
"""The reference models' whole private part, host included: give their stations no receive delay of their
own."""


def _home_tables(delay: DelayDistribution, floor_ns: int) -> AirTables:
    return AirTables(up=delay, down=delay, group=delay, private=RADIO_PRIVATE, cable=CABLE_DELAY, floor_ns=floor_ns)


def _model_tables(delay: DelayDistribution, floor_ns: int) -> AirTables:
    return AirTables(
        up=delay,
        down=delay,
        group=delay,
        private=MODEL_RECEIVE_JITTER,
        cable=CABLE_DELAY,
        floor_ns=floor_ns,
        first_hop=Fixed(0),
    )


IDLE: Final = SampledSettings(
    tables=_home_tables(IDLE_DELAY, IDLE_FLOOR_NS),
    dropout=GOOD_HOME_LOSS,
    floor_asymmetry=PATH_FLOOR_ASYMMETRY,
)
BUSY: Final = SampledSettings(
    tables=_home_tables(BUSY_DELAY, BUSY_FLOOR_NS),
    dropout=TYPICAL_LOSS,
    floor_asymmetry=PATH_FLOOR_ASYMMETRY,
)
DOZING: Final = SampledSettings(
    tables=_home_tables(IDLE_DELAY, IDLE_FLOOR_NS),
    dropout=GOOD_HOME_LOSS,
    floor_asymmetry=PATH_FLOOR_ASYMMETRY,
    # hostapd's default period; the share of unicast that waits is assumed.
    hold=GroupHold(period=2, doze_share=0.2),
)
MODEL_A: Final = SampledSettings(
    tables=_model_tables(MODEL_IDLE_DELAY, 800 * MICROSECOND),
    dropout=REFERENCE_LOSS,
    floor_asymmetry=PATH_FLOOR_ASYMMETRY,
)
MODEL_B: Final = SampledSettings(
    tables=_model_tables(MODEL_BUSY_DELAY, 1_000 * MICROSECOND),
    dropout=REFERENCE_LOSS,
    floor_asymmetry=PATH_FLOOR_ASYMMETRY,
)
MODEL_C: Final = SampledSettings(
    tables=_model_tables(MODEL_IDLE_DELAY, 800 * MICROSECOND),
    dropout=REFERENCE_LOSS,
    floor_asymmetry=PATH_FLOOR_ASYMMETRY,
    hold=GroupHold(period=1, doze_share=0.2),
)
MODEL_D: Final = SampledSettings(
    tables=_model_tables(CABLE_DELAY, 150 * MICROSECOND),
    dropout=REFERENCE_LOSS,
    floor_asymmetry=PATH_FLOOR_ASYMMETRY,
    radio=WeightlessRadio(),
)
MODEL_E: Final = SampledSettings(
    tables=_model_tables(MODEL_BUSY_DELAY, 1_000 * MICROSECOND),
    dropout=REFERENCE_LOSS,
    floor_asymmetry=PATH_FLOOR_ASYMMETRY,
    congestion=Congestion(
        tables=_model_tables(MODEL_CONGESTED_DELAY, 1_000 * MICROSECOND),
        mean_calm_seconds=60.0,
        mean_congested_seconds=30.0,
    ),
)

PRESETS: Final[Mapping[str, SampledSettings]] = MappingProxyType(
    {
        "idle": IDLE,
        "busy": BUSY,
        "dozing": DOZING,
        "model-a": MODEL_A,
        "model-b": MODEL_B,
        "model-c": MODEL_C,
        "model-d": MODEL_D,
        "model-e": MODEL_E,
    }
)


def preset(name: str) -> SampledSettings:
    """Return the settings of a ready network; raises ``ConfigurationError`` for a name there is not."""
    settings = PRESETS.get(name)
    if settings is None:
        raise ConfigurationError("air", name, "one of " + ", ".join(PRESETS))
    return settings
