"""What the soak's oracle leaves out: what rests on a clock that was set or stood still, and nothing else."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from leadlight.units import SECOND
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.scenario import ClockStands, ClockStep
from leadlight_sim.soak.looks import ClocksSet

pytestmark = pytest.mark.interpreted  # leaders are stood in for


def leading(name: str, timebase: int) -> Any:
    return cast(Any, SimpleNamespace(name=name, leader=SimpleNamespace(timebase=timebase)))


def at(second: float) -> TrueInstant:
    return TrueInstant(round(second * SECOND))


@pytest.fixture
def clocks() -> ClocksSet:
    """The first leader's clock is set at 20 s, when it leads 7; from 40 s on another leads on in 7."""
    step = ClockStep(kind="clock-step", node="first", at_s=20.0, by_ms=18.0)
    stands = ClockStands(kind="clock-stands", node="piece", at_s=100.0, for_s=5.0)
    clocks = ClocksSet([step, stands])
    for second in range(10, 60):
        clocks.note([leading("first" if second < 40 else "second", 7), leading("elsewhere", 9)], at(second))
    return clocks


@pytest.mark.parametrize(
    ("timebase", "since_s", "is_any"),
    [
        (7, 15.0, True),  # what was proven before it was set is about another clock, whoever leads on
        (7, 25.0, False),  # proven since
        (9, 15.0, False),  # another clock
    ],
)
def test_a_clock_that_was_set_counts_for_who_was_in_its_timebase_then(
    clocks: ClocksSet, timebase: int, since_s: float, is_any: bool
) -> None:
    assert clocks.is_any("jetty", timebase, at(since_s), at(59)) is is_any


def test_a_clock_that_is_set_when_it_leads_no_more_counts_for_nobody_but_its_own_node(clocks: ClocksSet) -> None:
    late = ClocksSet([ClockStep(kind="clock-step", node="first", at_s=50.0, by_ms=18.0)])
    for second in range(10, 60):
        late.note([leading("first" if second < 40 else "second", 7)], at(second))
    assert not late.is_any("jetty", 7, at(15), at(59))
    assert late.is_any("first", 7, at(15), at(59))
    assert not late.is_any("first", 7, at(15), at(49))
    # A standstill counts when it begins and when it ends.
    assert not clocks.is_any("piece", 9, at(15), at(99))
    assert clocks.is_any("piece", 9, at(104), at(106))
