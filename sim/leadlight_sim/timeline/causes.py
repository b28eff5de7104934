"""Why a moment was the worst: found from the faults of the scenario, the packets, and what the distance is made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from leadlight_sim import scenario as described
from leadlight_sim.scenario import Fault, Scenario, over_at_s, title_of
from leadlight_sim.telling import as_time
from leadlight_sim.timeline.model import Cause, WorstMoment

AFTERMATH_S: Final = 10.0
"""A fault that has been over for longer than this is not what a moment is laid to."""
SILENT_INTERVALS: Final = 2.5
"""A piece that has heard no beacon for so many intervals has missed two of them at least."""
CUE_MS: Final = 500.0
"""A light that is further out than this, while its clock is not, is of another cue: no clock was ever so far."""


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What is known of a moment. Times in s of the run, distances in ms; ``None`` where there is none."""

    at_s: float
    piece: str
    distance_ms: float | None
    dark_s: float
    clock_ms: float | None
    """What its clock was off by then."""
    late_ms: float
    """How late its player woke."""
    heard_s: float | None
    """When it had heard its last beacon before; ``None`` if never since its power came."""


def cause_of(scenario: Scenario, found: Circumstances) -> Cause:
    """Return what a moment is laid to: a fault in force or just over, else what the distance is made of."""
    waking = found.distance_ms is not None and found.late_ms > abs(found.distance_ms) / 2
    fault = None if waking else _fault(scenario, found)
    if waking:
        return Cause("waking", f"its program woke {as_time(found.late_ms)} late for a frame")
    if fault is not None:
        return Cause("fault", _of_fault(fault, found), title_of(fault))
    if found.heard_s is None:
        return Cause("unheard", "it had heard no beacon yet")
    silent_s = found.at_s - found.heard_s
    if silent_s > SILENT_INTERVALS * scenario.leader.interval_s:
        return Cause("silence", f"it had heard no beacon for {silent_s:.1f} s")
    if found.distance_ms is None or abs(found.distance_ms) > CUE_MS > abs(found.clock_ms or 0.0):
        return Cause("cue", "it had not taken up the latest cue yet")
    if found.clock_ms is not None and abs(found.clock_ms) > abs(found.distance_ms) / 2:
        side = "ahead" if found.clock_ms > 0 else "behind"
        return Cause("delays", f"its clock was {as_time(abs(found.clock_ms))} {side}, misled by how long packets took")
    return Cause("correction", "it was still removing an earlier error of its clock, little by little")


def _fault(scenario: Scenario, found: Circumstances) -> Fault | None:
    """Return the fault to which a moment is laid: one of the piece's own before one of all, the latest of equals."""
    best: tuple[bool, float] | None = None
    chosen = None
    for fault in scenario.faults:
        over_s = over_at_s(fault)
        # A fault may begin or end within the quarter of a second that the moment stands for.
        if fault.at_s > found.at_s + 0.25 + found.dark_s or (over_s is not None and over_s + AFTERMATH_S < found.at_s):
            continue
        who = _concerned(fault)
        if who is not None and found.piece not in who and scenario.leader.name not in who:
            continue
        worth = (who is not None and found.piece in who), fault.at_s
        if best is None or worth > best:
            best, chosen = worth, fault
    return chosen


def _concerned(fault: Fault) -> tuple[str, ...] | None:
    # The names of those whom a fault strikes; None for everybody.
    if isinstance(fault, described.PowerCut | described.BoardSuspended | described.Roam | described.LiveData):
        return (fault.follower,)
    if isinstance(fault, described.SplitNetwork):
        return fault.away
    if isinstance(fault, described.ClockStep | described.ClockStands):
        return (fault.node,)
    return (fault.standby,) if isinstance(fault, described.StandbyReboot) else None


def _of_fault(fault: Fault, found: Circumstances) -> str:
    over_s = over_at_s(fault)
    title = title_of(fault)
    if over_s is None or over_s > found.at_s:
        since_s = found.at_s - fault.at_s
        return f"“{title}” had been going on for {since_s:.1f} s" if since_s >= 0.05 else f"“{title}” had just begun"
    if isinstance(fault, described.PowerCut) and fault.follower == found.piece:
        after = "its power had just come back" if found.at_s - over_s < 1 else (
            f"its power had come back {found.at_s - over_s:.1f} s before")  # fmt: skip
        return f"{after}, and it did not know the time yet" if found.dark_s else after
    ago_s = found.at_s - over_s
    return f"“{title}” was just over" if ago_s < 0.05 else f"“{title}” had been over for {ago_s:.1f} s"


def sentence_of(found: Circumstances, cause: Cause, is_of_light: bool) -> str:
    """Return the worst moment in one sentence: instant, piece, what was seen, and why."""
    when = clock_text(found.at_s)
    if found.dark_s:
        what = f"{found.piece} was dark for {as_time(found.dark_s * 1000)} though a show was on"
    else:
        assert found.distance_ms is not None
        side = "ahead of" if found.distance_ms > 0 else "behind"
        of = "the music" if is_of_light else "the leader, by its clock"
        what = f"{found.piece} was {as_time(abs(found.distance_ms))} {side} {of}"
    return f"The worst moment was at {when} of the run: {what}; {cause.text}."


def clock_text(seconds: float) -> str:
    """Return an instant as minutes and seconds, or hours, with hundredths."""
    hundredths = round(seconds * 100)
    minutes, rest = divmod(hundredths, 6000)
    tail = f"{rest // 100:02}.{rest % 100:02}"
    return f"{minutes}:{tail}" if minutes < 60 else f"{minutes // 60}:{minutes % 60:02}:{tail}"


def worst_moment(scenario: Scenario, found: Circumstances, is_of_light: bool) -> WorstMoment:
    """Return a moment with its cause and its sentence."""
    cause = cause_of(scenario, found)
    sentence = sentence_of(found, cause, is_of_light)
    return WorstMoment(found.at_s, found.piece, found.distance_ms, found.dark_s, cause, sentence)
