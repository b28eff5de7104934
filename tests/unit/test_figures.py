from __future__ import annotations

import math
import re
import struct
from functools import cache
from itertools import pairwise
from xml.etree import ElementTree

import matplotlib
import numpy as np
import pytest

from leadlight_sim.drawing import axes
from leadlight_sim.drawing.canvas import as_svg, new_figure, new_sheet, place, shorter, style
from leadlight_sim.drawing.palette import LEVELS, TINTS
from leadlight_sim.measures.rehearsal import Rehearsal, rehearse
from leadlight_sim.report import figures
from leadlight_sim.report.crowd_view import _moment, crowd_view
from leadlight_sim.scenario.model import check_scenario
from leadlight_sim.telling.terminal import wrapped
from leadlight_sim.telling.words import as_ms, as_seconds, as_share, as_time, as_times


@cache
def short_run() -> Rehearsal:
    scenario = check_scenario(
        {
            "name": "two at the pond",
            "run": {"duration_s": 40, "settle_s": 5},
            "followers": [{"name": "oak", "pixels": 90}, {"name": "elm", "pixels": 60, "extra_loss_fraction": 0.4}],
            "shows": [{"id": "short", "title": "Short", "duration_s": 25}],
            "cues": [{"at_s": 8, "show": "short"}],
            "faults": [{"kind": "power-cut", "follower": "oak", "at_s": 20, "for_s": 4}],
        },
        "pond",
    )
    return rehearse(scenario, timeline=True)


def texts(svg: str) -> list[str]:
    return ["".join(element.itertext()) for element in ElementTree.fromstring(svg).iter("text")]


@pytest.mark.parametrize(
    ("value_ms", "text"),
    [
        (math.nan, "–"),
        (0.0, "0 µs"),
        (0.05, "50 µs"),
        (0.0994, "99 µs"),
        (0.0995, "0.10 ms"),
        (12.5, "12.5 ms"),
        (-2.0, "-2.00 ms"),
        (203.2, "203 ms"),
        (1500.0, "1.50 s"),
        (250_000.0, "250 s"),
    ],
)
def test_a_time_is_told_in_the_unit_that_reads_best(value_ms: float, text: str) -> None:
    assert as_time(value_ms) == text


@pytest.mark.parametrize(
    ("value_ms", "text"),
    [(math.nan, "–"), (0.0, "0 ms"), (0.005, "0.005 ms"), (0.094, "0.09 ms"), (0.1, "0.10 ms"), (202.4, "202 ms"),
     (60_000.0, "60,000 ms")],
)  # fmt: skip
def test_a_time_in_a_column_is_in_milliseconds_whatever_its_size(value_ms: float, text: str) -> None:
    assert as_ms(value_ms) == text


def test_how_many_times_as_much_is_told_in_two_digits() -> None:
    assert [as_times(times) for times in (1587.3, 126.0, 9.96, 1.234, 0.5)] == ["1,600", "130", "10", "1.2", "0.5"]


def test_a_sentence_is_wrapped_and_never_between_a_number_and_its_unit() -> None:
    said = wrapped("It is within 12.5 ms of it 95 % of the time.", 19, "  ", "  ")
    assert said == "  It is within\n    12.5 ms of it\n    95 % of the\n    time.\n"


def test_a_rare_share_is_not_rounded_to_nothing() -> None:
    assert [as_share(share) for share in (0.0, 0.00004, 0.0151, 0.2, 1.0)] == [
        "0.0 %", "0.004 %", "1.5 %", "20 %", "100 %",
    ]  # fmt: skip


def test_what_was_never_reached_says_never() -> None:
    assert [as_seconds(None), as_seconds(0.0), as_seconds(0.254), as_seconds(12.3)] == [
        "never", "at once", "0.25 s", "12 s",
    ]  # fmt: skip


def test_a_long_name_is_cut_in_its_middle_so_that_numbers_at_its_end_stay() -> None:
    assert shorter("piece number 17", 12) == "piece n…r 17"
    assert shorter("willow", 12) == "willow"
    assert shorter("an uncommonly long name", 6) == "an…me"


def test_every_colour_has_its_own_name_and_light_value() -> None:
    assert len({tint.name for tint in TINTS}) == len({tint.light for tint in TINTS}) == len(TINTS)


