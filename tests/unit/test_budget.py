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

import pytest

from leadlight.commands import cli
from leadlight.commands.exits import EXIT_TROUBLE
from leadlight.errors import ConfigurationError
from leadlight_sim.air.timing import Radio
from leadlight_sim.budget.causes import Cause
from leadlight_sim.budget.measuring import Effect, Mean, Measured
from leadlight_sim.budget.page import page
from leadlight_sim.budget.sheet import Budget, airtime_of, budget, to_json
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
    tear_px,
)
from leadlight_sim.budget.tables import by_gain, headline, sentences, sheets
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


def made_up(scenario: Scenario, gains: dict[Cause, Mean] | None = None, rate_ppm: float = 0.5) -> Budget:
    """Return a scenario's sheet over figures that nobody measured: without a cause a pair gains what is said."""
    alone = len(scenario.followers) == 1
    pair = None if alone else Mean(2.0, 0.1)

    def effect(cause: Cause | None) -> Effect:
        gain = (gains or {Cause.WAKING: Mean(1.5, 0.1)}).get(cause, Mean(0.01, 0.02)) if cause else Mean(1.9, 0.1)
        without = None if alone else Mean(2.0 - gain.value, 0.1)
        return Effect(cause, Mean(1.8 - gain.value, 0.1), gain, without, None if alone else gain)

    each = tuple(Mean(1.5, 0.05) for _ in scenario.followers)
    measured = Measured(
        seeds=8,
        duration_s=180.0,
        piece=Mean(1.8, 0.1),
        pair=pair,
        effects=tuple(effect(cause) for cause in [*Cause, None]),
        pieces=each,
        clocks=each,
        tight=tuple(Mean(1.25, 0.05) for _ in scenario.tight_pairs),
        worst_pair=None if alone else (scenario.followers[0].name, scenario.followers[1].name),
        rate_ppm=rate_ppm,
        airtime_share=0.01,
    )
    return budget(scenario, measured)


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
    (piece,) = garden(followers=[{"name": "oak", "pixels": pixels}]).followers
    assert piece.latency_ms == pytest.approx(fills_ms, abs=1e-9)


def test_a_string_sets_a_ceiling_to_the_frame_rate() -> None:
    found = made_up(garden())
    (pieces,) = [sheet for sheet in sheets(found) if sheet.title.startswith("Pieces")]
    assert {row[0]: row[4] for row in pieces.rows}["piece 1"] == "36"
    assert any("cannot show more than 15 frames a second" in line for line in sentences(found))


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
    cable, air = (airtime_of(scenario, 0.01) for scenario in (garden(leader={"wired": True}), garden()))
    assert air.live_unicast == 2 * cable.live_unicast
    up = FEED.unicast_share(Radio(), 1)
    assert [rate for rate, _ in air.live_by_rate] == [1.0, 6.0, 24.0]
    for (_, over_air), (_, by_cable) in zip(air.live_by_rate, cable.live_by_rate, strict=True):
        assert over_air == pytest.approx(by_cable + up, rel=1e-12)
    assert air.ratio == air.live_by_rate[0][1] / 0.01


def test_what_a_live_feed_needs_is_what_a_rehearsal_says_without_synchronisation_packets() -> None:
    lake = load_shipped()
    for wired in (False, True):
        described = lake.with_changes({"leader.wired": wired})
        airtime = airtime_of(described, 0.01)
        for share, delivery in (
            (airtime.live_unicast_data, Delivery.UNICAST),
            (airtime.live_group_data, Delivery.MULTICAST),
        ):
            assert share == pytest.approx(send_live(described, delivery=delivery, duration_s=1).needed_share, rel=1e-12)
        assert airtime.live_unicast > airtime.live_unicast_data
        assert airtime.live_by_rate[0][1] > airtime.live_group_data


# --- Gains ----------------------------------------------------------------------------------------------------------


def test_a_mean_has_the_standard_error_of_its_values() -> None:
    mean = Mean.of([1.0, 2.0, 3.0, 4.0])
    # Squared deviations of 5 over 3 degrees of freedom, over 4 values.
    assert mean.value == 2.5
    assert mean.error == pytest.approx(math.sqrt(5 / 3 / 4))


@pytest.mark.parametrize(
    ("value", "error", "distinguishable"),
    [(2.01, 1.0, True), (2.0, 1.0, False), (-2.01, 1.0, True), (0.0, 0.0, False), (1e-6, 0.0, True)],
)
def test_a_gain_within_two_standard_errors_is_not_distinguishable(
    value: float, error: float, distinguishable: bool
) -> None:
    assert Mean(value, error).is_distinguishable is distinguishable


