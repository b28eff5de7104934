"""Hosts: each preset's delays follow the distribution its description states."""

from __future__ import annotations

import math
from typing import Any

import pytest

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND, MILLISECOND
from leadlight_sim.hosts.scheduling import Host, HostPreset, HostSettings
from leadlight_sim.kernel.streams import Streams

DRAWS = 20_000


def host(settings: HostSettings) -> Host:
    return Host(settings, Streams(5).stream("host", "jetty"))


def receive_delays(settings: HostSettings) -> list[int]:
    drawing, stream = host(settings), Streams(5).stream("link")
    return sorted(drawing.receive_delay_ns(stream) for _ in range(DRAWS))


def four_deviations(share: float) -> float:
    """Return how far a share of the draws may lie from its expectation: four standard deviations of a binomial."""
    return 4.0 * math.sqrt(share * (1.0 - share) / DRAWS)


def share_above(delays: list[int], bound_ns: float) -> float:
    return sum(delay > bound_ns for delay in delays) / len(delays)


def test_an_exact_host_never_wakes_late() -> None:
    exact, stream = host(HostSettings.exact()), Streams(5).stream("link")
    assert {(exact.receive_delay_ns(stream), exact.timer_lateness_ns()) for _ in range(100)} == {(0, 0)}


@pytest.mark.parametrize(
    ("settings", "scale_ns"),
    [(HostSettings.kernel_stamps(), 20 * MICROSECOND), (HostSettings.board(), 100 * MICROSECOND)],
)
def test_the_usual_delay_is_half_normal(settings: HostSettings, scale_ns: int) -> None:
    delays = receive_delays(settings)
    assert delays[0] >= 0
    for multiple in (0.5, 1.0, 2.0):
        share = math.erfc(multiple / math.sqrt(2.0))
        expected = share + settings.spike_share * (1.0 - share)
        assert share_above(delays, multiple * scale_ns) == pytest.approx(expected, abs=four_deviations(expected))


def test_a_board_has_one_packet_in_two_hundred_late_by_two_and_a_half_to_seven_and_a_half_ms() -> None:
    delays = receive_delays(HostSettings.board())
    # No half-normal of 0.1 ms reaches 1 ms: that is ten of its scale.
    spikes = [delay for delay in delays if delay > MILLISECOND]
    assert len(spikes) / DRAWS == pytest.approx(0.005, abs=four_deviations(0.005))
    assert 2.5 * MILLISECOND <= spikes[0] < 3.5 * MILLISECOND
    assert 6.5 * MILLISECOND < spikes[-1] < 8.5 * MILLISECOND


def test_a_steady_host_has_the_median_that_was_measured() -> None:
    delays = receive_delays(HostSettings.steady())
    assert share_above(delays, 18.25 * MICROSECOND) == pytest.approx(0.5, abs=four_deviations(0.5) + 0.002)


def test_a_stalling_loop_delays_its_share_of_packets_by_a_part_of_its_work() -> None:
    delays = receive_delays(HostSettings.exact().with_stalls(period_ns=25 * MILLISECOND, work_ns=8 * MILLISECOND))
    for bound_ms in (0, 2, 4, 6):
        expected = 8 / 25 * (8 - bound_ms) / 8
        assert share_above(delays, bound_ms * MILLISECOND) == pytest.approx(expected, abs=four_deviations(expected))
    assert delays[-1] < 8 * MILLISECOND


def test_a_stalling_loop_is_late_for_its_timers_too() -> None:
    stalling = host(HostSettings.exact().with_stalls(period_ns=20 * MILLISECOND, work_ns=5 * MILLISECOND))
    late = [stalling.timer_lateness_ns() for _ in range(DRAWS)]
    assert share_above(late, 0) == pytest.approx(0.25, abs=four_deviations(0.25))
    assert max(late) < 5 * MILLISECOND


def test_spikes_need_no_jitter_beside_them() -> None:
    always = host(HostSettings(spike_share=1.0, spike_from_ns=7, spike_to_ns=7))
    stream = Streams(5).stream("link")
    assert [always.receive_delay_ns(stream) for _ in range(5)] == [7] * 5


def test_timers_are_late_by_an_exponential_and_never_early() -> None:
    board = host(HostSettings.board())
    late = [board.timer_lateness_ns() for _ in range(DRAWS)]
    assert min(late) >= 0
    for multiple in (0.5, 1.0, 3.0):
        expected = math.exp(-multiple)
        above = share_above(late, multiple * 500 * MICROSECOND)
        assert above == pytest.approx(expected, abs=four_deviations(expected))


def test_every_preset_has_a_name_and_is_the_constructor_of_that_name() -> None:
    assert {preset.value: HostSettings.preset(preset) for preset in HostPreset} == {
        "exact": HostSettings.exact(),
        "kernel-stamps": HostSettings.kernel_stamps(),
        "steady": HostSettings.steady(),
        "small-board": HostSettings.board(),
        "busy": HostSettings.board().with_stalls(25 * MILLISECOND, 8 * MILLISECOND),
    }


@pytest.mark.parametrize(
    ("fields", "named"),
    [
        ({"jitter_ns": -1}, "jitter_ns"),
        ({"jitter_ns": 0.5}, "jitter_ns"),
        ({"spike_share": 1.01}, "spike_share"),
        ({"spike_share": math.nan}, "spike_share"),
        ({"spike_from_ns": 2, "spike_to_ns": 1}, "spike_from_ns"),
        ({"busy_ns": 5, "busy_period_ns": 5}, "busy_ns"),
        ({"busy_ns": 5}, "busy_ns"),
        ({"timer_late_ns": -1}, "timer_late_ns"),
    ],
)
def test_settings_that_no_host_has_are_refused_by_name(fields: dict[str, Any], named: str) -> None:
    with pytest.raises(ConfigurationError) as refusal:
        HostSettings(**fields)
    assert refusal.value.field == named
