"""Kalman filters written out in scalars, beside the same in matrices."""

from __future__ import annotations

import math
from random import Random

import numpy as np
import numpy.typing as npt
import pytest

from leadlight.clock import edge_filter
from leadlight.clock.bound import RATE_WANDER  # the music's filter takes the same
from leadlight.clock.edge_filter import FLOOR_WANDER, EdgeFilter
from leadlight.clock.estimator import Exchange
from leadlight.clock.tracker import OffsetTracker
from leadlight.leader import pacing
from leadlight.playback import output_clock
from leadlight.playback.output_clock import OutputClock
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition

Matrix = npt.NDArray[np.float64]


class Textbook:
    """What is believed of an offset and its rate, and of as many more as stand by themselves."""

    def __init__(self, state: list[float], covariance: list[list[float]]) -> None:
        self.state = np.array(state)
        self.covariance = np.array(covariance)

    def predict(self, elapsed: float, wander: float, others_wander: float = 0.0) -> None:
        f = np.eye(len(self.state))
        f[0, 1] = elapsed
        q = np.eye(len(self.state)) * others_wander**2 * elapsed
        q[:2, :2] = wander**2 * np.array([[elapsed**3 / 3, elapsed**2 / 2], [elapsed**2 / 2, elapsed]])
        self.state = f @ self.state
        self.covariance = f @ self.covariance @ f.T + q

    def correct(self, h: list[float], score: float, information: float) -> None:
        towards = self.covariance @ np.array(h)
        self.state = self.state + towards * score
        self.covariance = self.covariance - information * np.outer(towards, towards)

    def observe(self, seen: float, noise_variance: float) -> None:
        variance = self.covariance[0, 0] + noise_variance
        self.correct([1.0, 0.0], (seen - self.state[0]) / variance, 1 / variance)

    def assert_same(self, state: list[float], covariance: list[list[float]]) -> None:
        assert state == pytest.approx(self.state, rel=1e-9, abs=1e-12)
        scale = np.sqrt(np.outer(np.diag(self.covariance), np.diag(self.covariance)))
        assert np.abs(np.array(covariance) - self.covariance) / scale == pytest.approx(0.0, abs=1e-8)


def irregular(random: Random, count: int) -> list[tuple[float, int]]:
    """Return when each sample comes after the one before, in seconds, and how far it is off, in ns."""
    return [
        (random.choice((0.1, 0.5, 7.0)) * random.uniform(0.9, 1.1), random.randint(-9_000, 9_000)) for _ in range(count)
    ]


