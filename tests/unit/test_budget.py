"""The budget's arithmetic, against figures reckoned by hand.

The site of the bandwidth example: seven boards, 9,480 pixels, 40 frames a second, 170 pixels a universe. Where a figure
is quoted rounded, the tolerance is half of its last digit.
"""

from __future__ import annotations

import json
import math
import re
from html.parser import HTMLParser
from importlib.metadata import EntryPoint
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from leadlight import LeadlightError
from leadlight.clock import ClockView
from leadlight.commands import cli
from leadlight.commands.endings import EXIT_TROUBLE
from leadlight.errors import ConfigurationError
from leadlight_sim.air.dropouts import NO_DROPOUT, Dropout
from leadlight_sim.air.timing import Radio
from leadlight_sim.budget.clock import (
    Cadence,
    Noise,
    tracker_error,
    uneven_tracker_error,
)
from leadlight_sim.budget.edges import Packets, edge_of, settled_edges
from leadlight_sim.budget.network import Network
from leadlight_sim.budget.outages import copied_share, marks_arriving
from leadlight_sim.budget.page import by_cause, page
from leadlight_sim.budget.sheet import CLOCK_CAUSES, P95, Cause, Options, airtime_of, budget, to_json, waking_ms
from leadlight_sim.budget.site import (
    WINDOWS,
    fit_sound,
    free_tick_rms_ms,
    holdover_s,
    learnt_holdover_s,
    offset_for_one_pixel_ms,
    sound_lead_ms,
    speed_of_sound,
    storage_of,
    string_ms,
    tear_px,
)
from leadlight_sim.budget.tables import alike, headline, sentences, sheets
from leadlight_sim.hosts.scheduling import HostPreset, HostSettings
from leadlight_sim.live.feed import Delivery, send_live
from leadlight_sim.live.load import LiveFeed, universes
from leadlight_sim.scenario.files import load_shipped
from leadlight_sim.scenario.model import Scenario, check_scenario

PIXELS = [1260, 930, 2150, 1480, 690, 680, 2290]


def garden(**changes: Any) -> Scenario:
    table: dict[str, Any] = {
        "name": "garden",
        "run": {"duration_s": 120},
        "followers": [{"name": f"piece {number}", "pixels": count} for number, count in enumerate(PIXELS)],
        "shows": [{"id": "one", "duration_s": 198}],
        "cues": [{"at_s": 2, "show": "one"}],
        "air": {"preset": "idle"},
    }
    return check_scenario(table | changes, "garden")


# --- Sound ----------------------------------------------------------------------------------------------------------


SPEEDS = [(0, 331, 3.02), (5, 334, 2.99), (10, 337, 2.96), (20, 343, 2.91)]


@pytest.mark.parametrize(("celsius", "speed", "ms_per_m"), SPEEDS)
def test_sound_is_as_fast_as_the_air_is_warm(celsius: float, speed: float, ms_per_m: float) -> None:
    assert speed_of_sound(celsius) == pytest.approx(speed, abs=0.5)
    assert 1000 / speed_of_sound(celsius) == pytest.approx(ms_per_m, abs=0.005)


@pytest.mark.parametrize(("metres", "delay_ms"), [(4, 12), (8, 24), (15, 45), (25, 75), (40, 120)])
def test_sound_arrives_late_by_the_distance(metres: float, delay_ms: float) -> None:
    assert -sound_lead_ms(metres, 0.0, 1000 / speed_of_sound(5)) == pytest.approx(delay_ms, abs=0.5)


def test_an_audience_from_5_to_21_m_is_best_served_by_24_ms() -> None:
    fit = fit_sound(5, 21, 3.0, WINDOWS[0])
    assert (fit.light_delay_ms, fit.near_sound_lead_ms, fit.far_sound_lead_ms) == (24.0, 9.0, -39.0)
    assert fit.fits
    assert fit.in_from_m <= 5
    assert fit.in_to_m >= 21


