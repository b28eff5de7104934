"""Differences by pairs of evenings, on values whose answers are known."""

from __future__ import annotations

import argparse
import itertools
import math
import random
from pathlib import Path

import pytest
from scipy import stats

from leadlight.commands.cli import main
from leadlight_sim.commands.compare import CompareCommand
from leadlight_sim.compare import Variant, compared, interval_of_median
from leadlight_sim.measures import MEASURES, Figures
from leadlight_sim.scenario.files import load_shipped

LAKE = load_shipped("quarry-lake")
LIGHT = MEASURES[0]


def of(*lights: float) -> list[Figures]:
    return [Figures({LIGHT.key: light}, {}) for light in lights]


def test_the_interval_of_a_median_is_two_of_the_ordered_differences() -> None:
    # Of 12 the third from either end: a coin falls on one side 2 times of 12 or less in 1.93 % of cases, 3.86 % in all.
    ordered = [float(number) for number in range(1, 13)]
    shuffled = ordered[:]
    random.Random(1).shuffle(shuffled)
    assert interval_of_median(shuffled, 0.05) == (3.0, 10.0)
    assert 2 * stats.binom.cdf(2, 12, 0.5) <= 0.05 < 2 * stats.binom.cdf(3, 12, 0.5)


def test_too_few_evenings_bound_nothing() -> None:
    assert interval_of_median([1.0] * 5, 0.05) == (-math.inf, math.inf)
    assert interval_of_median([1.0] * 6, 0.05) == (1.0, 1.0)


def test_the_interval_leaves_the_median_out_as_rarely_as_it_says() -> None:
    chance = random.Random(7)
    # Skewed, with a median of ln 2.
    out = 0
    for _ in range(400):
        low, high = interval_of_median([chance.expovariate(1.0) for _ in range(15)], 0.05)
        out += not low <= math.log(2) <= high
    assert out <= stats.binom.ppf(0.999, 400, 0.05)


def test_a_difference_is_real_when_every_evening_has_it_and_not_when_evenings_differ_both_ways() -> None:
    before = [1.0 + 0.1 * number for number in range(12)]
    variants = [Variant("a", LAKE), Variant("b", LAKE), Variant("c", LAKE)]
    more = [value + 0.01 for value in before]
    both = [value + (0.5 if number % 2 else -0.5) for number, value in enumerate(before)]
    found = compared(variants, [of(*before), of(*more), of(*both)], [LIGHT])
    real = {pair: differences[0].is_real for pair, differences in found.pairs.items()}
    assert real == {(0, 1): True, (0, 2): False, (1, 2): False}
    assert found.pairs[0, 1][0].median == pytest.approx(0.01)


def test_never_is_more_than_anything_and_no_different_from_never() -> None:
    variants = [Variant("a", LAKE), Variant("b", LAKE)]
    found = compared(variants, [of(*[1.0] * 10), of(*[math.inf] * 10)], [LIGHT])
    assert found.pairs[0, 1][0].is_real
    found = compared(variants, [of(*[math.inf] * 10), of(*[math.inf] * 10)], [LIGHT])
    assert found.pairs[0, 1][0].median == 0
    assert not found.pairs[0, 1][0].is_real


def test_all_intervals_of_a_comparison_hold_together() -> None:
    # Of scenarios that do not differ, few comparisons call anything real, though each has six pairs.
    variants = [Variant(name, LAKE) for name in "abcd"]
    wrong = 0
    for salt in range(200):
        chance = random.Random(salt)
        figures = [of(*(chance.random() for _ in range(20))) for _ in variants]
        found = compared(variants, figures, [LIGHT])
        wrong += any(own[0].is_real for own in found.pairs.values())
    assert wrong <= stats.binom.ppf(0.999, 200, 0.05)


def test_evenings_that_miss_a_target_are_counted() -> None:
    variants = [Variant("a", LAKE), Variant("b", LAKE)]
    found = compared(variants, [of(1.0, 9.0), of(9.0, 9.0)], [LIGHT], [{LIGHT.key: 5.0}] * 2)
    assert found.missed == (1, 2)


GARDEN = """
name = "Garden"
run = { duration_s = 12, settle_s = 3 }
followers = [{ name = "arch", pixels = 300 }, { name = "hedge", pixels = 500 }]
shows = [{ id = "first-light", duration_s = 20 }]
cues = [{ at_s = 2, show = "first-light" }]
"""


@pytest.mark.slow
def test_scenarios_and_settings_are_set_side_by_side_and_drawn(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    garden, picture = tmp_path / "garden.toml", tmp_path / "picture.svg"
    garden.write_text(GARDEN)
    words = ["compare", str(garden), "leader.interval_s=0.1 leader.delivery=copies", "--evenings", "12", "--jobs", "1"]
    assert main([*words, "--figure", str(picture)]) == 0
    out = capsys.readouterr().out
    rows = {line.split("  ")[0]: line.split() for line in out.splitlines()}
    assert rows["airtime, %"][-1] == "yes"
    assert rows["over capacity"][-1] == "no"
    assert " ".join(out.split()).count("of 12 evenings missed a target") == 2
    assert "'leader.interval_s=0.1 leader.delivery=copies' --evenings 12" in out
    assert picture.read_text().startswith("<?xml")


@pytest.mark.slow
@pytest.mark.thorough
def test_recoveries_are_set_side_by_side_over_a_drill(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["compare", "playback.recovery=step only", "playback.recovery=hold", "--drill", "music-moved"]
    assert main([*words, "--evenings", "2", "--jobs", "1"]) == 0
    out = capsys.readouterr().out
    assert "playback.recovery=hold" in out
    assert "beyond limits" in out
    assert "There are too few evenings for any interval" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["quarry-lake"], "two or more"),
        (["quarry-lake", "leader.interval_s=1"], "the same as another"),
        (["quarry-lake", "leader.intervall_s=1"], "did you mean interval_s"),
        (["quarry-lake", "leader.interval_s=2", "--evenings", "1"], "--evenings"),
        (["quarry-lake", "leader.interval_s=2", "--drill", "flood"], "did you mean"),
        (["quarry-lake", "leader.interval_s=2", "--figure", "x.pdf"], "--figure"),
    ],
)
def test_trouble_is_one_line_and_code_2(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", *words]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert len(err.strip().splitlines()) == 1


def test_settings_in_one_argument_may_have_values_with_blanks() -> None:
    parser = argparse.ArgumentParser()
    CompareCommand().add_arguments(parser)
    from leadlight_sim.commands.compare import _variants

    texts = ["playback.recovery=step only leader.interval_s=2", "playback.recovery=slew only"]
    first, second = _variants(parser.parse_args(texts))
    assert (first.scenario.playback.recovery, first.scenario.leader.interval_s) == ("step only", 2)
    assert second.scenario.playback.recovery == "slew only"
    assert [name for name, _ in itertools.groupby([first.name, second.name])] == texts
