"""Loss in time."""

from __future__ import annotations

import math
import random

import pytest

from leadlight.errors import ConfigurationError
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.air.dropouts import (
    Channel,
    Dropout,
    ExponentialSojourn,
    HeavyTail,
    ParetoSojourn,
    Trajectory,
)
from leadlight_sim.kernel import Streams
from leadlight_sim.kernel.kernel import TrueInstant


def trajectory_of(dropout: Dropout, seed: int = 1) -> Trajectory:
    trajectory = Channel(dropout, Streams(seed).stream("channel")).trajectory
    assert trajectory is not None
    return trajectory


def test_the_states_do_not_depend_on_who_asks_when_or_how_often() -> None:
    dropout = Dropout.from_mean(0.2, 0.3)
    instants = [TrueInstant(k * 37 * MILLISECOND) for k in range(4000)]
    once = trajectory_of(dropout)
    in_order = [once.is_bad(instant) for instant in instants]
    other = trajectory_of(dropout)
    shuffled = instants * 2
    random.Random(5).shuffle(shuffled)
    answers = {instant: other.is_bad(instant) for instant in shuffled}
    assert [answers[instant] for instant in instants] == in_order
    assert len(set(in_order)) == 2


def test_a_sparse_and_a_dense_stream_meet_the_same_channel() -> None:
    dropout = Dropout.from_mean(0.1, 0.5)
    sparse, dense = trajectory_of(dropout), trajectory_of(dropout)
    seen_sparsely = [sparse.is_bad(TrueInstant(k * SECOND)) for k in range(600)]
    seen_densely = [dense.is_bad(TrueInstant(k * 5 * MILLISECOND)) for k in range(600 * 200)]
    assert seen_densely[::200] == seen_sparsely


@pytest.mark.parametrize("heavy_tail", [None, HeavyTail(shape=1.5, cap_ratio=100.0)])
def test_what_is_asked_is_what_the_parameters_amount_to(heavy_tail: HeavyTail | None) -> None:
    dropout = Dropout.from_mean(0.05, 0.16, good_loss=0.005, bad_loss=0.6, heavy_tail=heavy_tail)
    figures = dropout.figures
    assert (figures.asked_loss, figures.asked_burst_ns) == (0.05, 0.16 * SECOND)
    assert figures.mean_loss == pytest.approx(0.05, rel=1e-12)
    assert figures.mean_burst_ns == pytest.approx(0.16 * SECOND, rel=1e-12)


@pytest.mark.parametrize("heavy_tail", [None, HeavyTail(shape=2.5, cap_ratio=100.0)])
def test_the_share_of_bad_time_converges_to_what_was_asked(heavy_tail: HeavyTail | None) -> None:
    dropout = Dropout.from_mean(0.1, 0.5, heavy_tail=heavy_tail)
    hours_ns = 20 * 3600 * SECOND
    shares = [trajectory_of(dropout, seed).bad_time_ns(TrueInstant(hours_ns)) / hours_ns for seed in range(5)]
    # Var(bad time) = 2·π·(1−π)²·B·t for exponential spells, less for these Pareto ones, whose mean square is
    # 1.8 times their squared mean and not 2 times. Five seeds at 4 standard deviations.
    deviation = math.sqrt(2 * 0.1 * 0.9**2 * 0.5 / (20 * 3600))
    assert sum(shares) / 5 == pytest.approx(0.1, abs=4 * deviation / math.sqrt(5))


def test_bad_time_is_the_sum_of_what_is_bad_tells() -> None:
    dropout = Dropout.from_mean(0.3, 0.1)
    trajectory = trajectory_of(dropout)
    step_ns = MILLISECOND
    sampled_ns = sum(step_ns for k in range(20_000) if trajectory.is_bad(TrueInstant(k * step_ns)))
    # Each of the about 120 changes of state is misplaced by at most one step, half of them either way.
    assert trajectory.bad_time_ns(TrueInstant(20 * SECOND)) == pytest.approx(sampled_ns, abs=120 * step_ns)
    assert trajectory.bad_time_ns(TrueInstant(0)) == 0


