"""One definition of targets and verdicts, whoever asks: `rehearse --strict`, `tune` and `compare` agree."""

from __future__ import annotations

import argparse
import json
import random
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from leadlight_sim.commands.rehearse import RehearseCommand
from leadlight_sim.measures import MEASURES, Rehearsal, figures_of, judge, limits_of, misses_of, rehearse
from leadlight_sim.runs import Run, rehearsed
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.tune.candidates import candidate
from leadlight_sim.tune.sweep import missed_targets

GARDEN = """
name = "Garden"
[run]
duration_s = 40
settle_s = 5
[[followers]]
name = "arch"
pixels = 300
[[followers]]
name = "hedge"
pixels = 500
[[followers]]
name = "pond"
pixels = 200
extra_loss_fraction = 0.2
[[shows]]
id = "first-light"
duration_s = 30
[[cues]]
at_s = 8
show = "first-light"
[[faults]]
kind = "power-cut"
follower = "hedge"
at_s = 20
for_s = 3
[[tight_pairs]]
pieces = ["arch", "pond"]
"""


def garden(**changes: object) -> Scenario:
    scenario = check_scenario(tomllib.loads(GARDEN), "garden.toml")
    return scenario.with_changes({key.replace("__", "."): value for key, value in changes.items()})


def drawn(number: int) -> Scenario:
    """Return a scenario whose network, settings and targets are drawn, so that each target is missed now and then."""
    chance = random.Random(number)
    return garden(
        run__seed=number,
        leader__interval_s=chance.choice([0.25, 1.0, 5.0]),
        leader__delivery=chance.choice(["automatic", "group", "copies", "both"]),
        leader__lead_time_s=chance.choice([0.5, 2.0]),
        leader__sounding_budget=chance.choice([0, 60]),
        boards__waking=chance.choice(["rounded-timer", "exact-timer", "spin"]),
        air__preset=chance.choice(["idle", "busy", "dozing"]),
        targets={
            "error_ms": chance.choice([0.1, 0.5, 12.5]),
            "pair_ms": chance.choice([0.2, 1.0, 15.0]),
            "tight_pair_ms": chance.choice([0.1, 0.5, 5.0]),
            "wrong_frame_share": chance.choice([0.001, 0.05, 0.2]),
            "cue_ms": chance.choice([0.5, 5.0, 100.0]),
            "join_s": chance.choice([0.01, 1.0, 10.0]),
            "recover_s": chance.choice([0.01, 1.0, 10.0]),
            "airtime_share": chance.choice([0.01, 0.03, 1.0]),
        },
    )


@pytest.mark.slow
@pytest.mark.thorough_except(first=0)
@pytest.mark.parametrize("first", range(0, 100, 2))
def test_tune_and_rehearse_strict_agree_target_by_target(
    first: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number in range(first, first + 2):
        scenario = drawn(number)
        path = tmp_path / "scenario.toml"
        path.write_text(GARDEN)
        table = scenario.model_dump(mode="json", exclude_unset=True)
        words = [str(path), "--strict", "--quiet"]
        for part in ("run", "leader", "boards", "air", "targets"):
            for key, value in table[part].items():
                words += ["--set", f"{part}.{key}={json.dumps(value)}"]
        parser = argparse.ArgumentParser()
        command = RehearseCommand()
        command.add_arguments(parser)
        code = command.run(parser.parse_args(words))
        verdict = judge(rehearse(scenario))
        figures = rehearsed(Run(scenario.digest(), scenario, number))
        missed = missed_targets(candidate(scenario, ()), figures)
        assert missed == list(verdict.missed), f"scenario {number}"
        assert (code == 1) == bool(missed), f"scenario {number}"
        capsys.readouterr()


def test_every_measure_with_a_target_has_words_for_missing_it() -> None:
    # The lowest targets there are: what can be missed is missed, and each is told of in a sentence.
    scenario = garden(
        targets={"error_ms": 1e-6, "pair_ms": 1e-6, "tight_pair_ms": 1e-6, "wrong_frame_share": 0.0, "cue_ms": 1e-6,
                 "join_s": 1e-6, "recover_s": 1e-6, "airtime_share": 1e-6},
        leader__delivery="automatic",
    )  # fmt: skip
    rehearsal = rehearse(scenario)
    verdict = judge(rehearsal)
    assert {"light_p95_ms", "pair_p95_ms", "tight_pair_p95_ms", "airtime_share"} <= set(verdict.missed)
    assert len(verdict.sentences) >= len(verdict.missed)
    assert set(verdict.missed) <= set(limits_of(scenario))


def test_a_target_on_pairs_is_judged_on_the_worst_pair_which_is_named() -> None:
    rehearsal = rehearse(garden())
    scores = rehearsal.scores
    worst = scores.worst_light_pair
    assert worst is not None
    # Between the quantile of all pairs together and that of the worst one: only the worst one is above it.
    between_ms = (scores.light_pair_ms.p95 + scores.worst_light_pair_ms.p95) / 2
    assert scores.light_pair_ms.p95 < between_ms < scores.worst_light_pair_ms.p95
    told = garden(targets__pair_ms=between_ms)
    figures = figures_of(rehearsal)
    (miss,) = misses_of(figures, limits_of(told))
    assert (miss.measure.key, miss.whose) == ("pair_p95_ms", " and ".join(worst))


def test_a_join_that_ends_before_the_first_cue_spoils_no_verdict_and_is_told() -> None:
    rehearsal = rehearse(garden())

    def joined(at_s: float) -> Rehearsal:
        first, *others = rehearsal.scores.followers
        slow = replace(first, join_s=at_s - 0.5, joined_at_s=at_s)
        return replace(rehearsal, scores=replace(rehearsal.scores, followers=(slow, *others)))

    # The first cue is at 8 s, and so is the last instant at which nobody sees it.
    early = joined(8.0)
    early = replace(early, scenario=garden(targets__join_s=5.0))
    verdict = judge(early)
    assert verdict.good
    assert "Arch took 7.5 s to join, and was in step before the first cue." in verdict.sentences
    assert figures_of(early).values["join_s"] == 7.5
    late = replace(joined(8.1), scenario=garden(targets__join_s=5.0))
    assert judge(late).missed == ("seen_joining_s",)
    assert judge(late).sentences[0] == "Arch took longer than 5 s to join, with a show on."


def test_clocks_are_judged_only_where_no_show_was_on() -> None:
    dark = rehearse(garden(cues=[{"at_s": 8, "state": "dark"}], targets__error_ms=1e-6))
    figures = figures_of(dark)
    assert "light_p95_ms" not in figures.values
    assert "clock_p95_ms" in {miss.measure.key for miss in misses_of(figures, limits_of(dark.scenario))}
    lit = rehearse(garden(targets__error_ms=1e-6))
    missed = {miss.measure.key for miss in misses_of(figures_of(lit), limits_of(lit.scenario))}
    assert "light_p95_ms" in missed
    assert "clock_p95_ms" not in missed


def test_keys_are_each_of_one_measure() -> None:
    keys = [measure.key for measure in MEASURES]
    assert len(set(keys)) == len(keys)
    assert {measure.instead_of for measure in MEASURES} - {None} <= set(keys)