def test_the_depth_that_fits_is_the_window_in_metres() -> None:
    depths = [fit_sound(5, 21, 1000 / speed_of_sound(5), window).fits_depth_m for window in WINDOWS[:3]]
    assert [round(depth) for depth in depths] == [20, 33, 57]


def test_where_the_audience_is_too_deep_both_ends_are_out_by_as_much_and_it_says_who() -> None:
    fit = fit_sound(5, 45, 3.0, WINDOWS[0])
    assert not fit.fits
    # 40 m are 120 ms, the window 60: half of the rest at either end, 10 m each.
    assert (fit.near_sound_lead_ms, fit.far_sound_lead_ms) == (45.0, -75.0)
    assert (fit.in_from_m, fit.in_to_m) == (15.0, 35.0)


def test_a_near_listener_who_comes_after_the_far_one_is_refused() -> None:
    with pytest.raises(ConfigurationError):
        fit_sound(9, 8, 3.0, WINDOWS[0])


# --- Pattern, tick, string ------------------------------------------------------------------------------------------


TEARS = [(45, 2, 0.09), (90, 10, 0.9), (180, 20, 3.6), (360, 40, 14.4)]


@pytest.mark.parametrize(("speed", "offset_ms", "pixels"), TEARS)
def test_a_pattern_tears_by_speed_times_offset(speed: float, offset_ms: float, pixels: float) -> None:
    assert tear_px(speed, offset_ms) == pytest.approx(pixels, abs=1e-12)


def test_a_pixel_a_second_is_a_pixel_in_a_second() -> None:
    assert offset_for_one_pixel_ms(90) == pytest.approx(11.1, abs=0.05)
    assert tear_px(90, offset_for_one_pixel_ms(90)) == pytest.approx(1.0, abs=1e-12)


def test_free_ticks_differ_by_a_triangle_of_a_frame() -> None:
    # Of 25 ms: mean T/3 = 8.3, rms T/√6 = 10.2, and two even phases of variance T²/12 each.
    assert free_tick_rms_ms(25) == pytest.approx(10.2, abs=0.05)
    assert free_tick_rms_ms(25) == pytest.approx(math.hypot(25 / math.sqrt(12), 25 / math.sqrt(12)), rel=1e-12)


@pytest.mark.parametrize(("pixels", "fills_ms"), [(340, 10.2), (930, 27.9), (1260, 37.8), (2290, 68.7), (900, 27.0)])
def test_a_string_takes_30_us_a_pixel(pixels: int, fills_ms: float) -> None:
    assert string_ms(pixels) == pytest.approx(fills_ms, abs=1e-9)


def test_a_string_sets_a_ceiling_to_the_frame_rate() -> None:
    ceilings = {piece.pixels: piece.frames_per_s_maximum for piece in budget(garden()).pieces}
    assert ceilings[930] == pytest.approx(35, abs=1)
    assert ceilings[1260] == pytest.approx(26, abs=0.5)
    assert ceilings[2290] == pytest.approx(14.5, abs=0.1)
    assert any("cannot show more than 15 frames a second" in line for line in sentences(budget(garden())))


# --- Holdover -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("ppm", "song_ms", "half_hour_ms"), [(10, 2, 18), (50, 9.9, 90), (100, 19.8, 180)])
def test_drift_is_parts_per_million_times_time(ppm: float, song_ms: float, half_hour_ms: float) -> None:
    assert holdover_s(half_hour_ms, ppm) == pytest.approx(1800, rel=1e-12)
    assert holdover_s(song_ms, ppm) == pytest.approx(198, abs=3)


def test_20_ms_at_50_ppm_last_400_s() -> None:
    assert holdover_s(20, 50) == 400


def test_a_learnt_rate_lasts_until_rate_error_wander_and_cooling_add_up() -> None:
    assert learnt_holdover_s(1.96, 1.0, 0.0, 0.0) == pytest.approx(1000, rel=1e-9)
    assert learnt_holdover_s(1.0, 0.0, 0.0, 0.002) == pytest.approx(1000, rel=1e-9)
    # 1.96·w·t^1.5/√3 µs
    assert learnt_holdover_s(1.96e-3, 0.0, math.sqrt(3) / 1000, 0.0) == pytest.approx(100, rel=1e-9)
    assert learnt_holdover_s(1.0, 0.0, 0.0, 0.0) == math.inf