def test_what_is_known_of_marks() -> None:
    tracker = OffsetTracker()
    tracker.observe(LocalInstant(0), 500, None, doubt=3e-5)
    assert [tracker.noise_ns, tracker._xx] == pytest.approx([100_000, 1e-4**2 + 3e-5**2])
    textbook = Textbook([0.0, 0.0], [[tracker._xx, 0.0], [0.0, tracker._rr]])
    now = 0
    for elapsed, off_ns in irregular(Random(1), 40):
        elapsed_ns = round(elapsed * SECOND)
        now += elapsed_ns
        noise, doubt = tracker._noise, abs(off_ns) * 1e-9
        assert tracker.observe(LocalInstant(now), 500 + now // 100_000 + off_ns, None, doubt)
        textbook.predict(elapsed_ns / SECOND, RATE_WANDER)
        textbook.observe((now // 100_000 + off_ns) / SECOND, noise**2 + doubt**2)
        textbook.assert_same([tracker._x, tracker._r], [[tracker._xx, tracker._xr], [tracker._xr, tracker._rr]])


def test_what_is_known_of_the_music() -> None:
    music = pacing._MusicFilter(1e-3)
    music.observe(LeaderInstant(0), 500)
    textbook = Textbook([0.0, 0.0], [[1e-6, 0.0], [0.0, music.rate_variance]])
    now = 0
    for elapsed, off_ns in irregular(Random(2), 40):
        elapsed_ns = round(elapsed * SECOND)
        now += elapsed_ns
        noise = music._noise
        music.observe(LeaderInstant(now), 500 + now // 20_000 + off_ns)
        textbook.predict(elapsed_ns / SECOND, RATE_WANDER)
        textbook.observe((now // 20_000 + off_ns) / SECOND, noise**2)
        textbook.assert_same([music._x, music.rate], [[music._xx, music._xr], [music._xr, music.rate_variance]])
        assert music.deviation == math.sqrt(music._xx)


def test_what_is_known_of_an_output() -> None:
    clock = OutputClock()
    clock.report(ShowPosition(4 * MILLISECOND), ShowPosition(0), LocalInstant(0))
    noise_variance = (3e-3) ** 2
    textbook = Textbook([4e-3, 0.0], [[noise_variance, 0.0], [0.0, output_clock.STRAY_START**2]])
    now = 0
    for elapsed, off_ns in irregular(Random(3), 40):
        elapsed_ns = round(elapsed * SECOND)
        now += elapsed_ns
        ordered_ppb = clock.rate_ppb
        seen_ns = 4 * MILLISECOND + now // 5_000 + 100 * off_ns
        clock.report(ShowPosition(seen_ns), ShowPosition(0), LocalInstant(now))
        textbook.predict(elapsed_ns / SECOND, output_clock.STRAY_WANDER)
        textbook.state[0] += ordered_ppb * 1e-9 * elapsed_ns / SECOND
        textbook.observe(seen_ns / SECOND, noise_variance)
        textbook.assert_same([clock._error, clock._stray], [[clock._p_ee, clock._p_es], [clock._p_es, clock._p_ss]])


@pytest.mark.parametrize("side", [1, -1])
def test_six_reports_in_a_row_far_to_one_side_say_that_the_music_has_moved(side: int) -> None:
    music = pacing._MusicFilter(1e-3)
    far_ns = side * 300 * MILLISECOND
    for second, off_ns in enumerate([*[0] * 20, *[far_ns] * 5, 0, *[far_ns] * 3, *[-far_ns] * 2, *[far_ns] * 5]):
        music.observe(LeaderInstant(second * SECOND), off_ns)
        assert abs(music._x) < 0.1
    noise, rate, rate_variance = music._noise, music.rate, music.rate_variance
    music.observe(LeaderInstant((second + 1) * SECOND), far_ns)
    assert music._x == pytest.approx(far_ns / SECOND)
    assert (music._xx, music._xr, music.rate) == (noise**2, 0.0, rate)
    assert music.rate_variance == pytest.approx(rate_variance + RATE_WANDER**2)


def test_six_marks_refused_in_a_row_and_a_seventh_say_that_the_offset_is_another() -> None:
    tracker = OffsetTracker()
    for second in range(20):
        tracker.observe(LocalInstant(second * SECOND), 0, None)
    for second in range(20, 27):
        noise, rate_variance = tracker._noise, tracker._rr
        assert not tracker.observe(LocalInstant(second * SECOND), 300 * MILLISECOND, None, doubt=3e-5)
    assert (tracker._base, tracker._x, tracker._xr) == (300 * MILLISECOND, 0.0, 0.0)
    assert tracker._xx == pytest.approx(noise**2 + 3e-5**2)
    assert tracker._rr == pytest.approx(rate_variance + 7 * RATE_WANDER**2 + edge_filter.RATE_REOPENED**2)
    for second in range(27, 34):
        assert tracker._base == 300 * MILLISECOND
        assert not tracker.observe(LocalInstant(second * SECOND), 900 * MILLISECOND, None)
    assert tracker._base == 900 * MILLISECOND


def test_how_far_samples_scatter_is_learnt() -> None:
    random = Random(5)
    tracker, music = OffsetTracker(), pacing._MusicFilter(20e-3)
    for second in range(600):
        tracker.observe(LocalInstant(second * SECOND), round(random.gauss(0, 300_000)), None)
        music.observe(LeaderInstant(second * SECOND), round(random.gauss(0, 3 * MILLISECOND)))
    assert tracker.noise_ns == pytest.approx(300_000, rel=0.15)
    assert music._noise == pytest.approx(3e-3, rel=0.15)


@pytest.mark.parametrize("side", [1, -1])
def test_three_reports_in_a_row_far_to_one_side_say_that_the_output_has_moved(side: int) -> None:
    clock = OutputClock()
    far_ns = side * 200 * MILLISECOND
    reports = [*[0] * 20, *[far_ns] * 2, 0, far_ns, *[-far_ns] * 2, *[far_ns] * 3, *[0] * 2]
    moved_at = 28
    for second, off_ns in enumerate(reports):
        clock.report(
            ShowPosition(second * SECOND + off_ns), ShowPosition(second * SECOND), LocalInstant(second * SECOND)
        )
        assert (abs(clock.error_ns) < 100 * MILLISECOND) == (second < moved_at)
        if second == moved_at:
            assert clock.error_ns == far_ns
            assert (clock._p_ee, clock._p_es) == (clock._noise, 0.0)


def test_no_variance_is_rounded_away() -> None:
    edges = EdgeFilter()
    edges.observe_copy(LeaderInstant(0), LocalInstant(0))
    edges._xx = edges._bb = edges._ff = 0.0
    edges._rr = 0.0
    edges.observe_copy(LeaderInstant(0), LocalInstant(0))
    assert (edges._xx, edges._rr, edges._bb, edges._ff) == (1e-18, 1e-24, 1e-18, 1e-18)
    music = pacing._MusicFilter(1e-3)
    music.observe(LeaderInstant(0), 0)
    music._xx = music.rate_variance = 0.0
    music.observe(LeaderInstant(0), 0)
    assert (music._xx, music.rate_variance) == (1e-18, 1e-24)
    tracker = OffsetTracker()
    tracker.observe(LocalInstant(0), 0, None)
    tracker._xx = tracker._rr = 0.0
    tracker.observe(LocalInstant(0), 0, None)
    assert (tracker._xx, tracker._rr) == (1e-18, 1e-24)


def test_no_floor_is_below_zero() -> None:
    for observe in (EdgeFilter.observe_copy, EdgeFilter.observe_beacon):
        edges = EdgeFilter()
        observe(edges, LeaderInstant(0), LocalInstant(0))
        edges._f = edges._b = 0.0
        observe(edges, LeaderInstant(40 * MILLISECOND), LocalInstant(0))
        assert (edges._f, edges._b) == (0.0, 0.0)


def test_on_another_network_the_floors_are_open_and_the_clock_is_kept() -> None:
    edges = EdgeFilter()
    edges.observe_copy(LeaderInstant(0), LocalInstant(0))
    state, before = known_of_edges(edges)
    edges.reopen_paths()
    before[2][2] += 20e-3**2
    before[3][3] += 2e-3**2
    assert known_of_edges(edges) == (state, before)


def test_what_contradicts_itself_begins_anew_where_it_stood() -> None:
    edges = EdgeFilter()
    edges.observe_copy(LeaderInstant(0), LocalInstant(7 * SECOND))
    fresh = known_of_edges(edges)
    edges._xx, edges._xr, edges._rr, edges._r = edge_filter.VARIANCE_MAXIMUM, 3.0, 4.0, 5.0
    edges._f = edge_filter.FLOOR_MAXIMUM
    x = edges._x
    edges._clamp()
    assert known_of_edges(edges) == ([x, *fresh[0][1:]], fresh[1])


def known_of_edges(edges: EdgeFilter) -> tuple[list[float], list[list[float]]]:
    e = edges
    return [e._x, e._r, e._b, e._f], [
        [e._xx, e._xr, e._xb, e._xf],
        [e._xr, e._rr, e._rb, e._rf],
        [e._xb, e._rb, e._bb, e._bf],
        [e._xf, e._rf, e._bf, e._ff],
    ]


def test_what_the_first_exchanges_leave_open() -> None:
    edges = EdgeFilter()

    def exchange(second: int, round_trip_ms: int) -> None:
        sent, there = second * SECOND, LeaderInstant(second * SECOND + round_trip_ms * MILLISECOND // 2)
        edges.observe_exchange(
            Exchange(LocalInstant(sent), there, there, LocalInstant(sent + round_trip_ms * MILLISECOND))
        )

    exchange(0, 20)
    assert edges._xx == pytest.approx(10e-3**2 + 1e-6)
    assert [edges._f, edges._ff] == pytest.approx([1e-3, (0.6 * 10e-3) ** 2])
    for second in range(1, 40):
        exchange(second, 20)
    assert edges._f == pytest.approx(10e-3, abs=1e-3)
    # After a restart of the leader's host the path is believed to be as it was ...
    edges.rebase()
    exchange(40, 200)
    assert edges._xx == pytest.approx(100e-3**2 + 1e-6, rel=1e-4)
    # ... unless four exchanges say that it is not.
    for second in range(41, 44):
        exchange(second, 200)
    assert [edges._f, edges._ff] == pytest.approx([90e-3, 2e-3**2 + 10e-3**2], rel=1e-4)


@pytest.mark.interpreted
def test_what_is_known_of_clock_and_floors(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[float, float, float]] = []

    def noted(innovation: float, variance: float, scale: float) -> tuple[float, float]:
        asked.append((innovation, variance, scale))
        return edge_score(innovation, variance, scale)

    edge_score = edge_filter.edge_score
    monkeypatch.setattr(edge_filter, "edge_score", noted)
    random = Random(4)
    edges = EdgeFilter()
    now, compared = 0, 0
    for kind in [*"eeeee", *(random.choice("bbce") for _ in range(200))]:
        textbook = Textbook(*known_of_edges(edges))
        elapsed_ns = random.randint(50, 900) * MILLISECOND
        now += elapsed_ns
        textbook.predict(elapsed_ns / SECOND, RATE_WANDER, FLOOR_WANDER)
        drifted_ns = now // 50_000
        down_ns, up_ns = (drifted_ns + sign * (MILLISECOND + round(random.expovariate(1e-6))) for sign in (1, -1))
        asked.clear()
        # What is seen, which state it is of, and on which side of it packets are late.
        edge_of_copy = (down_ns / SECOND, [1.0, 0.0, 0.0, 1.0], 1)
        if kind == "b":
            edges.observe_beacon(LeaderInstant(now - down_ns), LocalInstant(now))
            seen = [(down_ns / SECOND, [1.0, 0.0, 1.0, 0.0], 1)]
        elif kind == "c":
            edges.observe_copy(LeaderInstant(now - down_ns), LocalInstant(now))
            seen = [edge_of_copy]
        else:
            before = LocalInstant(now - 9 * MILLISECOND)
            edges.observe_exchange(
                Exchange(before, LeaderInstant(before - up_ns), LeaderInstant(now - down_ns), LocalInstant(now))
            )
            carried = textbook.state[1] * 9e-3
            seen = [edge_of_copy, (up_ns / SECOND + carried, [1.0, 0.0, 0.0, -1.0], -1)]
        if len(asked) < len(seen):
            continue  # too late to believe, or the floor is still looked for: not in matrices
        compared += 1
        assert edges._base is not None
        for (value, h, side), (innovation, variance, scale) in zip(seen, asked, strict=True):
            expected = value - edges._base / SECOND - np.dot(h, textbook.state)
            assert innovation == pytest.approx(side * expected, abs=1e-10)
            known = np.dot(h, textbook.covariance @ h)
            if innovation < -edge_filter.EARLY_DEVIATIONS * math.sqrt(max(variance - innovation**2, known)):
                # Too early: the floor is thought too high.
                floor = h.index(1.0, 2) if 1.0 in h[2:] else 3
                textbook.covariance[floor, floor] += innovation**2
            score, information = edge_score(innovation, variance, scale)
            if innovation > edge_filter.TAIL_SCALES * scale:
                score *= edge_filter.TAIL_SCALES * scale / innovation
            textbook.correct(h, side * score, information)
            textbook.state[2:] = np.maximum(textbook.state[2:], 0.0)
        textbook.assert_same(*known_of_edges(edges))
    assert compared > 150
