"""A tenure: one unbroken run of one leader. Says what time it is and what is in force, and answers Soundings.

It keeps the cue sheet of the moment (one in force, others scheduled), announces a change ahead of time in a short
burst, and lets every later beacon repeat it. When a tenure begins and ends is decided elsewhere, in ``leader``.
"""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass
from typing import Final

from leadlight import events
from leadlight.addresses import GROUP, Address
from leadlight.clock import DelayCollector, Estimate
from leadlight.cue import START, Cue, ShowLine, dark_cue
from leadlight.entropy import Entropy, nonzero32
from leadlight.errors import OrderError
from leadlight.follower import TALLIES_PER_SECOND
from leadlight.leader.answers import AnswerLimit
from leadlight.leader.beacon_times import CHANGE_BURST_NS, STOP_BURST_NS, BeaconTimes
from leadlight.leader.confirmation import STOP_REPEATED_NS, Confirmation
from leadlight.leader.copies import Cookies, CopyList
from leadlight.leader.pacing import Pacer, PacerSettings
from leadlight.leader.roster import Roster
from leadlight.leader.sendable import sendable_cue, sendable_off_at
from leadlight.leader.settings import LeaderSettings
from leadlight.leader.turns import Turns
from leadlight.terms import ContentState, CueState, Delivery
from leadlight.units import BILLION, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire import DELAYS_MAXIMUM, U16, U32, Beacon, Codec, Echo, Message, Sounding, Tally

ECHO_QUEUE_MAXIMUM: Final = 64
LOST_AFTER_NS: Final = 30 * SECOND
SECRET_BYTES: Final = 16
OWN_CLOCK: Final = Estimate(LocalInstant(0), 0, 0.0, 0.0, 0.0)
"""How this host's own clock is read as a timebase."""
ORDER_SPACING_NS: Final = SECOND // 2
"""What comes sooner after another cue than this is announced too late: only the next one is told of."""
PACING_INTERVAL_NS: Final = SECOND
"""The line is bent no more often than this: more often, each change would be too small to be worth making."""


@dataclass(frozen=True, slots=True)
class Inheritance:
    """What a tenure takes over from the one before: a timebase and how it reads on this clock, and the show's state."""

    timebase: int
    clock: Estimate
    cue: Cue
    scheduled: tuple[Cue, ...] = ()
    off_at: LeaderInstant | None = None