# --- Storage and airtime --------------------------------------------------------------------------------------------

FEED = LiveFeed(universes(PIXELS), 40)


def test_seven_boards_take_59_universes_none_shared() -> None:
    assert [universes([count]) for count in PIXELS] == [8, 6, 13, 9, 5, 4, 14]
    assert FEED.universes == 59
    assert universes([sum(PIXELS)]) == 56


def test_a_live_feed_is_2360_packets_and_13_megabits_a_second() -> None:
    assert FEED.packets_per_s == 2360
    # The forty synchronisation packets a second included.
    rates = {"payload": 12.06, "ip": 12.60, "ethernet": 12.94, "wire": 13.33}
    assert FEED.rates_mbps == pytest.approx(rates, abs=0.005)


def test_ten_beacons_a_second_are_a_1700th_of_the_feed() -> None:
    assert FEED.rates_mbps["ip"] * 1e6 / (10 * 92 * 8) == pytest.approx(1700, abs=50)


@pytest.mark.parametrize(
    ("radio", "share", "packets_per_s", "beacon_ms"),
    [
        # 1 Mb/s as where an 802.11b station is about: long slots.
        (Radio(group_rate_mbps=1.0, long_slot=True), 14.92, 158, 1.70),
        (Radio(group_rate_mbps=6.0), 2.57, 921, 0.32),
        (Radio(group_rate_mbps=24.0), 0.87, 2735, 0.17),
    ],
)
def test_a_live_feed_needs_1492_257_or_87_per_cent_of_the_air(
    radio: Radio, share: float, packets_per_s: int, beacon_ms: float
) -> None:
    assert FEED.group_share(radio) == pytest.approx(share, abs=0.005)
    assert 1e9 / radio.group_ns(638) == pytest.approx(packets_per_s, abs=1)
    assert radio.group_ns(64) / 1e6 == pytest.approx(beacon_ms, abs=0.005)


def test_a_live_feed_fits_into_two_fifths_of_the_air_up_to_9_universes() -> None:
    packets_per_s = 0.4e9 / Radio(group_rate_mbps=6.0).group_ns(638)
    assert packets_per_s == pytest.approx(368, abs=0.5)
    assert int(packets_per_s / 40) == 9


def test_a_song_of_198_s_is_225_megabytes_and_100_s_of_copying() -> None:
    kept = storage_of("one", PIXELS, 198 * 40, 40, copy_mbps=18)
    assert kept.total_bytes == 9480 * 3 * 40 * 198
    assert kept.total_bytes / 1e6 == pytest.approx(225, abs=0.5)
    assert kept.copy_s == pytest.approx(100, abs=0.5)
    assert kept.bytes_by_piece[-1] / 1e6 == pytest.approx(54.4, abs=0.05)
    assert kept.read_rates[-1] / 1e3 == pytest.approx(275, abs=0.5)


def test_unicast_costs_an_acknowledgement_each_and_a_synchronisation_packet_a_board() -> None:
    radio = Radio()
    expected = 2360 * radio.unicast_ns(638) + 7 * 40 * radio.unicast_ns(49)
    assert FEED.unicast_share(radio, 7) == pytest.approx(expected / 1e9, rel=1e-12)


def test_a_leader_on_wifi_sends_everything_twice() -> None:
    wired, radio = garden(leader={"wired": True}), garden()
    cable, air = (airtime_of(scenario, Network(scenario)) for scenario in (wired, radio))
    assert air.live_unicast == 2 * cable.live_unicast
    up = FEED.unicast_share(Radio(), 1)
    assert [rate for rate, _ in air.live_by_rate] == [1.0, 6.0, 24.0]
    for (_, over_air), (_, by_cable) in zip(air.live_by_rate, cable.live_by_rate, strict=True):
        assert over_air == pytest.approx(by_cable + up, rel=1e-12)
    assert air.stored > cable.stored
    assert air.ratio == air.live_by_rate[0][1] / air.stored