def luminance(colour: str) -> float:
    # Relative luminance, WCAG 2.2.
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_text_can_be_read_on_its_paper(theme: str) -> None:
    by_name = {tint.name: getattr(tint, theme) for tint in TINTS}
    for name in ("ink", "soft", "ours", "worst", "limit"):
        assert contrast(by_name[name], by_name["paper"]) >= 4.5, name  # WCAG 2.2, 1.4.3: ordinary text
    assert contrast(by_name["naive"], by_name["paper"]) >= 3  # the same: large or bold, and graphics (1.4.11)


def test_the_key_of_levels_gets_steadily_darker_on_light_paper_up_to_the_limit() -> None:
    below = [luminance(level.light) for level in LEVELS[:3]]
    assert all(first > second for first, second in pairwise(below))
    assert luminance(LEVELS[4].light) < below[-1]


def test_no_spike_is_lost_when_a_run_has_more_instants_than_a_drawing_has_columns() -> None:
    errors = np.zeros((1, 10_000))
    errors[0, 7777] = -80.0
    peaks, edges = figures._peaks(errors, np.arange(10_000) / 4)
    assert peaks.shape == (1, figures.COLUMNS)
    assert peaks.max() == 80.0
    (column,) = np.flatnonzero(peaks[0])
    assert edges[column] <= 7777 / 4 < edges[column + 1]


def test_the_distribution_says_for_which_share_of_time_an_error_is_exceeded() -> None:
    curve = figures._beyond(np.array([1.0, -2.0, 3.0, 4.0]))
    assert curve is not None
    distance, share = curve
    assert dict(zip(distance.tolist(), share.tolist(), strict=True))[2.0] == 0.5
    assert share[-1] == 0
    assert figures._beyond(np.empty(0)) is None


def test_the_share_of_time_beyond_p95_is_a_twentieth() -> None:
    run = short_run()
    for score in run.scores.followers:
        scored = np.abs(figures.settled_part(score, run, figures.distances(score, run.scores)))
        # One more or less than a twentieth of the values may lie beyond an interpolated quantile.
        assert abs((scored > score.light_ms.p95).sum() - 0.05 * scored.size) <= 1


def test_what_is_drawn_is_light_and_a_clock_that_errs_in_the_dark_is_not() -> None:
    run = short_run()
    (oak, _) = run.scores.followers
    assert figures.distances(oak, run.scores) is oak.lights
    assert figures.distances(oak, run.scores, naive=True) is oak.naive_lights
    # Before the show, in its power cut, and after its end there is nothing to see.
    times = run.scores.times_s
    assert np.isnan(oak.lights[(times < 8) | ((times > 20) & (times < 24)) | (times > 33)]).all()
    assert not np.isnan(oak.lights[(times > 10) & (times < 20)]).any()
    assert not np.isnan(oak.errors[times > 33]).any()


def test_the_key_of_beacons_has_its_words_apart_and_delays_have_an_axis_of_shares() -> None:
    drawing = figures.beacon_timeline(short_run())
    assert drawing is not None
    said = texts(drawing.svg)
    assert {"sent", "on its way, then there", "lost"} <= set(said)
    assert any(text.endswith("%") for text in said)


def test_labels_are_moved_apart_and_keep_their_order() -> None:
    placed = axes.spread([2.0, 1.0, 1.1, 5.0], 0.5)
    assert placed == pytest.approx([2.0, 1.0, 1.5, 5.0])


def test_a_drawing_names_pieces_shows_faults_and_the_limit() -> None:
    said = texts(figures.error_over_time(short_run()).svg)
    assert {"oak", "elm", "Short", "oak: power cut", "limit: 12.5 ms", "latest beacon", "Leadlight"} <= set(said)


def test_a_drawing_has_a_title_and_a_description_for_those_who_cannot_see_it() -> None:
    root = ElementTree.fromstring(figures.error_over_time(short_run()).svg)
    title, about = root[0], root[1]
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == f"{title.get('id')} {about.get('id')}"
    assert title.text == "Distance over time"
    assert "95 % of the time" in (about.text or "")


def test_every_reference_inside_a_drawing_has_its_target() -> None:
    with style("test"):
        figure = new_figure(100)
        axes = place(figure, 10, 60)
        axes.plot([0, 1, 2], [0, 1, 0], "o", markersize=4)
        svg = as_svg(figure, "test", "dots", "three dots")
    names = set(re.findall(r'\bid="([^"]+)"', svg))
    wanted = set(re.findall(r'href="#([^"]+)"', svg)) | set(re.findall(r"url\(#([^)]+)\)", svg))
    assert wanted
    assert wanted <= names


