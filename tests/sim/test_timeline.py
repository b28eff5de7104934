"""The timeline of a rehearsal: what is kept of frames and packets, and what it calls the worst moment."""

from __future__ import annotations

import functools
import math
from typing import Any

import numpy as np
import pytest

from leadlight.terms import Kind
from leadlight_sim.measures.rehearsal import Rehearsal, rehearse
from leadlight_sim.scenario.faults import over_at_s, title_of
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.soak.evenings import random_evening
from leadlight_sim.timeline import MISSING, making
from leadlight_sim.timeline.causes import AFTERMATH_S, clock_text
from leadlight_sim.timeline.model import DARK, NO_POWER, NOT_DUE, SHOWN, Timeline


def scenario(**changes: Any) -> Scenario:
    table: dict[str, Any] = {
        "name": "pond",
        "run": {"duration_s": 60, "settle_s": 5, "seed": 4},
        "followers": [{"name": "oak", "pixels": 90}, {"name": "elm", "pixels": 60}],
        "shows": [{"id": "short", "duration_s": 40}],
        "cues": [{"at_s": 12, "show": "short"}],
        "faults": [{"kind": "power-cut", "follower": "oak", "at_s": 25, "for_s": 4}],
    }
    return check_scenario(table | changes, "pond")


@functools.cache
def run() -> Rehearsal:
    return rehearse(scenario(), timeline=True)


def timeline_of(rehearsal: Rehearsal) -> Timeline:
    assert rehearsal.timeline is not None
    return rehearsal.timeline


def test_a_timeline_changes_nothing_that_is_scored() -> None:
    plain = rehearse(scenario())
    assert plain.trace_hash == run().trace_hash
    assert plain.timeline is None
    for one, other in zip(plain.scores.followers, run().scores.followers, strict=True):
        assert np.array_equal(one.lights, other.lights, equal_nan=True)


def test_the_middle_of_each_span_is_as_far_as_what_is_scored_there() -> None:
    # Scored is one instant of a span, at another phase of a frame and with another draw of how late the player wakes:
    # the two agree in the middle, to a tenth of a millisecond on this network.
    timeline = timeline_of(run())
    for piece, score in enumerate(run().scores.followers):
        middle = timeline.spans.middle[piece]
        both = (middle != MISSING) & ~np.isnan(score.lights[: len(middle)])
        assert both.sum() > 100
        gaps = np.abs(middle[both] * timeline.unit_ms - score.lights[: len(middle)][both])
        assert np.median(gaps) < 0.1


