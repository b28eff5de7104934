"""The sweep: exploration, which promises nothing, and then proof, which rests on fresh evenings alone.

Exploration races candidates on the same evenings, the cheapest in airtime first, and leaves those that miss too often.
Between the best and a cheaper neighbour that was left it tries again. Proof takes the cheapest that is not left, and
makes a test of a fixed size; if that fails, it takes the next, at half the chance of error.

Results are taken in the order in which they were asked for. So neither the number of workers nor chance of their timing
changes an answer; only a limit of time may.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from hashlib import blake2s
from typing import Final

from leadlight.errors import ConfigurationError
from leadlight_sim.measures import Figures, misses_of
from leadlight_sim.runs import Finished, Run, TimeIsUp
from leadlight_sim.scenario import Scenario
from leadlight_sim.tune.candidates import DELIVERIES, Candidate, Count, between
from leadlight_sim.tune.proof import Size, has_likely_failed, level_of, ratio_interval, size_for

EVENINGS: Final = 8
EVENINGS_MAXIMUM: Final = 1000
FIRST_EVENINGS: Final = 2
"""So many are made of every candidate; the others only of those in front."""
FRONT: Final = 3
"""Candidates that are explored to the end before one of them is tested."""
REFINEMENTS: Final = 2
AS_GOOD_AS_THE_SAME: Final = 1.1
"""Ratio within which two shares of airtime are no reason to choose."""
SEED_MAXIMUM: Final = 2**63 - 1

RunAll = Callable[[Iterable[Run]], Iterator[Finished]]
Judge = Callable[[Candidate, Figures], Sequence[str]]


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked: in at most which share of evenings may a target be missed, and how sure must it be?

    ``evenings`` is how many exploration makes of a candidate, with seeds counted up from the scenario's own.
    """

    scenario: Scenario
    share: float = 0.05
    confidence: float = 0.95
    evenings: int = EVENINGS
    digest: str = field(init=False)
    """The scenario's."""

    def __post_init__(self) -> None:
        if not 0 < self.share < 1:
            raise ConfigurationError("--share", self.share, "a share of evenings above 0 and below 1, such as 0.05")
        if not 0.5 <= self.confidence < 1:
            raise ConfigurationError("--confidence", self.confidence, "from 0.5 to below 1, such as 0.95")
        if not FIRST_EVENINGS <= self.evenings <= EVENINGS_MAXIMUM:
            raise ConfigurationError("--evenings", self.evenings, f"{FIRST_EVENINGS} to {EVENINGS_MAXIMUM}")
        object.__setattr__(self, "digest", self.scenario.digest())

    @property
    def error(self) -> float:
        """The chance of error of all tests together."""
        return 1 - self.confidence


@dataclass(slots=True)
class Trial:
    """The test of one candidate: its size and chance of error, fixed beforehand, and what its evenings came to."""

    candidate: Candidate
    size: Size
    level: float
    count: Count = field(default_factory=Count)

    @property
    def has_failed(self) -> bool:
        """Whether more evenings missed a target than may."""
        return self.count.missed > self.size.misses

    @property
    def has_passed(self) -> bool:
        """Whether all evenings were made and few enough of them missed a target."""
        return not self.has_failed and self.count.evenings == self.size.evenings


@dataclass(slots=True)
class Outcome:
    """What a sweep came to, so far as it went. ``proven`` is the candidate to take."""

    question: Question
    candidates: list[Candidate]
    tests: list[Trial] = field(default_factory=list)
    runs: int = 0
    stopped: str | None = None
    """Why it ended early."""

    @property
    def proven(self) -> Trial | None:
        """The test that was passed, if any."""
        return next((test for test in self.tests if test.has_passed), None)

    @property
    def in_play(self) -> list[Candidate]:
        """Candidates that neither exploration nor a test has left, the first to take in front."""
        failed = [test.candidate for test in self.tests if test.has_failed]
        return ranked([each for each in self.candidates if not each.is_left and each not in failed])

    def runs_left(self) -> int:
        """Return how many runs there are to make as things stand, if no test fails."""
        explored = sum(
            self.question.evenings - each.seen.evenings for each in self.in_play[:FRONT] if self.proven is None
        )
        if self.tests and self.tests[-1].candidate in self.in_play:
            test = self.tests[-1]
            return test.size.evenings - test.count.evenings
        front = self.in_play[:1]
        return explored + sum(_size(self, each).evenings for each in front)


def ranked(candidates: Iterable[Candidate]) -> list[Candidate]:
    """Return candidates by airtime; of those that take as good as the same, the one of the first delivery first.

    As good as the same: the 95 % interval of the ratio, by evenings that both have, lies within a tenth.
    """
    left = sorted(candidates, key=lambda each: each.seen.airtime_share)
    order = []
    while left:
        cheapest = left[0]
        same = [each for each in left if each is cheapest or _takes_the_same(each, cheapest)]
        first = min(same, key=lambda each: (DELIVERIES.index(each.delivery), each.seen.airtime_share))
        order.append(first)
        left.remove(first)
    return order


def _takes_the_same(first: Candidate, second: Candidate) -> bool:
    both = min(len(first.airtimes), len(second.airtimes))
    if not (both and first.seen.airtime_share and second.seen.airtime_share):
        return False  # a sweep that was ended early has candidates without an evening, or with one half noted
    if not 1 / AS_GOOD_AS_THE_SAME**2 <= first.seen.airtime_share / second.seen.airtime_share <= AS_GOOD_AS_THE_SAME**2:
        return False  # plainly not, and the statistics are spared
    low, high = ratio_interval(first.airtimes[:both], second.airtimes[:both])
    return low >= 1 / AS_GOOD_AS_THE_SAME and high <= AS_GOOD_AS_THE_SAME