def test_a_sheet_draws_what_a_plotting_library_draws_at_the_same_places() -> None:
    ends = []
    for figure in (new_figure(200), new_sheet(200)):
        with style("test"):
            axes = place(figure, 20, 100, left=100, right=60)
            axes.set_xlim(0, 10)
            axes.set_yscale("log")
            axes.set_ylim(0.01, 100)
            axes.step([0, 5, 10], [0.01, 1, 1], where="post", color="#123456", linewidth=1)
            svg = as_svg(figure, "test", "a step", "a step")
        (path,) = re.findall(r'<path d="([^"]*)"[^>]*(?:#123456|stroke: #123456)', svg)
        numbers = [float(one) for one in re.findall(r"[\d.]+", path)]
        ends.append((numbers[0], numbers[1], max(numbers), min(number for number in numbers if number < 100)))
    # From the lower left corner at (100, 120) to the right edge at 900, half-way up, at 70.
    assert ends[1] == (100.0, 120.0, 900.0, 70.0)
    assert ends[0] == pytest.approx(ends[1], abs=0.02)


def test_no_colour_is_fixed_so_that_the_page_can_be_light_or_dark() -> None:
    drawing = figures.error_distribution(short_run())
    assert drawing is not None
    assert re.findall(r"#[0-9a-f]{6}\b", drawing.svg) == []
    assert "var(--ours)" in drawing.svg


def test_a_lost_beacon_is_marked_and_one_sent_while_the_power_was_off_is_not() -> None:
    run = short_run()
    sent = np.array([at for at, _ in run.scores.beacons])
    powered = figures._powered(run, sent)
    assert [bool(on) for at, on in zip(sent, powered[:, 0], strict=True) if 20.5 < at < 23.5] == [False] * 3
    assert powered[sent > 25].all()
    assert figures.beacon_timeline(run) is not None


def test_without_a_timeline_no_beacons_are_drawn() -> None:
    assert figures.beacon_timeline(rehearse(short_run().scenario)) is None


def test_the_crowd_view_shows_a_moment_of_the_show_at_the_95th_percentile() -> None:
    drawing = crowd_view(short_run())
    assert drawing is not None
    said = texts(drawing.svg)
    (when,) = [text for text in said if text.endswith("of the run")]
    minutes, seconds = when.removeprefix("at ").removesuffix(" of the run").split(":")
    assert 8 <= 60 * int(minutes) + float(seconds) < 33
    assert said.count("Leadlight") == said.count("latest beacon") == said.count("as written") == 3


def test_the_moment_of_the_crowd_view_is_poor_for_both_ways_of_keeping_time() -> None:
    run = short_run()
    pieces, scores = run.scores.followers, run.scores
    ours, naive = (np.array([figures.distances(piece, scores, side) for piece in pieces]) for side in (False, True))
    tick = _moment(run, ours, naive)
    assert tick is not None
    counted = run.scores.settled & run.scores.due & ~np.isnan(ours).any(axis=0)
    for off in (ours, naive):
        furthest = np.abs(off).max(axis=0)
        assert (furthest[counted] < furthest[tick]).mean() > 0.8


def test_user_settings_of_the_plotting_library_change_nothing_and_are_left_alone() -> None:
    plain = figures.error_over_time(short_run()).svg
    with matplotlib.rc_context({"font.size": 30, "axes.facecolor": "red", "svg.fonttype": "path"}):
        assert figures.error_over_time(short_run()).svg == plain
        assert matplotlib.rcParams["font.size"] == 30


def test_names_that_look_like_markup_or_mathematics_are_drawn_as_they_are() -> None:
    name = 'a <b> id="x" & $y_1$ url(#z)'
    with style("test"):
        figure = new_figure(50)
        figure.text(0.5, 0.5, name)
        svg = as_svg(figure, "test", name, name)
    assert texts(svg) == [name]
    assert ElementTree.fromstring(svg)[0].text == name


def test_the_picture_is_a_png_of_the_promised_size_and_the_same_each_time() -> None:
    content = figures.picture(short_run())
    assert content.startswith(b"\x89PNG")
    assert struct.unpack(">II", content[16:24]) == (1200, 500)
    assert figures.picture(short_run()) == content