def test_least_middle_and_most_are_those_of_the_frames() -> None:
    timeline = timeline_of(run())
    spans = timeline.spans
    for window in timeline.windows:
        for piece in range(2):
            begin = math.ceil(window.begin_s / spans.span_s)
            for span in range(begin, math.floor(window.end_s / spans.span_s)):
                first = round((span * spans.span_s - window.first_frame_s) / timeline.frame_s)
                frames = window.ours[piece][first : first + round(spans.span_s / timeline.frame_s)]
                known = np.sort(frames[frames != MISSING])
                expected = (known[0], known[(len(known) - 1) // 2], known[-1]) if known.size else (MISSING,) * 3
                found = spans.least[piece, span], spans.middle[piece, span], spans.most[piece, span]
                assert found == expected


def test_every_frame_is_kept_within_five_seconds_of_each_mark() -> None:
    timeline = timeline_of(run())
    for mark in timeline.marks:
        window = next(one for one in timeline.windows if one.begin_s <= mark.at_s <= one.end_s)
        assert window.begin_s <= max(0.0, mark.at_s - 5)
        assert window.end_s >= min(60.0, mark.at_s + 5)
        last_s = window.first_frame_s + (window.ours.shape[1] - 1) * timeline.frame_s
        assert last_s > window.end_s - 2 * timeline.frame_s


def test_what_a_piece_does_is_told_apart() -> None:
    does = timeline_of(run()).spans.does
    assert (does[:, 4 * 2 : 4 * 12] == NOT_DUE).all()
    assert (does[1, 4 * 13 : 4 * 51] == SHOWN).all()
    assert (does[0, 4 * 25 + 1 : 4 * 29] == NO_POWER).all()
    assert (does[0, 4 * 29 : 4 * 34] == DARK).any()


def test_every_beacon_has_an_arrival_or_none_for_each_piece_with_power() -> None:
    timeline = timeline_of(run())
    window = next(one for one in timeline.windows if one.begin_s <= 25 <= one.end_s)
    packets = window.packets
    beacons = packets.kind == Kind.BEACON
    assert set(packets.sender[beacons].tolist()) == {0}
    sent = packets.sent[beacons] / 1e6 + window.begin_s
    to_oak = packets.receiver[beacons] == 1
    assert not ((sent[to_oak] > 25.2) & (sent[to_oak] < 28.8)).any()  # nobody is there to lose them
    assert ((sent[~to_oak] > 25.2) & (sent[~to_oak] < 28.8)).sum() >= 3
    heard = packets.arrived != MISSING
    assert (packets.arrived[heard] > packets.sent[heard]).all()


def test_what_beacons_met_with_is_told_of_every_span() -> None:
    timeline = timeline_of(run())
    spans = timeline.spans
    packets = timeline.windows[0].packets
    begin_s = timeline.windows[0].begin_s
    beacons = (packets.kind == Kind.BEACON) & (packets.arrived != MISSING) & (packets.sent >= 0)
    span = ((packets.sent / 1e6 + begin_s) // spans.span_s).astype(int)
    for number in np.unique(span[beacons])[1:-1].tolist():
        taken_ms = (packets.arrived - packets.sent)[beacons & (span == number)] / 1000
        assert spans.beacon_least[number] * timeline.unit_ms == pytest.approx(taken_ms.min(), abs=0.02)
        assert spans.beacon_most[number] * timeline.unit_ms == pytest.approx(taken_ms.max(), abs=0.02)
    assert (spans.beacon_middle != MISSING).sum() > 40


def test_values_that_find_no_room_make_longer_spans_and_fewer_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(making, "SPAN_VALUES_MAXIMUM", 6 * 2 * 100)
    monkeypatch.setattr(making, "FRAME_VALUES_MAXIMUM", 2 * 2 * 450)
    coarse = timeline_of(rehearse(scenario(), timeline=True))
    fine = timeline_of(run())
    assert coarse.spans.span_s == 1.0
    assert coarse.spans.middle.shape == (2, 60)
    assert (coarse.spans.most[1, 20] == fine.spans.most[1, 80:84]).any()
    assert coarse.spans.most[1, 20] == fine.spans.most[1, 80:84].max()
    assert coarse.worst == fine.worst
    # The one window that is left is about the worst moment.
    (window,) = coarse.windows
    assert coarse.worst is not None
    assert window.begin_s <= coarse.worst.at_s <= window.end_s


def test_without_a_show_the_timeline_is_of_the_clocks_and_says_so() -> None:
    timeline = timeline_of(rehearse(scenario(cues=[{"at_s": 0, "state": "dark"}]), timeline=True))
    assert not timeline.is_of_light
    assert timeline.windows == ()
    assert (timeline.spans.middle != MISSING).any()
    assert timeline.worst is not None
    assert "by its clock" in timeline.worst.sentence


def far_and_dark(figures: dict[str, Any]) -> tuple[float, float]:
    # The furthest middle of a span and the longest darkness, in ms, from the figures of the frames about the moment.
    spans = figures["spans"]
    far = max((abs(value) for row in spans["middle"] for value in row if value is not None), default=0)
    longest = 0
    for row in spans["does"]:
        length = 0
        for does in row:
            length = length + 1 if does == DARK else 0
            longest = max(longest, length)
    return far * figures["unit_ms"], longest * spans["span_s"] * 1000


@pytest.mark.slow
@pytest.mark.thorough_except(seed=7)
@pytest.mark.parametrize("seed", range(20))
def test_the_first_sentence_says_what_the_figures_say(seed: int) -> None:
    evening = random_evening(seed)
    rehearsal = rehearse(evening, timeline=True)
    figures = rehearsal.to_json()["timeline"]
    worst = figures["worst_moment"]
    if worst is None:
        # Nothing was to be seen while it counted.
        assert far_and_dark(figures)[1] <= 1000 * (evening.run.settle_s + 1) or not figures["is_of_light"]
        return
    sentence = worst["sentence"]
    assert sentence.startswith(f"The worst moment was at {clock_text(worst['at_s'])} of the run: {worst['piece']} was ")
    assert sentence.endswith(f"; {worst['cause']['text']}.")
    piece = figures["pieces"].index(worst["piece"])
    span = min(int(worst["at_s"] / figures["spans"]["span_s"] + 1e-9), len(figures["spans"]["does"][piece]) - 1)
    far_ms, dark_ms = far_and_dark(figures)
    if worst["distance_ms"] is None:
        # It was dark there, and nothing that counted was further off; what came before it counted may have been.
        assert figures["spans"]["does"][piece][span] == DARK
        assert worst["dark_s"] * 1000 <= dark_ms + 250
        assert "dark" in sentence
    else:
        middle = figures["spans"]["middle"][piece][span] * figures["unit_ms"]
        assert middle == pytest.approx(worst["distance_ms"], abs=figures["unit_ms"])
        assert abs(worst["distance_ms"]) <= far_ms + figures["unit_ms"]
        assert ("ahead of" if worst["distance_ms"] > 0 else "behind") in sentence
    counted = [
        abs(value) * figures["unit_ms"]
        for row in figures["spans"]["middle"]
        for number, value in enumerate(row)
        # From when every piece that ever heard a beacon has settled, whatever is shown counts.
        if value is not None and number * figures["spans"]["span_s"] > counts_from_s(rehearsal)
    ]
    size_ms = worst["dark_s"] * 1000 if worst["distance_ms"] is None else abs(worst["distance_ms"])
    assert max(counted, default=0.0) <= size_ms + figures["unit_ms"]
    if worst["cause"]["fault"] is not None:
        (*_, fault) = [one for one in evening.faults if title_of(one) == worst["cause"]["fault"]]
        begun = [one.at_s <= worst["at_s"] + worst["dark_s"] + 0.25 for one in evening.faults]
        ends = [over_at_s(one) for one in evening.faults]
        lasting = [end is None or end + AFTERMATH_S >= worst["at_s"] for end in ends]
        titled = [title_of(one) == title_of(fault) for one in evening.faults]
        assert any(all(three) for three in zip(begun, lasting, titled, strict=True))


def counts_from_s(rehearsal: Rehearsal) -> float:
    heard = [np.flatnonzero(~np.isnan(score.errors)) for score in rehearsal.scores.followers]
    first = [float(rehearsal.scores.times_s[ticks[0]]) for ticks in heard if ticks.size]
    return max(first, default=math.inf) + rehearsal.scenario.run.settle_s + 0.25
