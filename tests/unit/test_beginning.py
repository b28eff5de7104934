from __future__ import annotations

import pytest

from leadlight.errors import ConfigurationError
from leadlight_sim.commands.beginning import beginning_of, left_out
from leadlight_sim.scenario.files import load_shipped


@pytest.mark.parametrize(("duration", "length_s"), [("300", 300), ("300s", 300), ("5min", 300)])
def test_a_beginning_is_as_long_as_asked_and_has_what_begins_in_it(duration: str, length_s: int) -> None:
    whole = load_shipped()
    beginning = beginning_of(whole, duration)
    assert beginning.run.duration_s == length_s
    assert [cue.at_s for cue in beginning.cues] == [cue.at_s for cue in whole.cues if cue.at_s < length_s]
    assert [fault.at_s for fault in beginning.faults] == [fault.at_s for fault in whole.faults if fault.at_s < length_s]


def test_what_is_left_out_is_told_and_nothing_where_nothing_is() -> None:
    whole = load_shipped()
    cues, faults = len(whole.cues), len(whole.faults)
    assert (cues, faults) == (3, 2)
    assert left_out(whole, beginning_of(whole, "150")) == (
        "The first 150 s leave out 2 of 3 cues and 2 of 2 faults: nothing here is about those."
    )
    assert left_out(whole, whole) is None
    alone = whole.with_changes({"faults": [whole.faults[0].model_dump(mode="json", exclude_unset=True)]})
    told = left_out(alone, beginning_of(alone, "100"))
    assert told is not None
    assert told.endswith("and the fault: nothing here is about those.")


@pytest.mark.parametrize("duration", ["0", "soon", "5", "721", "-3"])
def test_one_that_ends_before_the_first_cue_or_after_the_scenario_is_refused(duration: str) -> None:
    with pytest.raises(ConfigurationError, match=r"^--duration: "):
        beginning_of(load_shipped(), duration)
