"""The ready networks, sampled: their distributions give the figures they quote."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from leadlight.errors import ConfigurationError
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.air.choice.presets import (
    BAD_LOSS,
    BUSY_DELAY,
    DOZING,
    GOOD_HOME_LOSS,
    IDLE,
    IDLE_DELAY,
    IDLE_FLOOR_NS,
    MODEL_A,
    MODEL_BUSY_DELAY,
    MODEL_C,
    MODEL_E,
    MODEL_IDLE_DELAY,
    MODEL_RECEIVE_JITTER,
    PRESETS,
    REFERENCE_LOSS,
    TYPICAL_LOSS,
    preset,
)
from leadlight_sim.air.distributions import DelayDistribution
from leadlight_sim.air.dropouts import NO_DROPOUT, Dropout
from leadlight_sim.air.interface import LinkKind
from leadlight_sim.air.sampled.air import SampledAir
from leadlight_sim.air.sampled.settings import SampledSettings, with_measured_asymmetry
from leadlight_sim.kernel import Stream, Streams
from leadlight_sim.kernel.kernel import Kernel, TrueInstant

DRAWS = 400_000


class Ear:
    def __init__(self, name: str, *, wired: bool = False) -> None:
        self.name = name
        self.wired = wired
        self.arrivals: list[int] = []

    def receive_delay_ns(self, draws: Stream) -> int:  # noqa: ARG002
        return 0

    def receive(self, data: bytes, sender: str, arrived_at: TrueInstant) -> None:  # noqa: ARG002 - only the instant matters
        self.arrivals.append(arrived_at)


def sampled_ms(distribution: DelayDistribution, draws: int = DRAWS) -> list[float]:
    stream = Streams(11).stream("law")
    return sorted(distribution.draw(stream) / MILLISECOND for _ in range(draws))


def share_below(delays: list[float], limit: float) -> float:
    return sum(delay < limit for delay in delays) / len(delays)


def assert_quantile(delays: list[float], share: float, low: float, high: float) -> None:
    # The quantile lies from low to high, the rounding of the quoted figure, but for 4 standard errors of the
    # share. So many draws are made that the last two checks hold too.
    slack = 4 * math.sqrt(share * (1 - share) / len(delays))
    assert share_below(delays, low) <= share + slack
    assert share_below(delays, high) >= share - slack
    # The slack must not be what makes this pass: figures a tenth off would be refused.
    assert share_below(delays, high / 1.1) < share - slack
    assert share_below(delays, low * 1.1) > share + slack


@pytest.mark.slow
@pytest.mark.thorough_except(draws=DRAWS // 8)
@pytest.mark.parametrize("draws", [DRAWS // 8, DRAWS])
def test_idle_delays_have_the_quoted_quantiles(draws: int) -> None:
    delays = sampled_ms(IDLE_DELAY, draws)
    assert_quantile(delays, 0.50, 3.455, 3.465)
    assert_quantile(delays, 0.95, 5.25, 5.35)
    assert_quantile(delays, 0.99, 6.55, 6.65)
    if draws == DRAWS:  # fewer do not tell the thousandth from a tenth more or less
        assert_quantile(delays, 0.999, 19.5, 20.5)


@pytest.mark.thorough
def test_busy_delays_have_the_quoted_quantiles() -> None:
    delays = sampled_ms(BUSY_DELAY)
    assert_quantile(delays, 0.50, 2.85, 2.95)
    assert_quantile(delays, 0.90, 20.5, 21.5)
    assert_quantile(delays, 0.99, 246.5, 247.5)
    assert max(delays) == 1_000.0


def test_losses_amount_to_the_quoted_shares() -> None:
    assert GOOD_HOME_LOSS.mean_loss == pytest.approx(0.0045, abs=0.00005)
    assert TYPICAL_LOSS.mean_loss == pytest.approx(0.049, abs=0.0005)
    assert BAD_LOSS.mean_loss == pytest.approx(0.24, abs=0.0005)
    assert REFERENCE_LOSS.mean_loss == pytest.approx(0.10)
    assert REFERENCE_LOSS.figures.mean_burst_ns == 5 * SECOND


@pytest.mark.parametrize(
    ("distribution", "mean_ms", "floor_ms"),
    [
        # 0.8 + 0.5 + 2 % of a log-normal of median 8 and sigma 0.8, mean 8·e^0.32; the cap takes 0.25 of it.
        (MODEL_IDLE_DELAY, 0.8 + 0.5 + 0.02 * (8 * math.exp(0.32) - 0.25), 0.8),
        # 1 + 2·2 + 10 % of a log-normal of median 25, mean 25·e^0.32, of which the cap takes 0.9.
        (MODEL_BUSY_DELAY, 1.0 + 4.0 + 0.10 * (25 * math.exp(0.32) - 0.9), 1.0),
        # 0.1·√(2/π) + 0.5 % of 5.
        (MODEL_RECEIVE_JITTER, 0.1 * math.sqrt(2 / math.pi) + 0.005 * 5, 0.0),
    ],
)
def test_model_distributions_have_the_means_of_their_parts(
    distribution: DelayDistribution, mean_ms: float, floor_ms: float
) -> None:
    delays = sampled_ms(distribution, 50_000)
    mean = sum(delays) / len(delays)
    deviation = math.sqrt(sum((delay - mean) ** 2 for delay in delays) / len(delays))
    assert mean == pytest.approx(mean_ms, abs=4 * deviation / math.sqrt(len(delays)))
    assert floor_ms <= delays[0] < floor_ms + 0.1


def test_the_measured_asymmetry_is_3_2_against_1_6_milliseconds_of_excess() -> None:
    tables = with_measured_asymmetry(IDLE.tables)
    floor_ms = IDLE_FLOOR_NS / MILLISECOND
    up, down = sampled_ms(tables.up, 20_000), sampled_ms(tables.down, 20_000)
    # Sampling moves these medians by half a per cent; the trace itself spread over 3.0 to 3.4 and 1.3 to 1.9.
    assert up[10_000] - floor_ms == pytest.approx(3.2, rel=0.03)
    assert down[10_000] - floor_ms == pytest.approx(1.6, rel=0.03)
    assert with_measured_asymmetry(IDLE.tables).group == IDLE.tables.group


def test_an_air_applies_the_measured_asymmetry_only_when_told_to() -> None:
    def medians(settings: SampledSettings) -> tuple[float, float]:
        kernel = Kernel()
        air = SampledAir(kernel, Streams(4), replace(settings, dropout=NO_DROPOUT, floor_asymmetry=0.0))
        lead, ear = Ear("lead", wired=True), Ear("a")
        air.attach(lead)
        air.attach(ear)
        for number in range(2_000):
            kernel.schedule(TrueInstant(number * SECOND), air.send, "lead", b"x", "a")
            kernel.schedule(TrueInstant(number * SECOND), air.send, "a", b"x", "lead")
        kernel.run_all(limit=1_000_000)
        up = sorted(at % SECOND for at in lead.arrivals)
        down = sorted(at % SECOND for at in ear.arrivals)
        return up[1_000] / MILLISECOND, down[1_000] / MILLISECOND

    # Medians of 2,000 draws stray by 4·0.5/(√2000·density), 0.17 ms at the least density, 0.27 per ms; the
    # private part adds some 0.07 ms.
    up, down = medians(IDLE)
    assert up == pytest.approx(3.53, abs=0.17)
    assert down == pytest.approx(3.53, abs=0.17)
    up, down = medians(replace(IDLE, measured_asymmetry=True))
    assert up - down == pytest.approx(1.6, abs=0.25)


def arrivals_of(settings: SampledSettings, sends: int, interval_ns: int) -> list[int]:
    kernel = Kernel()
    air = SampledAir(kernel, Streams(7), replace(settings, dropout=NO_DROPOUT))
    ear = Ear("a")
    air.attach(Ear("lead", wired=True))
    air.attach(ear)
    for number in range(sends):
        kernel.schedule(TrueInstant(number * interval_ns), air.send, "lead", b"x", None)
    kernel.run_all(limit=1_000_000)
    return [at - number * interval_ns for number, at in enumerate(ear.arrivals)]


@pytest.mark.parametrize(("settings", "period_ms"), [(DOZING, 204.8), (MODEL_C, 102.4)])
def test_dozing_networks_add_a_walk_over_one_dtim_interval(settings: SampledSettings, period_ms: float) -> None:
    # 999.983 ms walks evenly over either grid.
    delays = [delay / MILLISECOND for delay in arrivals_of(settings, 2_000, 999_983_000)]
    body = sorted(delays)
    # The wait is even over the interval: quartiles are a half apart, blurred by a few ms.
    assert body[1_500] - body[500] == pytest.approx(period_ms / 2, abs=4)
    assert body[1_000] == pytest.approx(period_ms / 2 + 3, abs=4)


@pytest.mark.slow
def test_episodes_of_model_e_slow_a_third_of_the_time_fivefold() -> None:
    calm = arrivals_of(replace(MODEL_E, congestion=None), 20_000, SECOND)
    rough = arrivals_of(MODEL_E, 20_000, SECOND)
    mean_ms = (sum(rough) - sum(calm)) / 20_000 / MILLISECOND
    # In episodes queueing is 20 ms, not 4, a third of the time. The share of 20,000 s with episodes of 30 s
    # strays by √(2·(1/3)·(2/3)²·30/20,000), 0.021.
    assert mean_ms == pytest.approx(16 / 3, abs=4 * 0.021 * 16)
    assert mean_ms > 3.9


def test_a_radio_leader_of_a_reference_model_is_as_far_away_as_a_wired_one() -> None:
    kernel = Kernel()
    air = SampledAir(kernel, Streams(7), replace(MODEL_A, dropout=NO_DROPOUT))
    ear = Ear("a")
    air.attach(Ear("lead"))
    air.attach(ear)
    for number in range(100):
        kernel.schedule(TrueInstant(number * SECOND), air.send, "lead", b"x", None)
    kernel.run_all(limit=1_000_000)
    assert [at % SECOND for at in ear.arrivals] == arrivals_of(MODEL_A, 100, SECOND)


@pytest.mark.parametrize("name", PRESETS)
def test_every_preset_carries_a_minute_of_beacons(name: str) -> None:
    settings = preset(name)
    kernel = Kernel()
    air = SampledAir(kernel, Streams(7), settings)
    ears = [Ear(f"follower {number}") for number in range(20)]
    for ear in [Ear("lead"), *ears]:
        air.attach(ear)
    for number in range(600):
        kernel.schedule(TrueInstant(number * SECOND // 10), air.send, "lead", b"x" * 100, None)
    kernel.run_all(limit=1_000_000)
    counts = air.counts[LinkKind.GROUP]
    assert counts.sent == counts.delivered + counts.lost
    assert counts.delivered == sum(len(ear.arrivals) for ear in ears)
    assert counts.delivered > 0


def test_an_unknown_network_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ConfigurationError, match="idle, busy, dozing, model-a"):
        preset("tin cans")


def test_loss_presets_are_plain_channels_to_be_replaced() -> None:
    harsh = replace(IDLE, dropout=BAD_LOSS, shared_dropout=Dropout.steady(0.01))
    assert harsh.dropout.mean_loss > IDLE.dropout.mean_loss
