from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import Any

import pytest

from leadlight.errors import ConfigurationError
from leadlight.terms import Delivery
from leadlight_sim.scenario.files import load_shipped
from leadlight_sim.scenario.problems import ScenarioError
from leadlight_sim.tune.advice import Recommendation, recommend
from leadlight_sim.tune.beat import beat_of
from leadlight_sim.tune.results import DELIVERIES, MEASURES, RunFigures, by_delivery, standings, targets_of
from leadlight_sim.tune.workers import deliveries_from_text, intervals_from_text, planned_runs, sweep

AUTOMATIC, GROUP, COPIES, BOTH = Delivery
ONE = (AUTOMATIC,)
TARGETS = {"error_p95_ms": 10.0, "pair_p95_ms": 15.0, "join_s": 10.0}

GOOD = RunFigures(
    interval_s=1.0,
    delivery=AUTOMATIC,
    seed=1,
    error_p95_ms=4.0,
    error_max_ms=9.0,
    pair_p95_ms=6.0,
    tight_pair_p95_ms=None,
    join_s=0.5,
    rejoin_s=None,
    cue_lateness_ms=2.0,
    wrong_frame_share=0.01,
    visible_steps=0,
    airtime_share=0.01,
    worst_follower="arch",
    trace_hash="",
)


def run(interval_s: float, seed: int = 1, **changes: object) -> RunFigures:
    # Beacons cost airtime in proportion to their rate.
    figures = {"airtime_share": 0.01 / interval_s, **changes}
    return dataclasses.replace(GOOD, interval_s=interval_s, seed=seed, **figures)  # type: ignore[arg-type]


def advice(runs: Sequence[RunFigures], **more_targets: float) -> Recommendation:
    targets = TARGETS | more_targets
    return recommend(standings(runs, targets), targets)


# --- The recommendation -----------------------------------------------------------------------------------------------


def test_the_longest_interval_that_meets_every_target_is_recommended_and_its_neighbour_named() -> None:
    found = advice([run(0.5), run(1.0), run(2.0, error_p95_ms=12.0), run(5.0, error_p95_ms=30.0)])
    assert (found.interval_s, found.meets_targets) == (1.0, True)
    assert found.headline == "Recommended beacon interval: 1 s."
    assert found.sentences[0] == (
        "It is the longest interval tried that meets every target in the one run made of it. Timing then takes at most "
        "1 % of the channel's time, the least of those that do."
    )
    assert found.sentences[1:3] == (
        "Closest to its limit is error to the leader (p95): 4 ms of 10 ms (40 %) in the worst run.",
        "2 s fails by error to the leader (p95), 12 ms where 10 ms is allowed (20 % too much), in 1 of 1 run.",
    )


def test_one_bad_seed_of_four_is_enough_to_refuse_an_interval() -> None:
    runs = [run(interval, seed) for interval in (1.0, 2.0) for seed in range(4)]
    runs[6] = run(2.0, 2, pair_p95_ms=45.0)
    found = advice(runs)
    assert found.interval_s == 1.0
    assert (
        "2 s fails by pair difference (p95), 45 ms where 15 ms is allowed (3 times as much), in 1 of 4 runs."
        in found.sentences
    )


def test_a_measure_at_its_target_meets_it() -> None:
    assert advice([run(1.0, error_p95_ms=10.0)]).meets_targets


def test_other_targets_that_the_neighbour_misses_are_counted() -> None:
    found = advice([run(1.0), run(2.0, error_p95_ms=11.0, pair_p95_ms=30.0, join_s=12.0)])
    assert any("fails by pair difference (p95)" in each and "and 2 other targets." in each for each in found.sentences)


def test_where_nothing_longer_was_tried_it_says_so() -> None:
    found = advice([run(1.0), run(2.0)])
    assert found.interval_s == 2.0
    assert "No longer interval was tried, so a longer one may do as well." in found.sentences


