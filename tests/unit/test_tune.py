"""Proof by planted truth: an evening is a stub that misses by a hashed coin, so that the true share is known."""

from __future__ import annotations

import copy
import itertools
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from hashlib import blake2s

import pytest
from scipy import stats

from leadlight.errors import ConfigurationError
from leadlight_sim.measures import MEASURES, Figures, misses_of
from leadlight_sim.runs import Finished, Run, TimeIsUp
from leadlight_sim.scenario.files import load_shipped
from leadlight_sim.scenario.problems import ScenarioError
from leadlight_sim.tune.advice import advise
from leadlight_sim.tune.beat import beat_of
from leadlight_sim.tune.candidates import Candidate, Choice, Count, check_targets, choice_from_text, combinations
from leadlight_sim.tune.proof import (
    Size,
    has_likely_failed,
    level_of,
    ratio_interval,
    share_at_most,
    share_interval,
    size_for,
    size_of,
)
from leadlight_sim.tune.sweep import Outcome, Question, Sweep, Trial, fresh_seed, ranked

LAKE = load_shipped("quarry-lake")
QUESTION = Question(LAKE)
REPETITIONS = 2000
ERROR = 0.05
DELIVERIES = ("automatic", "group", "copies", "both")
NAMES = [
    *combinations(
        LAKE,
        [Choice("leader.delivery", DELIVERIES), Choice("leader.on_music_lost", ("continue", "finish", "dark"))],
    )
]
"""Twelve candidates with nothing between them."""


def fresh(candidate: Candidate) -> Candidate:
    new = copy.copy(candidate)
    new.seen, new.airtimes, new.is_left = Count(), [], False
    return new


class Evenings:
    """Stub evenings: a candidate misses its share of them by a coin that its seed decides, and takes its airtime."""

    def __init__(self, shares: Mapping[str, float], airtimes: Mapping[str, float], salt: object = 0) -> None:
        self._shares = shares
        self._airtimes = airtimes
        self._salt = salt
        self.made: list[Run] = []

    def figures(self, run: Run) -> Figures:
        text = f"{self._salt} {run.digest} {run.seed}"
        coin = int.from_bytes(blake2s(text.encode(), digest_size=7).digest(), "big") / 2**56
        missed = coin < self._shares[run.digest]
        return Figures({"light_p95_ms": 99.0 if missed else 1.0, "airtime_share": self._airtimes[run.digest]}, {})

    def run_all(self, runs: Iterable[Run]) -> Iterator[Finished]:
        for run in runs:
            self.made.append(run)
            yield Finished(run, self.figures(run))


def by_light(_: Candidate, figures: Figures) -> Sequence[str]:
    return ["light_p95_ms"] if figures.values["light_p95_ms"] > 12.5 else []


def swept(shares: Sequence[float], salt: object = 0, question: Question = QUESTION) -> tuple[Outcome, Evenings]:
    """Return a sweep of candidates with these true shares, the first the cheapest."""
    tried = [fresh(each) for each in NAMES[: len(shares)]]
    planted = {each.digest: share for each, share in zip(tried, shares, strict=True)}
    airtimes = {each.digest: 0.01 * 1.3**place for place, each in enumerate(tried)}
    evenings = Evenings(planted, airtimes, salt)
    return Sweep(question, tried, evenings.run_all, judge=by_light).run(), evenings


def share_of(outcome: Outcome, shares: Sequence[float]) -> float | None:
    proven = outcome.proven
    return None if proven is None else shares[outcome.candidates.index(proven.candidate)]


# --- Planted truth ----------------------------------------------------------------------------------------------------

WORST = [0.051] * 12
LADDER = [0.2, 0.1, 0.06, 0.051, 0.03, 0.01, 0.0]


@pytest.mark.slow
@pytest.mark.thorough_except(repetitions=100)
@pytest.mark.parametrize(
    ("shares", "repetitions"),
    [([0.051], 100), ([0.051], REPETITIONS), ([0.06] * 3, REPETITIONS), (LADDER, REPETITIONS), (WORST, REPETITIONS)],
    ids=["few", "alone", "three", "ladder", "worst"],
)
def test_what_misses_too_often_is_recommended_in_a_twentieth_of_sweeps_at_most(
    shares: Sequence[float], repetitions: int
) -> None:
    wrong = sum((share_of(swept(shares, salt)[0], shares) or 0.0) > ERROR for salt in range(repetitions))
    # The exact binomial interval of the share of wrong answers must not lie above what was promised.
    assert share_interval(wrong, repetitions)[0] <= ERROR
    assert wrong <= stats.binom.ppf(0.999, repetitions, ERROR)


