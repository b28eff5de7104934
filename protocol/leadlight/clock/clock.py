"""A follower's clock: samples in, leader time out, with a bound and a state.

Three views of one offset are kept, each from what the one before cannot give. They are the *uncorrected* estimator on
beacons and exchanges, the *shared delay* view on published medians, and the *common view* on marks. The best one that
has earned trust is served. The causality bound is kept beside them from beacons and exchanges alone.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

from leadlight.clock.bound import (
    CONTINUED_WITHIN_NS,
    DEVIATIONS,
    UNPROVEN,
    CausalityBound,
    Lateness,
    deviation_at_ns,
    statistical_half_width_ns,
)
from leadlight.clock.common_view import UNKNOWN_RADIO_NS, CommonViewClock
from leadlight.clock.estimator import Estimate, Exchange, new_estimate
from leadlight.clock.fusion import fused
from leadlight.clock.mark_trust import STAMPING_NS
from leadlight.clock.plausibility import HELD_BACK_NS, Misfit, misfit_of
from leadlight.clock.settings import ClockSettings, ClockView
from leadlight.clock.shared_delay import Arrival, SharedDelayClock
from leadlight.clock.states import TRANSITIONS, ClockInput
from leadlight.terms import ClockState
from leadlight.units import SECOND, LeaderInstant, LocalInstant
from leadlight.wire import Beacon

ONE_WAY_BEACONS: Final = 12
"""Beacons alone must be so many before a clock that rests on nothing else has a bound, or calls itself locked."""
STEADY_TIMES: Final = 1_000
"""A clock drifts by a span in no less than so many times as long."""
FAR_NS: Final = HELD_BACK_NS // 2
VOUCHED_EXCHANGES: Final = 2
"""So many exchanges at least, the latest, say whether the paths are still what the estimate takes them for,"""
VOUCHED_NS: Final = 40 * SECOND
"""and all of so long a time."""
AGREEING_WAITS: Final = 4
"""Without exchanges, refused beacons agree within so many mean waits: access points hold group frames back."""


# At every sample: to reach a member through its class takes Python 3.11 ten times as long.
_ONE_WAY: Final = ClockView.ONE_WAY
_TWO_WAY: Final = ClockView.TWO_WAY
_SHARED_DELAY: Final = ClockView.SHARED_DELAY
_COMMON_VIEW: Final = ClockView.COMMON_VIEW
_LOCKED: Final = ClockState.LOCKED
_FITS: Final = Misfit.NONE


class Bounds(NamedTuple):
    """How wrong the clock can be, in ns either side.

    ``causality_ns`` is ``None`` while one side is unproven, as it always is without soundings. ``statistical_ns`` is
    ``None`` before the first sample, on fewer than ``ONE_WAY_BEACONS`` beacons alone, and for estimators that keep no
    account of their error.
    """

    causality_ns: int | None
    statistical_ns: int | None


class FollowerClock:
    """Keeps the three views, serves the best, and says how good it is."""

    def __init__(self, settings: ClockSettings | None = None) -> None:
        self.settings = settings or ClockSettings()
        self.state = ClockState.FREE_RUN
        self.view = ClockView.NONE
        self.served: Estimate | None = None
        self.common_view = CommonViewClock()
        self.shared_delay = SharedDelayClock()
        self._near_ns = self.settings.lock_budget_ns // 2
        self._steady_ns = self._near_ns * STEADY_TIMES
        self._may_serve_marks = _COMMON_VIEW in self.settings.views
        self._may_serve_medians = _SHARED_DELAY in self.settings.views
        self._start()

    def _start(self) -> None:
        self.bound = CausalityBound(self.settings.declared_drift)
        self.uncorrected = self.settings.estimator(self.bound)
        self._locked_since: LocalInstant | None = None
        self._latest: Estimate | None = None
        self._lateness = Lateness()
        self._settled = False
        self._two_way = False
        self._radio_known = False
        # The best of the exchanges since the floor came to be doubted, and the floor from before.
        self._best_round_trip_ns = UNPROVEN
        self._floor_before_ns: float | None = None
        # The latest round trips, each with the estimate after it; and how far the floor lies below half the best.
        self._recent: list[tuple[int, Estimate]] = []
        self._unseen_ns = 0.0
        # What was proven of the timebase before another leader went on in it, until the next exchange.
        self._before: CausalityBound | None = None

    # -- samples -----------------------------------------------------------------------------------------------

    def observe_beacon(self, beacon: Beacon, received_at: LocalInstant, radio: int | None) -> None:
        """Take a beacon in whatever delivery it came, with what it publishes for the clock."""
        # Taken apart at once, as an estimate is: what a beacon costs is mostly how often it is looked at.
        (
            _, _, _, _, serial, sent_at, interval_ns, _, _, _, _, _, _, marks, delay_radio, doubt_ns, delays, is_copy, _
        ) = beacon  # fmt: skip
        self.bound.observe_arrival(sent_at, received_at)
        if not self._two_way:
            latest = self._latest
            self._lateness.note(received_at - sent_at, received_at, 0.0 if latest is None else latest.rate)
        self._radio_known = radio is not None
        if is_copy:
            self.uncorrected.observe_copy(sent_at, received_at)
        else:
            before = self._latest
            if before is not None:
                delay_ns = received_at - sent_at - before.offset_at(received_at)
                by = before if self._two_way else None
                self.shared_delay.note_arrival(serial, Arrival(sent_at, received_at, delay_ns, by))
                self.common_view.note_delay(delay_ns)
            self.uncorrected.observe_beacon(sent_at, received_at)
        uncorrected = self._latest = self.uncorrected.estimate()
        if delays and delay_radio == radio:
            self.shared_delay.observe(serial, delays, doubt_ns, uncorrected, self._two_way)
        if marks:
            self.common_view.observe(
                serial, sent_at, interval_ns, marks, self.bound, uncorrected, received_at, self._two_way
            )
        self._serve(uncorrected, received_at)

    def observe_exchange(self, exchange: Exchange) -> None:
        """Take a Sounding that was answered."""
        self._two_way = True
        if self._floor_before_ns is not None:
            self._best_round_trip_ns = min(self._best_round_trip_ns, exchange.round_trip_ns)
        self._before = None
        self.bound.observe_exchange(exchange)
        self.uncorrected.observe_exchange(exchange)
        self._latest = self.uncorrected.estimate()
        self._vouch(exchange)
        self._serve(self._latest, exchange.received_at)

    # -- plausibility --------------------------------------------------------------------------------------------

    def misfit(self, offset_ns: int, at: LocalInstant) -> Misfit:
        """Return how a packet from the leader lies to the clock that came at ``at`` and itself shows ``offset_ns``."""
        latest = self._latest
        # By far the commonest: nothing that is proven lies further out than the estimate, and no rate is so high that
        # it has come this far meanwhile.
        if latest is None or (
            -self._near_ns < offset_ns - latest[1] < FAR_NS and at - latest[0] < self._steady_ns
        ):
            return _FITS
        estimate_ns = latest.offset_at(at)
        budget_ns = self.settings.lock_budget_ns
        lower, _ = self.bound.interval_ns(at)
        doubt_ns = self._judged_ns(latest, at)
        return misfit_of(offset_ns, estimate_ns, lower if lower > -UNPROVEN else None, doubt_ns, budget_ns)

    def misfit_of_exchange(self, exchange: Exchange) -> Misfit:
        """Return how an answered Sounding lies to the clock: what both its ways leave for the offset, to the bound."""
        sent_at, leader_received_at, leader_sent_at, received_at = exchange
        down = self.misfit(received_at - leader_sent_at, received_at)
        if down is Misfit.EARLY or self._latest is None:
            return down
        # However late the way down was, the way up says by how much the offset is above what was proven of it.
        _, upper = self.bound.interval_ns(received_at)
        up_ns = sent_at - leader_received_at
        return Misfit.LATE if up_ns > upper + self.settings.lock_budget_ns else _FITS

    @property
    def agreeing_within_ns(self) -> int:
        """How far apart refused samples may be that agree: as far as packets are held back apart from each other."""
        if self._two_way or self._lateness.count < ONE_WAY_BEACONS:
            return HELD_BACK_NS  # an exchange is among them, or nothing is known yet of how long they wait
        return max(self.settings.lock_budget_ns, min(round(AGREEING_WAITS * self._lateness.mean_ns), HELD_BACK_NS))

    @property
    def is_two_way(self) -> bool:
        """Whether the uncorrected estimate rests on exchanges too."""
        return self._two_way

    def note_silence(self) -> None:
        """Beacons have gone."""
        self.state = TRANSITIONS[self.state, ClockInput.SILENCE]
        self._locked_since = None

    def enter_timebase(self, same_host: bool = False) -> None:
        """Start anew: instants now refer to another clock.

        With ``same_host`` it is the leader's own clock that counts from elsewhere, as after a restart: its rate, the
        paths to it and the trust in its marks are kept.
        """
        self.state = TRANSITIONS[self.state, ClockInput.NEW_TIMEBASE]
        self.served = None
        self.view = ClockView.NONE
        self.shared_delay.restart()
        self.bound.clear()
        self._before = None
        self._locked_since = None
        if same_host:
            self._doubt_floor()
        self._settled = self._two_way = False
        if same_host:
            self.uncorrected.rebase()
            self._latest = None
            self._recent.clear()
            self._lateness = Lateness()
            self.common_view.rebase()
        else:
            self._start()
            self.common_view.restart()

    def continue_timebase(self) -> None:
        """Another leader goes on in this timebase: near enough to keep the estimate, which is no proof.

        The paths are reopened; proofs, medians and marks must be earned anew.
        """
        self._doubt_floor()
        last = self.bound if self.bound.is_two_sided else self._before
        self._before = None if last is None else last.widened(CONTINUED_WITHIN_NS)
        self.bound.clear()
        self._recent.clear()
        self.uncorrected.reopen_paths()
        self.shared_delay.restart()
        self.common_view.restart()

    def _vouch(self, exchange: Exchange) -> None:
        """Remember what the latest exchanges leave open, and where the clock was at the first of them."""
        latest, at = self._latest, exchange.received_at
        if latest is None:
            return
        recent = self._recent
        recent.append((exchange.round_trip_ns, latest))
        while len(recent) > VOUCHED_EXCHANGES and at - recent[0][1].at > VOUCHED_NS:
            del recent[0]
        self._unseen_ns = max(min(one[0] for one in recent) / 2 - latest.floor_ns, 0.0)

    def _unvouched_ns(self, now: LocalInstant) -> float:
        """Return by how much the estimate may be off for a path that has become slower."""
        latest, recent = self._latest, self._recent
        if latest is None or not recent:
            return 0.0
        first = recent[0][1]
        moved_ns = abs(latest.offset_at(now) - first.offset_at(now))
        unexplained_ns = moved_ns - DEVIATIONS * first.rate_deviation * (now - first.at)
        return self._unseen_ns + (unexplained_ns if unexplained_ns > 0.0 else 0.0)

    def _is_in_doubt(self, unvouched_ns: float, now: LocalInstant) -> bool:
        """Return whether the clock would not be locked without medians: they agree with one that went their way."""
        latest = self._latest
        if latest is None:
            return False
        return statistical_half_width_ns(latest, now) + unvouched_ns > self.settings.lock_budget_ns

    def _doubt_floor(self) -> None:
        """Count from now on by how much the floor has grown: this node may have gone elsewhere, unheard."""
        if self._two_way and self._latest is not None:
            if self._floor_before_ns is None:
                self._floor_before_ns = self._latest.floor_ns
            self._best_round_trip_ns = UNPROVEN

    def _growth_ns(self, floor_before_ns: float) -> float:
        """Return by how much the floor has grown, all of which may be in one direction."""
        floor_ns = 0.0 if self._latest is None else self._latest.floor_ns
        # However slowly an estimator learns the floor anew, it is no more than half of any round trip.
        return max(floor_ns - floor_before_ns, self._best_round_trip_ns / 2 - floor_before_ns, 0.0)

    def note_resumed(self) -> None:
        """The host was suspended: nothing measured before says where the clock is now."""
        self.enter_timebase()
        self.state = TRANSITIONS[self.state, ClockInput.RESUMED]

    # -- answers -----------------------------------------------------------------------------------------------

    def leader_at(self, local: LocalInstant) -> LeaderInstant | None:
        """Return the leader's clock at a local instant; ``None`` before the first sample."""
        served = self.served
        return None if served is None else served.leader_at(local)

    def local_at(self, leader: LeaderInstant) -> LocalInstant | None:
        """Return the local instant at which the leader's clock shows ``leader``; ``None`` before the first sample."""
        served = self.served
        return None if served is None else served.local_at(leader)

    def bounds(self, now: LocalInstant) -> Bounds:
        """Return both bounds of the served estimate at ``now``."""
        served = self.served
        if served is None:
            return Bounds(None, None)
        causality_ns = self.bound.half_width_ns(served, now)
        return Bounds(causality_ns, self._statistical_ns(served, now))

    def outgrows_at(self, bound_ns: int, now: LocalInstant, latest: LocalInstant) -> LocalInstant:
        """Return when the statistical bound will be above ``bound_ns``, from ``now`` on and ``latest`` at the latest.

        Without samples it only grows. ``latest`` too where nobody keeps account of an error.
        """
        if latest <= now or not self._is_beyond(bound_ns, latest):
            return latest
        # The last instant known to be inside, and the first known to be beyond.
        inside, beyond = now - 1, int(latest)
        while beyond - inside > 1:
            middle = LocalInstant((inside + beyond) // 2)
            if self._is_beyond(bound_ns, middle):
                beyond = middle
            else:
                inside = middle
        return LocalInstant(beyond)

    def _is_beyond(self, bound_ns: int, at: LocalInstant) -> bool:
        statistical_ns = self.bounds(at).statistical_ns
        return statistical_ns is not None and statistical_ns > bound_ns

    def uncorrected_deviation_ns(self, now: LocalInstant) -> float:
        """Return the uncorrected estimate's standard deviation at ``now``, for whoever decides how often to sound.

        0 before the first sample, and for estimators that keep no account of their error.
        """
        deviation_ns = 0.0 if self._latest is None else deviation_at_ns(self._latest, now)
        return deviation_ns if deviation_ns < math.inf else 0.0

    def _judged_ns(self, served: Estimate, now: LocalInstant) -> float:
        """Return the half-width that the samples alone speak for; infinite where nobody keeps account."""
        width = statistical_half_width_ns(served, now)
        if self.view is _ONE_WAY:
            if self._lateness.count < ONE_WAY_BEACONS:
                return math.inf
            width = max(width, self._lateness.half_width_ns(served, now, self.bound))
        elif self.view is _COMMON_VIEW:
            return width + (STAMPING_NS if self._radio_known else UNKNOWN_RADIO_NS)
        grown_ns = 0.0 if self._floor_before_ns is None else self._growth_ns(self._floor_before_ns)
        unvouched_ns = self._unvouched_ns(now)
        if unvouched_ns > grown_ns and (self.view is _TWO_WAY or self._is_in_doubt(unvouched_ns, now)):
            grown_ns = unvouched_ns
        return width + grown_ns

    def _is_within_budget(self, served: Estimate, now: LocalInstant) -> bool:
        if self.view is _ONE_WAY and self._lateness.count < ONE_WAY_BEACONS:
            return False  # two late packets alike would pass for a floor
        width = self._judged_ns(served, now)
        budget_ns = self.settings.lock_budget_ns
        if width < budget_ns or width == math.inf:
            return True
        most_ns = self._most_ns(served, now)
        return most_ns is not None and most_ns <= budget_ns

    def _statistical_ns(self, served: Estimate, now: LocalInstant) -> int | None:
        width = self._judged_ns(served, now)
        if width == math.inf:
            return None
        # What is proven need not be guessed at.
        most_ns = self._most_ns(served, now)
        return int(width) + 1 if most_ns is None else min(int(width) + 1, most_ns)

    def _most_ns(self, served: Estimate, now: LocalInstant) -> int | None:
        """Return the largest error that proofs leave, or until the next exchange those of the leader before."""
        half_width_ns = self.bound.half_width_ns(served, now)
        if half_width_ns is None and self._before is not None:
            half_width_ns = self._before.half_width_ns(served, now)
        return half_width_ns

    # -- choice ------------------------------------------------------------------------------------------------

    def _serve(self, uncorrected: Estimate | None, now: LocalInstant) -> None:
        if uncorrected is None:
            return
        _, _, rate, deviation_ns, rate_deviation, floor_ns = uncorrected
        by_marks = by_group = None
        if self._may_serve_marks:
            by_marks = self.common_view.estimate(now)
            if by_marks is not None and self._is_disproven(by_marks, now):
                self.common_view.begin_anew()
                by_marks = None
        if by_marks is None and self._may_serve_medians:
            by_group = self.shared_delay.estimate(now, floor_ns, deviation_ns if self._two_way else 0.0)
            if by_group is not None and (
                self._is_disproven(by_group, now)
                or (self._two_way and self.shared_delay.is_contradicted(by_group, uncorrected, now))
            ):
                self.shared_delay.begin_anew()
                by_group = None
        if by_marks is not None:
            if self._two_way:
                by_marks = fused(by_marks, uncorrected, now)
            # A mark went no way that has a floor, if both heard it from one radio.
            self.served = by_marks if self._radio_known else new_estimate((*by_marks[:5], floor_ns))
            self.view = _COMMON_VIEW
        elif by_group is not None:
            self.served = by_group
            self.view = _SHARED_DELAY
        else:
            self.served = uncorrected
            self.view = _TWO_WAY if self._two_way else _ONE_WAY
        inside = self._is_within_budget(self.served, now)
        if not (inside and self.state is _LOCKED):  # by far the commonest: locked it stays
            self.state = TRANSITIONS[
                self.state, ClockInput.WITHIN_BUDGET if inside else ClockInput.OUTSIDE_BUDGET
            ]
        if self.state is not _LOCKED:
            self._locked_since = None
        elif self._locked_since is None:
            self._locked_since = now
        elif now - self._locked_since >= self.settings.settle_after_ns:
            self._settled = True
        if self._settled:
            # Whatever the state: a declaration left as it was would grow old while the crystal wanders on.
            self.bound.settle(rate, rate_deviation)

    def _is_disproven(self, estimate: Estimate, now: LocalInstant) -> bool:
        """Return whether an estimate lies further outside what is proven than two hosts stamp apart.

        The few samples that it began with agreed by chance, and what came since looked like freaks to it.
        """
        lower, upper = self.bound.interval_ns(now)
        return not lower - STAMPING_NS <= estimate.offset_at(now) <= upper + STAMPING_NS