def test_a_shorter_interval_that_fails_is_told_too() -> None:
    found = advice([run(0.1), run(1.0)], airtime_share=0.04)
    assert found.interval_s == 1.0
    assert (
        "Shorter is not better here: 0.1 s fails by airtime, 10 % where 4 % is allowed (2.5 times as much), "
        "in 1 of 1 run." in found.sentences
    )


def test_no_claim_of_least_airtime_is_made_where_another_interval_took_less() -> None:
    found = advice([run(1.0, airtime_share=0.01), run(2.0, airtime_share=0.02)])
    assert found.interval_s == 2.0
    assert not any("the least" in sentence for sentence in found.sentences)


def test_where_nothing_will_do_the_nearest_is_named_with_the_measure_that_fails_and_by_how_much() -> None:
    found = advice([run(0.5, pair_p95_ms=18.0), run(1.0, error_p95_ms=30.0), run(2.0, error_p95_ms=40.0)])
    assert (found.interval_s, found.meets_targets) == (0.5, False)
    assert found.headline == "None of the 3 intervals tried meets every target."
    assert found.sentences[0] == (
        "Nearest to them is 0.5 s, which fails by pair difference (p95), 18 ms where 15 ms is allowed (20 % too much), "
        "in 1 of 1 run."
    )
    assert not any("Every interval" in sentence for sentence in found.sentences)


def test_of_two_that_miss_by_as_much_the_one_that_misses_fewer_targets_is_nearer_then_the_longer() -> None:
    both: dict[str, Any] = {"error_p95_ms": 20.0, "pair_p95_ms": 20.0}
    assert advice([run(0.5, error_p95_ms=20.0), run(1.0, **both)]).interval_s == 0.5
    assert advice([run(0.5, error_p95_ms=20.0), run(1.0, error_p95_ms=20.0)]).interval_s == 1.0


def test_a_target_that_every_interval_misses_is_not_blamed_on_the_interval() -> None:
    found = advice([run(0.5, join_s=math.inf), run(1.0, join_s=math.inf, pair_p95_ms=16.0)])
    assert found.interval_s == 0.5
    assert found.sentences[0] == (
        "Nearest to them is 0.5 s, which fails by join time, never where 10 s is allowed, in 1 of 1 run."
    )
    assert (
        "Every interval misses the target for join time, so the cause lies elsewhere than in the interval."
        in found.sentences
    )


def test_a_single_interval_that_fails_is_not_called_the_nearest() -> None:
    found = advice([run(1.0, error_p95_ms=11.0, pair_p95_ms=16.0)])
    assert found.headline == "The only interval tried does not meet every target."
    assert found.sentences[0].startswith("1 s fails by error to the leader (p95)")
    assert found.sentences[1].startswith("It also fails by pair difference (p95)")


@pytest.mark.parametrize(
    ("seeds", "told"),
    [
        # 0.8 to the power of the number of runs
        (1, "one run would still pass 80 % of the time"),
        (4, "4 runs would all pass 41 % of the time"),
        (25, "25 runs would all pass less than 1 % of the time"),
    ],
)
def test_it_says_how_little_a_few_runs_prove(seeds: int, told: str) -> None:
    last = advice([run(1.0, seed) for seed in range(seeds)]).sentences[-1]
    assert told in last
    assert "not a statement of confidence" in last


def test_late_cues_are_told_where_no_target_was_set_for_them() -> None:
    runs = [run(0.5, cue_lateness_ms=20.0), run(5.0, cue_lateness_ms=3300.0)]
    told = (
        "No target is set for cue lateness: at 5 s a cue came 3300 ms late, at 0.5 s never more than 20 ms. "
        "--target-cue-ms sets one."
    )
    assert told in advice(runs).sentences
    assert advice(runs, cue_lateness_ms=100.0).interval_s == 0.5
    assert not any("No target" in each for each in advice(runs, cue_lateness_ms=5000.0).sentences)