def test_heavy_tailed_spells_keep_the_mean_and_grow_the_longest() -> None:
    light = Dropout.from_mean(0.1, 0.5).bad
    heavy = Dropout.from_mean(0.1, 0.5, heavy_tail=HeavyTail(shape=1.2, cap_ratio=1000.0)).bad
    assert isinstance(light, ExponentialSojourn)
    assert isinstance(heavy, ParetoSojourn)
    assert light.mean_ns == pytest.approx(heavy.mean_ns)
    stream = Streams(3).stream("spells")
    spells = [heavy.draw(stream) for _ in range(20_000)]
    assert min(spells) >= int(heavy.minimum_ns)
    assert max(spells) <= math.ceil(heavy.cap_ns)
    # An exponential spell above 20 means comes once in e^20, five hundred million; of these, one in hundreds.
    assert sum(spell > 20 * light.mean_ns for spell in spells) > 20


def test_packet_bursts_lose_the_asked_share_in_runs_of_the_computed_length() -> None:
    dropout = Dropout.packet_bursts(0.10, packets=5.0, interval_seconds=1.0)
    assert dropout.bad == ExponentialSojourn(5.0 * SECOND)
    assert dropout.bad_loss == 1.0
    trajectory = trajectory_of(dropout)
    lost = [trajectory.is_bad(TrueInstant(k * SECOND)) for k in range(400_000)]
    runs = sum(now and not before for before, now in zip([False, *lost], lost, strict=False))
    # About 7,200 runs, spread like geometric lengths: 4 standard errors are 5 %.
    # A two-state Markov process that is looked at every T stays bad with chance π + (1 − π)·exp(−T·(1/B + 1/G)).
    share, bad_s = 0.10, 5.0
    decay = math.exp(-(1 / bad_s + share / (1 - share) / bad_s))
    assert sum(lost) / runs == pytest.approx(1 / ((1 - share) * (1 - decay)), rel=0.05)
    assert sum(lost) / len(lost) == pytest.approx(0.10, rel=0.07)


def test_a_trajectory_can_be_told_how_to_begin() -> None:
    calm = Trajectory(ExponentialSojourn(SECOND), ExponentialSojourn(SECOND), Streams(2).stream("x"), begin_bad=0.0)
    rough = Trajectory(ExponentialSojourn(SECOND), ExponentialSojourn(SECOND), Streams(2).stream("x"), begin_bad=1.0)
    assert not calm.is_bad(TrueInstant(0))
    assert rough.is_bad(TrueInstant(0))


@pytest.mark.parametrize(
    ("mean_loss", "burst", "options"),
    [
        (1.0, 1.0, {}),
        (-0.1, 1.0, {}),
        (float("nan"), 1.0, {}),
        (0.1, 0.0, {}),
        (0.1, float("inf"), {}),
        (0.1, 0.0001, {}),
        (0.999, 0.01, {}),
        (0.7, 1.0, {"bad_loss": 0.6}),
        (0.001, 1.0, {"good_loss": 0.002}),
        (0.1, 1.0, {"bad_loss": 1.5}),
        (0.3, 1.0, {"good_loss": 0.6, "bad_loss": 0.2}),
    ],
)
def test_a_loss_that_no_channel_has_is_refused(mean_loss: float, burst: float, options: dict[str, float]) -> None:
    with pytest.raises(ConfigurationError):
        Dropout.from_mean(mean_loss, burst, **options)  # type: ignore[arg-type]


def test_asking_for_no_loss_gives_a_channel_that_is_always_good() -> None:
    channel = Channel(Dropout.from_mean(0.0, 1.0), Streams(1).stream("x"))
    assert channel.trajectory is None
    assert channel.loss_at(TrueInstant(0)) == 0.0
    assert Dropout.steady(0.2).mean_loss == 0.2


def test_a_spell_longer_than_time_itself_never_ends() -> None:
    forever = Trajectory(ExponentialSojourn(1e30), ExponentialSojourn(SECOND), Streams(2).stream("x"), begin_bad=0.0)
    assert not forever.is_bad(TrueInstant(2**62))


def test_a_night_of_spells_takes_eight_bytes_each() -> None:
    trajectory = Trajectory(
        ExponentialSojourn(10 * MILLISECOND), ExponentialSojourn(10 * MILLISECOND), Streams(2).stream("x")
    )
    trajectory.is_bad(TrueInstant(1000 * SECOND))
    ends = trajectory._ends
    # 100,000 spells on average, give or take their spread; a list of whole numbers would take 36 bytes and more each.
    assert len(ends) == pytest.approx(100_000, abs=4 * math.sqrt(100_000))
    assert ends.itemsize == 8