# --- Clocks ---------------------------------------------------------------------------------------------------------


def test_a_tracker_without_noise_and_wander_has_no_error_that_counts() -> None:
    error = tracker_error(Noise(0.0, 0.0, 0.0, 0.0), Cadence(1.0))
    assert (error.estimator_ms, error.drift_ms) == (0.0, 0.0)


def test_a_tracker_settles_where_the_alpha_beta_filter_does() -> None:
    # Kalata's tracking index of a random-walk rate sampled as here: with the filter's own noise and wander, the gain α
    # fulfils β = 2(2 − α) − 4√(1 − α), to which a rate that moves between samples adds little: within a tenth.
    noise, wander = 1e-4, 0.06e-6
    error = tracker_error(Noise(noise, noise, wander, wander), Cadence(1.0))
    index = wander / noise
    alpha = math.sqrt(2 * index) * (1 - math.sqrt(2 * index) / 4)
    assert error.estimator_ms == pytest.approx(1e3 * noise * math.sqrt(alpha), rel=0.1)


def test_what_pieces_share_is_not_their_own() -> None:
    error = tracker_error(Noise(1e-4, 5e-5, 5e-8, 3e-8), Cadence(1.0, 1.0))
    assert error.own_estimator_ms < error.estimator_ms
    assert error.own_drift_ms < error.drift_ms


def test_drift_grows_with_the_age_of_the_last_sample_and_with_outages() -> None:
    noise = Noise(1e-4, 1e-4, 5e-8, 5e-8)
    fresh, stale, cut_off = (
        tracker_error(noise, c) for c in (Cadence(1.0), Cadence(1.0, 3.0), Cadence(1.0, 0, 0.2, 10))
    )
    assert fresh.estimator_ms == stale.estimator_ms
    assert fresh.drift_ms < stale.drift_ms
    assert fresh.drift_ms < cut_off.drift_ms


def test_a_tracker_whose_samples_happen_to_come_evenly_has_the_error_of_even_samples() -> None:
    noise = Noise(1e-4, 5e-5, 5e-8, 3e-8)
    taken = np.ones((2_000, 1), dtype=np.bool_)
    at_once = np.arange(2_000)[:, None]
    even = tracker_error(noise, Cadence(1.0))
    uneven = uneven_tracker_error(noise, 1.0, taken, at_once)
    for name in ("estimator_ms", "own_estimator_ms", "drift_ms", "own_drift_ms", "rate_ppm"):
        # The one is looked at on a grid of 64 phases, the other integrated.
        assert getattr(uneven, name) == pytest.approx(getattr(even, name), rel=0.01), name


def test_a_tracker_cut_off_for_a_while_is_worse_than_one_that_misses_as_many_samples_evenly() -> None:
    noise = Noise(1e-4, 1e-4, 5e-8, 5e-8)
    every_other = np.zeros((600, 1), dtype=np.bool_)
    every_other[::2] = True
    by_spells = np.zeros((600, 1), dtype=np.bool_)
    by_spells[np.arange(600) % 40 < 20] = True
    spread, cut_off = (
        uneven_tracker_error(noise, 1.0, taken, np.maximum.accumulate(np.where(taken, np.arange(600)[:, None], 0)))
        for taken in (every_other, by_spells)
    )
    assert spread.drift_ms < cut_off.drift_ms / 2


def test_without_loss_a_mark_comes_with_the_next_beacon_but_for_ones_own_turn() -> None:
    arrivals = marks_arriving(1.0, 4, NO_DROPOUT, NO_DROPOUT, [NO_DROPOUT], NO_DROPOUT)
    turns = np.arange(len(arrivals.is_taken))
    # The last beacon's mark would be published by one more.
    expected = (turns % 4 != 3) & (turns < len(turns) - 1)
    assert (arrivals.is_taken == expected[:, None]).all()
    assert arrivals.newest[:6, 0].tolist() == [-1, 0, 1, 2, 2, 4]