def test_jumps_are_told_and_compared_with_the_other_intervals() -> None:
    jumps = "Jumps of a frame or more can be seen at it, up to 8 in a run"
    assert f"{jumps}; at 0.5 s there are no more than 3." in (
        advice([run(0.5, visible_steps=3), run(1.0, visible_steps=8)]).sentences
    )
    assert f"{jumps}; no other interval tried has fewer." in (
        advice([run(0.5, visible_steps=8), run(1.0, visible_steps=8)]).sentences
    )
    assert not any("Jumps" in each for each in advice([run(1.0)]).sentences)


def test_the_order_in_which_runs_come_in_changes_nothing() -> None:
    runs = [run(interval, seed, error_p95_ms=seed + interval) for interval in (0.5, 1.0) for seed in range(3)]
    assert standings(runs, TARGETS) == standings(runs[::-1], TARGETS)


def test_a_spread_is_the_median_the_least_and_the_most() -> None:
    (standing,) = standings([run(1.0, seed, error_p95_ms=float(seed**2)) for seed in range(4)], TARGETS)
    spread = standing.spread(MEASURES[0])
    assert spread is not None
    assert (spread.median, spread.low, spread.high) == (2.5, 0.0, 9.0)


def test_what_the_scenario_has_nothing_of_is_neither_told_nor_judged() -> None:
    (standing,) = standings([run(1.0)], TARGETS | {"tight_pair_p95_ms": 0.001})
    tight = next(measure for measure in MEASURES if measure.key == "tight_pair_p95_ms")
    assert standing.spread(tight) is None
    assert standing.shortfalls == ()


def test_targets_are_the_scenarios_and_a_ceiling_outside_its_range_is_refused() -> None:
    scenario = load_shipped()
    limits = targets_of(scenario, airtime_share=0.02, cue_lateness_ms=50.0)
    assert limits["error_p95_ms"] == scenario.error_target_ms
    assert (limits["airtime_share"], limits["cue_lateness_ms"]) == (0.02, 50.0)
    assert "airtime_share" not in targets_of(scenario)
    for share in (0.0, -1.0, 1.5, math.nan):
        with pytest.raises(ConfigurationError, match="--airtime"):
            targets_of(scenario, airtime_share=share)
    for lateness in (-1.0, math.inf, math.nan):
        with pytest.raises(ConfigurationError, match="--target-cue-ms"):
            targets_of(scenario, cue_lateness_ms=lateness)


# --- The recommendation of a delivery ---------------------------------------------------------------------------------


def by(delivery: Delivery, interval_s: float, airtime_share: float, seed: int = 1, **changes: object) -> RunFigures:
    return run(interval_s, seed, delivery=delivery, airtime_share=airtime_share, **changes)


def test_of_every_deliverys_longest_interval_that_meets_the_targets_the_one_with_the_least_airtime_is_recommended() -> (
    None
):
    found = advice(
        [
            *(by(AUTOMATIC, 1.0, 0.010), by(AUTOMATIC, 2.0, 0.007), by(AUTOMATIC, 5.0, 0.005, error_p95_ms=12.0)),
            *(by(COPIES, 1.0, 0.012), by(COPIES, 2.0, 0.009), by(COPIES, 5.0, 0.006)),
            *(by(BOTH, 1.0, 0.020), by(BOTH, 2.0, 0.014), by(BOTH, 5.0, 0.013)),
        ]
    )
    assert (found.interval_s, found.delivery, found.meets_targets) == (5.0, COPIES, True)
    assert found.headline == "Recommended: beacon interval 5 s, delivery copies."
    assert found.sentences[:2] == (
        "Each beacon then goes as a copy to each board, and nothing to the group.",
        "8 of 9 combinations meet every target in the one run made of each. Timing takes at most 0.6 % of the "
        "channel's time by this one, the least of them.",
    )