@pytest.mark.slow
@pytest.mark.thorough_except(share=0.0)
@pytest.mark.parametrize(
    ("share", "proven", "runs_most"),
    [(0.0, 1.0, 101), (0.01, 0.7, 130), (0.03, 0.15, 130), (0.05, 0.0, 110), (0.1, 0.0, 60), (0.2, 0.0, 30)],
)
def test_how_often_a_lone_candidate_is_proven_and_in_how_many_runs(
    share: float, proven: float, runs_most: float, record_property: Callable[[str, object], None]
) -> None:
    repetitions = 50 if share == 0.0 else REPETITIONS
    outcomes = [swept([share], salt)[0] for salt in range(repetitions)]
    found = sum(outcome.proven is not None for outcome in outcomes) / repetitions
    runs = sum(outcome.runs for outcome in outcomes) / repetitions
    record_property("proven", found)
    record_property("runs", runs)
    assert found >= proven
    assert runs <= runs_most
    if share >= ERROR:
        assert found <= ERROR + 3 * math.sqrt(ERROR * (1 - ERROR) / repetitions)


def test_a_test_looked_at_after_every_evening_would_prove_too_much() -> None:
    # Why sizes are fixed beforehand: 5 % of evenings miss, and a test is made after each of the first 208.
    wrong = 0
    for salt in range(40):
        missed = 0
        for number in range(208):
            coin = blake2s(f"{salt} {number}".encode(), digest_size=4).digest()
            missed += int.from_bytes(coin, "big") / 2**32 < ERROR
            if number + 1 >= size_of(missed, ERROR, ERROR).evenings:
                wrong += 1
                break
    assert wrong / 40 > 0.1


# --- The sweep --------------------------------------------------------------------------------------------------------


def test_a_lone_candidate_without_a_miss_is_proven_by_93_evenings_with_room_for_one_miss() -> None:
    outcome, evenings = swept([0.0])
    (test,) = outcome.tests
    assert (test.size, test.count.evenings) == (Size(93, 1), 93)
    assert test.level == pytest.approx(0.05)
    assert len(evenings.made) == outcome.runs == 8 + 93
    assert advise(outcome).headline == "Recommended: delivery automatic, leader.on_music_lost continue."
    assert advise(outcome).sentences[0].startswith(
        "At most 1 evening in 20 misses a target: 95 % sure, from 93 evenings with no miss"
    )


def test_of_several_the_cheapest_has_half_the_chance_of_error_and_the_next_half_of_that() -> None:
    shares = [0.06, 0.0, 0.0]
    outcome = next(
        outcome for salt in itertools.count() if len((outcome := swept(shares, salt)[0]).tests) == 2
    )
    first, second = outcome.tests
    assert first.has_failed
    assert first.level == pytest.approx(0.025)
    assert second.level == pytest.approx(0.0125)
    assert second.size == size_of(1, 0.05, 0.0125)
    assert outcome.proven is second
    assert second.candidate is outcome.candidates[1]
    assert any("was tested before and failed" in said for said in advise(outcome).sentences)


def test_a_test_ends_at_the_first_miss_too_many() -> None:
    outcome = next(
        outcome for salt in itertools.count() if (outcome := swept([0.1, 0.0], salt)[0]).tests[0].has_failed
    )
    test = outcome.tests[0]
    assert test.count.missed == test.size.misses + 1
    assert test.count.evenings < test.size.evenings


def test_what_misses_in_exploration_is_left_early_and_never_tested() -> None:
    outcome, evenings = swept([1.0, 0.0])
    bad, good = outcome.candidates
    assert (bad.is_left, bad.seen.evenings, good.seen.evenings) == (True, 2, 8)
    assert [test.candidate for test in outcome.tests] == [good]
    assert sum(run.digest == bad.digest for run in evenings.made) == 2
    assert outcome.tests[0].level == pytest.approx(0.05)
    assert any(
        "The next cheaper" in said and "in 2 of 2 evenings" in said for said in advise(outcome).sentences
    )