class Tenure:
    """One run of one leader, from ``now`` on.

    Without an ``inheritance`` this host's own clock is the timebase: a local instant here *is* the leader instant. With
    one, the timebase of the leader before is continued by what this host knows of it. Every cue's instant is in the
    timebase; ``leader_at`` and ``local_at`` translate.
    """

    def __init__(
        self,
        settings: LeaderSettings,
        codec: Codec,
        entropy: Entropy,
        now: LocalInstant,
        inheritance: Inheritance | None = None,
    ) -> None:
        self.settings = settings
        self.begun_at = now
        """When it began, on this host's clock."""
        self.identity = settings.identity
        self.roster = Roster(settings.roster_limit)
        self.counters: Counter[str] = Counter()
        """Datagrams refused, beacons skipped and so on, by cause."""
        self._clock = None if inheritance is None else inheritance.clock
        self.cue: Cue = dark_cue(self.leader_at(now)) if inheritance is None else inheritance.cue
        self.scheduled: list[Cue] = [] if inheritance is None else list(inheritance.scheduled)
        """Cues to come, earliest first."""
        self.off_at: LeaderInstant | None = None if inheritance is None else inheritance.off_at
        self._pacer = Pacer(PacerSettings(interval_ns=max(settings.interval_ns, PACING_INTERVAL_NS)))
        self._begin_pacing()
        self._codec = codec
        self._entropy = entropy
        self._tenure = nonzero32(entropy)
        self._timebase = nonzero32(entropy) if inheritance is None else inheritance.timebase
        self._cookies = Cookies(entropy.getrandbits(8 * SECRET_BYTES).to_bytes(SECRET_BYTES, "big"))
        self._serial = U32 & entropy.getrandbits(16)
        self._events: deque[events.LeaderEvent] = deque()
        self._delays = DelayCollector()
        self._turns = Turns(self.leader_at)
        self._times = BeaconTimes(now, entropy)
        self._announced: Cue | None = None
        self._is_ending = False
        self._copies = CopyList(settings.copies_limit)
        self._has_told_roster_full = self._has_told_copies_full = False
        self._confirmation = Confirmation(now)
        self._answers = AnswerLimit(settings.sounding_budget)
        self._echoes: deque[tuple[Sounding, Address, LocalInstant, int, int]] = deque()

    @property
    def tenure(self) -> int:
        """This run's tenure."""
        return self._tenure

    @property
    def has_begun(self) -> bool:
        """Whether anything is in force but the darkness with which a node begins that takes over from nobody."""
        return self.cue != dark_cue(self.leader_at(self.begun_at))

    @property
    def is_blank(self) -> bool:
        """Whether nothing was ever cued in it."""
        return not self.scheduled and not self.has_begun

    def bequest(self) -> Inheritance:
        """Return what a later tenure of this node needs to go on as if there had been none between."""
        clock = OWN_CLOCK if self._clock is None else self._clock
        return Inheritance(self._timebase, clock, self.cue, tuple(self.scheduled), self.off_at)

    @property
    def timebase(self) -> int:
        """The timebase that this leader's instants refer to."""
        return self._timebase

    def leader_at(self, local: LocalInstant) -> LeaderInstant:
        """Return what the timebase's clock shows at a local instant."""
        return LeaderInstant(local) if self._clock is None else self._clock.leader_at(local)

    def local_at(self, leader: LeaderInstant) -> LocalInstant:
        """Return the local instant at which the timebase's clock shows ``leader``."""
        return LocalInstant(leader) if self._clock is None else self._clock.local_at(leader)

    # -- what the show's owner says ------------------------------------------------------------------------------

    def schedule(self, cue: Cue) -> None:
        """Let a cue take effect at its line's instant; it is announced ahead by the lead time.

        A scheduled cue at the same instant is replaced.
        """
        at = cue.line.leader_at
        others = [other for other in self.scheduled if other.line.leader_at != at]
        self.scheduled = sorted([*others, cue], key=lambda entry: entry.line.leader_at)

    def resume_line(self, cue: Cue, now: LocalInstant) -> None:
        """Put a cue in force at once, its line already under way: a leader that comes back mid-show."""
        self.cue = cue
        self._begin_pacing()
        self._burst(now, CHANGE_BURST_NS)

    def repeat_state(self, now: LocalInstant) -> None:
        """Say again what is in force, more often than beacons come: somebody seems not to have heard."""
        self._burst(now, STOP_BURST_NS if self.cue.state is CueState.STOPPED else CHANGE_BURST_NS)

    def withdraw(self) -> None:
        """Let nothing take effect that was scheduled and is not announced yet."""
        self.scheduled = [cue for cue in self.scheduled if cue == self._announced]

    def report_media(self, position: ShowPosition, latency_ns: int, at: LocalInstant) -> None:
        """Let the rolling show follow the music; arguments as for ``Pacer.report``, ``at`` on this host's clock."""
        if self.cue.state is CueState.ROLLING:
            jumped = self._pacer.report(position, latency_ns, self.leader_at(at))
            if jumped is not None:
                self._emit(events.MediaJumped(at, jumped.position, jumped.distance_ns, jumped.what))

    def pause(self, now: LocalInstant) -> Cue:
        """Hold the position, one lead time from now; return the cue. Raises ``OrderError`` if nothing rolls then."""
        at, before = self._before_order(now)
        if before.state is not CueState.ROLLING:
            raise OrderError(f"nothing can be paused: the show is {before.state.name.lower()}")
        line = ShowLine(at, max(before.position_at(at), START))
        return self.order(Cue(before.show, CueState.PAUSED, line, self.leader_at(now)))

    def resume(self, now: LocalInstant) -> Cue:
        """Roll on from where it is paused, one lead time from now; return the cue.

        Raises ``OrderError`` if nothing is paused then.
        """
        at, before = self._before_order(now)
        if before.state is not CueState.PAUSED:
            raise OrderError(f"nothing can be resumed: the show is {before.state.name.lower()}")
        line = ShowLine(at, before.line.position)
        return self.order(Cue(before.show, CueState.ROLLING, line, self.leader_at(now)))

    def seek(self, position: ShowPosition, now: LocalInstant) -> Cue:
        """Go to ``position``, one lead time from now, rolling or paused as before; return the cue.

        Raises ``OrderError`` if nothing rolls or is paused then.
        """
        at, before = self._before_order(now)
        if before.state not in (CueState.ROLLING, CueState.PAUSED):
            raise OrderError(f"no position to seek: the show is {before.state.name.lower()}")
        line = ShowLine(at, position, before.line.rate_ppb)
        return self.order(before._replace(line=line, ordered_at=self.leader_at(now)))

    def to_be_in_force(self, now: LocalInstant) -> Cue:
        """Return what will be in force when an order given now takes effect."""
        return self._before_order(now)[1]

    def _before_order(self, now: LocalInstant) -> tuple[LeaderInstant, Cue]:
        """Return when an order given now takes effect, and what will be in force just before."""
        at = LeaderInstant(self.leader_at(now) + self.settings.lead_time_ns)
        earlier = [cue for cue in self.scheduled if cue.line.leader_at <= at]
        return at, earlier[-1] if earlier else self.cue

    def order(self, cue: Cue) -> Cue:
        """Schedule what was ordered, in the place of what an order moments ago scheduled just before; return it.

        So of two orders at once the second, which builds on the first, is announced in time.
        """
        at = cue.line.leader_at
        self.scheduled = [
            other
            for other in self.scheduled
            if other.ordered_at is None or not 0 < at - other.line.leader_at < ORDER_SPACING_NS
        ]
        self.schedule(cue)
        return cue

    def stop(self, now: LocalInstant, ordered_at: LeaderInstant | None = None) -> None:
        """Stop now: everyone fades within a second. Nothing scheduled survives. Pressed again, it is told again.

        ``ordered_at``: when it was ordered, if another leader tells of it; by default now.
        """
        at = self.leader_at(now)
        self.scheduled.clear()
        self._announced = None
        self._confirmation.stopped_at = now
        if ordered_at is None or self.cue.state is not CueState.STOPPED:
            # What is stopped and hears of another's stop repeats nothing: two such leaders would answer burst by burst.
            self._burst(now, STOP_BURST_NS)
        newer_at = at if ordered_at is None else ordered_at
        if self.cue.state is CueState.STOPPED:
            # A later line would prolong the fade; but it is the last order that others' are held against, and a leader
            # that did not take it over would find it new in every beacon of whoever was given it.
            if self.cue.ordered_at is None or self.cue.ordered_at < newer_at:
                self.cue = self.cue._replace(ordered_at=newer_at)
            return
        line = ShowLine(at, max(self.cue.position_at(at), START))
        self.cue = Cue(self.cue.show, CueState.STOPPED, line, newer_at)
        self._emit(events.CueTookEffect(now, self.cue))

    def note_resumed(self, now: LocalInstant) -> None:
        """The host was suspended: what its clock shows now is another clock than everyone knows, and has another name.

        What was measured by the one before says nothing of it.
        """
        self._timebase = nonzero32(self._entropy)
        self._delays = DelayCollector()
        self._turns.clear()
        self._echoes.clear()
        self._burst(now, CHANGE_BURST_NS)

    def end(self, now: LocalInstant) -> None:
        """Say goodbye in a last few beacons, and send nothing else from now on."""
        self._is_ending = True
        self._times.end(now)
        self._echoes.clear()

    @property
    def has_ended(self) -> bool:
        """Whether the last beacon has been sent."""
        return self._is_ending and self._times.next_extra is None and not self._times.is_extra_due

    # -- driven by the leader ------------------------------------------------------------------------------------------

    def receive_message(self, message: Message, source: Address, received_at: LocalInstant, length: int) -> None:
        """Take a message that arrived in a datagram of ``length`` bytes at ``received_at``."""
        if type(message) is Sounding:
            self._receive_sounding(message, source, received_at, length)
        elif type(message) is Tally:
            self._receive_tally(message, source, received_at)
        else:
            self.counters["misdirected"] += 1

    def handle_timer(self, now: LocalInstant) -> None:
        """Do what is due at ``now``. Harmless when early or called twice."""
        if self._is_ending:
            self._times.take_extra(now)
            return
        leader_now = self.leader_at(now)
        while self.scheduled and leader_now >= self.scheduled[0].line.leader_at:
            self.cue = self._check_content(self.scheduled.pop(0), now)
            self._begin_pacing()
            if self.cue != self._announced:
                self._burst(now, CHANGE_BURST_NS)  # it came without notice
            self._announced = None
            self._emit(events.CueTookEffect(now, self.cue))
        announce = self._to_announce(now)
        if announce is not None and self.settings.refuse_incomplete:
            # Before its instant: what has been announced begins everywhere by itself.
            announce = self.scheduled[0] = self._check_content(announce, now)
        if announce is not None and announce != self._announced:
            self._announced = announce
            self._burst(now, CHANGE_BURST_NS)
        if now >= self._times.regular_at:
            self._note_silence(now)
            skipped = self._times.plan(self.settings.interval_ns, now)
            if skipped:
                self.counters["beacon skipped"] += skipped
        if self.cue.state is CueState.ROLLING:
            self._follow_music(leader_now)
        self._times.take_extra(now)
        is_quiet = self._times.next_extra is None and self.cue.state is CueState.STOPPED
        if is_quiet and self._confirmation.must_repeat_stop(self.roster, now):
            self._burst(now, (STOP_REPEATED_NS,))

    def next_timer(self) -> LocalInstant | None:
        """Return when ``handle_timer`` wants to be called next."""
        if self._is_ending:
            return self._times.next_extra
        earliest = self._times.next_at
        if self.scheduled:
            first = self.scheduled[0]
            at = first.line.leader_at
            if first != self._announced:
                at = LeaderInstant(at - self.settings.lead_time_ns)
            earliest = min(earliest, self._first_at(at))
        return earliest

    def datagrams_to_send(self, now: LocalInstant) -> list[tuple[bytes, Address | None]]:
        """Return the datagrams to send at ``now`` with their destinations; each is stamped with ``now``."""
        out: list[tuple[bytes, Address | None]] = []
        while self._echoes:
            sounding, address, received_at, length, cookie = self._echoes.popleft()
            echo = Echo(
                self.identity,
                self._tenure,
                self._timebase,
                sounding.nonce,
                self.leader_at(received_at),
                self.leader_at(now),
                cookie,
            )
            data = self._codec.encode(echo)
            if len(data) <= length:
                out.append((data, address))
            else:
                # An answer larger than its question would let anybody use us to flood a third party.
                self.counters["sounding too short"] += 1
        if self._times.is_regular_due or self._times.is_extra_due:
            beacon = self._beacon(now, regular=self._times.is_regular_due)
            self._times.sent()
            delivery = self.settings.delivery
            if delivery is not Delivery.COPIES:
                out.append((self._codec.encode(beacon), GROUP))
            if delivery is not Delivery.GROUP:
                self._choose_copies(now)
                copy = beacon._replace(is_copy=True)
                out += [(self._codec.encode(copy), address) for address in self._copies.addresses(now)]
        return out

    def next_event(self) -> events.LeaderEvent | None:
        """Return the oldest event not yet told, or ``None``."""
        return self._events.popleft() if self._events else None

    # -- beacons -------------------------------------------------------------------------------------------------

    def _beacon(self, now: LocalInstant, regular: bool) -> Beacon:
        self._serial = (self._serial + 1) & U32
        serial = self._serial
        marker = None
        if regular:
            if self.settings.markers:
                marker = self.roster.next_marker(serial, LocalInstant(now - LOST_AFTER_NS))
            if marker is not None:
                self._turns.give(serial, marker)
            self._note_lost(now)
        coming = self._to_announce(now)
        radio, doubt_ns, delays = self._delays.publish(serial, DELAYS_MAXIMUM)
        return Beacon(
            self.identity,
            self.settings.rank,
            self._tenure,
            self._timebase,
            serial,
            self.leader_at(now),
            self.settings.interval_ns,
            self.settings.sounding_budget,
            self._group_size(now),
            sendable_off_at(self.off_at),  # a beacon is never lost to what an order says
            marker,
            sendable_cue(self.cue, self.off_at),
            None if coming is None else sendable_cue(coming, self.off_at),
            self._turns.publish(serial, now),
            radio,
            doubt_ns,
            delays,
            goodbye=self._is_ending,
        )

    def _group_size(self, now: LocalInstant) -> int:
        return min(max(self.roster.heard_since(LocalInstant(now - LOST_AFTER_NS)), self.settings.group_size), U16)

    def _burst(self, now: LocalInstant, pattern: tuple[int, ...]) -> None:
        self._times.burst(now, pattern)

    def _begin_pacing(self) -> None:
        if self.cue.state is CueState.ROLLING:
            self._pacer.begin(self.cue.line)

    def _follow_music(self, leader_now: LeaderInstant) -> None:
        """Bend the line after the music, where it has to be; every later beacon says so, without a burst."""
        line = self._pacer.amend(leader_now)
        if line is None:
            return
        # The same line, drawn from where the cue took effect: by that instant a later stop or off time is told from an
        # earlier one.
        began_at = self.cue.line.leader_at
        line = _drawn_from(began_at, line)
        if line.position < START:  # the wire knows no position before the first frame
            line = _drawn_from(LeaderInstant(began_at - 2 * line.position), line)
        self.cue = self.cue._replace(line=line)

    def _to_announce(self, now: LocalInstant) -> Cue | None:
        if self.scheduled and self.leader_at(now) >= self.scheduled[0].line.leader_at - self.settings.lead_time_ns:
            return self.scheduled[0]
        return None

    def _first_at(self, leader: LeaderInstant) -> LocalInstant:
        """Return the first local instant at which the timebase's clock shows ``leader`` or more."""
        local = self.local_at(leader)
        while self.leader_at(local) < leader:  # rounding can land a nanosecond or two early
            local = LocalInstant(local + 1)
        return local

    def _check_content(self, cue: Cue, now: LocalInstant) -> Cue:
        """Keep a show from rolling, or warn, if followers say that they do not hold it."""
        if cue.state is not CueState.ROLLING:
            return cue
        names = self.not_holding(cue.show)
        if not names:
            return cue
        if not self.settings.refuse_incomplete:
            self._emit(events.ShowIncomplete(now, cue.show, names))
            return cue
        self._emit(events.ShowRefused(now, cue.show, names))
        return dark_cue(cue.line.leader_at, cue.ordered_at)

    # -- what followers say --------------------------------------------------------------------------------------

    def _receive_sounding(self, sounding: Sounding, source: Address, received_at: LocalInstant, length: int) -> None:
        # What will not be answered changes nothing.
        if len(self._echoes) >= ECHO_QUEUE_MAXIMUM:
            self.counters["echo dropped"] += 1
            return
        # Only who receives at this address can know what was sent there: a recording sent from elsewhere does not.
        cookie = self._cookies.of(sounding.follower, source)
        is_proven = sounding.cookie == cookie
        if not self._answers.allow(received_at, is_proven):
            self.counters["echo limited"] += 1
            return
        entry = self.roster.find(sounding.follower)
        if is_proven or (entry is None and not self.roster.is_half_full):
            entry, _ = self.roster.hear(sounding.follower, source, received_at)
        if is_proven:
            self._copies.renew(sounding.follower, source, received_at)
            self._tell_limits(received_at)
            # One of no tenure, or another, knows the way here and has heard no beacon of this one at all.
            is_deaf = sounding.tenure != self._tenure and self.settings.delivery is not Delivery.GROUP
            if is_deaf and entry is not None and self._copies.begin(sounding.follower):
                self._emit(events.CopiesBegun(received_at, sounding.follower, entry.name))
        if sounding.tenure == self._tenure and sounding.delays and entry is not None:
            self._delays.collect(entry.follower, sounding.radio, sounding.delays)
        self._echoes.append((sounding, source, received_at, length, cookie))

    def _receive_tally(self, tally: Tally, source: Address, received_at: LocalInstant) -> None:
        if tally.tenure != self._tenure:
            self.counters["other tenure's tally"] += 1
            return
        if not self.roster.is_news(tally):
            self.counters["repeated tally"] += 1
            return
        entry, _ = self.roster.hear(tally.follower, source, received_at, reports=True)
        self._tell_limits(received_at)
        if self.roster.find(tally.follower) is None:
            self.counters["roster full"] += 1
            return
        before = entry.tally
        entry.tallied_at = received_at
        if before is None:
            # Told now and not at its first Sounding: only a Tally says the name.
            self._emit(events.FollowerJoined(received_at, tally.follower, tally.name))
        if self.roster.note_tally(entry, tally):
            self._emit(events.FollowerCloned(received_at, tally.follower, tally.name))
        if self._confirmation.is_contradicted(entry, self.cue.state, received_at):
            if not entry.contradicts:
                entry.contradicts = True
                self._emit(events.CueContradicted(received_at, tally.follower, tally.name, tally.cue_state))
            self._repeat_state(received_at)
        if tally.live_data and (before is None or not before.live_data):
            self._emit(events.SecondSourceReported(received_at, tally.follower, tally.name))
        turn = tally.turn
        if turn is not None and not self._turns.take(turn, tally.follower, received_at):
            self.counters["out of turn"] += 1

    def _tell_limits(self, now: LocalInstant) -> None:
        """Tell once a tenure of each limit that somebody has met."""
        if self.roster.has_overflowed and not self._has_told_roster_full:
            self._has_told_roster_full = True
            self._emit(events.RosterFull(now, self.settings.roster_limit))
        if (
            self._copies.has_overflowed
            and self.settings.delivery is not Delivery.GROUP
            and not self._has_told_copies_full
        ):
            self._has_told_copies_full = True
            self._emit(events.CopiesFull(now, self.settings.copies_limit))

    def _choose_copies(self, now: LocalInstant) -> None:
        """Let followers that hear too little of the group have copies, and those that hear it well again have none."""
        for follower in self._copies.expire(now):
            known = self.roster.find(follower)
            self._emit(events.CopiesEnded(now, follower, f"{follower:08x}" if known is None else known.name))
        everyone = self.settings.delivery is not Delivery.AUTOMATIC
        for entry in self.roster:
            tally = entry.tally
            if tally is None:
                continue
            if self._copies.consider(entry.follower, tally.beacon_loss_permille, everyone, now):
                begun = self._copies.is_served(entry.follower)
                event = events.CopiesBegun if begun else events.CopiesEnded
                self._emit(event(now, entry.follower, tally.name))

    def not_holding(self, show: int) -> tuple[str, ...]:
        """Return the names of followers that say they do not hold a show, or hold another edition of it."""
        lacking = (ContentState.MISSING, ContentState.OTHER_EDITION)
        return tuple(
            entry.name
            for entry in self.roster
            if entry.tally is not None
            and not entry.lost
            and entry.tally.show == show
            and entry.tally.content in lacking
        )

    def served_copies(self) -> frozenset[int]:
        """Return the followers that are sent copies of the beacons."""
        return frozenset(entry.follower for entry in self.roster if self._copies.is_served(entry.follower))

    def not_stopped(self) -> tuple[str, ...]:
        """Return the names of followers that have not confirmed a stop that is in force: not since it was ordered."""
        if self.cue.state is not CueState.STOPPED:
            return ()
        return tuple(entry.name for entry in self.roster if not self._confirmation.has_stopped(entry))

    def _note_silence(self, now: LocalInstant) -> None:
        """Tell people where everybody who reports has fallen silent at once."""
        tally_spacing_ns = self._group_size(now) * SECOND // TALLIES_PER_SECOND
        silent = self._confirmation.is_news_of_silence(self.roster, tally_spacing_ns, now)
        if silent:
            self._emit(events.RosterSilent(now, silent))
            self._repeat_state(now)

    def _repeat_state(self, now: LocalInstant) -> None:
        if self._confirmation.may_repeat(now):
            self.repeat_state(now)

    def _note_lost(self, now: LocalInstant) -> None:
        for entry in self.roster:
            if now - entry.heard_at <= LOST_AFTER_NS:
                break  # the roster is in order of hearing: everyone after this one was heard later
            if not entry.lost:
                entry.lost = True
                if entry.tally is None:
                    continue  # it was never named, and so never told of
                self._emit(events.FollowerLost(now, entry.follower, entry.name))

    def _emit(self, event: events.LeaderEvent) -> None:
        self._events.append(event)


def _drawn_from(at: LeaderInstant, line: ShowLine) -> ShowLine:
    """Return a line through ``at`` that meets ``line`` at its own instant to the nanosecond."""
    elapsed_ns = line.leader_at - at
    position = line.position - elapsed_ns - elapsed_ns * line.rate_ppb // BILLION
    return ShowLine(at, ShowPosition(position), line.rate_ppb)