def test_each_other_delivery_is_told_with_what_it_takes_and_what_it_misses_and_by_how_much() -> None:
    found = advice(
        [
            *(by(AUTOMATIC, 1.0, 0.012), by(AUTOMATIC, 2.0, 0.007, error_p95_ms=12.0)),
            *(by(GROUP, 1.0, 0.010), by(GROUP, 2.0, 0.007, error_p95_ms=12.0)),
            *(by(COPIES, 1.0, 0.012, pair_p95_ms=45.0), by(COPIES, 2.0, 0.009, error_p95_ms=12.0, join_s=11.0)),
            *(by(BOTH, 1.0, 0.030), by(BOTH, 2.0, 0.025, error_p95_ms=3.0, error_max_ms=7.0)),
        ]
    )
    assert (found.interval_s, found.delivery) == (1.0, GROUP)
    missed = "fails by error to the leader (p95), 12 ms where 10 ms is allowed (20 % too much), in 1 of 1 run"
    assert found.sentences[3:8] == (
        f"By the same delivery 2 s {missed}.",
        "Delivery automatic meets every target too, at 1 s, but takes 1.2 % of the channel's time, 20 % more; "
        f"pieces are as far off. There 2 s {missed}. What it takes more is copies, to boards that hear too "
        "little of the group.",
        f"Delivery copies meets every target at no interval; nearest is 2 s, which {missed}, and 1 other target.",
        "Delivery both meets every target too, at 2 s, but takes 2.5 % of the channel's time, 2.5 times as much; "
        "pieces are off by 3 ms (p95) and 7 ms at worst, against 4 ms (p95) and 9 ms at worst.",
        "To have it, start the leader with `leadlight lead --interval 1 --delivery group`.",
    )


def test_of_deliveries_that_take_as_good_as_the_same_the_first_is_recommended_and_the_least_named() -> None:
    found = advice([by(BOTH, 5.0, 0.0064), by(COPIES, 5.0, 0.0070), by(GROUP, 2.0, 0.0071), by(AUTOMATIC, 1.0, 0.0090)])
    assert found.delivery is COPIES  # less than a tenth more than the least; that of group is more
    assert found.sentences[1] == (
        "4 of 4 combinations meet every target in the one run made of each. Timing takes at most 0.7 % of the "
        "channel's time by this one. The least is 0.64 % of the channel's time, by delivery both at 5 s: as good as "
        "the same, and of such the first of automatic, group, copies, both is taken."
    )
    assert (
        "Delivery both meets every target too, at 5 s, and takes 0.64 % of the channel's time, 8.6 % less; pieces are "
        "as far off." in found.sentences
    )


def test_of_two_deliveries_that_take_as_much_the_first_is_recommended_and_the_other_said_to_take_as_much() -> None:
    found = advice([by(GROUP, 2.0, 0.007), by(AUTOMATIC, 2.0, 0.007), by(BOTH, 2.0, 0.009)])
    assert found.delivery is AUTOMATIC
    assert any(
        each.startswith("Delivery group meets every target too, at 2 s, and takes as much airtime;")
        for each in found.sentences
    )


def test_no_claim_of_least_airtime_is_made_where_a_shorter_interval_took_less() -> None:
    found = advice([by(GROUP, 1.0, 0.01), by(GROUP, 2.0, 0.02), by(BOTH, 2.0, 0.03)])
    assert (found.interval_s, found.delivery) == (2.0, GROUP)
    assert not any("the least" in sentence for sentence in found.sentences)


def test_the_airtime_of_the_worst_run_decides_not_the_median() -> None:
    runs = [by(AUTOMATIC, 1.0, 0.01), by(GROUP, 1.0, 0.005)]
    runs += [dataclasses.replace(each, seed=2, airtime_share=0.011) for each in runs]
    assert advice(runs).delivery is AUTOMATIC
    assert advice([*runs, by(GROUP, 1.0, 0.02, seed=3)]).delivery is AUTOMATIC


def test_the_only_combination_that_meets_every_target_is_called_that() -> None:
    found = advice([by(GROUP, 1.0, 0.01, join_s=math.inf), by(COPIES, 1.0, 0.02)])
    assert found.delivery is COPIES
    assert found.sentences[1] == (
        "It alone of 2 combinations meets every target in the one run made of each. Timing takes 2 % of the channel's "
        "time."
    )
    assert (
        "Delivery group meets every target at no interval; nearest is 1 s, which fails by join time, never where 10 s "
        "is allowed, in 1 of 1 run." in found.sentences
    )