def missed_targets(candidate: Candidate, figures: Figures) -> list[str]:
    """Return the keys of the targets that an evening of a candidate missed."""
    return [miss.measure.key for miss in misses_of(figures, candidate.limits)]


def fresh_seed(question: Question, candidate: Candidate, number: int) -> int:
    """Return the seed of a test's evening: a hash, never one of exploration's."""
    first = question.scenario.run.seed
    salt = 0
    while True:
        text = f"{question.digest} {candidate.digest} {number} {salt}"
        seed = int.from_bytes(blake2s(text.encode(), digest_size=8, person=b"proof").digest(), "big") & SEED_MAXIMUM
        if not first <= seed < first + EVENINGS_MAXIMUM:
            return seed
        salt += 1


class Sweep:
    """A sweep under way. ``outcome`` is what is known of it at any moment."""

    def __init__(
        self,
        question: Question,
        candidates: Sequence[Candidate],
        run_all: RunAll,
        tell: Callable[[Outcome], None] = lambda _: None,
        until: float | None = None,
        judge: Judge = missed_targets,
    ) -> None:
        """Take what to try, and ``run_all``, which makes runs and gives them back in their order.

        ``until`` is when time is up, by ``time.monotonic``: it decides how long a test there is time for. ``tell`` is
        called after every run, ``judge`` names the targets that an evening missed.
        """
        self.outcome = Outcome(question, list(candidates))
        self._run_all = run_all
        self._tell = tell
        self._until = until
        self._judge = judge
        self._began_at = time.monotonic()

    def run(self) -> Outcome:
        """Explore, prove, and return what came of it."""
        try:
            self._explore(self.outcome.candidates, FIRST_EVENINGS)
            self._explore_front()
            self._refine()
            while self.outcome.proven is None and self.outcome.in_play:
                self._explore_front()
                if self.outcome.in_play:
                    self._prove(self.outcome.in_play[0])
        except TimeIsUp:
            self.outcome.stopped = "time was up"
        return self.outcome

    # -- exploration ---------------------------------------------------------------------------------------------------

    def _explore(self, candidates: Sequence[Candidate], evenings: int) -> None:
        question = self.outcome.question
        by_digest = {each.digest: each for each in candidates}
        begun = {each.digest: each.seen.evenings for each in candidates}

        def wanted() -> Iterator[Run]:
            for evening in range(evenings):
                for each in sorted(candidates, key=lambda one: one.seen.airtime_share if one.airtimes else math.inf):
                    if not each.is_left and evening >= begun[each.digest]:
                        yield Run(each.digest, each.scenario, question.scenario.run.seed + evening)

        for run, figures in self._run_all(wanted()):
            candidate = by_digest[run.digest]
            # Of one that was left, nothing counts that was under way by then: with fewer workers it would not be made.
            if not candidate.is_left:
                self.outcome.runs += 1
                candidate.seen.add(figures, self._judge(candidate, figures))
                candidate.airtimes.append(figures.values["airtime_share"])
                seen = candidate.seen
                candidate.is_left = has_likely_failed(seen.missed, seen.evenings, question.share)
            self._tell(self.outcome)

    def _explore_front(self) -> None:
        """Explore those in front to the end, and whoever comes into their places."""
        while True:
            front = self.outcome.in_play[:FRONT]
            unfinished = [each for each in front if each.seen.evenings < self.outcome.question.evenings]
            if not unfinished:
                return
            self._explore(unfinished, self.outcome.question.evenings)

    def _refine(self) -> None:
        for _ in range(REFINEMENTS):
            if not self.outcome.in_play:
                return
            best = self.outcome.in_play[0]
            more = between(self.outcome.question.scenario, self.outcome.candidates, best)
            if more is None:
                return
            self.outcome.candidates.append(more)
            self._explore([more], self.outcome.question.evenings)

    # -- proof ---------------------------------------------------------------------------------------------------------

    def _prove(self, candidate: Candidate) -> None:
        question = self.outcome.question
        test = Trial(candidate, _size(self.outcome, candidate, self._evenings_left()), _level(self.outcome))
        self.outcome.tests.append(test)

        def wanted() -> Iterator[Run]:
            for number in range(test.size.evenings):
                yield Run(candidate.digest, candidate.scenario, fresh_seed(question, candidate, number))

        for _, figures in self._run_all(wanted()):
            self.outcome.runs += 1
            test.count.add(figures, self._judge(candidate, figures))
            self._tell(self.outcome)
            if test.has_failed:
                return

    def _evenings_left(self) -> float:
        """How many evenings there is time for, by how long those so far have taken."""
        if self._until is None:
            return math.inf
        now = time.monotonic()
        return (self._until - now) * self.outcome.runs / max(now - self._began_at, 1e-9)


def _level(outcome: Outcome) -> float:
    return level_of(len(outcome.tests), len(outcome.in_play) == 1, outcome.question.error)


def _size(outcome: Outcome, candidate: Candidate, evenings_maximum: float = math.inf) -> Size:
    return size_for(candidate.seen.missed, outcome.question.share, _level(outcome), evenings_maximum)
