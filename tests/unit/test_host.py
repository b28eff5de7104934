"""Hosts: each preset's delays follow the distribution its description states."""

from __future__ import annotations

import math
from typing import Any

import pytest

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND, MILLISECOND
from leadlight_sim.hosts.host import Host
from leadlight_sim.hosts.lateness import MICROCONTROLLER, RECORDED, SHARES, Lateness
from leadlight_sim.hosts.scheduling import HostPreset, HostSettings, settings_of
from leadlight_sim.kernel import Streams
from leadlight_sim.scenario.hosts import Host as Described

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
        "loaded": HostSettings.loaded(),
        "microcontroller": HostSettings.microcontroller(),
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


def player_lateness(settings: HostSettings) -> list[int]:
    drawing = host(settings)
    return [drawing.player_lateness_ns() for _ in range(DRAWS)]


@pytest.mark.parametrize("law", [*RECORDED.values(), MICROCONTROLLER])
def test_a_player_is_woken_as_late_as_was_recorded(law: Lateness) -> None:
    late = player_lateness(HostSettings(waking=law))
    for share, percentile_ns in zip(SHARES, law.percentiles_ns, strict=True):
        assert share_above(late, percentile_ns) == pytest.approx(1 - share, abs=four_deviations(1 - share))
    mean, deviation = law.moments_ns()
    assert sum(late) / DRAWS == pytest.approx(mean, abs=4 * deviation / math.sqrt(DRAWS))


def test_a_plain_exponential_is_the_case_of_percentiles_on_one_line() -> None:
    law = Lateness([-500_000 * math.log(1 - share) for share in SHARES])
    assert law.at(1.0) == pytest.approx(500_000)
    assert law.at(12.0) == pytest.approx(6_000_000)
    assert law.moments_ns() == pytest.approx((500_000, 500_000))


@pytest.mark.parametrize("percentiles_us", [(2, 1, 3, 4), (-1, 1, 2, 3), (math.nan, 1, 2, 3)])
def test_percentiles_that_fall_are_refused(percentiles_us: tuple[float, ...]) -> None:
    with pytest.raises(ConfigurationError, match="percentiles_ns"):
        Lateness(percentiles_us)


def test_one_draw_a_frame_wakes_a_player_and_timers_draw_as_ever() -> None:
    stream = Streams(5).stream("host", "jetty")
    woken = Host(HostSettings(waking=RECORDED["idle", "exact-timer"]), stream)
    drawn = Streams(5).stream("host", "jetty")
    assert [woken.player_lateness_ns() for _ in range(3)] == [
        int(RECORDED["idle", "exact-timer"].at(drawn.exponential(1.0))) for _ in range(3)
    ]
    board = settings_of(Described())
    assert host(board).timer_lateness_ns() == host(HostSettings.board()).timer_lateness_ns()


def test_a_board_of_a_rounded_timer_wakes_its_player_as_its_other_timers() -> None:
    older = settings_of(Described(waking="rounded-timer"))
    assert older == HostSettings.board()
    timers = host(older)
    assert player_lateness(older) == [timers.timer_lateness_ns() for _ in range(DRAWS)]


def test_a_kernel_s_stamps_leave_out_what_the_program_is_doing() -> None:
    busy = settings_of(Described(machine="busy", stamps="kernel"))
    delays = receive_delays(busy)
    assert delays[-1] < 20 * MICROSECOND * 6
    assert max(player_lateness(busy)) > 7 * MILLISECOND


def test_a_recording_takes_the_place_of_the_machines_own() -> None:
    made = settings_of(Described(machine="steady", wakes_late_us=(5.0, 12.0, 126.0, 4934.0)))
    assert made.waking == Lateness([5_000, 12_000, 126_000, 4_934_000])
    assert made.jitter_ns == HostSettings.steady().jitter_ns


def test_a_microcontroller_stamps_and_wakes_as_was_published() -> None:
    made = settings_of(Described(machine="microcontroller"))
    assert made.waking == MICROCONTROLLER
    assert list(MICROCONTROLLER.percentiles_ns) == [5_000, 11_000, 20_000, 28_000]
    assert receive_delays(made)[DRAWS // 2] == pytest.approx(4_700, abs=200)