def test_marks_take_all_three_stations_and_one_of_two_publications() -> None:
    half = Dropout.steady(0.5)
    shares = [
        float(marks_arriving(1.0, 1_000, NO_DROPOUT, leader, [piece], other).is_taken.mean())
        for leader, piece, other in ((half, NO_DROPOUT, NO_DROPOUT), (NO_DROPOUT, half, half))
    ]
    # The leader: the beacon and the Tally are one instant's luck each, then one of two publications comes through.
    assert shares[0] == pytest.approx(0.5 * 0.5 * (1 - 0.5**2), abs=0.02)
    assert shares[1] == pytest.approx(0.5 * 0.5 * (1 - 0.5**2), abs=0.02)


@pytest.mark.parametrize(("loss", "share"), [(0.0, 0.0), (0.02, 0.0), (0.5, 1.0)])
def test_copies_come_where_much_is_lost_and_not_where_little_is(loss: float, share: float) -> None:
    scenario = load_shipped().with_changes({"run.duration_s": 600, "faults": []})
    assert copied_share(scenario, [Dropout.steady(loss)], 7) == pytest.approx(share, abs=0.01)


def test_what_all_reporters_heard_alike_does_not_shrink_in_their_median() -> None:
    # Delays to two followers that are the same but for a tenth of a millisecond, beside ones with nothing in common.
    delays = 1e-3 - 2e-3 * np.log(1 - (np.arange(400) + 0.5) / 400)
    mixed = delays[np.argsort(np.sin(np.arange(400) * 12.9898) * 43758.5453 % 1)]
    nearly = mixed + np.where(np.arange(400) % 2, 1e-4, 0.0)
    apart = mixed[np.argsort(np.sin(np.arange(400) * 78.233) * 12345.678 % 1)]
    alike, unlike = (
        settled_edges(Packets(delays, 1.0, delays, delays, 4.0, beacon_pairs_s=np.stack([mixed, other])), 0.0).error
        for other in (nearly, apart)
    )
    assert alike.estimator_ms == unlike.estimator_ms
    assert unlike.own_estimator_ms == pytest.approx(unlike.estimator_ms, rel=0.1)
    assert alike.own_estimator_ms < 0.9 * alike.estimator_ms


def test_the_edge_of_a_shifted_distribution_is_shifted_as_much() -> None:
    delays = 1e-3 - 5e-4 * np.log(1 - (np.arange(400) + 0.5) / 400)  # exponential from 1 ms on, mean 0.5 ms
    edge = edge_of(delays, 1e-8, 1e-8)
    moved = edge_of(delays + 2e-3, 1e-8, 1e-8)
    assert moved.floor_s - edge.floor_s == pytest.approx(2e-3, abs=2e-6)
    # It finds the edge it was made for: within the blur it assumes, a tenth of a millisecond.
    assert edge.floor_s == pytest.approx(1e-3, abs=1e-4)
    assert edge.scale_s == pytest.approx(5e-4, rel=0.1)


# --- Causes, pieces, pairs ------------------------------------------------------------------------------------------


def test_a_pair_adds_constants_and_root_sum_squares_spreads() -> None:
    pair = budget(garden(), Options(free_tick=True)).worst_pair
    assert pair is not None
    assert pair.bias_ms() == pytest.approx(sum(abs(s.late_ms) + s.limit_ms for s in pair.shares))
    assert pair.spread_ms() == pytest.approx(math.sqrt(sum(s.spread_ms**2 for s in pair.shares)))
    assert pair.allow_ms() == pytest.approx(pair.bias_ms() + P95 * pair.spread_ms())


def test_free_ticks_cost_a_pair_a_frame_by_root_six_and_each_piece_half_a_frame() -> None:
    found = budget(garden(), Options(free_tick=True))
    assert found.worst_pair is not None
    assert found.worst_pair.share(Cause.TICK).late_ms == 0.0
    assert found.worst_pair.share(Cause.TICK).spread_ms == pytest.approx(free_tick_rms_ms(25))
    assert found.pieces[0].share(Cause.TICK).late_ms == 12.5
    locked = budget(garden()).worst_pair
    assert locked is not None
    assert locked.share(Cause.TICK).spread_ms == 0.0