def test_who_is_told_to_send_copies_alone_is_told_that_boards_must_know_the_leaders_address() -> None:
    told = "`leadlight follow --leader HOST:PORT`"
    runs = [by(GROUP, 1.0, 0.02), by(COPIES, 1.0, 0.01)]
    assert any(told in sentence for sentence in advice(runs).sentences)
    assert not any(told in sentence for sentence in advice([by(GROUP, 1.0, 0.01), by(COPIES, 1.0, 0.02)]).sentences)


def test_where_no_combination_will_do_the_nearest_of_each_delivery_is_told() -> None:
    found = advice(
        [
            *(by(GROUP, 1.0, 0.01, join_s=30.0), by(GROUP, 2.0, 0.01, join_s=30.0, error_p95_ms=11.0)),
            *(by(COPIES, 1.0, 0.01, join_s=12.0, pair_p95_ms=16.5), by(COPIES, 2.0, 0.01, join_s=60.0)),
            by(BOTH, 1.0, 0.01, join_s=40.0),
        ]
    )
    assert (found.interval_s, found.delivery, found.meets_targets) == (1.0, COPIES, False)
    assert found.headline == "None of the 5 combinations tried meets every target."
    assert found.sentences[:5] == (
        "Nearest to them is delivery copies at 1 s, which fails by join time, 12 s where 10 s is allowed "
        "(20 % too much), in 1 of 1 run.",
        "It also fails by pair difference (p95), 16.5 ms where 15 ms is allowed (10 % too much), in 1 of 1 run.",
        "Delivery group comes nearest at 1 s, which fails by join time, 30 s where 10 s is allowed (3 times as much), "
        "in 1 of 1 run.",
        "Delivery both comes nearest at 1 s, which fails by join time, 40 s where 10 s is allowed (4 times as much), "
        "in 1 of 1 run.",
        "Every combination misses the target for join time, so the cause lies elsewhere than in the interval and the "
        "delivery.",
    )


def test_jumps_are_compared_over_all_deliveries_and_late_cues_over_the_intervals_of_the_one_recommended() -> None:
    found = advice(
        [
            by(GROUP, 0.5, 0.02, cue_lateness_ms=20.0, visible_steps=8),
            by(GROUP, 1.0, 0.01, cue_lateness_ms=300.0, visible_steps=8),
            by(COPIES, 1.0, 0.03, cue_lateness_ms=2.0, visible_steps=3),
        ]
    )
    assert found.delivery is GROUP
    assert any("came 300 ms late, at 0.5 s never more than 20 ms" in sentence for sentence in found.sentences)
    assert any("; by delivery copies at 1 s there are no more than 3." in sentence for sentence in found.sentences)


def test_of_one_delivery_whichever_it_is_nothing_is_said_of_deliveries() -> None:
    for delivery in Delivery:
        found = advice([by(delivery, 1.0, 0.02), by(delivery, 2.0, 0.01, error_p95_ms=11.0)])
        assert found.headline == "Recommended beacon interval: 1 s."
        assert found.delivery is delivery
        assert not any("eliver" in sentence for sentence in found.sentences)


def test_standings_go_by_delivery_and_then_by_interval() -> None:
    runs = [by(delivery, interval, 0.01) for interval in (2.0, 0.5) for delivery in reversed(Delivery)]
    found = standings(runs, TARGETS)
    assert [(each.delivery, each.interval_s) for each in found] == [
        (delivery, interval) for delivery in Delivery for interval in (0.5, 2.0)
    ]
    assert {delivery: len(of_one) for delivery, of_one in by_delivery(found).items()} == dict.fromkeys(Delivery, 2)


def test_every_delivery_is_explained() -> None:
    assert list(DELIVERIES) == list(Delivery)


