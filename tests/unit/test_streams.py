"""Streams: the same draws everywhere and for ever, each name its own, and each distribution the one it says."""

from __future__ import annotations

import math
import os
import subprocess
import sys
from collections.abc import Callable
from hashlib import blake2b
from pathlib import Path
from random import Random
from statistics import NormalDist, fmean, pstdev

import numpy as np
import pytest

from leadlight.errors import ConfigurationError
from leadlight_sim.kernel import PlacedStream, Stream, Streams
from leadlight_sim.kernel.draws import MULTIPLIER

GOLDEN = "e64dc7926ead944be989d2043425da0f"
GOLDEN_PLACED = "2016a3e382ff51f4ec1bd132781b81ef"
DRAWS = 20_000
# Roots of 1 − (1 + x)·e^(−x) = share, the distribution of a sum of two exponentials of mean 1.
GAMMA_2_QUANTILES = {0.01: 0.148555, 0.1: 0.531812, 0.5: 1.678347, 0.9: 3.889720, 0.99: 6.638352}


def fingerprint() -> str:
    """Return a digest of a thousand raw draws of one named stream, and of the fractions after them."""
    stream = Streams(1).stream("air", "loss", "jetty")
    digest = blake2b(digest_size=16)
    for _ in range(1000):
        digest.update(stream.getrandbits(64).to_bytes(8, "big"))
        digest.update(stream.random().hex().encode())
    return digest.hexdigest()


def scripted(*fractions: float) -> Stream:
    """Return a stream whose uniform draws are these."""
    stream = Stream(0)
    stream.random = iter(fractions).__next__
    return stream


def test_the_generator_still_gives_the_outputs_that_every_stored_result_rests_on() -> None:
    assert Random(1).random() == 0.13436424411240122
    assert Stream(1).random() == 0.13436424411240122
    assert Stream(1).getrandbits(64) == Random(1).getrandbits(64)


def test_a_named_stream_gives_the_draws_it_always_gave() -> None:
    assert fingerprint() == GOLDEN


@pytest.mark.slow
def test_the_draws_do_not_depend_on_the_seed_of_string_hashes() -> None:
    program = "import test_streams; print(test_streams.fingerprint())"
    for hash_seed in ("0", "1", "2"):
        environment = {
            **os.environ,
            "PYTHONHASHSEED": hash_seed,
            "PYTHONPATH": os.pathsep.join([str(Path(__file__).parent), *filter(None, sys.path)]),
        }
        ran = subprocess.run(
            [sys.executable, "-c", program], env=environment, capture_output=True, text=True, check=True
        )
        assert ran.stdout.strip() == GOLDEN


def test_a_stream_depends_on_neither_the_others_nor_the_order_in_which_they_are_made() -> None:
    alone = Streams(7).stream("host", "jetty").getrandbits(64)
    crowd = Streams(7)
    for name in ("willow", "ferry", "gatehouse"):
        crowd.stream("host", name).random()
    assert crowd.stream("host", "jetty").getrandbits(64) == alone


def test_seeds_and_names_that_differ_anywhere_give_different_streams() -> None:
    names = [("a",), ("b",), ("a", "b"), ("b", "a"), ("ab",), ("a", "", "b"), ("a", "b", "")]
    draws = {Streams(seed).stream(*name).getrandbits(128) for seed in (0, 1, -1, 2**70) for name in names}
    assert len(draws) == 4 * len(names)
    assert Streams(1).stream("2", "a").getrandbits(64) != Streams(12).stream("a").getrandbits(64)


def test_a_seed_that_is_not_whole_and_a_stream_without_a_name_are_refused() -> None:
    with pytest.raises(ConfigurationError, match="seed"):
        Streams(1.0)  # type: ignore[arg-type]
    with pytest.raises(ConfigurationError, match="name_parts"):
        Streams(1).stream()


