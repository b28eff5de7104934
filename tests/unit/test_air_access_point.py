"""The access point's beacon grid."""

from __future__ import annotations

import pytest

from leadlight.errors import ConfigurationError
from leadlight_sim.air.access_point import BeaconGrid, GroupHold
from leadlight_sim.kernel.kernel import TrueInstant

DTIM_NS = 204_800_000


def test_a_grid_without_error_is_exact() -> None:
    grid = BeaconGrid(period=2)
    assert grid.next_dtim(TrueInstant(0)) == 0
    assert grid.next_dtim(TrueInstant(1)) == DTIM_NS
    assert grid.next_dtim(TrueInstant(DTIM_NS)) == DTIM_NS
    assert grid.next_dtim(TrueInstant(DTIM_NS + 1)) == 2 * DTIM_NS
    assert grid.next_beacon(TrueInstant(1)) == DTIM_NS // 2


def test_the_phase_moves_the_whole_grid() -> None:
    grid = BeaconGrid(period=3, phase_ns=7)
    assert grid.next_dtim(TrueInstant(0)) == 7
    assert grid.next_dtim(TrueInstant(8)) == 307_200_007


@pytest.mark.parametrize("error_ppb", [-20_000, -1, 1, 13_579, 20_000])
def test_a_clock_error_moves_beacon_k_to_the_exact_floor(error_ppb: int) -> None:
    grid = BeaconGrid(period=1, phase_ns=5, clock_error_ppb=error_ppb)
    for k in (1, 2, 3, 97, 35_156, 1_000_003):
        due = 5 + k * 102_400_000 * 10**9 // (10**9 + error_ppb)
        assert grid.next_dtim(TrueInstant(due)) == due
        assert grid.next_dtim(TrueInstant(due - 1)) == due
        assert grid.next_dtim(TrueInstant(due + 1)) > due


def test_a_fast_access_point_is_20_ppm_of_an_hour_early() -> None:
    slow, fast = BeaconGrid(period=1), BeaconGrid(period=1, clock_error_ppb=20_000)
    k = 35_156
    due = slow.next_dtim(TrueInstant(k * 102_400_000))
    early = fast.next_dtim(TrueInstant(due - 100_000_000))
    # k beacons of 102.4 ms times 20e-6, to within its own second order of 1.5 µs.
    assert due - early == pytest.approx(k * 102_400_000 * 20e-6, abs=1_500)


@pytest.mark.parametrize(
    "settings",
    [{"period": 0}, {"period": 11}, {"phase_ns": -1}, {"phase_ns": DTIM_NS}, {"clock_error_ppb": 20_001}],
)
def test_a_grid_that_no_access_point_has_is_refused(settings: dict[str, int]) -> None:
    with pytest.raises(ConfigurationError):
        BeaconGrid(**settings)
    with pytest.raises(ConfigurationError):
        GroupHold(**settings)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "settings",
    [
        {"queue_frames": 0},
        {"doze_share": 1.1},
        {"doze_share": float("nan")},
        {"held_share": -0.1},
        {"held_share": float("nan")},
        {"mean_held_seconds": 0.0},
        {"mean_held_seconds": float("inf")},
    ],
)
def test_a_hold_that_makes_no_sense_is_refused(settings: dict[str, float]) -> None:
    with pytest.raises(ConfigurationError):
        GroupHold(**settings)  # type: ignore[arg-type]


def test_ten_beacons_from_one_dtim_to_the_next_are_the_most() -> None:
    assert BeaconGrid(period=10).next_dtim(TrueInstant(1)) == 5 * DTIM_NS
    assert GroupHold(period=10).period == 10


@pytest.mark.parametrize("awake", ["jetty", ("jetty", "jetty"), ("",), (1,), ["jetty"]])
def test_stations_that_never_sleep_are_a_tuple_of_different_names(awake: object) -> None:
    with pytest.raises(ConfigurationError, match="each once"):
        GroupHold(awake=awake)  # type: ignore[arg-type]
