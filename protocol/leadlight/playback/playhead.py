"""The playhead: which frame now, and when is the next one due.

It holds a plan: straight stretches of show position over *local* time, a correction and what follows it. Each
time the clock or the cue says where the show is, the plan is compared with it and amended by the recovery strategy. If
nothing says anything any more, the plan goes on at the learnt rate; that is all there is to holdover.

Position never runs backwards except by a step, and every step is reported. One that may wait for frames between which
nobody sees it is made when they come: ``again_at`` says when to ask. The instants it answers with are locked to show
time. The player wakes when the next frame is due rather than at a tick of its own. That would add up to a whole frame
of error that no clock can remove.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, TypeAlias

from leadlight.cue import FrameRate
from leadlight.playback.recovery import ABSORB, HOLD, SLEW, STEP, BlendedRecovery, History, Recovery, Remedy
from leadlight.units import BILLION, MILLISECOND, LocalInstant, ShowPosition

# Every sample of the clock makes four of these values. They are not frozen, for that would double what they cost.


@dataclass(slots=True)
class Stretch:
    """Show position as a straight line over local time; ``rate_ppb`` is speed over normal, in parts per billion."""

    at: LocalInstant
    position: ShowPosition
    rate_ppb: int

    def position_at(self, local: LocalInstant) -> ShowPosition:
        """Return the position at a local instant."""
        elapsed = local - self.at
        return ShowPosition(self.position + elapsed + elapsed * self.rate_ppb // BILLION)

    def instant_of(self, position: ShowPosition) -> LocalInstant | None:
        """Return the first local instant at which the position is reached; ``None`` if the stretch stands still."""
        speed = BILLION + self.rate_ppb
        if speed <= 0:
            return None
        # Smallest e with e + floor(e·rate/10⁹) = floor(e·speed/10⁹) >= wanted.
        return LocalInstant(self.at + -(-(position - self.position) * BILLION // speed))


FROZEN_PPB = -BILLION
"""The rate of a stretch that stands still."""


Unseen: TypeAlias = Callable[[ShowPosition, ShowPosition, int], int | None]
"""How long until a jump from one position to another is not seen, if that is within so many ns; both move on."""

ASKED_AGAIN_NS: Final = MILLISECOND
"""Least wait until a step is looked at again: shorter than any frame."""


@dataclass(slots=True)
class Moved:
    """What an amendment did: the remedy, the error it met (show minus playhead, ns), and whether a step is not seen.

    ``goes_on`` where it is the remedy of before: a hold that is not over.
    """

    remedy: Remedy
    error_ns: int
    is_unseen: bool = False
    goes_on: bool = False


class Playhead:
    """Follows one show's position in local time.

    ``latency_ns`` is how long the player's output takes from being handed a frame to showing it; ``trim_ns`` shifts
    this piece later (positive) or earlier. Both are taken into account by ``frame_at`` and ``next_frame_at``, so that
    the light is on time, not the handing over.
    """

    def __init__(self, recovery: Recovery | None = None, latency_ns: int = 0, trim_ns: int = 0) -> None:
        self._recovery = recovery or BlendedRecovery()
        self.lead_ns = latency_ns - trim_ns
        """How long before its light is due a frame is handed over; below zero for a piece that is trimmed later."""
        self._past: tuple[Stretch, ...] = ()
        """What was planned before, of which some light is still due."""
        self._now: Stretch | None = None
        self._then: Stretch | None = None
        self._history = History(None, None, 0)
        self.again_at: LocalInstant | None = None
        """When ``amend_again`` is due, while a step waits."""
        self._wanted: Stretch | None = None
        self._wanted_since: LocalInstant | None = None

    @property
    def is_running(self) -> bool:
        """Whether there is a plan."""
        return self._now is not None

    @property
    def now(self) -> Stretch | None:
        """The stretch in hand: another one whenever the plan is changed; ``None`` without a plan."""
        return self._now

    @property
    def plan(self) -> tuple[Stretch, ...]:
        """All that is planned, in order: the first holds before the second begins, the last for good."""
        if self._now is None:
            return ()
        return (*self._past, self._now) if self._then is None else (*self._past, self._now, self._then)

    @property
    def stretches(self) -> tuple[Stretch | None, Stretch | None, Stretch | None]:
        """The plan: the stretch before, the one now, and the one after. For whoever checks that they meet."""
        return self._past[-1] if self._past else None, self._now, self._then

    def start(self, target: Stretch) -> None:
        """Begin at the target at once: a new cue, or the first."""
        self._now = target
        self._then = None
        self._past = ()
        self._wait_no_longer()

    def note_step(self, now: LocalInstant) -> None:
        """Count a jump that was made otherwise, so that the next step keeps its distance from it."""
        self._history = self._history._replace(stepped_at=now)

    def halt(self) -> None:
        """Drop the plan: nothing is in force."""
        self._now = self._then = None
        self._past = ()
        self._wait_no_longer()

    def _wait_no_longer(self) -> None:
        self.again_at = self._wanted = self._wanted_since = None

    def is_holding(self, now: LocalInstant) -> bool:
        """Return whether it stands still until the show has caught up."""
        return (
            self._now is not None
            and self._now.rate_ppb == FROZEN_PPB
            and self._then is not None
            and now + self.lead_ns < self._then.at
        )

    def amend_again(self, now: LocalInstant, unseen: Unseen) -> Moved | None:
        """Make the step that waits, or let it wait on; ``None`` if there is none."""
        return None if self._wanted is None else self.amend(self._wanted, now, unseen)

    def amend(self, target: Stretch, now: LocalInstant, unseen: Unseen | None = None) -> Moved | None:
        """Move towards where the show is, by the recovery strategy; ``None`` if there is no plan to amend.

        ``unseen`` knows where a step is not seen. A remedy in a step's place is what is done while it waits.
        """
        planned, then = self._now, self._then
        if planned is None:
            return None
        history = self._history
        slewed_until = history.slewed_until
        if slewed_until is not None and slewed_until > now:
            # A slew under way ends here; what follows is planned anew.
            history = self._history = history._replace(slewed_until=now)
        # The plan changes from the first light that is not handed over yet: what is answered at ``now`` is of then.
        at = LocalInstant(now + self.lead_ns)
        if planned.at <= now and planned.at <= at and (then is None or at < then.at):
            past: tuple[Stretch, ...] = (planned,)  # by far the commonest: it has been in force for a while
        else:
            planned = self._stretch_at(at)
            past = (planned,) if self.lead_ns <= 0 else self._still_due(now, at)
        here = planned.position_at(at)
        there = target.position if at == target.at else target.position_at(at)
        error_ns = there - here
        goes_on = error_ns < 0 and self.is_holding(now)
        if goes_on:
            # A hold lasts until the show has caught up: no step back half-way.
            remedy, rate_ppb, patience_ns = HOLD, 0, 0
        else:
            correction = self._recovery.correct(error_ns, now, history)
            remedy, rate_ppb, patience_ns = correction.remedy, correction.rate_ppb, correction.patience_ns
        is_unseen = False
        if remedy is STEP:
            wait_ns = None if unseen is None else self._wait_ns(here, there, now, patience_ns, unseen)
            is_unseen = wait_ns == 0
            if wait_ns:
                self._wanted = target
                self.again_at = LocalInstant(now + max(wait_ns, ASKED_AGAIN_NS))
                remedy = SLEW if rate_ppb else ABSORB
            else:
                self._wait_no_longer()
        elif self._wanted is not None:
            self._wait_no_longer()
        self._past = past
        if remedy is STEP:
            self._history = history._replace(stepped_at=now)
            self._now, self._then = Stretch(at, there, target.rate_ppb), None
        elif remedy is HOLD:
            caught_up_at = target.instant_of(here)
            self._now = Stretch(at, here, FROZEN_PPB)
            self._then = None if caught_up_at is None else Stretch(caught_up_at, here, target.rate_ppb)
        elif rate_ppb == 0:
            self._now, self._then = Stretch(at, here, target.rate_ppb), None
        else:
            lasts = abs(error_ns) * BILLION // abs(rate_ppb)
            until = LocalInstant(at + lasts)
            self._now = faster = Stretch(at, here, target.rate_ppb + rate_ppb)
            # The next stretch begins where this one ends, to the nanosecond: no seam.
            self._then = Stretch(until, faster.position_at(until), target.rate_ppb)
            if remedy is SLEW:
                self._history = History(history.stepped_at, LocalInstant(now + lasts), 1 if rate_ppb > 0 else -1)
        return Moved(remedy, error_ns, is_unseen, goes_on)

    def _wait_ns(
        self, here: ShowPosition, there: ShowPosition, now: LocalInstant, patience_ns: int, unseen: Unseen
    ) -> int | None:
        """Return how long a step should wait: 0 if nobody sees it now, ``None`` if there is nothing to wait for."""
        if self._wanted_since is None:
            self._wanted_since = now
        return unseen(here, there, max(self._wanted_since + patience_ns - now, 0))

    def position_at(self, local: LocalInstant) -> ShowPosition:
        """Return the planned position at a local instant. There must be a plan."""
        return self._stretch_at(local).position_at(local)

    def _stretch_at(self, local: LocalInstant) -> Stretch:
        assert self._now is not None, "the playhead has no plan"
        if self._then is not None and local >= self._then.at:
            return self._then
        if self._past and local < self._now.at:
            # What has been handed over was planned piece by piece, and its light comes so.
            return next((past for past in reversed(self._past) if past.at <= local), self._past[0])
        return self._now

    def _still_due(self, now: LocalInstant, at: LocalInstant) -> tuple[Stretch, ...]:
        """Return the pieces of the plan by which light is due from ``now`` until ``at``, where another one begins."""
        assert self._now is not None
        pieces = [*self._past, self._now] if self._then is None else [*self._past, self._now, self._then]
        pieces = [piece for piece in pieces if piece.at < at] or [pieces[0]]
        while len(pieces) > 1 and pieces[1].at <= now:
            del pieces[0]
        return tuple(pieces)

    def instant_of(self, position: ShowPosition, after: LocalInstant) -> LocalInstant | None:
        """Return the first local instant after ``after`` at which the plan has reached a position."""
        if self._now is None:
            return None
        first = self._now.instant_of(position)
        if self._then is not None and (first is None or first >= self._then.at):
            first = self._then.instant_of(position)
            if first is not None and first < self._then.at:
                first = self._then.at
        return None if first is None else max(first, LocalInstant(after + 1))

    def reaches_at(self, position: ShowPosition, now: LocalInstant) -> LocalInstant | None:
        """Return when what is at a position is to be handed over, by the plan as it is at ``now``, also where that is
        past; ``None`` while it stands still.
        """
        instant = self._stretch_at(LocalInstant(now + self.lead_ns)).instant_of(position)
        return None if instant is None else LocalInstant(instant - self.lead_ns)

    def light_position_at(self, now: LocalInstant) -> ShowPosition:
        """Return the position of the frame to hand over at ``now``, so that its light is on time."""
        return self.position_at(LocalInstant(now + self.lead_ns))

    def frame_at(self, now: LocalInstant, frame_rate: FrameRate) -> int:
        """Return the frame to hand to the output at ``now``; negative before the show begins."""
        return frame_rate.frame_at(self.light_position_at(now))

    def next_frame_at(
        self, now: LocalInstant, frame_rate: FrameRate, frame: int | None = None
    ) -> LocalInstant | None:
        """Return when to hand over the next frame; ``None`` while standing still with nothing to follow.

        ``frame`` is what ``frame_at`` returns, where that is known.
        """
        following = frame_rate.position_of((self.frame_at(now, frame_rate) if frame is None else frame) + 1)
        instant = self.instant_of(following, LocalInstant(now + self.lead_ns))
        return None if instant is None else LocalInstant(instant - self.lead_ns)
