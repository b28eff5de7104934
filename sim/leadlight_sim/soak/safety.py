"""What must never happen: one promise of the specification in one function, each separate from the code it judges."""

from __future__ import annotations

from typing import Final

from leadlight import ClockState, CueState
from leadlight.events import CueAdopted, Held, Stepped
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.soak.looks import LOOK_NS, Seam, Seen
from leadlight_sim.soak.promises import Evening, safe_at_look, safe_at_seam

READINGS_NS: Final = 4
"""What readings of clocks that count whole nanoseconds may be off by, together."""
STEP_SPACING_NS: Final = 2 * SECOND
UNKEYED_SPACING_NS: Final = 2 * SECOND
STOP_FADE_NS: Final = 1 * SECOND
SHORTEST_FADE_NS: Final = 500 * MILLISECOND
JOIN_PATIENCE_NS: Final = 5 * SECOND

# At every look: to reach a member through its class takes Python 3.11 ten times as long.
_DARK: Final = CueState.DARK
_STOPPED: Final = CueState.STOPPED
_KNOWN: Final = (ClockState.LOCKED, ClockState.HOLDOVER)


@safe_at_look("R-BOUND-1", "R-BOUND-2", "R-BASE-3")
def the_causality_bound_holds_the_truth(seen: Seen, _before: Seen | None, evening: Evening) -> str | None:
    """The offset lies inside the causality bound for as long as the declared drift is true."""
    offset_ns = seen.offset_ns
    if offset_ns is None or seen.lower_ns - READINGS_NS <= offset_ns <= seen.upper_ns + READINGS_NS:
        return None
    if not seen.drift_holds or evening.is_misled(seen.at):
        return None
    if offset_ns < seen.lower_ns:
        return f"the offset is {seen.lower_ns - offset_ns} ns below what is proven"
    return f"the offset is {offset_ns - seen.upper_ns} ns above what is proven"


@safe_at_seam("R-PLAY-1")
def a_position_never_runs_backwards_but_by_a_step(seam: Seam, _evening: Evening) -> str | None:
    """Where a plan is changed the light goes on from where it was, unless a step or another cue is told of."""
    if not seam.was_lit or seam.after >= seam.before - READINGS_NS:
        return None
    if any(isinstance(event, Stepped | CueAdopted) for event in seam.events):
        return None
    held = " (held)" if any(isinstance(event, Held) for event in seam.events) else ""
    return f"its show went back by {(seam.before - seam.after) / MILLISECOND:.6f} ms without a step{held}"


@safe_at_look("R-PLAY-2")
def steps_are_two_seconds_apart(seen: Seen, _before: Seen | None, evening: Evening) -> str | None:
    """Two steps of one piece are far enough apart for the eye."""
    wrong = None
    for event in seen.events:
        if isinstance(event, Stepped):
            last = evening.stepped_at.get(seen.name)
            if last is not None and 0 <= event.at - last < STEP_SPACING_NS:
                wrong = f"two steps {(event.at - last) / SECOND:.3f} s apart"
            evening.stepped_at[seen.name] = event.at
    return wrong


@safe_at_look("R-SEC-5")
def without_a_key_changes_are_two_seconds_apart(seen: Seen, _before: Seen | None, evening: Evening) -> str | None:
    """Anybody could have sent them: changes keep their distance from each other and from steps, stops excepted."""
    if not seen.events or evening.scenario.keyed:
        return None
    wrong = None
    for event in seen.events:
        if not isinstance(event, CueAdopted | Stepped):
            continue
        if isinstance(event, CueAdopted):
            if event.cue.state is _STOPPED:
                continue
            if seen.name not in evening.adopted:
                evening.adopted.add(seen.name)
                continue
        last = evening.changed_at.get(seen.name)
        if last is not None and 0 <= event.at - last < UNKEYED_SPACING_NS:
            wrong = f"two changes {(event.at - last) / SECOND:.3f} s apart"
        evening.changed_at[seen.name] = event.at
    return wrong


@safe_at_look("R-PLAY-5")
def what_the_protocol_darkens_is_faded(seen: Seen, before: Seen | None, evening: Evening) -> str | None:
    """No light goes out faster than the shortest fade, but where a show is cut or over by its author's will."""
    if before is None or not before.is_lit or seen.at - before.at > 2 * LOOK_NS:
        return None
    if seen.cue.state is _DARK or seen.show != before.show:
        return None  # an announced dark is the show's own cut; R-SEC-5's fades are looked into by unit tests
    if seen.show is not None and not seen.is_lit and seen.level >= before.level:
        return None  # the show is over, or has not begun
    if seen.events and any(
        isinstance(event, Stepped) or (isinstance(event, CueAdopted) and event.cue.state is not _STOPPED)
        for event in seen.events
    ):
        return None  # what is seen to jump comes in softly, from dark
    fallen = before.level - (seen.level if seen.show is not None else 0.0)
    allowed = (seen.at - before.at) / SHORTEST_FADE_NS + 0.01
    if fallen > allowed:
        if evening.calm.any_since(evening.seconds(before.at), evening.seconds(seen.at), "clock-step"):
            return None  # what has a clock that was set back is not faded: it has not begun to come in
        within_s = (seen.at - before.at) / SECOND
        return f"it went from {before.level:.2f} to {before.level - fallen:.2f} within {within_s:.1f} s"
    return None


@safe_at_look("R-STOP-2")
def a_stop_is_dark_after_its_fade(seen: Seen, before: Seen | None, evening: Evening) -> str | None:
    """Who has heard of a stop is dark a second later, however often it hears of it again."""
    if seen.cue.state is not _STOPPED:
        if seen.name in evening.stopped_since:
            del evening.stopped_since[seen.name]
        return None
    if before is None or (seen.events and any(isinstance(event, CueAdopted) for event in seen.events)):
        evening.stopped_since[seen.name] = seen.at  # another cue was in force between two looks, perhaps
    since = evening.stopped_since.setdefault(seen.name, seen.at)
    # A look later it is seen at the latest, and the host's timer has its own lateness.
    if seen.is_lit and seen.at - since > STOP_FADE_NS + LOOK_NS:
        return f"lit {(seen.at - since) / SECOND:.1f} s after it heard of the stop"
    return None


@safe_at_look("R-OFF-1", "R-OFF-2")
def the_off_time_is_kept(seen: Seen, _before: Seen | None, evening: Evening) -> str | None:
    """By its own clock a follower is dark when the off time has passed, whatever is in force."""
    off_at = seen.off_at
    if (
        off_at is None
        or not seen.is_lit
        or seen.leader_now is None
        or not seen.cue.line.leader_at < off_at <= seen.leader_now
        or seen.state not in _KNOWN
    ):
        if seen.name in evening.off_since:
            del evening.off_since[seen.name]
        return None
    # By its own clock too, which does not count while it stands still in the midst of its fade.
    since = evening.off_since.setdefault(seen.name, seen.now)
    # The clock may have been entered a moment ago: the line from before is held until it is known.
    if seen.now - since > STOP_FADE_NS + 2 * LOOK_NS + JOIN_PATIENCE_NS:
        return f"lit {(seen.now - since) / SECOND:.1f} s after the off time"
    return None