def test_each_distribution_is_the_inverse_it_says_at_the_median() -> None:
    half = 0.5
    assert scripted(half).uniform(2.0, 10.0) == 6.0
    assert scripted(half).exponential(4.0) == 4.0 * math.log(2.0)
    assert scripted(half).normal(3.0, 9.0) == 3.0
    assert scripted(half).half_normal(9.0) == 0.0
    assert scripted(0.25).half_normal(2.0) == abs(scripted(0.25).normal(0.0, 2.0)) == -2.0 * NormalDist().inv_cdf(0.25)
    assert scripted(half).pareto(10.0, 2.0, 1e9) == pytest.approx(10.0 * math.sqrt(2.0), rel=1e-15)
    assert scripted(half, 0.75).gamma(2, 4.0) == 4.0 * math.log(2.0) + 4.0 * math.log(4.0)


def test_the_ends_of_the_uniform_are_safe() -> None:
    last = math.nextafter(1.0, 0.0)
    assert scripted(0.0).exponential(4.0) == 0.0
    assert scripted(last).exponential(1.0) == pytest.approx(53 * math.log(2.0))
    assert scripted(0.0, 0.5).normal(3.0, 1.0) == 3.0  # zero has no inverse: it is drawn again
    assert math.isfinite(scripted(last).normal(0.0, 1.0))
    assert scripted(0.0, 0.5).half_normal(1.0) == 0.0
    assert scripted(0.0).pareto(10.0, 2.0, 50.0) == 10.0
    assert scripted(last).pareto(10.0, 2.0, 50.0) == 50.0


# Five standard errors of the mean of so many draws: chance breaks one in two million such checks, and these are fixed.
@pytest.mark.slow
@pytest.mark.parametrize(
    ("draw", "mean", "deviation"),
    [
        (lambda stream: stream.uniform(-1.0, 5.0), 2.0, 6.0 / math.sqrt(12.0)),
        (lambda stream: stream.exponential(3.0), 3.0, 3.0),
        (lambda stream: stream.normal(-2.0, 0.5), -2.0, 0.5),
        (lambda stream: stream.half_normal(2.0), 2.0 * math.sqrt(2.0 / math.pi), 2.0 * math.sqrt(1.0 - 2.0 / math.pi)),
        (lambda stream: stream.pareto(1.0, 5.0, math.inf), 1.25, math.sqrt(5.0 / 48.0)),
        (lambda stream: stream.gamma(4, 0.5), 2.0, 1.0),
        (lambda stream: float(stream.chance(0.2)), 0.2, 0.4),
        (lambda stream: float(stream.integer(1, 6)), 3.5, math.sqrt(35.0 / 12.0)),
        (lambda stream: float(stream.choice((1, 3))), 2.0, 1.0),
        (lambda stream: float(stream.bytes(1)[0]), 127.5, math.sqrt((256**2 - 1) / 12.0)),
    ],
    ids=[
        "uniform",
        "exponential",
        "normal",
        "half-normal",
        "pareto",
        "gamma",
        "chance",
        "integer",
        "choice",
        "bytes",
    ],
)
def test_each_distribution_has_its_mean_and_spread(
    draw: Callable[[Stream], float], mean: float, deviation: float
) -> None:
    stream = Streams(3).stream("law")
    drawn = [draw(stream) for _ in range(DRAWS)]
    assert fmean(drawn) == pytest.approx(mean, abs=5.0 * deviation / math.sqrt(DRAWS))
    # A spread is known less well where tails are heavy; a wrong formula is out by far more than a tenth.
    assert pstdev(drawn) == pytest.approx(deviation, rel=0.1)


# The share of draws below a true quantile is binomial: four of its standard errors are allowed, which chance exceeds in
# one of sixteen thousand such checks, and the seed is fixed.
@pytest.mark.slow
@pytest.mark.parametrize(
    ("draw", "quantile"),
    [
        (lambda stream: stream.uniform(-1.0, 5.0), lambda share: -1.0 + 6.0 * share),
        (lambda stream: stream.exponential(3.0), lambda share: -3.0 * math.log1p(-share)),
        (lambda stream: stream.normal(-2.0, 0.5), NormalDist(-2.0, 0.5).inv_cdf),
        (lambda stream: stream.half_normal(2.0), lambda share: NormalDist(0.0, 2.0).inv_cdf((1.0 + share) / 2.0)),
        (lambda stream: stream.pareto(2.0, 1.5), lambda share: 2.0 * (1.0 - share) ** (-1.0 / 1.5)),
        (lambda stream: stream.gamma(2, 3.0), lambda share: 3.0 * GAMMA_2_QUANTILES[share]),
    ],
    ids=["uniform", "exponential", "normal", "half-normal", "pareto", "gamma"],
)
def test_each_distribution_has_its_quantiles(
    draw: Callable[[Stream], float], quantile: Callable[[float], float]
) -> None:
    stream = Streams(4).stream("quantiles")
    drawn = [draw(stream) for _ in range(DRAWS)]
    for share in GAMMA_2_QUANTILES:
        below = sum(value < quantile(share) for value in drawn) / DRAWS
        assert below == pytest.approx(share, abs=4.0 * math.sqrt(share * (1.0 - share) / DRAWS)), share