def test_the_line_that_rehearses_what_is_taken_names_the_scenario_that_was_swept() -> None:
    outcome, _ = swept([0.0, 0.0])
    lines = advise(outcome, "leadlight rehearse mine.toml --set air.preset=busy").sentences
    (line,) = [said for said in lines if said.startswith("To rehearse it: ")]
    assert line.startswith("To rehearse it: leadlight rehearse mine.toml --set air.preset=busy --set ")


def test_only_those_in_front_are_explored_to_the_end() -> None:
    outcome, _ = swept([0.0] * 6)
    assert [each.seen.evenings for each in outcome.candidates] == [8, 8, 8, 2, 2, 2]


def test_where_nothing_is_left_it_says_what_was_nearest() -> None:
    outcome, _ = swept([1.0, 1.0])
    advice = advise(outcome)
    assert (outcome.proven, advice.candidate, outcome.tests) == (None, None, [])
    assert advice.headline == "No setting is proven."
    assert any("Nothing is left to test. The nearest was" in said for said in advice.sentences)


def test_fresh_evenings_never_occur_in_exploration_nor_in_another_candidates_test() -> None:
    first, second = NAMES[:2]
    seeds = [fresh_seed(QUESTION, each, number) for each in (first, second) for number in range(500)]
    assert len(set(seeds)) == 1000
    assert all(0 <= seed < 2**63 for seed in seeds)
    explored = range(LAKE.run.seed, LAKE.run.seed + 1000)
    assert not set(seeds) & set(explored)


def test_when_time_is_up_it_says_what_is_open_and_what_its_evenings_show() -> None:
    tried = [fresh(each) for each in NAMES[:1]]
    evenings = Evenings({tried[0].digest: 0.0}, {tried[0].digest: 0.01})

    def run_all(runs: Iterable[Run]) -> Iterator[Finished]:
        for finished in evenings.run_all(runs):
            yield finished
            if len(evenings.made) == 48:
                raise TimeIsUp

    outcome = Sweep(QUESTION, tried, run_all, judge=by_light).run()
    assert outcome.stopped == "time was up"
    said = " ".join(advise(outcome).sentences)
    assert "Of 93 evenings 40 were made, with no miss." in said
    # 0.05 ** (1 / 40) is 0.928.
    assert "95 % sure: at most 7.2 % of evenings miss a target" in said


def test_where_there_is_time_for_less_the_test_is_shorter() -> None:
    assert size_for(0, 0.05, 0.05) == Size(93, 1)
    assert size_for(0, 0.05, 0.05, evenings_maximum=92) == Size(59, 0)
    assert size_for(0, 0.05, 0.05, evenings_maximum=10) == Size(59, 0)


# --- Ties -------------------------------------------------------------------------------------------------------------


def with_airtimes(place: int, *airtimes: float) -> Candidate:
    new = fresh(NAMES[place])
    for airtime in airtimes:
        new.seen.add(Figures({"airtime_share": airtime}, {}), [])
        new.airtimes.append(airtime)
    return new


def test_of_two_that_take_as_much_the_first_delivery_goes_first() -> None:
    automatic = with_airtimes(0, 0.0105, 0.0104, 0.0106)
    group = with_airtimes(3, 0.0100, 0.0100, 0.0100)
    assert ranked([group, automatic]) == [automatic, group]


def test_a_ratio_that_is_not_known_closely_enough_makes_no_tie() -> None:
    automatic = with_airtimes(0, 0.0105, 0.0090, 0.0125)
    group = with_airtimes(3, 0.0100, 0.0100, 0.0100)
    assert ranked([automatic, group]) == [group, automatic]


def test_more_than_a_tenth_is_no_tie_however_sure() -> None:
    automatic = with_airtimes(0, 0.0112, 0.0112, 0.0112)
    group = with_airtimes(3, 0.0100, 0.0100, 0.0100)
    assert ranked([automatic, group]) == [group, automatic]