def test_strings_cost_nothing_once_started_early_and_it_says_what_they_would() -> None:
    found = budget(garden())
    for pair in found.pairs:
        assert (pair.share(Cause.STRING).late_ms, pair.share(Cause.STRING).spread_ms) == (0.0, 0.0)
    longest = max(pair.uncompensated_ms for pair in found.pairs)
    assert longest == pytest.approx((2290 - 680) * 0.03)


def test_trims_are_right_to_half_a_step_each() -> None:
    pair = budget(garden(), Options(trim_step_ms=4.0)).worst_pair
    assert pair is not None
    assert pair.share(Cause.TRIM).limit_ms == 4.0
    assert pair.share(Cause.TRIM).unknown_ms == pytest.approx(4 / math.sqrt(6))


@pytest.mark.parametrize("kind", [HostPreset.STEADY, HostPreset.SMALL_BOARD, HostPreset.BUSY])
def test_a_host_wakes_as_late_as_it_is_drawn_to(kind: HostPreset) -> None:
    from leadlight_sim.hosts.scheduling import Host
    from leadlight_sim.kernel.streams import Streams

    settings = HostSettings.preset(kind)
    host = Host(settings, Streams(3).stream("wakes"))
    drawn = [host.timer_lateness_ns() / 1e6 for _ in range(40_000)]
    mean = sum(drawn) / len(drawn)
    spread = math.sqrt(sum((late - mean) ** 2 for late in drawn) / len(drawn))
    # Four standard errors: of the mean σ/√n, of an exponential's deviation √2·σ/√n.
    expected_mean, expected_spread = waking_ms(settings)
    assert mean == pytest.approx(expected_mean, abs=4 * expected_spread / 200)
    assert spread == pytest.approx(expected_spread, abs=4 * math.sqrt(2) * expected_spread / 200)


@pytest.mark.parametrize(
    ("changes", "markers", "view"),
    [
        ({}, True, ClockView.COMMON_VIEW),
        ({}, False, ClockView.SHARED_DELAY),
        ({"leader": {"wired": True}}, True, ClockView.SHARED_DELAY),
        ({"leader": {"sounding_budget": 0, "wired": True}}, True, ClockView.ONE_WAY),
    ],
)
def test_the_clock_goes_by_the_best_that_the_network_allows(
    changes: dict[str, Any], markers: bool, view: ClockView
) -> None:
    assert {piece.view for piece in budget(garden(**changes), markers=markers).pieces} == {view}


def test_unequal_floors_count_against_the_music_and_cancel_between_pieces_that_share_a_median() -> None:
    found = budget(garden(leader={"wired": True}, air={"preset": "idle", "floor_asymmetry": 0.25}))
    # A quarter of 1.09 ms up and down each, half of the difference at most.
    assert found.pieces[0].share(Cause.FLOORS).limit_ms == pytest.approx(0.2725)
    assert found.worst_pair is not None
    assert found.worst_pair.share(Cause.FLOORS).limit_ms == 0.0


def test_two_boards_alone_have_no_median_and_differ_by_their_floors() -> None:
    two = [{"name": "a", "pixels": 100}, {"name": "b", "pixels": 100}]
    found = budget(garden(leader={"wired": True}, followers=two))
    assert found.worst_pair is not None
    assert found.worst_pair.share(Cause.FLOORS).limit_ms == pytest.approx(2 * 0.2725)
    assert found.worst_pair.share(Cause.FLOORS).unknown_ms == pytest.approx(0.2725 / math.sqrt(3))


def test_the_worst_pair_comes_first_and_tight_pairs_are_always_told() -> None:
    many = [{"name": f"n {number}", "pixels": 100} for number in range(12)]
    many[3]["host"] = "busy"
    found = budget(garden(followers=many, tight_pairs=[{"pieces": ["n 10", "n 11"]}]))
    allowed = [pair.allow_ms() for pair in found.pairs]
    assert allowed == sorted(allowed, reverse=True)
    assert "n 3" in found.pairs[0].names
    assert [pair.names for pair in found.pairs if pair.tight] == [("n 10", "n 11")]


