"""Stretches of a run: when which show is rolling, and when which fault lasts."""

from __future__ import annotations

from leadlight_sim import scenario as described


def show_spans(scenario: described.Scenario) -> list[tuple[float, float, str]]:
    """Return when which show is rolling, (from, to, title), in s of the run."""
    shows = {show.id: show for show in scenario.shows}
    cues = sorted(scenario.cues, key=lambda cue: cue.at_s)
    spans = []
    for cue, following in zip(cues, [*[later.at_s for later in cues[1:]], scenario.run.duration_s], strict=True):
        if cue.state != "rolling" or cue.show is None or cue.at_s >= scenario.run.duration_s:
            continue
        show = shows[cue.show]
        until = min(following, cue.at_s + max(0.0, show.duration_s - cue.position_s))
        spans.append((cue.at_s, until, show.title or show.id))
    return spans


def fault_spans(scenario: described.Scenario) -> list[tuple[float, float, str]]:
    """Return when which fault lasts, (from, to, title), in s of the run; one for good lasts until its end."""
    spans = []
    for fault in scenario.faults:
        over_s = described.over_at_s(fault)
        end_s = scenario.run.duration_s if over_s is None else min(over_s, scenario.run.duration_s)
        spans.append((fault.at_s, end_s, described.title_of(fault)))
    return sorted(spans)