def test_the_causes_come_by_their_gain_and_all_together_last() -> None:
    found = made_up(garden(), {Cause.LOSS: Mean(0.5, 0.1), Cause.PATHS: Mean(0.9, 0.1), Cause.WAKING: Mean(-1.0, 0.1)})
    causes = [effect.cause for effect in by_gain(found)]
    assert (causes[:2], causes[-2:]) == ([Cause.PATHS, Cause.LOSS], [Cause.WAKING, None])
    assert "Mending unequal paths gains most: 0.90 ms." in sentences(found)


def test_what_cannot_be_told_from_chance_has_no_figure() -> None:
    found = made_up(garden(), {cause: Mean(0.3, 0.2) for cause in Cause})
    assert {row[2] for row in sheets(found)[0].rows[:-1]} == {"not distinguishable"}
    assert "Mending any one cause gains nothing that can be told from chance." in sentences(found)
    assert to_json(found)["causes"]["loss"]["is_distinguishable"] is False


def test_a_pair_that_tears_is_told_in_the_headline() -> None:
    assert headline(made_up(garden())) == (
        True,
        "Two pieces differ by up to 2.00 ms (p95); the picture allows 11.1 ms.",
    )
    assert not headline(made_up(garden(site={"pattern_px_per_s": 600})))[0]


# --- Words, page, command -------------------------------------------------------------------------------------------


def test_a_single_piece_has_a_sheet_without_pairs() -> None:
    found = made_up(garden(followers=[{"name": "oak", "pixels": 90}]))
    assert headline(found)[1].startswith("oak stays within")
    assert not any("pair" in heading for sheet in sheets(found) for heading in sheet.headings)
    assert "<svg" in page(found)


def test_every_sheet_is_as_wide_as_its_headings() -> None:
    for sheet in sheets(made_up(load_shipped())):
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
    text = page(made_up(garden(name="pond <script>", followers=awkward)), "leadlight budget '<i>'")
    outline = _Outline()
    outline.feed(text)
    assert outline.open == []
    assert len(outline.identifiers) == len(set(outline.identifiers))
    assert "http" not in text
    assert "<script" not in text
    assert "<i>" not in text
    assert re.findall(r"url\((?!#)", text) == []


def test_the_page_is_the_same_each_time() -> None:
    assert page(made_up(garden())) == page(made_up(garden()))


@pytest.fixture
def _as_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    points = [EntryPoint("budget", "leadlight_sim.commands.cli:budget", cli.COMMAND_GROUP)]
    monkeypatch.setattr(cli, "entry_points", lambda **_: points)


@pytest.mark.usefixtures("_as_installed")
def test_the_command_tells_cautions_and_writes_what_it_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[int, int]] = []

    def measured(scenario: Scenario, seeds: int, jobs: int, progress: object) -> Measured:
        asked.append((seeds, jobs))
        return made_up(scenario).measured

    monkeypatch.setattr("leadlight_sim.budget.measure", measured)
    report, figures = tmp_path / "page.html", tmp_path / "figures.json"
    words = ["budget", "--audience", "5,21", "--temperature=-3", "--report", str(report), "--json", str(figures)]
    words += ["--seeds", "2", "--jobs", "1", "--set", "run.seed=4"]
    assert cli.main(words) == 0
    assert asked == [(2, 1)]
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
        (["--seeds", "1"], "--seeds: 1 is not allowed; allowed: 2 to 1000"),
        (["--jobs", "0"], "--jobs: 0 is not allowed; allowed: 1 or more"),
        (["--set", "air.client_isolation=true"], "air.client_isolation: no board can hear"),
        (["--temperature", "nan"], "--temperature: nan is not allowed; allowed: a number from -60 to 60"),
    ],
)
def test_what_cannot_be_is_refused_by_name(words: list[str], named: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["budget", *words]) == EXIT_TROUBLE
    assert named in capsys.readouterr().err


def test_the_figures_hold_no_infinity() -> None:
    still = {"wander_ppm_per_sqrt_s": [0.0, 0.0], "cooling_ppm": [0.0, 0.0], "tolerance_ppm": 0.0}
    json.dumps(to_json(made_up(garden(clocks=still), rate_ppm=0.0)), allow_nan=False)


def test_a_column_of_times_has_one_unit() -> None:
    units = re.compile(r"^(?:[\d,.]+ (ms|µs|s)|–)$")
    for sheet in sheets(made_up(load_shipped()))[:3]:
        for column in zip(*sheet.rows, strict=True):
            found = {match[1] for cell in column if (match := units.match(cell)) and match[1]}
            assert len(found) <= 1, (sheet.title, column)
