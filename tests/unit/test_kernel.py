"""The kernel: order, refusals, counts, and what is left when an action fails."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leadlight_sim.kernel.errors import KernelError
from leadlight_sim.kernel.kernel import Kernel, TrueInstant


class Incomparable:
    """An action or argument that fails the test when anyone compares it."""

    def __init__(self, log: list[int], number: int) -> None:
        self.log = log
        self.number = number

    def __call__(self, *_: Any) -> None:
        self.log.append(self.number)

    def _compared(self, _: object) -> bool:
        raise AssertionError("an action or argument was compared")

    __lt__ = __le__ = __gt__ = __ge__ = _compared
    __eq__ = _compared
    __hash__ = None  # type: ignore[assignment]


def test_events_run_in_order_of_instant_whatever_the_order_of_scheduling() -> None:
    kernel = Kernel()
    log: list[tuple[str, int]] = []
    for at in (30, 10, 20):
        kernel.schedule(TrueInstant(at), lambda name=f"at {at}": log.append((name, kernel.now)))
    kernel.run_until(TrueInstant(100))
    assert log == [("at 10", 10), ("at 20", 20), ("at 30", 30)]


def test_at_one_instant_the_lower_priority_number_runs_first_and_then_the_one_scheduled_first() -> None:
    kernel = Kernel()
    log: list[str] = []
    for name, priority in (("a", 1), ("b", 0), ("c", -1), ("d", 1), ("e", 0), ("f", -1)):
        kernel.schedule(TrueInstant(5), log.append, name, priority=priority)
    kernel.run_until(TrueInstant(5))
    assert log == ["c", "f", "b", "e", "a", "d"]


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(-1, 1)), max_size=40))
def test_the_order_is_that_of_instant_priority_and_insertion_number(events: list[tuple[int, int]]) -> None:
    kernel = Kernel()
    log: list[int] = []
    for number, (at, priority) in enumerate(events):
        kernel.schedule(TrueInstant(at), log.append, number, priority=priority)
    kernel.run_until(TrueInstant(3))
    assert log == sorted(range(len(events)), key=lambda number: (*events[number], number))


def test_neither_actions_nor_arguments_are_ever_compared() -> None:
    kernel = Kernel()
    log: list[int] = []
    actions = [Incomparable(log, number) for number in range(50)]
    for action in actions:
        kernel.schedule(TrueInstant(7), action, action, priority=3)
    kernel.run_until(TrueInstant(7))
    assert log == list(range(50))


def test_a_failing_action_leads_to_no_comparison_of_the_others() -> None:
    kernel = Kernel()
    log: list[int] = []
    kernel.schedule(TrueInstant(7), int, "not a number")
    for number in range(50):
        action = Incomparable(log, number)
        kernel.schedule(TrueInstant(7), action, action)
    with pytest.raises(ValueError, match="not a number"):
        kernel.run_until(TrueInstant(7))
    kernel.run_until(TrueInstant(7))
    assert log == list(range(50))


def test_an_event_may_schedule_at_its_own_instant_and_priority_still_decides() -> None:
    kernel = Kernel()
    log: list[str] = []

    def first() -> None:
        log.append("first")
        kernel.schedule(kernel.now, log.append, "same priority, later", priority=0)
        kernel.schedule_after(0, log.append, "urgent", priority=-1)

    kernel.schedule(TrueInstant(4), first)
    kernel.schedule(TrueInstant(4), log.append, "second")
    kernel.run_until(TrueInstant(4))
    assert log == ["first", "urgent", "second", "same priority, later"]


def test_the_past_is_refused_and_the_error_names_both_instants() -> None:
    kernel = Kernel()
    kernel.run_until(TrueInstant(1_000))
    with pytest.raises(KernelError, match="scheduled for 999 ns, but it is already 1000 ns"):
        kernel.schedule(TrueInstant(999), print)
    with pytest.raises(KernelError, match="scheduled for 997 ns, but it is already 1000 ns"):
        kernel.schedule_after(-3, print)
    with pytest.raises(KernelError, match=r"999 ns: it is 1000 ns"):
        kernel.run_until(TrueInstant(999))
    assert (kernel.now, kernel.pending) == (1_000, 0)


@pytest.mark.interpreted  # a compiled kernel refuses it as well, in Python's own words
@pytest.mark.parametrize("time", [1.0, 1.5, float("nan"), "1", None])
def test_a_time_that_is_not_whole_is_refused(time: Any) -> None:
    kernel = Kernel()
    with pytest.raises(KernelError, match="whole nanoseconds"):
        kernel.schedule(time, print)
    with pytest.raises((KernelError, TypeError)):
        kernel.schedule_after(time, print)
    with pytest.raises((KernelError, TypeError)):
        kernel.run_until(time)
    assert kernel.pending == 0


def test_what_is_due_at_the_end_runs_what_is_due_after_it_waits_and_now_is_the_end() -> None:
    kernel = Kernel()
    log: list[int] = []
    for at in (9, 10, 11):
        kernel.schedule(TrueInstant(at), log.append, at, priority=10**9)
    kernel.run_until(TrueInstant(10))
    assert (log, kernel.now, kernel.pending, kernel.events_run) == ([9, 10], 10, 1, 2)
    kernel.run_until(TrueInstant(50))
    assert (log, kernel.now, kernel.pending, kernel.events_run) == ([9, 10, 11], 50, 0, 3)
    kernel.run_until(TrueInstant(50))
    assert (kernel.now, kernel.events_run) == (50, 3)


def test_what_is_scheduled_at_the_end_by_the_last_event_still_runs() -> None:
    kernel = Kernel()
    log: list[int] = []
    kernel.schedule(TrueInstant(10), lambda: kernel.schedule(TrueInstant(10), log.append, 1, priority=5))
    kernel.run_until(TrueInstant(10))
    assert log == [1]


def test_counts_are_right_while_events_run() -> None:
    kernel = Kernel()
    seen: list[tuple[int, int]] = []
    for at in (1, 2, 3):
        kernel.schedule(TrueInstant(at), lambda: seen.append((kernel.events_run, kernel.pending)))
    kernel.run_until(TrueInstant(2))
    kernel.run_all(limit=1)
    assert seen == [(1, 2), (2, 1), (3, 0)]


def test_running_all_stops_at_the_last_event_or_says_that_the_limit_was_met() -> None:
    kernel = Kernel()
    for at in (3, 8):
        kernel.schedule(TrueInstant(at), int)
    kernel.run_all(limit=2)
    assert (kernel.now, kernel.events_run) == (8, 2)

    def forever() -> None:
        kernel.schedule_after(1, forever)

    forever()
    with pytest.raises(KernelError, match="still 1 events scheduled at 108 ns after 100 events"):
        kernel.run_all(limit=100)


def test_what_an_action_raises_comes_through_and_the_run_can_be_taken_up_again() -> None:
    kernel = Kernel()
    log: list[str] = []
    kernel.schedule(TrueInstant(1), log.append, "one")
    kernel.schedule(TrueInstant(2), int, "not a number")
    kernel.schedule(TrueInstant(2), log.append, "two")
    kernel.schedule(TrueInstant(3), log.append, "three")
    with pytest.raises(ValueError, match="not a number"):
        kernel.run_until(TrueInstant(2))
    assert (log, kernel.now, kernel.pending, kernel.events_run) == (["one"], 2, 2, 2)
    kernel.run_until(TrueInstant(9))
    assert (log, kernel.now, kernel.pending, kernel.events_run) == (["one", "two", "three"], 9, 0, 4)


def test_an_action_cannot_run_the_kernel_that_runs_it() -> None:
    kernel = Kernel()
    kernel.schedule(TrueInstant(1), kernel.run_until, TrueInstant(5))
    with pytest.raises(KernelError, match="already running, at 1 ns"):
        kernel.run_until(TrueInstant(2))
    kernel.schedule_after(0, kernel.run_all, 5)
    with pytest.raises(KernelError, match="already running"):
        kernel.run_all(limit=5)
    kernel.run_until(TrueInstant(2))
    assert kernel.events_run == 2
