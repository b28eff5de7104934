"""Bianchi's model, against its equations solved elsewhere, and the medium against the model."""

from __future__ import annotations

import math

import pytest

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND, SECOND
from leadlight_sim.air.contended.access_rules import AccessRules
from leadlight_sim.air.contended.contention import Medium
from leadlight_sim.air.contended.neighbours import NeighbourStation
from leadlight_sim.kernel import Streams
from leadlight_sim.kernel.kernel import Kernel, TrueInstant
from saturation import saturation

# The paper's frequency-hopping radio, in µs at 1 Mb/s: payload 8184, headers 272 and 128, ACK 112 and 128, slot 50,
# SIFS 28, DIFS 128, propagation delay 1.
PAYLOAD, SLOT = 8184, 50
FRAME, ANSWER, DIFS = 8184 + 272 + 128 + 1, 28 + 112 + 128 + 1, 128
SUCCESS, COLLISION = FRAME + ANSWER + DIFS, FRAME + DIFS


def test_the_durations_are_those_of_the_paper() -> None:
    assert (SUCCESS, COLLISION) == (8982, 8713)


# τ, p and throughput for W = 32 and m = 3, of two independent solvers of the paper's equations.
@pytest.mark.parametrize(
    ("contenders", "transmit", "collision", "throughput"),
    [
        (2, 0.05705, 0.0571, 0.8473),
        (3, 0.05377, 0.1047, 0.8368),
        (5, 0.04816, 0.1792, 0.8097),
        (10, 0.03869, 0.2989, 0.7532),
        (15, 0.03296, 0.3745, 0.7117),
        (20, 0.02911, 0.4296, 0.6788),
        (30, 0.02420, 0.5085, 0.6273),
        (40, 0.02113, 0.5652, 0.5868),
        (50, 0.01900, 0.6094, 0.5529),
    ],
)
def test_the_fixed_point_and_its_throughput(
    contenders: int, transmit: float, collision: float, throughput: float
) -> None:
    state = saturation(contenders, window=32, stages=3)
    assert state.transmit_chance == pytest.approx(transmit, abs=0.6e-5)
    assert state.collision_chance == pytest.approx(collision, abs=0.6e-4)
    assert state.throughput(PAYLOAD, SLOT, SUCCESS, COLLISION) == pytest.approx(throughput, abs=0.6e-4)


@pytest.mark.parametrize(("window", "stages", "expected"), [(32, 5, 0.7579), (128, 3, 0.8263)])
def test_other_windows_have_their_throughput_too(window: int, stages: int, expected: float) -> None:
    state = saturation(10, window, stages)
    assert state.throughput(PAYLOAD, SLOT, SUCCESS, COLLISION) == pytest.approx(expected, abs=0.6e-4)


def test_a_lone_contender_never_collides_and_transmits_after_half_its_window() -> None:
    state = saturation(1, window=16, stages=6)
    assert state.collision_chance == pytest.approx(0.0, abs=1e-12)
    assert state.transmit_chance == pytest.approx(2 / 17)


def test_without_doubling_a_collision_changes_nothing() -> None:
    assert saturation(10, window=16, stages=0).transmit_chance == pytest.approx(2 / 17)


@pytest.mark.parametrize("arguments", [(0, 16, 6), (5, 0, 6), (5, 16, -1), (2.5, 16, 6)])
def test_what_has_no_fixed_point_is_refused(arguments: tuple[int, int, int]) -> None:
    with pytest.raises(ConfigurationError):
        saturation(*arguments)


def saturated(contenders: int, rules: AccessRules, seconds: int) -> tuple[Medium, int]:
    """Return the medium after so many seconds of saturated stations, and the frames it carried."""
    kernel = Kernel()
    medium = Medium(kernel, rules)
    streams = Streams(7)
    stations = [
        NeighbourStation(streams.stream("station", str(number)), FRAME * MICROSECOND, ANSWER * MICROSECOND, None)
        for number in range(contenders)
    ]
    for station in stations:
        medium.add(station)
        station.saturate(medium)
    kernel.run_until(TrueInstant(seconds * SECOND))
    return medium, sum(station.carried for station in stations)


@pytest.mark.slow
@pytest.mark.parametrize("contenders", [2, 5, 10, 50])
@pytest.mark.parametrize("counts_busy", [True, False])
def test_the_medium_carries_what_the_model_says(contenders: int, counts_busy: bool) -> None:
    rules = AccessRules(
        slot_ns=SLOT * MICROSECOND,
        sifs_ns=28 * MICROSECOND,
        difs_ns=DIFS * MICROSECOND,
        collision_wait_ns=DIFS * MICROSECOND,
        cw_min=31,
        cw_max=255,
        counts_busy=counts_busy,
    )
    seconds = 300
    medium, carried = saturated(contenders, rules, seconds)
    state = saturation(contenders, window=32, stages=3)
    # The model itself is an approximation: slotted simulations of the same rules lie within 0.8 % of it.
    modelled = state.throughput(PAYLOAD, SLOT, SUCCESS, COLLISION)
    assert carried * PAYLOAD * MICROSECOND / (seconds * SECOND) == pytest.approx(modelled, rel=0.01)
    assert medium.collided_attempts / medium.attempts == pytest.approx(state.collision_chance, abs=0.01)
    if counts_busy:
        # Some 35,000 tries and more: 4 standard errors of a binomial are 2 %.
        transmit = medium.attempts / contenders / medium.slots
        assert transmit == pytest.approx(state.transmit_chance, rel=4 / math.sqrt(medium.attempts))


def test_a_lone_station_is_never_in_doubt() -> None:
    rules = AccessRules(slot_ns=9_000, sifs_ns=16_000, difs_ns=34_000, collision_wait_ns=94_000)
    medium, carried = saturated(1, rules, 10)
    assert medium.collided_attempts == 0
    assert carried == medium.attempts
    # Mean count 7.5 slots; the mean of n uniform counts has a standard deviation of 4.6 slots / √n.
    cost_us = FRAME + ANSWER + 34 + 7.5 * 9
    assert carried == pytest.approx(10_000_000 / cost_us, abs=1 + 4 * 4.6 * 9 * math.sqrt(carried) / cost_us)


def test_no_station_at_all_is_silence() -> None:
    rules = AccessRules(slot_ns=9_000, sifs_ns=16_000, difs_ns=34_000, collision_wait_ns=94_000)
    medium, carried = saturated(0, rules, 10)
    assert (medium.attempts, medium.busy_ns, carried) == (0, 0, 0)