def test_nobody_hears_a_leader_on_an_isolating_network() -> None:
    with pytest.raises(LeadlightError, match="client_isolation"):
        budget(garden(air={"preset": "idle", "client_isolation": True}))


# --- Words, page, command -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fidelity", ["sampled", "tabled", "contended"])
def test_a_sheet_says_where_it_is_not_of_the_air_that_was_asked_for(fidelity: str) -> None:
    lake = load_shipped().with_changes({"air.preset": "idle", "air.fidelity": fidelity})
    told = [line for line in sentences(budget(lake)) if "only a rehearsal shows" in line]
    assert told == (
        []
        if fidelity == "sampled"
        else [
            f"This sheet is of the preset idle's own laws of delay. What air.fidelity {fidelity} adds, competing "
            "stations above all, only a rehearsal shows."
        ]
    )


def test_a_single_piece_has_a_sheet_without_pairs() -> None:
    found = budget(garden(followers=[{"name": "oak", "pixels": 90}]))
    assert found.worst_pair is None
    assert headline(found)[1].startswith("oak stays within")
    assert not any("pair" in sheet.title for sheet in sheets(found))
    assert "<svg" in page(found)


def test_every_sheet_is_as_wide_as_its_headings() -> None:
    for sheet in sheets(budget(load_shipped())):
        assert {len(row) for row in sheet.rows} == {len(sheet.headings)}, sheet.title


