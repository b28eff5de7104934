"""Keeping an evening: a leader is given the cues of a running order a few minutes at a time.

Nothing here reads a clock. Whoever drives it reads the wall clock and the leader's clock together, once in
``RENEWED_EVERY_NS``, and each reading places what begins in the next ``AHEAD_NS``. What has been placed goes by the
leader's clock alone, which runs evenly; so this is what a wall clock that is set does:

* What is in force and what is announced already are not touched. A show that plays is played to its end, and the dark
  after it comes when it ends, not when the wall clock says so.
* All else follows the new time, at the next reading. A show that should have begun not more than ``LATE_NS`` before, or
  while another was still playing, begins that much late; one further back is left out. If nothing plays, the show that
  is under way by the new time is joined in its middle, as after a restart.
* If the new time is past the off time, it goes dark.

A wall clock that is only steered, by less than ``STEP_NS`` from one reading to the next, moves later shows by as much.

The first reading resumes the show that should be playing, where it should be. A node that stands by plans nothing, and
once it leads it lets what it took over play on. A stop is kept: nothing is planned until somebody cues anything else,
dark for one. Nor does a leader that is started again, and leads on with what it led (``Leader.kept``), begin anything
before that has ended.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, NamedTuple

from leadlight.cue import START, Cue, ShowLine, dark_cue
from leadlight.evening.running_order import PlannedShow, RunningOrder, leader_instant, span_ns
from leadlight.leader import Leader, is_idle
from leadlight.terms import CueState, Role
from leadlight.units import MICROSECOND, MINUTE, SECOND, LeaderInstant, LocalInstant, ShowPosition

RENEWED_EVERY_NS: Final = MINUTE
AHEAD_NS: Final = 3 * MINUTE
"""Longer than two readings are apart and the longest lead time together: nothing is placed too late to be announced."""
STEP_NS: Final = SECOND
"""More than this between two readings is no steering: at its fastest, 500 parts per million, that makes 30 ms."""
LATE_NS: Final = MINUTE
SEAM_NS: Final = 10 * SECOND
"""Shows that follow each other without a gap are joined without one, where the clocks have parted by less than this:
five and a half hours of steering at its fastest."""


class Renewal(NamedTuple):
    """What a reading led to: a show resumed in its middle, shows placed, and how far the wall clock was set, in ns."""

    resumed: PlannedShow | None = None
    placed: tuple[PlannedShow, ...] = ()
    stepped_ns: int = 0


@dataclass(frozen=True, slots=True)
class _Placed:
    """A show as it was given to the leader, on its host's clock; ``planned`` is unknown for what was taken over."""

    key: int
    begins_at: LocalInstant
    ends_at: LocalInstant
    planned: PlannedShow | None = None


