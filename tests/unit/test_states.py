from __future__ import annotations

from itertools import product

import pytest

from leadlight.clock.states import TRANSITIONS, ClockInput
from leadlight.terms import ClockState

F, A, L, H = ClockState.FREE_RUN, ClockState.ACQUIRING, ClockState.LOCKED, ClockState.HOLDOVER


def test_every_state_answers_every_input() -> None:
    assert set(TRANSITIONS) == set(product(ClockState, ClockInput))


@pytest.mark.parametrize(
    ("happens", "leads_to"),
    [
        # From free run, acquiring, locked, holdover, in this order.
        (ClockInput.WITHIN_BUDGET, (L, L, L, L)),
        (ClockInput.OUTSIDE_BUDGET, (A, A, A, A)),
        (ClockInput.SILENCE, (F, F, H, H)),
        (ClockInput.NEW_TIMEBASE, (F, A, A, A)),
        (ClockInput.RESUMED, (F, A, A, A)),
    ],
)
def test_the_table_says_what_the_states_mean(happens: ClockInput, leads_to: tuple[ClockState, ...]) -> None:
    assert tuple(TRANSITIONS[state, happens] for state in (F, A, L, H)) == leads_to


def test_only_a_lock_is_ever_held_over() -> None:
    into = {state for (state, _), then in TRANSITIONS.items() if then is H}
    assert into == {L, H}