def test_the_interval_of_a_ratio_is_students_of_logarithms() -> None:
    low, high = ratio_interval([1.0, 1.2, 1.1], [1.0, 1.0, 1.0])
    logarithms = [0.0, math.log(1.2), math.log(1.1)]
    interval = stats.ttest_1samp(logarithms, 0.0).confidence_interval(0.95)
    assert [low, high] == pytest.approx([math.exp(interval.low), math.exp(interval.high)])


# --- Sizes and shares -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("misses", "evenings"), [(0, 59), (1, 93), (3, 153), (5, 208)])
def test_sizes_are_the_shortest_that_prove_a_twentieth(misses: int, evenings: int) -> None:
    assert size_of(misses, 0.05, 0.05) == Size(evenings, misses)
    assert stats.binom.cdf(misses, evenings, 0.05) <= 0.05 < stats.binom.cdf(misses, evenings - 1, 0.05)


def test_the_chances_of_error_of_all_tests_never_come_to_more_than_was_given() -> None:
    for count in range(1, 12):
        levels = [level_of(test, test == count - 1, 0.05) for test in range(count)]
        assert sum(levels) == pytest.approx(0.05)


def test_exploration_leaves_what_misses_more_than_its_share_explains() -> None:
    left = [(misses, next(n for n in range(misses, 99) if not has_likely_failed(misses, n, 0.05))) for misses in (1, 2)]
    # One miss says nothing; two are too many until the eighth evening.
    assert left == [(1, 1), (2, 8)]
    assert not has_likely_failed(0, 8, 0.05)


def test_the_bound_of_a_share_is_where_the_binomial_tail_is_the_error() -> None:
    most = share_at_most(1, 93, 0.05)
    assert stats.binom.cdf(1, 93, most) == pytest.approx(0.05)
    assert share_interval(0, 10) == pytest.approx((0.0, 1 - 0.025**0.1))
    assert share_interval(10, 10) == pytest.approx((0.025**0.1, 1.0))


# --- What is tried ----------------------------------------------------------------------------------------------------


def test_any_key_is_varied_and_every_combination_tried() -> None:
    choices = [choice_from_text(each) for each in ("leader.interval_s=2,5", "boards.waking=spin, exact-timer")]
    found = combinations(LAKE, choices)
    assert [each.name for each in found] == [
        f"beacon interval {interval} s, player woken by {waking}"
        for interval in (2, 5)
        for waking in ("spin", "exact-timer")
    ]
    assert found[0].to_set() == "--set leader.interval_s=2 --set boards.waking=spin"
    assert found[0].to_lead() == "leadlight lead --name NAME --group GROUP --interval 2"
    assert found[-1].scenario.boards.waking == "exact-timer"


def test_values_may_be_anything_a_file_may_hold() -> None:
    assert choice_from_text('boards=["steady"]').values == (["steady"],)
    assert choice_from_text("leader.wired=true,false").values == (True, False)
    assert choice_from_text("leader.interval_s=1,1.0,2").values == (1, 2)
    assert choice_from_text("followers[ferry].sounds=true").key == "followers[ferry].sounds"


@pytest.mark.parametrize("text", ["", "leader.interval_s", "leader.interval_s=", "=1,2", " =1"])
def test_nothing_to_vary_is_refused(text: str) -> None:
    with pytest.raises(ConfigurationError, match=r"--vary: .*KEY=V,V"):
        choice_from_text(text)


def test_keys_that_are_none_or_no_setting_are_refused() -> None:
    with pytest.raises(ScenarioError, match=r"leader\.intervall_s: unknown key.*did you mean interval_s"):
        combinations(LAKE, [choice_from_text("leader.intervall_s=1,2")])
    for text in ("run.seed=1,2", "targets.pair_ms=1,2"):
        with pytest.raises(ConfigurationError, match="--vary"):
            combinations(LAKE, [choice_from_text(text)])
    with pytest.raises(ConfigurationError, match="each key once"):
        combinations(LAKE, [choice_from_text("leader.interval_s=1,2"), choice_from_text("leader.interval_s=3")])
    with pytest.raises(ConfigurationError, match="1332 combinations"):
        combinations(LAKE, [Choice("leader.sounding_budget", (0,) * 37), Choice("leader.lead_time_s", (1,) * 36)])