class EveningKeeper:
    """Keeps ``leader`` to a running order; ``keys`` gives each show's key by its id, as ``Manifest.keys`` does.

    ``lengths`` gives their lengths in ns by id, so that it is known when a show that was taken over ends.
    """

    def __init__(
        self, order: RunningOrder, keys: Mapping[str, int], lengths: Mapping[str, int], leader: Leader
    ) -> None:
        self._order = order
        self._keys = keys
        self._lengths = {keys[show]: length_ns for show, length_ns in lengths.items()}
        self._leader = leader
        self._read: tuple[datetime, LocalInstant] | None = None
        self._until: datetime | None = None
        # One that was started again, and leads on with what it led, plays that to its end.
        self._has_begun = leader.cue.state is not CueState.DARK or bool(leader.scheduled)
        self._placed: list[_Placed] = []
        self._off: tuple[datetime, LocalInstant] | None = None
        self._dark_at: datetime | None = None

    def renew(self, wall_now: datetime, now: LocalInstant) -> Renewal:
        """Take a reading, the wall clock's and this host's clock's at one moment, and place what begins soon.

        Call it once in ``RENEWED_EVERY_NS``, and when the leader's role changes; more often does no harm.
        """
        leader = self._leader
        stepped_ns = self._stepped_ns(wall_now, now)
        self._read = wall_now, now
        self._placed = [shown for shown in self._placed if shown.ends_at > now]
        waits = leader.role is Role.LISTENING and leader.kept is not None and not is_idle(leader.kept)
        if waits or leader.role in (Role.STANDBY, Role.ASKING) or leader.cue.state is CueState.STOPPED:
            self._rest()
            return Renewal(stepped_ns=stepped_ns)
        since = self._until
        resumed = None
        if since is None or stepped_ns:
            since = self._begin_anew(wall_now, now, stepped_ns)
            shows_nothing = leader.cue.state is CueState.DARK and not leader.scheduled
            if not self._has_begun or (stepped_ns and shows_nothing):
                resumed = self._resume(wall_now, now)
            self._has_begun = True
        self._keep_off_time(wall_now, now)
        self._until = wall_now + timedelta(microseconds=AHEAD_NS // MICROSECOND)
        placed: list[PlannedShow] = []
        for cue in self._order.cues_between(since, self._until):
            found = None if cue.show is None else self._order.in_force(cue.at)
            if found is not None and self._place(found.planned, wall_now, now):
                placed.append(found.planned)
        return Renewal(resumed, tuple(placed), stepped_ns)

    def _stepped_ns(self, wall_now: datetime, now: LocalInstant) -> int:
        """Return how far the wall clock was set since the last reading; 0 if it was steered at most."""
        if self._read is None:
            return 0
        wall_before, before = self._read
        moved_ns = span_ns(wall_before, wall_now) - (now - before)
        return moved_ns if abs(moved_ns) > STEP_NS else 0

    def _rest(self) -> None:
        """Another leads, or the show is stopped: what was placed here is not to come once that is over."""
        if self._until is not None:
            self._leader.withdraw()
        self._until = None
        self._placed.clear()
        self._has_begun = True

    def _begin_anew(self, wall_now: datetime, now: LocalInstant, stepped_ns: int) -> datetime:
        """Place everything by this reading that is not begun or announced; return from when on."""
        leader = self._leader
        self._dark_at = None
        if self._until is not None:
            leader.withdraw()
        if leader.role is Role.LISTENING:
            self._off = None
            self._has_begun = False
            self._placed.clear()
            return wall_now
        leader_now = leader.leader_at(now)
        assert leader_now is not None, "it leads"
        ahead = {cue.line.leader_at for cue in leader.scheduled}
        self._placed = [
            shown for shown in self._placed if shown.begins_at <= now or leader.leader_at(shown.begins_at) in ahead
        ]
        if self._until is None:
            # What was taken over plays on; on its host's clock, this is when.
            for cue in (leader.cue, *leader.scheduled):
                length_ns = self._lengths.get(cue.show)
                if cue.state is CueState.ROLLING and length_ns is not None:
                    line = cue.line
                    begins_at = LocalInstant(now + line.leader_at - leader_now)
                    ends_at = LocalInstant(now + line.instant_of(ShowPosition(length_ns)) - leader_now)
                    if ends_at > now:
                        self._placed.append(_Placed(cue.show, begins_at, ends_at))
        if self._off is not None and self._off[0] <= wall_now and self._off[1] > now:
            # The wall clock was set past the off time: that goes before playing to the end.
            self._placed.clear()
            if leader.cue.state is not CueState.DARK or leader.scheduled:
                leader.schedule(dark_cue(LeaderInstant(now + leader.settings.lead_time_ns)))  # no person's order
        elif self._placed:
            leader.schedule(dark_cue(LeaderInstant(self._placed[-1].ends_at)))
        self._off = None
        late_ns = min(max(stepped_ns, 0), LATE_NS)
        return wall_now - timedelta(microseconds=late_ns // MICROSECOND)

    def _resume(self, wall_now: datetime, now: LocalInstant) -> PlannedShow | None:
        """Put in force what should be playing, where it should be; return it."""
        cue = self._order.cue_in_force(self._keys, wall_now, LeaderInstant(now))
        found = self._order.in_force(wall_now)
        if cue is None or found is None:
            return None
        self._leader.resume_line(cue, now)
        ends_at = LocalInstant(leader_instant(found.planned.ends_at, wall_now, LeaderInstant(now)))
        self._placed.append(_Placed(cue.show, now, ends_at, found.planned))
        self._leader.schedule(dark_cue(LeaderInstant(ends_at)))
        return found.planned

    def _place(self, planned: PlannedShow, wall_now: datetime, now: LocalInstant) -> bool:
        """Give the leader a show and the dark after it; return whether it was new and fits."""
        key = self._keys[planned.show]
        wanted_at = LocalInstant(leader_instant(planned.begins_at, wall_now, LeaderInstant(now)))
        for shown in self._placed:
            is_taken_over = shown.planned is None and shown.key == key and abs(shown.begins_at - wanted_at) <= LATE_NS
            if shown.planned == planned or is_taken_over:
                return False
        begins_at = wanted_at
        if wanted_at < now:
            begins_at = LocalInstant(now + self._leader.settings.lead_time_ns)
        if self._placed:
            before = self._placed[-1]
            follows = before.planned is not None and before.planned.ends_at == planned.begins_at
            if begins_at < before.ends_at or (follows and begins_at - before.ends_at < SEAM_NS):
                begins_at = before.ends_at
        if begins_at - wanted_at > LATE_NS or self._is_after_its_off_time(planned, begins_at):
            return False
        ends_at = LocalInstant(begins_at + span_ns(planned.begins_at, planned.ends_at))
        self._placed.append(_Placed(key, begins_at, ends_at, planned))
        self._leader.schedule(Cue(key, CueState.ROLLING, ShowLine(LeaderInstant(begins_at), START)))
        # A show that follows at once takes the place of this dark.
        self._leader.schedule(dark_cue(LeaderInstant(ends_at)))
        return True

    def _is_after_its_off_time(self, planned: PlannedShow, begins_at: LocalInstant) -> bool:
        """Return whether a late show would begin at its evening's end: followers let play what begins then."""
        return self._off is not None and planned.begins_at < self._off[0] and begins_at >= self._off[1]

    def _keep_off_time(self, wall_now: datetime, now: LocalInstant) -> None:
        """Tell the leader the off time to come."""
        off = self._off[0] if self._off is not None else None
        if off is None or off <= wall_now:
            off = self._order.off_at(wall_now)
        off_at = LocalInstant(leader_instant(off, wall_now, LeaderInstant(now)))
        self._off = off, off_at
        self._leader.set_off_at(off_at)
        if off_at - now <= AHEAD_NS and self._dark_at != off:
            # Whoever else cued a show, it is over when the next off time takes this one's place.
            self._dark_at = off
            self._leader.schedule(dark_cue(LeaderInstant(off_at)))
