"""The clock's states as a table: what each input does in each state.

The terms are those of ITU-T G.810. Every pair of state and input is in the table, and a test walks all of them.
"""

from __future__ import annotations

from enum import Enum
from typing import Final

from leadlight.terms import ClockState


class ClockInput(Enum):
    """What can happen to a clock."""

    WITHIN_BUDGET = "sample; bound inside the budget"
    OUTSIDE_BUDGET = "sample; bound outside the budget"
    SILENCE = "beacons gone"
    NEW_TIMEBASE = "new timebase"
    RESUMED = "host was suspended"


TRANSITIONS: Final[dict[tuple[ClockState, ClockInput], ClockState]] = {
    (ClockState.FREE_RUN, ClockInput.WITHIN_BUDGET): ClockState.LOCKED,
    (ClockState.FREE_RUN, ClockInput.OUTSIDE_BUDGET): ClockState.ACQUIRING,
    (ClockState.FREE_RUN, ClockInput.SILENCE): ClockState.FREE_RUN,
    (ClockState.FREE_RUN, ClockInput.NEW_TIMEBASE): ClockState.FREE_RUN,
    (ClockState.FREE_RUN, ClockInput.RESUMED): ClockState.FREE_RUN,
    (ClockState.ACQUIRING, ClockInput.WITHIN_BUDGET): ClockState.LOCKED,
    (ClockState.ACQUIRING, ClockInput.OUTSIDE_BUDGET): ClockState.ACQUIRING,
    # Nothing was ever good enough to hold over.
    (ClockState.ACQUIRING, ClockInput.SILENCE): ClockState.FREE_RUN,
    (ClockState.ACQUIRING, ClockInput.NEW_TIMEBASE): ClockState.ACQUIRING,
    (ClockState.ACQUIRING, ClockInput.RESUMED): ClockState.ACQUIRING,
    (ClockState.LOCKED, ClockInput.WITHIN_BUDGET): ClockState.LOCKED,
    (ClockState.LOCKED, ClockInput.OUTSIDE_BUDGET): ClockState.ACQUIRING,
    (ClockState.LOCKED, ClockInput.SILENCE): ClockState.HOLDOVER,
    (ClockState.LOCKED, ClockInput.NEW_TIMEBASE): ClockState.ACQUIRING,
    (ClockState.LOCKED, ClockInput.RESUMED): ClockState.ACQUIRING,
    (ClockState.HOLDOVER, ClockInput.WITHIN_BUDGET): ClockState.LOCKED,
    (ClockState.HOLDOVER, ClockInput.OUTSIDE_BUDGET): ClockState.ACQUIRING,
    (ClockState.HOLDOVER, ClockInput.SILENCE): ClockState.HOLDOVER,
    (ClockState.HOLDOVER, ClockInput.NEW_TIMEBASE): ClockState.ACQUIRING,
    (ClockState.HOLDOVER, ClockInput.RESUMED): ClockState.ACQUIRING,
}
