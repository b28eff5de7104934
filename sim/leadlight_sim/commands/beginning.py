"""The beginning of a scenario: a shorter run of it, and what that leaves out."""

from __future__ import annotations

from leadlight.commands import duration_ns
from leadlight.errors import ConfigurationError
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.scenario import Scenario


def beginning_of(scenario: Scenario, duration: str) -> Scenario:
    """Return the beginning of a scenario, as long as the option ``--duration`` says, such as ``"100s"`` or ``"5min"``.

    Raises ``ConfigurationError`` for one that is over before the first cue, or longer than the scenario.
    """
    length_s = duration_ns("--duration", duration, minimum_ns=MILLISECOND) / SECOND
    first_s = min(cue.at_s for cue in scenario.cues)
    if not first_s < length_s <= scenario.run.duration_s:
        allowed = f"more than {first_s:g} s, to the first cue, and at most the scenario's {scenario.run.duration_s:g} s"
        raise ConfigurationError("--duration", duration, allowed)
    return scenario.cut_to(length_s)


def left_out(whole: Scenario, beginning: Scenario) -> str | None:
    """Return in words what a scenario's beginning leaves out; ``None`` if nothing."""
    gone = [
        f"{before - after} of {before} {name}s" if before > 1 else f"the {name}"
        for name, before, after in (
            ("cue", len(whole.cues), len(beginning.cues)),
            ("fault", len(whole.faults), len(beginning.faults)),
        )
        if after < before
    ]
    if not gone:
        return None
    return f"The first {beginning.run.duration_s:g} s leave out {' and '.join(gone)}: nothing here is about those."