def test_targets_that_contradict_each_other_are_refused() -> None:
    with pytest.raises(ConfigurationError, match=r"targets\.tight_pair_ms: 5\.0 .*at most targets\.pair_ms"):
        check_targets(LAKE.with_changes({"targets.pair_ms": 4.0}))


def test_a_setting_between_the_best_and_a_cheaper_one_that_was_left_is_tried() -> None:
    tried = combinations(LAKE, [choice_from_text("leader.interval_s=1,2,5")])

    class ByInterval(Evenings):
        def figures(self, run: Run) -> Figures:
            interval_s = run.scenario.leader.interval_s
            light_ms = 99.0 if interval_s > 3.5 else 1.0
            return Figures({"light_p95_ms": light_ms, "airtime_share": 0.01 / interval_s}, {})

    outcome = Sweep(QUESTION, tried, ByInterval({}, {}).run_all, judge=by_light).run()
    intervals = [each.scenario.leader.interval_s for each in outcome.candidates]
    assert intervals == [1, 2, 5, 3.2, 4.0]
    proven = outcome.proven
    assert proven is not None
    assert proven.candidate.name == "beacon interval 3.2 s"
    assert outcome.candidates[-1].is_left


def test_settings_that_contradict_each_other_are_told() -> None:
    found = combinations(LAKE, [choice_from_text("leader.lead_time_s=4")], )[0]
    assert list(found.contradictions()) == []
    slow = combinations(LAKE, [choice_from_text("leader.lead_time_s=4"), choice_from_text("leader.interval_s=5")])[0]
    (told,) = slow.contradictions()
    assert told.startswith("A beacon interval of 5 s is longer than the lead time of 4 s")
    in_step = combinations(LAKE, [choice_from_text("leader.interval_s=0.512")])[0]
    assert any("0.512 s is 5 times the 102.4 ms" in told for told in in_step.contradictions())


def test_copies_alone_come_with_a_word_on_the_leaders_address() -> None:
    (copies,) = combinations(LAKE, [choice_from_text("leader.delivery=copies")])
    evenings = Evenings({copies.digest: 0.0}, {copies.digest: 0.01})
    outcome = Sweep(QUESTION, [copies], evenings.run_all, judge=by_light).run()
    assert any("give each the leader's address" in said for said in advise(outcome).sentences)


def test_the_advice_names_the_target_that_binds_in_the_worst_evening() -> None:
    (lone,) = combinations(LAKE, [choice_from_text("leader.interval_s=2")])
    test = Trial(lone, Size(2, 0), 0.05)
    for light_ms, pair_ms in ((1.0, 3.0), (2.0, 12.0)):
        figures = Figures({"light_p95_ms": light_ms, "pair_p95_ms": pair_ms, "airtime_share": 0.01}, {})
        test.count.add(figures, [miss.measure.key for miss in misses_of(figures, lone.limits)])
        lone.seen.add(figures, [])
    said = advise(Outcome(QUESTION, [lone], [test], 2)).sentences
    assert "What binds is difference of the worst pair (p95): 12 ms of 15 ms in the worst of these evenings." in said


def test_what_is_counted_of_evenings_does_not_grow_with_them() -> None:
    count = Count()
    values = dict.fromkeys((measure.key for measure in MEASURES), 1.0)
    for number in range(10_000):
        count.add(Figures(values, {}), ["light_p95_ms"] if number % 2 else [])
    assert (count.evenings, count.missed, count.misses) == (10_000, 5_000, {"light_p95_ms": 5_000})
    assert len(count.worst) == len(MEASURES)


@pytest.mark.parametrize(
    ("change", "option"),
    [({"share": 0.0}, "--share"), ({"share": 1.0}, "--share"), ({"confidence": 1.0}, "--confidence"),
     ({"confidence": 0.2}, "--confidence"), ({"evenings": 1}, "--evenings")],
)  # fmt: skip
def test_a_question_that_makes_no_sense_is_refused(change: dict[str, float], option: str) -> None:
    with pytest.raises(ConfigurationError, match=option):
        Question(LAKE, **change)  # type: ignore[arg-type]


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


