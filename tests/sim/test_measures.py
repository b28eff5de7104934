"""Figures of hand-made worlds: exact hosts, perfect crystals, one fixed delay, and clocks that err by what we say.

There the right figures are known beforehand, to the nanosecond.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pytest

from leadlight.clock import CausalityBound, Estimate, Estimator, Exchange
from leadlight.events import CueAdopted, LeaderFound
from leadlight.follower.follower import JOIN_PATIENCE_NS
from leadlight.playback import Playhead
from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LeaderInstant, LocalInstant
from leadlight_sim.air.choice import making
from leadlight_sim.air.distributions import AirTables, Fixed
from leadlight_sim.air.sampled.air import SampledAir
from leadlight_sim.air.sampled.settings import SampledSettings
from leadlight_sim.air.timing import WeightlessRadio
from leadlight_sim.baselines import LatestBeacon
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.measures.rehearsal import Rehearsal, rehearse
from leadlight_sim.measures.scores import Scores
from leadlight_sim.measures.scoring import Scorer
from leadlight_sim.measures.verdict import judge
from leadlight_sim.scenario.files import load_shipped
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.world.assembly import World

DELAY_NS = 3 * MILLISECOND
CUE_AT_S = 20.0
FRAME_NS = 25 * MILLISECOND


class Erring:
    """Knows the one delay there is, and errs all the same by ``error_ns``; after ``wrong_for`` beacons no more.

    ``error_ns`` may be a function of the true offset, by which boards can be told apart.
    """

    def __init__(self, error_ns: int | Callable[[int], int], wrong_for: int | None = None) -> None:
        self._error_ns = error_ns
        self._wrong_for = wrong_for
        self._heard = 0
        self._estimate: Estimate | None = None

    def observe_beacon(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:
        self._heard += 1
        offset_ns = received_at - sent_at - DELAY_NS
        error_ns = self._error_ns if isinstance(self._error_ns, int) else self._error_ns(offset_ns)
        if self._wrong_for is not None and self._heard > self._wrong_for:
            error_ns = 0
        self._estimate = Estimate(received_at, offset_ns - error_ns, 0.0, deviation_ns=0.0, rate_deviation=0.0)

    def observe_copy(self, sent_at: LeaderInstant, received_at: LocalInstant) -> None:  # noqa: ARG002
        raise AssertionError("no copies are sent here")

    def observe_exchange(self, exchange: Exchange) -> None:  # noqa: ARG002
        raise AssertionError("nobody sounds here")

    def estimate(self) -> Estimate | None:
        return self._estimate

    def rebase(self) -> None:
        self._estimate = None

    def reopen_paths(self) -> None:
        pass


def each_its_own(*errors_ns: int) -> Callable[[int], int]:
    """Return a function that gives each board, known by its true offset, one of these errors."""
    left = list(errors_ns)
    given: dict[int, int] = {}

    def error_of(offset_ns: int) -> int:
        if offset_ns not in given:
            given[offset_ns] = left.pop()
        return given[offset_ns]

    return error_of


@pytest.fixture(autouse=True)
def _one_fixed_delay(monkeypatch: pytest.MonkeyPatch) -> None:
    nothing = Fixed(0)
    tables = AirTables(up=nothing, down=nothing, group=Fixed(DELAY_NS), private=nothing, cable=nothing)
    monkeypatch.setattr(making, "air_settings", lambda _: SampledSettings(tables=tables, radio=WeightlessRadio()))


def scenario(pieces: int = 1, **changes: Any) -> Scenario:
    table: dict[str, Any] = {
        "name": "By hand",
        "run": {"duration_s": 120, "settle_s": 15},
        "leader": {"oscillator_ppm": 0.0, "wired": True},
        "followers": [
            {"name": f"piece {number}", "pixels": 100, "sounds": False, "oscillator_ppm": 0.0}
            for number in range(pieces)
        ],
        "clocks": {"wander_ppm_per_sqrt_s": [0.0, 0.0], "cooling_ppm": [0.0, 0.0]},
        "air": {"preset": "model-a"},  # for its exact hosts
        "shows": [{"id": "tidefall", "duration_s": 300}],
        "cues": [{"at_s": CUE_AT_S, "show": "tidefall"}],
    }
    return check_scenario(table | changes, "by hand")


def made(described: Scenario, estimators: Callable[[], Estimator]) -> tuple[World, Scorer]:
    def make(bound: CausalityBound) -> Estimator:
        return estimators()

    world = World(described, estimator=make, markers=False)
    return world, Scorer(world)


def scored(described: Scenario, estimators: Callable[[], Estimator]) -> tuple[World, Scores]:
    world, scorer = made(described, estimators)
    scorer.run(world.end)
    return world, scorer.scores()


def verdict_of(described: Scenario, scores: Scores) -> tuple[bool, str]:
    verdict = judge(Rehearsal(described, 1, "", scores, 120.0, 0.1, 0))
    return verdict.good, " ".join(verdict.sentences)


@pytest.mark.parametrize("error_us", [0, 300, -300, 4_000, -4_000])
def test_a_constant_error_is_every_quantile_and_the_middle(error_us: int) -> None:
    _, scores = scored(scenario(), lambda: Erring(error_us * MICROSECOND))
    (found,) = scores.followers
    assert {found.error_ms.p50, found.error_ms.p95, found.error_ms.max} == {abs(error_us) / 1000}
    assert found.bias_ms == pytest.approx(error_us / 1000, rel=1e-12)


def test_light_is_as_far_off_as_the_clock_where_players_wake_on_time() -> None:
    _, scores = scored(scenario(), lambda: Erring(-4 * MILLISECOND))
    (found,) = scores.followers
    assert {found.light_ms.p50, found.light_ms.p95, found.light_ms.max, -found.light_bias_ms} == {4.0}
    assert (found.naive_light_ms.max, found.trimmed_p95_ms, found.dark_share) == (found.naive_error_ms.max, 0.0, 0.0)


@pytest.mark.parametrize(("error_ms", "late_ms"), [(0, 2), (3, 1), (-3, 1)])
def test_a_player_that_wakes_late_shows_late_whatever_its_clock(
    error_ms: int, late_ms: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("leadlight_sim.hosts.host.Host.player_lateness_ns", lambda _: late_ms * MILLISECOND)
    _, scores = scored(scenario(), lambda: Erring(error_ms * MILLISECOND))
    (found,) = scores.followers
    # Nodes' timers are late as well here, and nothing on the way hangs on that.
    assert found.error_ms.max == abs(error_ms)
    assert found.light_bias_ms == pytest.approx(error_ms - late_ms)
    assert found.light_ms.p95 == pytest.approx(abs(error_ms - late_ms))
    assert found.wrong_frame_share == pytest.approx(abs(error_ms - late_ms) / 25, abs=0.03)


def test_a_clock_that_errs_while_its_piece_is_dark_is_not_the_music_s_distance() -> None:
    cut = {"kind": "power-cut", "follower": "piece 0", "at_s": 40.0, "for_s": 30.0}
    errors = iter([0] * 60 + [80 * MILLISECOND] * 2 + [0] * 200)
    world, scorer = made(scenario(faults=[cut]), lambda: Erring(lambda _: next(errors)))
    scorer.run(world.end)
    scores = scorer.scores()
    (found,) = scores.followers
    has_clock = ~np.isnan(found.errors)
    joining = has_clock & (scores.times_s >= 70) & np.isnan(found.lights) & scores.due
    # It waits for its patience to end, and shows nothing meanwhile, whatever its clock thinks.
    assert joining.sum() >= JOIN_PATIENCE_NS // (SECOND // 4) - 1
    assert found.dark_share > 0
    assert np.nanmax(np.abs(found.lights)) == found.light_ms.max


def test_a_suspended_board_s_light_stands_and_the_music_runs_away_from_it() -> None:
    asleep = {"kind": "board-suspended", "follower": "piece 0", "at_s": 60.0, "for_s": 20.0}
    _, scores = scored(scenario(faults=[asleep]), lambda: Erring(0))
    (found,) = scores.followers
    at = dict(zip(scores.times_s.tolist(), found.lights.tolist(), strict=True))
    assert at[59.75] == 0.0
    # Each is looked at within a frame after its instant.
    assert at[65.0] == pytest.approx(-5000, abs=25)
    assert at[79.75] == pytest.approx(-19_750, abs=25)
    assert found.light_ms.max > 19_000
    assert found.wrong_frame_share > 79 / 400


def test_a_piece_with_a_bias_is_told_the_trim_that_mends_it_and_no_cause() -> None:
    described = scenario()
    _, scores = scored(described, lambda: Erring(-3 * MILLISECOND))
    _, words = verdict_of(described, scores)
    assert "Piece 0 is 3.00 ms behind the music half the time or more; shown sooner by as much (trim_ms)" in words
    assert "ways there and back" not in words
    _, scores = scored(described, lambda: Erring(-900 * MICROSECOND))
    assert "trim" not in verdict_of(described, scores)[1]


def test_where_no_show_is_on_the_verdict_is_of_clocks_and_says_so() -> None:
    described = scenario(cues=[{"at_s": CUE_AT_S, "state": "dark"}])
    _, scores = scored(described, lambda: Erring(4 * MILLISECOND))
    good, words = verdict_of(described, scores)
    assert good
    assert "No show was on while anything was scored; the worst clock, piece 0's, is within 4.00 ms" in words
    assert not verdict_of(described, scored(described, lambda: Erring(14 * MILLISECOND))[1])[0]


def test_believing_the_latest_beacon_errs_by_the_delay_and_is_behind() -> None:
    _, scores = scored(scenario(), LatestBeacon)
    (found,) = scores.followers
    assert found.error_ms.p95 == 3.0
    assert found.bias_ms == pytest.approx(-3.0, rel=1e-12)


def test_the_latest_beacon_is_scored_beside_whatever_steers() -> None:
    world = World(scenario(), markers=False)
    scorer = Scorer(world)
    scorer.run(world.end)
    (found,) = scorer.scores().followers
    assert (found.naive_error_ms.p50, found.naive_error_ms.max) == (3.0, 3.0)


def test_pairs_differ_by_the_difference_of_their_errors() -> None:
    errors = each_its_own(2 * MILLISECOND, -MILLISECOND, 500 * MICROSECOND)
    _, scores = scored(scenario(3), lambda: Erring(errors))
    by_bias = {round(score.bias_ms, 9): score.name for score in scores.followers}
    assert sorted(by_bias) == [-1.0, 0.5, 2.0]
    assert scores.pair_ms.max == 3.0
    assert scores.worst_pair is not None
    assert set(scores.worst_pair) == {by_bias[2.0], by_bias[-1.0]}
    assert (scores.worst_pair_ms.p50, scores.worst_pair_ms.max) == (3.0, 3.0)


@pytest.mark.parametrize("error_ms", [0, 1, -1, 5, -5, 10])
def test_a_constant_error_shows_a_wrong_frame_for_its_share_of_a_frame(error_ms: int) -> None:
    _, scores = scored(scenario(), lambda: Erring(error_ms * MILLISECOND))
    (found,) = scores.followers
    # The golden ratio's multiples fill a frame with a discrepancy below 2·ln(n)/n: 400 instants, 3 %.
    assert found.wrong_frame_share == pytest.approx(abs(error_ms) / 25, abs=0.03 if error_ms else 0.0)


@pytest.mark.interpreted
def test_a_frame_is_wrong_wherever_nothing_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    world, scorer = made(scenario(), lambda: Erring(0))
    scorer.run(TrueInstant(60 * SECOND + 1))
    (node,) = world.followers
    monkeypatch.setattr(Playhead, "plan", ())
    node.follower.playhead.halt()
    assert node.watch is not None
    node.watch()
    scorer.run(world.end)
    (found,) = scorer.scores().followers
    # A frame is due at every instant from 20 s on. Those up to 60 s were right, the 240 after it are not.
    assert found.wrong_frame_share == 240 / instants(world, settled_at(world), 120.0)


@pytest.mark.parametrize("wrong_for", [1, 4, 9])
def test_joining_takes_from_the_first_beacon_to_the_one_that_puts_it_right(wrong_for: int) -> None:
    world, scorer = made(scenario(), lambda: Erring(20 * MILLISECOND, wrong_for))
    packets = world.keep_packets()
    scorer.run(TrueInstant(19 * SECOND))
    sent_at, delays_ns = packets.beacons(leader=0, followers=1)
    heard = [int(sent + delay) for sent, delay in zip(sent_at, delays_ns[:, 0], strict=True) if not np.isnan(delay)]
    (found,) = scorer.scores().followers
    assert found.join_s == (heard[wrong_for] - heard[0]) / SECOND


def test_a_clock_more_than_half_a_frame_off_never_joins_and_the_verdict_says_so() -> None:
    described = scenario(2)
    errors = each_its_own(12 * MILLISECOND, 13 * MILLISECOND)
    _, scores = scored(described, lambda: Erring(errors))
    joins = {round(score.bias_ms, 9): score.join_s for score in scores.followers}
    assert joins == {12.0: 0.0, 13.0: None}
    good, words = verdict_of(described, scores)
    assert not good
    assert "never came into step" in words


def test_only_the_time_without_power_is_left_out() -> None:
    cut = {"kind": "power-cut", "follower": "piece 0", "at_s": 40.0, "for_s": 30.0}
    world, scores = scored(scenario(faults=[cut]), lambda: Erring(2 * MILLISECOND))
    (found,) = scores.followers
    off = np.isnan(found.errors)
    first_beacon_back = next(at for at, event in world.followers[0].events if at > 70 * SECOND)
    # Switched off at 40 s before that instant is scored; back at 70 s, and without an idea until a beacon.
    expected = (scores.times_s >= 40.0) & (scores.times_s < first_beacon_back / SECOND)
    first_beacon = next(at for at, event in world.followers[0].events if isinstance(event, LeaderFound))
    expected |= scores.times_s < first_beacon / SECOND
    assert off.tolist() == expected.tolist()
    assert found.powered.tolist() == [
        not 40.0 <= at < 70.0 and at >= world.followers[0].switched[0][0] / SECOND for at in scores.times_s
    ]
    assert found.error_ms.max == 2.0
    # One that only listens has no lock from its first beacons: it joins when its patience ends.
    assert found.rejoin_s == (JOIN_PATIENCE_NS / SECOND,)


def test_frames_of_a_board_with_power_and_no_beacons_are_wrong() -> None:
    cut = {"kind": "power-cut", "follower": "piece 0", "at_s": 40.0, "for_s": 30.0}
    world, scorer = made(scenario(faults=[cut]), lambda: Erring(0))
    scorer.run(TrueInstant(50 * SECOND))
    _deafen(world)
    scorer.run(world.end)
    (found,) = scorer.scores().followers
    # With power there are those up to 40 s, which are right, and those from 70 s on, when nothing shows.
    before, after = instants(world, settled_at(world), 39.75), instants(world, 70.0, 120.0)
    assert found.wrong_frame_share == after / (before + after)
    assert found.rejoin_s == (None,)
    assert found.error_ms.max == 0.0


CUES = [
    {"at_s": CUE_AT_S, "show": "tidefall"},
    {"at_s": 50.0, "state": "dark"},
    {"at_s": 80.0, "show": "tidefall"},
]


@pytest.mark.parametrize("error_ms", [4, 0, -4])
def test_a_clock_that_is_behind_takes_cues_late_and_one_ahead_does_not(error_ms: int) -> None:
    world, scores = scored(scenario(cues=CUES), lambda: Erring(error_ms * MILLISECOND))
    (found,) = scores.followers
    assert found.cue_lateness_ms == max(-error_ms, 0)
    assert found.missed_cues == 0
    adopted = [at for at, event in world.followers[0].events if isinstance(event, CueAdopted)]
    # What is ahead takes them early: lateness is not a mean that lateness elsewhere could hide behind.
    assert adopted[-3:] == [int(at * SECOND) - error_ms * MILLISECOND for at in (CUE_AT_S, 50.0, 80.0)]


def test_a_cue_that_was_never_taken_up_is_late_until_the_next_was_due_and_counts_as_missed() -> None:
    described = scenario(cues=CUES, run={"duration_s": 120, "settle_s": 15})
    world, scorer = made(described, lambda: Erring(0))
    scorer.run(TrueInstant(45 * SECOND))
    _deafen(world)
    scorer.run(TrueInstant(85 * SECOND))
    _deafen(world, again=False)
    scorer.run(world.end)
    scores = scorer.scores()
    (found,) = scores.followers
    assert (found.cue_lateness_ms, found.missed_cues) == (30_000.0, 1)
    good, words = verdict_of(described, scores)
    assert not good
    assert "Piece 0 missed a cue of the running order." in words


def test_the_last_cue_if_missed_is_late_until_the_run_ends() -> None:
    world, scorer = made(scenario(cues=CUES), lambda: Erring(0))
    scorer.run(TrueInstant(75 * SECOND))
    _deafen(world)
    scorer.run(world.end)
    (found,) = scorer.scores().followers
    assert (found.cue_lateness_ms, found.missed_cues) == (40_000.0, 1)


def settled_at(world: World) -> float:
    """Return when the first follower counts as settled, in s."""
    first_beacon = next(at for at, event in world.followers[0].events if isinstance(event, LeaderFound))
    return first_beacon / SECOND + world.scenario.run.settle_s


def instants(world: World, begin_s: float, end_s: float) -> int:
    """Return how many scoring instants lie between two times, both included."""
    return sum(begin_s <= tick / 4 <= end_s for tick in range(4 * 120 + 1))


def _hear_nothing(data: bytes, sender: str, arrived_at: TrueInstant) -> None:
    pass


def _lose_all(instant: TrueInstant) -> float:
    return 1.0


def _deafen(world: World, again: bool = True) -> None:
    """Let every group frame be lost, as from an access point that has gone; or no longer."""
    assert isinstance(world.air, SampledAir)
    for port in world.air._on_radio:
        port.loss_at = _lose_all if again else port.channel.loss_at


@pytest.mark.parametrize("at_s", [50.0, 45.0])
def test_cues_in_the_dark_time_of_a_power_cut_or_while_joining_are_not_late(at_s: float) -> None:
    cut = {"kind": "power-cut", "follower": "piece 0", "at_s": 30.0, "for_s": at_s - 30.0 + 1.0}
    cues = [{"at_s": CUE_AT_S, "show": "tidefall"}, {"at_s": at_s, "state": "dark"}]
    before = scored(scenario(cues=cues, faults=[cut]), lambda: Erring(0))[1]
    # Up at 46 or 51 s, a second after the cue. And with power five seconds before it, joining is what counts.
    cut = {"kind": "power-cut", "follower": "piece 0", "at_s": 30.0, "for_s": at_s - 30.0 - 5.0}
    after = scored(scenario(cues=cues, faults=[cut]), lambda: Erring(0))[1]
    for scores in (before, after):
        assert (scores.followers[0].cue_lateness_ms, scores.followers[0].missed_cues) == (0.0, 0)


def test_a_second_run_of_the_same_show_is_a_cue_of_its_own() -> None:
    again = [{"at_s": CUE_AT_S, "show": "tidefall"}, {"at_s": 60.0, "show": "tidefall"}]
    world, scorer = made(scenario(cues=again), lambda: Erring(0))
    scorer.run(TrueInstant(55 * SECOND))
    _deafen(world)
    scorer.run(world.end)
    (found,) = scorer.scores().followers
    assert (found.cue_lateness_ms, found.missed_cues) == (60_000.0, 1)


@pytest.mark.interpreted
def test_a_follower_that_hears_nothing_has_no_figures_and_spoils_the_verdict(monkeypatch: pytest.MonkeyPatch) -> None:
    described = scenario(2)
    world, scorer = made(described, lambda: Erring(0))
    deaf = world.followers[0]
    assert isinstance(world.air, SampledAir)
    monkeypatch.setattr(world.air._ports[deaf.name], "receive", _hear_nothing)
    scorer.run(world.end)
    scores = scorer.scores()
    found = scores.followers[0]
    assert all(math.isnan(value) for value in (found.error_ms.p95, found.naive_error_ms.p95, found.bias_ms))
    assert (found.join_s, found.rejoin_s) == (None, ())
    assert scores.worst_pair is None
    good, words = verdict_of(described, scores)
    assert not good
    assert "Piece 0 never came into step." in words
    assert "Piece 0 stayed dark whenever a show was on." in words
    assert (found.wrong_frame_share, found.dark_share) == (1.0, 1.0)
    assert math.isnan(found.beacon_loss)
    assert "nan" not in words
    plain: Mapping[str, Any] = Rehearsal(described, 1, "", scores, 120.0, 0.1, 0).to_json()
    assert plain["followers"][0]["error_ms"]["p95"] is None
    assert plain["pair_ms"]["p95"] is None


def test_a_run_too_short_to_score_anything_is_not_called_good() -> None:
    described = scenario(run={"duration_s": 30, "settle_s": 29.9})
    _, scores = scored(described, lambda: Erring(0))
    assert math.isnan(scores.followers[0].error_ms.p95)
    good, words = verdict_of(described, scores)
    assert not good
    assert "Nothing is known of piece 0" in words
    assert "nan" not in words


def test_scoring_begins_so_long_after_the_first_beacon_and_at_every_quarter_second() -> None:
    world, scores = scored(scenario(), lambda: Erring(0))
    first_beacon = next(at for at, event in world.followers[0].events if isinstance(event, LeaderFound))
    assert scores.times_s.tolist() == [tick / 4 for tick in range(481)]
    assert scores.settled.tolist() == [at * SECOND >= first_beacon + 15 * SECOND for at in scores.times_s]


@pytest.mark.slow
def test_the_latest_beacon_is_compared_with_the_clock_it_came_from_when_a_leader_returns() -> None:
    # A returned leader's clock counts from elsewhere. Nothing that anybody believes is off by more than a beacon's
    # delay, an interval's drift and what the restart takes: far below a second.
    rehearsal = rehearse(load_shipped().cut_to(420), seed=20)
    for score in rehearsal.scores.followers:
        assert score.naive_error_ms.max < 1_000