def test_a_capped_pareto_gives_the_cap_for_all_that_lies_beyond() -> None:
    stream = Streams(4).stream("cap")
    drawn = [stream.pareto(1.0, 1.0, 4.0) for _ in range(DRAWS)]
    assert max(drawn) == 4.0
    # P(above 4) = 1/4, with four standard errors of a binomial.
    share = sum(value == 4.0 for value in drawn) / DRAWS
    assert share == pytest.approx(0.25, abs=4.0 * math.sqrt(0.25 * 0.75 / DRAWS))


def test_whole_numbers_include_both_ends_and_an_empty_span_is_refused() -> None:
    stream = Streams(1).stream("dice")
    assert {stream.integer(-1, 1) for _ in range(200)} == {-1, 0, 1}
    assert stream.integer(5, 5) == 5
    with pytest.raises(ConfigurationError, match="high"):
        stream.integer(5, 4)
    with pytest.raises(ConfigurationError, match="high"):
        stream.choice(())


def test_what_is_certain_is_certain() -> None:
    stream = Streams(1).stream("certain")
    assert all(stream.chance(1.0) and not stream.chance(0.0) for _ in range(200))


def test_bytes_come_in_the_number_asked_for() -> None:
    stream = Streams(1).stream("bytes")
    assert [len(stream.bytes(count)) for count in (0, 1, 16)] == [0, 1, 16]


# Streams that are put at a place.


def test_a_place_gives_lehmers_draws_and_the_same_ones_whenever_the_stream_is_put_there() -> None:
    stream = PlacedStream()
    place = 2**100 + 12_345
    states = [place * pow(MULTIPLIER, count, 2**128) % 2**128 for count in (0, 1, 2)]
    for _ in range(2):
        stream.place = place
        assert [stream.random() for _ in states] == [(state >> 75) / 2**53 for state in states]
    stream.place = place
    assert stream.getrandbits(84) == ((states[0] >> 75) << 53 | states[1] >> 75) % 2**84
    assert stream.random() == (states[2] >> 75) / 2**53
    assert stream.getrandbits(0) == 0


def test_a_place_is_odd_and_named_as_a_stream_is() -> None:
    assert Streams(1).key("air", "jetty") % 2 == 1
    assert Streams(1).key("air", "jetty") != Streams(1).key("air", "willow") != Streams(2).key("air", "willow")
    assert Streams(1).compact("air", "jetty").random() == Streams(1).compact("air", "jetty").random()


def test_the_draws_at_a_named_place_are_the_ones_they_always_were() -> None:
    stream = Streams(1).compact("air", "channel", "jetty")
    digest = blake2b(digest_size=16)
    for _ in range(100):
        digest.update(stream.getrandbits(84).to_bytes(11, "big"))
        digest.update(stream.random().hex().encode())
    assert digest.hexdigest() == GOLDEN_PLACED


FRAMES, RECEIVERS, DRAWN = 20_000, 10, 2


@pytest.fixture(scope="module")
def frames_draws() -> np.ndarray:
    """What each receiver draws first and next of each frame, as the airs draw it: by number of frame and key."""
    streams = Streams(11)
    numbers, stream = streams.compact("air", "group", "number", "leader"), PlacedStream()
    keys = [streams.key("air", "group", "delay", f"piece {number}") for number in range(RECEIVERS)]
    drawn = np.empty((RECEIVERS, DRAWN, FRAMES))
    for frame in range(FRAMES):
        number = numbers.getrandbits(128) | 1
        for receiver, key in enumerate(keys):
            stream.place = number * key
            for count in range(DRAWN):
                drawn[receiver, count, frame] = stream.random()
    return drawn.reshape(RECEIVERS * DRAWN, FRAMES)