# --- The access point's own rhythm ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("interval_s", "multiple"), [(0.102, 1), (0.104, 1), (0.205, 2), (0.512, 5), (0.503, 5), (1.024, 10), (1.02, 10)]
)
def test_an_interval_near_a_small_multiple_of_the_access_points_beacons_is_found(
    interval_s: float, multiple: int
) -> None:
    beat = beat_of(interval_s)
    assert beat is not None
    assert beat.multiple == multiple


@pytest.mark.parametrize("interval_s", [0.05, 0.1, 0.25, 0.5, 0.53, 1.0, 1.05, 1.1264, 2.048, 5.12])
def test_an_interval_clear_of_them_or_beyond_ten_is_not(interval_s: float) -> None:
    assert beat_of(interval_s) is None


def test_the_warning_explains_the_hidden_delay_and_names_intervals_that_are_clear() -> None:
    beat = beat_of(0.512)
    assert beat is not None
    told = beat.told()
    assert told.startswith("0.512 s is 5 times the 102.4 ms")
    assert "for as long as both run" in told
    assert "a constant delay of up to 100 ms" in told
    # A fifth of the interval, by the leader's own rule, is just one of the access point's.
    assert "up to 102 ms before each beacon, helps: it sweeps all of that rhythm" in told
    assert "0.5 s and 0.53 s are clear of it" in told
    assert beat_of(0.5) is None
    assert beat_of(0.53) is None


def test_the_warning_says_how_long_a_near_miss_lasts_and_how_little_a_short_dither_sweeps() -> None:
    near, short = beat_of(1.02), beat_of(0.102)
    assert near is not None
    assert short is not None
    # It slips 4 ms a beacon: 25.6 beacons of 1.02 s pass 102.4 ms.
    assert "1.02 s is close to 1.024 s, 10 times" in near.told()
    assert "for 26.1 s on end" in near.told()
    # 20.4 ms of 102.4 ms
    assert "it sweeps 20 % of that rhythm" in short.told()


# --- The plan ---------------------------------------------------------------------------------------------------------


def test_intervals_are_read_in_any_order_and_each_kept_once() -> None:
    assert intervals_from_text("2, 0.5,1,0.50") == (0.5, 1.0, 2.0)


@pytest.mark.parametrize("text", ["", "1,,2", "fast", "0", "-1", "0.04", "10.5", "nan", "inf", "0.0505"])
def test_bad_intervals_are_refused_with_what_is_allowed(text: str) -> None:
    with pytest.raises(ConfigurationError, match=r"--intervals: .*0\.05 to 10"):
        intervals_from_text(text)


def test_deliveries_are_read_in_any_order() -> None:
    assert deliveries_from_text("both, group") == (GROUP, BOTH)
    assert deliveries_from_text("automatic,group,copies,both") == tuple(Delivery)


@pytest.mark.parametrize("text", ["", ",", "foo", "group,", "group,foo", "group,group", "Group", "group copies", "all"])
def test_bad_deliveries_are_refused_with_what_is_allowed(text: str) -> None:
    with pytest.raises(ConfigurationError, match=r"--deliveries: .*: automatic, group, copies, both"):
        deliveries_from_text(text)


def test_seeds_count_up_from_the_scenarios_and_every_combination_comes_once_before_the_next_seed() -> None:
    runs = planned_runs(load_shipped(), (0.5, 1.0), (GROUP, COPIES), 2)
    assert [(each.run.seed, each.leader.delivery, each.leader.interval_s) for each in runs] == [
        (seed, delivery, interval) for seed in (20, 21) for delivery in ("group", "copies") for interval in (0.5, 1.0)
    ]


def test_a_number_of_seeds_or_jobs_that_makes_no_sense_is_refused() -> None:
    with pytest.raises(ConfigurationError, match="--seeds"):
        planned_runs(load_shipped(), (1.0,), ONE, 0)
    with pytest.raises(ConfigurationError, match="--jobs"):
        sweep([], 0)
    last = load_shipped().with_changes({"run.seed": 2**63 - 1})
    with pytest.raises(ScenarioError, match="seed"):
        planned_runs(last, (1.0,), ONE, 2)
