"""The stage: which cue is in force, what the playhead does about it, and what is to be shown.

It is told what beacons say and goes by the clock it is given; it sends nothing and hears nothing. A cue is adopted at
its instant, a stop at once. The first frames of an announced one are handed over before that instant by as much as the
output takes to light them. Going dark and coming back are fades, unless the dark was announced ahead. Without a key
every change comes in softly and at most once in two seconds, since anybody on the network could have made it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

from leadlight import events
from leadlight.clock import FollowerClock
from leadlight.cue import NO_SHOW, Cue, dark_cue
from leadlight.playback.content import Library, StoredShow
from leadlight.playback.fader import RETURN_FADE_NS, STOP_FADE_NS, Fader
from leadlight.playback.playhead import ASKED_AGAIN_NS, FROZEN_PPB, Moved, Playhead, Stretch
from leadlight.playback.recovery import ABSORB, Remedy
from leadlight.terms import CueState
from leadlight.units import BILLION, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire import Beacon

UNKEYED_SPACING_NS: Final = 2 * SECOND
"""Without a key, changes of show or state are at least this far apart."""
STOP_CARRIED_NS: Final = 3 * SECOND
STOP_CARRIED_INTERVALS: Final = 5
"""For so long, or so many intervals, a stop outlives a change to another leader's timebase: that one may not have heard
of it yet, and darkness must not flicker."""
CUE_JUMP_NS: Final = SECOND
"""A cue that moves the show it finds running by so much is meant to: it is begun anew, not corrected for."""
ASK_WITHIN_NS: Final = 2 * SECOND
"""Who waits for a cue that was announced asks again as soon as this: a later beacon may have taken it back."""
CONTRADICTED_BY: Final = 3
"""So many newer beacons of the tenure that gave a stop, an interval apart in all, show that it is in force no more."""
# At every sample: to reach a member through its class takes Python 3.11 ten times as long.
_ROLLING: Final = CueState.ROLLING
_STOPPED: Final = CueState.STOPPED


class Shown(NamedTuple):
    """What to show at one instant.

    ``frame`` is ``None`` when dark. ``level`` is between 0 and 1, the fade that everything authored is multiplied by.
    ``next_at`` is when to ask again: the next frame's instant, or ``None`` while nothing will change by itself.
    """

    show: StoredShow | None
    frame: int | None
    level: float
    next_at: LocalInstant | None


class AtTick(NamedTuple):
    """What to show at the next tick of a loop that keeps a rate of its own.

    Of all frames it is the one whose light is due nearest to that tick; ``error_ns`` is by how much the tick is later.
    """

    show: StoredShow | None
    frame: int | None
    level: float
    error_ns: int


class Stage:
    """One piece's stage. ``emit`` takes its events; ``news`` is called when the leader should hear of a change soon."""

    def __init__(
        self,
        library: Library,
        clock: FollowerClock,
        playhead: Playhead,
        is_keyed: bool,
        emit: Callable[[events.FollowerEvent], None],
        news: Callable[[LocalInstant], None],
    ) -> None:
        self.library = library
        self.clock = clock
        self.playhead = playhead
        self.cue: Cue = dark_cue(LeaderInstant(0))
        self.next_cue: Cue | None = None
        self.off_at: int | None = None
        """The hard off time, in the timebase."""
        self._is_keyed = is_keyed
        self._emit = emit
        self._news = news
        self.moved: Moved | None = None
        """What the last look at the clock did to the playhead; whoever has told of it may forget it."""
        self._fader = Fader(0.0)
        self._show: StoredShow | None = None
        self._has_adopted = False
        self._changed_at: LocalInstant | None = None
        # What has been told of the next cue, and what waits to be adopted.
        self._pending: Cue | None = None
        self._pending_at: LocalInstant | None = None
        self._announced: Cue | None = None
        self._is_elsewhere = False
        # A stop: until when cues are out of force for it, who gave it, and since when that one says otherwise.
        self._latched_at: LeaderInstant | None = None
        self._latched_by = 0
        self._stopped_at = LocalInstant(0)
        self._carried_until: LocalInstant | None = None
        self._contradicted = 0
        self._contradicted_since = LeaderInstant(0)
        # Timers.
        self._cue_at: LocalInstant | None = None
        self._off_local: LocalInstant | None = None
        self._halt_at: LocalInstant | None = None

    # -- timers --------------------------------------------------------------------------------------------------

    def handle_timer(self, now: LocalInstant) -> None:
        """Do what is due at ``now``. Harmless when early or called twice."""
        if self._cue_at is not None and now >= self._cue_at:
            self._promote(now)
        if self._off_local is not None and now >= self._off_local:
            self._go_off(now)
        if self._halt_at is not None and now >= self._halt_at:
            self._halt_at = None
            self.playhead.halt()
        if self._pending_at is not None and now >= self._pending_at:
            self._pending_at = None
            self.follow(now)
        again_at = self.playhead.again_at
        if again_at is not None and now >= again_at and self._show is not None:
            moved = self.playhead.amend_again(now, self._show.unseen_in_ns)
            if moved is not None:
                self._note(moved, now)

    def next_timer(self) -> LocalInstant | None:
        """Return when ``handle_timer`` wants to be called next, or ``None``."""
        # Asked after every datagram: written out, for a loop over a tuple takes twice as long.
        earliest = self._cue_at
        due = self._off_local
        if due is not None and (earliest is None or due < earliest):
            earliest = due
        due = self._halt_at
        if due is not None and (earliest is None or due < earliest):
            earliest = due
        due = self._pending_at
        if due is not None and (earliest is None or due < earliest):
            earliest = due
        due = self.playhead.again_at
        if due is not None and (earliest is None or due < earliest):
            earliest = due
        return earliest

    # -- what is shown -------------------------------------------------------------------------------------------

    def shown(self, now: LocalInstant) -> Shown:
        """Return what to hand to the output at ``now``, and when to ask again."""
        coming = self._first_light(now)
        if coming is not None:
            return coming
        shown = self._of_this_cue(now)
        if self._cue_at is None:
            return shown
        begins_at = self._cue_begins_at()
        at = self._cue_at if begins_at is None or now >= begins_at else begins_at
        # A timer that is late has not put it in force yet: it will in a moment. One that is far off may not stand.
        at = max(min(at, LocalInstant(now + ASK_WITHIN_NS)), LocalInstant(now + ASKED_AGAIN_NS))
        return shown if shown.next_at is not None and shown.next_at <= at else shown._replace(next_at=at)

    def shown_at_tick(self, tick_at: LocalInstant) -> AtTick:
        """Return what to hand over at an instant that is not of one's choosing, such as a screen's next."""
        shown = self.shown(tick_at)
        if shown.frame is None or shown.show is None or not self.playhead.is_running or shown.next_at is None:
            return AtTick(shown.show, shown.frame, shown.level, 0)
        # The one after it is nearer where more than half of this one will be over.
        later = self.shown(LocalInstant(tick_at + round(shown.show.frame_rate.period_ns) // 2))
        if later.show is shown.show and later.frame is not None:
            shown = later
        assert shown.frame is not None
        begins_at = self.frame_begins_at(shown.frame, tick_at)
        return AtTick(shown.show, shown.frame, shown.level, 0 if begins_at is None else tick_at - begins_at)

    def frame_begins_at(self, frame: int, now: LocalInstant) -> LocalInstant | None:
        """Return when a frame near ``now`` is to be handed over, also where that is past; ``None`` if no line tells."""
        show = self._show
        if show is None or not self.playhead.is_running:
            return None
        return self.playhead.reaches_at(show.frame_rate.position_of(frame), now)

    def _of_this_cue(self, now: LocalInstant) -> Shown:
        """Return what to hand over at ``now`` by the cue in force."""
        show = self._show
        if show is None or not self.playhead.is_running:
            return Shown(None, None, 0.0, None)
        level = self._fader.level_at(now)
        if level <= 0.0 and self._fader.target <= 0.0:
            return Shown(show, None, 0.0, None)
        frame = self.playhead.frame_at(now, show.frame_rate)
        next_at = self.playhead.next_frame_at(now, show.frame_rate, frame)
        if next_at is None and now < self._fader.done_at():
            next_at = LocalInstant(now + round(show.frame_rate.period_ns))  # a still frame whose level moves
        if frame < 0:
            return Shown(show, None, level, next_at)
        if frame >= show.frame_count:
            return Shown(show, None, level, None)
        return Shown(show, frame, level, next_at)

    def _first_light(self, now: LocalInstant) -> Shown | None:
        """Return what to hand over of the next cue before its instant, so that its light is there at its instant."""
        begins_at, cue, lead_ns = self._cue_begins_at(), self.next_cue, self.playhead.lead_ns
        if begins_at is None or cue is None or now < begins_at:
            return None
        show, target = self.library.find(cue.show), self._target(cue, now)
        if show is None or target is None:
            return None
        # From the instant that this very beginning is counted from, so that no rounding puts the first frame off.
        target = Stretch(LocalInstant(begins_at + lead_ns), cue.line.position, target.rate_ppb)
        frame = show.frame_rate.frame_at(target.position_at(LocalInstant(now + lead_ns)))
        if not 0 <= frame < show.frame_count:
            return None
        due = target.instant_of(show.frame_rate.position_of(frame + 1))
        next_at = None if due is None else LocalInstant(due - lead_ns)
        return Shown(show, frame, self._fader.level_at(now) if self._fader.target > 0.0 else 1.0, next_at)

    def _cue_begins_at(self) -> LocalInstant | None:
        """Return when the first frame of the next cue is to be handed over, if that is before the cue's instant.

        ``None`` where what comes next comes in softly, and has no first frame to miss.
        """
        lead_ns = self.playhead.lead_ns
        if self._cue_at is None or lead_ns <= 0 or not self._is_keyed or self.cue.state is CueState.STOPPED:
            return None
        is_on_at_once = self._fader.target > 0.0 or not self.playhead.is_running
        return LocalInstant(self._cue_at - lead_ns) if is_on_at_once else None

    def lit(self, now: LocalInstant) -> tuple[StoredShow | None, float]:
        """Return the show whose light is due at ``now``, and its level; the show is ``None`` while there is none."""
        show = self._show
        if show is None or not self.playhead.is_running:
            return None, 0.0
        level = self._fader.level_at(now)
        return show, level if level > 0.0 or self._fader.target > 0.0 else 0.0

    def frame_at(self, now: LocalInstant) -> int | None:
        """Return the frame of ``shown``, without when to ask again."""
        show = self._show
        if show is None or not self.playhead.is_running:
            return None
        if self._fader.target <= 0.0 and self._fader.level_at(now) <= 0.0:
            return None
        frame = self.playhead.frame_at(now, show.frame_rate)
        return frame if 0 <= frame < show.frame_count else None

    @property
    def cue_told(self) -> Cue:
        """What the leader last said is in force, whether or not it is adopted here yet."""
        return self.cue if self._pending is None else self._pending

    def position_at(self, now: LocalInstant) -> ShowPosition | None:
        """Return the show position whose light is due at ``now``; ``None`` while there is none."""
        return self.playhead.position_at(now) if self.playhead.is_running else None

    # -- cues ----------------------------------------------------------------------------------------------------

    def enter_timebase(self, carries_stop_until: LocalInstant | None = None) -> None:
        """Instants refer to another clock from now on: what was told in the old one is void, what plays goes on.

        ``carries_stop_until``: until when a stop that is in force holds against another leader that says otherwise.
        """
        self._carried_until = None if self._latched_at is None else carries_stop_until
        self._pending = self._announced = None
        self._cue_at = self._off_local = None
        # The same cue, by another clock, may be another run of it: nothing stands still until a clock has caught up.
        self._is_elsewhere = self.cue.state in (CueState.ROLLING, CueState.PAUSED)
        self._latched_at = None

    def read(self, beacon: Beacon, now: LocalInstant) -> None:
        """Take over what the beacon says is in force and what comes next."""
        self.off_at = beacon.off_at
        pending, next_cue = beacon.cue, beacon.next_cue
        if next_cue is not None and next_cue == self.cue:
            # Sent just before the instant, and here the instant has come: nothing goes back for it.
            self._pending = self.next_cue = None
            return
        if pending == self.cue:
            self._pending = None
            self.next_cue = next_cue
            if self._latched_at is not None and pending.state is _STOPPED:
                self._latch(beacon, now)
            return
        if pending.state is _STOPPED:
            # A stop waits for nothing: neither for a lock nor for its instant.
            self._latch(beacon, now)
            self._pending = self.next_cue = None
            self._adopt(pending, now)
            return
        if self._carried_until is not None and self._is_carried(beacon, now):
            return
        if self._latched_at is not None:
            self._look_at_latch(beacon)
            if next_cue is not None and self._is_latched(next_cue, beacon.sent_at):
                next_cue = None
            if self._is_latched(pending, beacon.sent_at):
                self.next_cue = next_cue
                return
        self._pending = pending
        self.next_cue = next_cue

    def read_stop(self, beacon: Beacon, now: LocalInstant) -> None:
        """Take over a stop, and nothing else: of a beacon whose instants mean nothing here."""
        if beacon.cue.state is CueState.STOPPED and beacon.cue != self.cue:
            self._pending = self.next_cue = None
            self._adopt(beacon.cue, now)
            self._latch(beacon, now)

    def _latch(self, beacon: Beacon, now: LocalInstant) -> None:
        """Let no cue from before a stop come back. It counts from when it was sent, if it names a later instant."""
        at = beacon.cue.line.leader_at
        self._carried_until = None
        ordered_at = at if beacon.cue.ordered_at is None else beacon.cue.ordered_at
        self._stopped_at = LocalInstant(now - max(beacon.sent_at - ordered_at, 0))
        if at > beacon.sent_at:
            at = beacon.sent_at
        if self._latched_at is None or at > self._latched_at:
            self._latched_at = at
        self._latched_by = beacon.tenure
        self._contradicted = 0

    def _is_carried(self, beacon: Beacon, now: LocalInstant) -> bool:
        """Return whether the stop of the leader before still holds: for a while, against whatever is no newer order."""
        ordered_at = beacon.cue.ordered_at
        is_newer = ordered_at is not None and 0 <= beacon.sent_at - ordered_at < now - self._stopped_at
        if self._carried_until is None or now >= self._carried_until or is_newer:
            self._carried_until = None
            return False
        self._pending = self.next_cue = None
        return True

    def _is_latched(self, cue: Cue, sent_at: LeaderInstant) -> bool:
        latched_at, ordered_at = self._latched_at, cue.ordered_at
        if latched_at is None or cue.line.leader_at > latched_at:
            return False
        return ordered_at is None or not latched_at < ordered_at <= sent_at

    def _look_at_latch(self, beacon: Beacon) -> None:
        """Release the stop once the tenure that gave it goes on for an interval as if there were none.

        One forged beacon must not darken a show for good, nor a single one light up what was stopped.
        """
        if beacon.tenure != self._latched_by:
            return
        if self._contradicted == 0:
            self._contradicted_since = beacon.sent_at
        self._contradicted += 1
        spanned_ns = beacon.sent_at - self._contradicted_since
        if self._contradicted >= CONTRADICTED_BY and spanned_ns >= beacon.interval_ns:
            self._latched_at = None

    def follow(self, now: LocalInstant) -> None:
        """Let cues and playhead go by the clock as it is known now."""
        if self.next_cue is not None or self._cue_at is not None:
            self._time_cue(now)
        if self._pending is not None:
            self._adopt(self._pending, now)
        elif self._is_elsewhere:
            self._adopt(self.cue, now)
        elif self._cue_at is None or now < self._cue_at:
            self._retarget(now)
        if self._cue_at is not None and now >= self._cue_at:
            self._promote(now)
        if self.off_at is not None or self._off_local is not None:
            self._time_off()

    def _time_cue(self, now: LocalInstant) -> None:
        """Work out when the next cue falls on the local clock, as it is known now."""
        next_cue = self.next_cue
        served = self.clock.served
        if served is None:
            return
        if next_cue is None:
            self._cue_at = None
        else:
            self._cue_at = served.local_at(next_cue.line.leader_at)
            if next_cue != self._announced:
                self._announced = next_cue
                self._emit(events.CueAnnounced(now, next_cue, self._cue_at))
                self._news(now)  # whether the show is held here must be known before it rolls

    def _time_off(self) -> None:
        """Work out when the off time falls on the local clock; a cue from after it, once in force, has none."""
        off_at, served = self.off_at, self.clock.served
        if off_at is None or served is None or self.cue.line.leader_at >= off_at or self._fader.target <= 0.0:
            self._off_local = None
        else:
            self._off_local = served.local_at(LeaderInstant(off_at))

    def _promote(self, now: LocalInstant) -> None:
        """The next cue's instant has come."""
        self._cue_at = None
        cue, self.next_cue = self.next_cue, None
        if cue is not None:
            self._adopt(cue, now, as_announced=True)
            self._time_off()

    def _must_wait(self, cue: Cue, now: LocalInstant) -> bool:
        """Return whether a change comes too soon after the last one for a group without a key.

        Anybody on the network can send such a group beacons; what they can do is bounded. A stop is never held up.
        """
        if self._is_keyed or cue.state is CueState.STOPPED or self._changed_at is None:
            return False
        is_change = cue.show != self.cue.show or cue.state is not self.cue.state or self._jumps(cue, now)
        return is_change and now - self._changed_at < UNKEYED_SPACING_NS

    def _adopt(self, cue: Cue, now: LocalInstant, as_announced: bool = False) -> None:
        """Put a cue in force, or keep it until it may be."""
        if self._must_wait(cue, now):
            assert self._changed_at is not None
            self._pending = cue
            self._pending_at = LocalInstant(self._changed_at + UNKEYED_SPACING_NS)
            return
        self._pending = self._pending_at = None
        self._is_elsewhere = False
        previous, self.cue = self.cue, cue
        changed = cue.show != previous.show or cue.state is not previous.state or self._jumps(cue, now)
        if changed:
            self._emit(events.CueAdopted(now, cue))
            if self._has_adopted:
                self._changed_at = now
            self._news(now)
        self._has_adopted = True
        state = cue.state
        if state is CueState.STOPPED:
            self.darken(now, STOP_FADE_NS)
            return
        if state is CueState.DARK or cue.show == NO_SHOW:
            # Announced ahead it is the show's own cut; otherwise a leader's that began anew, say, and nobody meant it.
            is_authored = self._is_keyed and as_announced
            if not is_authored and self.playhead.is_running and self._fader.level_at(now) > 0.0:
                self.darken(now, RETURN_FADE_NS)
                return
            self._show = None
            self.playhead.halt()
            return
        self._show = self.library.find(cue.show)
        if self._show is None:
            if changed:
                self._emit(events.ShowMissing(now, cue.show))
            self.playhead.halt()
            return
        self._halt_at = None
        if self._is_past_off(cue, now):
            self.darken(now, STOP_FADE_NS)
            return
        if self._fader.target <= 0.0:
            was_stopped = previous.state is CueState.STOPPED
            self._fader.fade(1.0, now, RETURN_FADE_NS if was_stopped or self.playhead.is_running else 0)
        if changed or not self.playhead.is_running or state is CueState.PAUSED:
            target = self._target(cue, now)
            if target is not None:
                self.playhead.start(target)
                if self._changed_at == now and not self._is_keyed:
                    # A change counts as a step, so that changes and steps together are two seconds apart.
                    self.playhead.note_step(now)
                    self._fade_in_unkeyed(now)
        else:
            self._retarget(now)

    def _fade_in_unkeyed(self, now: LocalInstant) -> None:
        """Let a change or a jump come in softly where anybody on the network could have made it."""
        if not self._is_keyed:
            self._fader = Fader(0.0)
            self._fader.fade(1.0, now, RETURN_FADE_NS)

    def _jumps(self, cue: Cue, now: LocalInstant) -> bool:
        """Return whether a cue puts a show that runs somewhere else: another run of it, not an error."""
        target = self._target(cue, now)
        if target is None or not self.playhead.is_running:
            return False
        apart_ns = abs(target.position_at(now) - self.playhead.position_at(now))
        # What stands still is never corrected: any other position is another picture.
        return apart_ns > 0 if cue.state is CueState.PAUSED else apart_ns >= CUE_JUMP_NS

    def _target(self, cue: Cue, now: LocalInstant) -> Stretch | None:
        """Return where a cue puts the show, over local time."""
        show, state, line, _ = cue
        if show == NO_SHOW:
            return None
        if state is _ROLLING:
            served = self.clock.served
            if served is None:
                return None
            pace_ppb = line.rate_ppb
            rate_ppb = pace_ppb - round(served.rate * (BILLION + pace_ppb))
            return Stretch(now, line.position_at(served.leader_at(now)), rate_ppb)
        return Stretch(now, line.position, FROZEN_PPB) if state is CueState.PAUSED else None

    def _retarget(self, now: LocalInstant) -> None:
        """Move the playhead towards where the cue in force puts the show."""
        if self._show is None:
            return
        target = self._target(self.cue, now)
        if target is None:
            return
        playhead = self.playhead
        if not playhead.is_running or self._fader.target <= 0.0:
            if self._halt_at is None and not self._is_past_off(self.cue, now):
                # Back from holdover's end: the same fade in as out.
                playhead.start(target)
                self._fader.fade(1.0, now, RETURN_FADE_NS)
            return
        if target.rate_ppb == FROZEN_PPB:
            return  # paused: what stands still is never corrected
        show = self._show
        moved = self.moved = playhead.amend(target, now, show.unseen_in_ns if show.stills else None)
        if moved is not None and moved.remedy is not ABSORB:
            self._note(moved, now)

    def forget_move(self) -> None:
        """Begin a packet: nothing has moved on account of it yet."""
        self.moved = None

    def _note(self, moved: Moved, now: LocalInstant) -> None:
        """Tell of a step or a hold; one that is seen comes in softly where anybody could have made it."""
        if moved.remedy is Remedy.STEP:
            self._emit(events.Stepped(now, moved.error_ns))
            self._changed_at = now
            if not moved.is_unseen:
                self._fade_in_unkeyed(now)
        elif moved.remedy is Remedy.HOLD and not moved.goes_on:
            self._emit(events.Held(now, -moved.error_ns))

    def _is_past_off(self, cue: Cue, now: LocalInstant) -> bool:
        """Return whether the off time has come, and no cue from after it is in force."""
        off_at, served = self.off_at, self.clock.served
        if off_at is None or served is None or cue.line.leader_at >= off_at:
            return False
        return served.leader_at(now) >= off_at

    # -- going dark ----------------------------------------------------------------------------------------------

    def darken(self, now: LocalInstant, over_ns: int) -> None:
        """Fade to dark, and drop the plan when that is done. A fade under way that ends sooner goes on as it is."""
        if self._fader.target > 0.0 or self._fader.done_at() > now + over_ns:
            self._fader.fade(0.0, now, over_ns)
        self._halt_at = self._fader.done_at()
        self._off_local = None

    def await_clock(self) -> None:
        """Let no cue fall due until the clock is known again: when that is, is not known any more."""
        self._cue_at = None

    def _go_off(self, now: LocalInstant) -> None:
        self._off_local = None
        if self.off_at is not None:
            self._emit(events.OffTimeReached(now, LeaderInstant(self.off_at)))
        self.darken(now, STOP_FADE_NS)