# A correlation of so many independent pairs is normal, of deviation 1/sqrt(FRAMES): five of them are exceeded by one in
# two million, and the seed is fixed.
@pytest.mark.slow
def test_draws_of_one_frame_by_different_receivers_and_of_one_receiver_by_turns_are_uncorrelated(
    frames_draws: np.ndarray,
) -> None:
    correlations = np.corrcoef(frames_draws)[np.triu_indices(len(frames_draws), 1)] * math.sqrt(FRAMES)
    assert np.abs(correlations).max() < 5.0
    assert np.sqrt(np.mean(correlations**2)) == pytest.approx(1.0, abs=0.2)


@pytest.mark.slow
@pytest.mark.parametrize("lag", [1, 2, 3, 10])
def test_draws_of_frames_one_after_another_are_uncorrelated(frames_draws: np.ndarray, lag: int) -> None:
    earlier, later = frames_draws[:, :-lag], frames_draws[:, lag:]
    correlations = np.corrcoef(earlier, later)[: len(earlier), len(earlier) :] * math.sqrt(FRAMES)
    assert np.abs(correlations).max() < 5.0


@pytest.mark.slow
def test_pairs_of_draws_fill_the_square_evenly(frames_draws: np.ndarray) -> None:
    # Pearson's sum over 8 x 8 cells has 63 degrees of freedom: mean 63, deviation sqrt(126), and one in 10^7 above 144.
    cells = (frames_draws * 8).astype(int)
    sums = []
    for first in range(len(cells)):
        for second in range(first):
            seen = np.bincount(8 * cells[first] + cells[second], minlength=64)
            sums.append(float(np.sum((seen - FRAMES / 64) ** 2) / (FRAMES / 64)))
    assert max(sums) < 144
    assert fmean(sums) == pytest.approx(63, abs=6)


@pytest.mark.slow
def test_how_many_receivers_a_frame_misses_is_binomial(frames_draws: np.ndarray) -> None:
    # A spread of whole groups is what a crowd sees: it hangs on all receivers at once and not on pairs alone.
    share = 0.1
    missing = np.sum(frames_draws[::DRAWN] < share, axis=0)
    for count in range(4):
        expected = math.comb(RECEIVERS, count) * share**count * (1 - share) ** (RECEIVERS - count)
        seen = float(np.mean(missing == count))
        assert seen == pytest.approx(expected, abs=4.0 * math.sqrt(expected * (1 - expected) / FRAMES)), count
    worst = np.max(frames_draws[::DRAWN], axis=0) ** RECEIVERS  # uniform again
    for quantile in (0.01, 0.1, 0.5, 0.9, 0.99):
        allowed = 4.0 * math.sqrt(quantile * (1 - quantile) / FRAMES)
        assert float(np.mean(worst < quantile)) == pytest.approx(quantile, abs=allowed)


@pytest.mark.slow
def test_a_half_normal_and_a_chance_by_one_draw_are_what_they_are_by_two() -> None:
    stream = Streams(6).stream("spikes")
    drawn = [stream.half_normal_and_chance(2.0, 0.25) for _ in range(DRAWS)]
    for wanted in (True, False):
        sizes = [size for size, is_so in drawn if is_so is wanted]
        share = 0.25 if wanted else 0.75
        assert len(sizes) / DRAWS == pytest.approx(share, abs=4.0 * math.sqrt(share * (1 - share) / DRAWS))
        # Both kinds have the half-normal's mean, five standard errors allowed.
        deviation = 2.0 * math.sqrt(1.0 - 2.0 / math.pi)
        assert fmean(sizes) == pytest.approx(
            2.0 * math.sqrt(2.0 / math.pi), abs=5.0 * deviation / math.sqrt(len(sizes))
        )
    assert all(is_so for _, is_so in (stream.half_normal_and_chance(1.0, 1.0) for _ in range(100)))
    assert not any(is_so for _, is_so in (stream.half_normal_and_chance(1.0, 0.0) for _ in range(100)))
    assert scripted(0.0, 0.5).half_normal_and_chance(1.0, 0.0) == (0.0, False)
