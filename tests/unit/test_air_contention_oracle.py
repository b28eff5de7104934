"""The medium against a deliberately dumb one, which looks at every contender in every nanosecond."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leadlight_sim.air.contended.access_rules import AccessRules
from leadlight_sim.air.contended.contention import Contender, Medium
from leadlight_sim.kernel import Streams
from leadlight_sim.kernel.kernel import Kernel, TrueInstant

pytestmark = pytest.mark.interpreted

SLOT, SIFS, DIFS, EIFS, ANSWER = 3, 2, 8, 13, 4
RULES = AccessRules(slot_ns=SLOT, sifs_ns=SIFS, difs_ns=DIFS, collision_wait_ns=EIFS, cw_min=1, cw_max=7)
END = 400
BITS = 3 * END // 16
"""Three for each count, and no transmission with its wait is over in less than 4 + 4 + 8 ns."""

Transmission = tuple[int, int, bool]
"""Who, when, and whether it collided."""


@dataclass(frozen=True)
class Plan:
    """One station: when its frames come, how long they last, and the bits of its counts."""

    arrivals: tuple[int, ...]
    frame_ns: int
    bits: int

    def draw(self) -> Callable[[int], int]:
        left = self.bits

        def draw(width: int) -> int:
            nonlocal left
            taken, left = left & ((1 << width) - 1), left >> width
            return taken

        return draw


class Speaker(Contender):
    def __init__(self, number: int, plan: Plan, told: list[Transmission]) -> None:
        super().__init__(Streams(1).stream("unused"))
        self.draw_bits = plan.draw()
        self._number = number
        self._frame_ns = plan.frame_ns
        self._told = told
        self.queued = 0

    def begin(self, now: int) -> int:  # noqa: ARG002
        return self._frame_ns

    def finish(self, now: int, frame_ns: int, collided: bool) -> int:
        self._told.append((self._number, now, collided))
        if collided:
            self.failures += 1
        else:
            self.failures = 0
            self.queued -= 1
        self.is_waiting = self.queued > 0
        return frame_ns + ANSWER


def by_the_medium(plans: list[Plan], rules: AccessRules) -> list[Transmission]:
    kernel = Kernel()
    medium = Medium(kernel, rules)
    told: list[Transmission] = []

    def arrive(speaker: Speaker) -> None:
        speaker.queued += 1
        medium.request(speaker)

    for number, plan in enumerate(plans):
        speaker = Speaker(number, plan, told)
        medium.add(speaker)
        for at in plan.arrivals:
            kernel.schedule(TrueInstant(at), arrive, speaker)
    kernel.run_until(TrueInstant(END))
    return sorted(told)


class Station:
    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.draw = plan.draw()
        self.count = 0
        self.failures = 0
        self.queued = 0
        self.is_sudden = False


def by_the_nanosecond(plans: list[Plan], rules: AccessRules) -> list[Transmission]:
    stations = [Station(plan) for plan in plans]
    told: list[Transmission] = []
    resume_at = 0
    for now in range(END + 1):
        is_idle = now >= resume_at
        is_boundary = is_idle and (now - resume_at) % SLOT == 0
        if is_boundary and now > resume_at:
            for station in stations:
                station.count = max(0, station.count - 1)
        for station in stations:
            station.is_sudden = False
            for _ in range(station.plan.arrivals.count(now)):
                station.queued += 1
                if station.queued == 1 and station.count == 0:
                    if is_idle:
                        station.is_sudden = True
                    else:
                        station.count = station.draw(1)
                        # Drawn as zero it still waits for the medium, which is busy.
        if not is_idle:
            continue
        begin = [station for station in stations if station.is_sudden]
        if is_boundary:
            begin = [station for station in stations if station.queued and station.count == 0]
        elif begin:
            # Counts that end at the next boundary, less than a slot ahead, sense nothing of it.
            begin += [
                station for station in stations if station.queued and not station.is_sudden and station.count <= 1
            ]
        if not begin:
            continue
        collided = len(begin) > 1
        longest = max(station.plan.frame_ns for station in begin)
        resume_at = now + (longest + EIFS if collided else longest + ANSWER + DIFS)
        if rules.counts_busy:
            for station in stations:
                if station not in begin:
                    station.count = max(0, station.count - 1)
        for station in begin:
            told.append((stations.index(station), now, collided))
            if collided:
                station.failures += 1
            else:
                station.failures = 0
                station.queued -= 1
            station.count = station.draw(min(1 + station.failures, 3))
    return sorted(told)


PLANS = st.lists(
    st.builds(
        Plan,
        arrivals=st.lists(st.integers(0, 120), min_size=1, max_size=5).map(tuple),
        frame_ns=st.integers(4, 15),
        bits=st.integers(0, (1 << BITS) - 1),
    ),
    min_size=1,
    max_size=4,
)


@given(PLANS, st.booleans())
def test_jumping_from_one_transmission_to_the_next_gives_what_counting_every_slot_gives(
    plans: list[Plan], counts_busy: bool
) -> None:
    rules = replace(RULES, counts_busy=counts_busy)
    assert by_the_medium(plans, rules) == by_the_nanosecond(plans, rules)


def test_the_dumb_medium_collides_and_recovers() -> None:
    # After the collision the first counts 1 and, sent, 1 again; the other counts 3.
    plans = [Plan((5, 5), 6, 0b1_01), Plan((5,), 9, 0b0_11)]
    told = by_the_nanosecond(plans, RULES)
    first = 5 + 9 + EIFS + SLOT
    second = first + 6 + ANSWER + DIFS + SLOT
    last = second + 6 + ANSWER + DIFS + SLOT
    assert told == [(0, 5, True), (0, first, False), (0, second, False), (1, 5, True), (1, last, False)]