class _Outline(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.identifiers: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta", "br"):
            self.open.append(tag)
        self.identifiers += [value or "" for name, value in attrs if name == "id"]

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:  # noqa: ARG002
        self.identifiers += [value or "" for name, value in attrs if name == "id"]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_needs_nothing_outside_itself_and_takes_no_name_for_markup() -> None:
    awkward = [{"name": '<i>"$y$"</i>', "pixels": 90}, {"name": "elm & {{x}}", "pixels": 60}]
    text = page(budget(garden(name="pond <script>", followers=awkward)), "leadlight budget '<i>'")
    outline = _Outline()
    outline.feed(text)
    assert outline.open == []
    assert len(outline.identifiers) == len(set(outline.identifiers))
    assert "http" not in text
    assert "<script" not in text
    assert "<i>" not in text
    assert re.findall(r"url\((?!#)", text) == []


def test_the_page_is_the_same_each_time() -> None:
    assert page(budget(garden())) == page(budget(garden()))


@pytest.fixture
def _as_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    points = [EntryPoint("budget", "leadlight_sim.commands.cli:budget", cli.COMMAND_GROUP)]
    monkeypatch.setattr(cli, "entry_points", lambda **_: points)


@pytest.mark.usefixtures("_as_installed")
def test_the_command_tells_cautions_and_writes_what_it_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report, figures = tmp_path / "page.html", tmp_path / "figures.json"
    words = ["budget", "--audience", "5,21", "--temperature=-3", "--report", str(report), "--json", str(figures)]
    assert cli.main(words) == 0
    said = capsys.readouterr()
    assert "Never move the audio to fix the lights" in said.out
    assert "Amps, fuses and wire are not on this sheet" in said.out
    assert "photosensitive" in said.out
    assert said.err == ""
    assert report.read_text().startswith("<!DOCTYPE html>")
    told = json.loads(figures.read_text())
    assert told["assumed"]["temperature_c"] == -3.0
    assert told["sound"][0]["near_sound_lead_ms"] > 0 > told["sound"][0]["far_sound_lead_ms"]
    (line,) = [line for line in said.out.splitlines() if line.startswith("Reproduce: leadlight ")]
    again = line.removeprefix("Reproduce: leadlight ").split()
    assert cli.main(again) == 0
    first, second = said.out.split("Written:")[0], capsys.readouterr().out.split("Reproduce:")[0]
    assert first == second


@pytest.mark.usefixtures("_as_installed")
@pytest.mark.parametrize(
    ("words", "named"),
    [
        (["--audience", "5"], "--audience"),
        (["--audience", "9,8"], "--audience: '9,8' is not allowed; allowed: the nearer distance first"),
        (["--audience=-1,8"], "--audience: -1.0 is not allowed; allowed: a number from 0 to 10000"),
        (["--pattern-speed", "0"], "--pattern-speed: 0.0 is not allowed; allowed: a number above 0"),
        (["--copy-rate", "0"], "--copy-rate"),
        (["--trim-step=-1"], "--trim-step"),
        (["--temperature", "nan"], "--temperature: nan is not allowed; allowed: a number from -60 to 60"),
    ],
)
def test_what_cannot_be_is_refused_by_name(words: list[str], named: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["budget", *words]) == EXIT_TROUBLE
    assert named in capsys.readouterr().err


def test_the_figures_hold_no_infinity() -> None:
    still = {"wander_ppm_per_sqrt_s": [0.0, 0.0], "cooling_ppm": [0.0, 0.0], "tolerance_ppm": 0.0}
    json.dumps(to_json(budget(garden(clocks=still))), allow_nan=False)


def test_the_sheet_of_the_shipped_scenario_is_led_by_hosts_and_trims_not_by_clocks() -> None:
    pair = budget(load_shipped()).worst_pair
    assert pair is not None
    assert pair.allow_ms(CLOCK_CAUSES) < 0.1 < pair.allow_ms()


def test_what_a_live_feed_needs_is_what_a_rehearsal_says_without_synchronisation_packets() -> None:
    lake = load_shipped()
    for wired in (False, True):
        described = lake.with_changes({"leader.wired": wired})
        airtime = budget(described).airtime
        for share, delivery in (
            (airtime.live_unicast_data, Delivery.UNICAST),
            (airtime.live_group_data, Delivery.MULTICAST),
        ):
            assert share == pytest.approx(send_live(described, delivery=delivery, duration_s=1).needed_share, rel=1e-12)
        assert airtime.live_unicast > airtime.live_unicast_data
        assert airtime.live_by_rate[0][1] > airtime.live_group_data


def test_pairs_that_come_to_the_same_are_one_bar_and_a_tight_one_has_its_own() -> None:
    lake = budget(load_shipped())
    groups = alike(lake.pairs)
    assert [len(group) for group in groups] == [len(lake.pairs) - 1, 1]
    assert groups[1][0].names == ("reed beds", "footbridge")
    drawing = by_cause(lake)
    assert drawing is not None
    assert "reed beds – footbridge" in drawing.svg
    assert "2.39 ms, 26 more alike" in drawing.svg


def test_a_tie_is_told_as_one() -> None:
    lake = budget(load_shipped())
    assert lake.as_bad == 28
    assert headline(lake)[1].startswith("Allow 2.39 ms between any two pieces, such as footbridge and ferry;")
    slower = load_shipped().with_changes({"followers[willow].host": "busy"})
    assert "willow" in headline(budget(slower))[1]
    assert ", as between 6 other pairs;" in headline(budget(slower))[1]


def test_a_column_of_times_has_one_unit() -> None:
    units = re.compile(r"^(?:[\d,.]+ (ms|µs|s)|–)$")
    for sheet in sheets(budget(load_shipped()))[:3]:
        for column in zip(*sheet.rows, strict=True):
            found = {match[1] for cell in column if (match := units.match(cell)) and match[1]}
            assert len(found) <= 1, (sheet.title, column)


def test_the_largest_part_named_is_the_longest_of_the_bar_s_and_the_parts_add_up() -> None:
    lake = budget(load_shipped())
    pair = lake.worst_pair
    assert pair is not None
    parts = {cause: pair.part_ms(cause) for cause in Cause}
    assert sum(parts.values()) == pytest.approx(pair.allow_ms())
    largest = max(parts, key=parts.__getitem__)
    assert largest is Cause.WAKING  # 1.96 times half a millisecond at each, against half a millisecond of trim
    assert f"The largest part of it is {largest.value}: 1.39 ms." in sentences(lake)
