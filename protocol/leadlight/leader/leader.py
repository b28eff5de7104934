"""A node that can lead: listens before it leads, stands by while another leads, takes over and gives back.

Sans-IO, with the same five verbs as the follower. What it does in which role is the table in ``roles``. While it leads
it runs a ``Tenure``; all the time it has an ear, an ordinary ``Follower``, through which it knows the clock and the
cues of whoever else leads. So a standby knows the show to the millisecond before it ever sends a beacon.

Orders (``schedule``, ``roll``, ``stop`` and so on) give instants on this host's own clock. Given while another leads
they are kept, and hold once this node leads.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from leadlight import events
from leadlight.addresses import Address
from leadlight.cue import NO_SHOW, START, Cue, ShowLine, check_cue, check_position, dark_cue
from leadlight.entropy import Entropy
from leadlight.errors import OrderError, WireError, check_kind, check_whole
from leadlight.follower import Follower, FollowerSettings
from leadlight.leader.kept import is_idle
from leadlight.leader.pacing import LATENCY_MAXIMUM_NS
from leadlight.leader.rivals import Rivals
from leadlight.leader.roles import TRANSITIONS, RoleInput
from leadlight.leader.roster import Roster
from leadlight.leader.settings import LISTEN_INTERVALS, LeaderSettings
from leadlight.leader.succession import apply_on_music_lost, inheritance_from
from leadlight.leader.tenure import Inheritance, Tenure
from leadlight.leader.waiting import WaitingOrders, in_timebase, on_own_clock
from leadlight.playback import StoredShow, check_shows, key_meant
from leadlight.terms import ClockState, CueState, Role
from leadlight.units import INSTANT_MAXIMUM, MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire import Beacon, Codec

ASK_TIMES: Final = 4
ASK_SPACING_NS: Final = 300 * MILLISECOND
"""Four Soundings over nine tenths of a second: an outage that swallows all of them is rarer than one of a third."""
ASK_PATIENCE_NS: Final = 1 * SECOND
RANK_SPACING_NS: Final = 200 * MILLISECOND
"""A standby of the next rank waits so much longer, and hears the first one's beacons meanwhile."""
LAST_RANK: Final = 127
"""The last rank that travels: a start that leads at once, and has nothing to lead, goes behind whoever has."""
OWN_TENURES_KEPT: Final = 64
"""Earlier tenures of this node whose beacons may still come back to it."""


class Leader:
    """One node that can lead. Give it a codec for its group, a source of chance, and the time on its clock.

    ``kept`` is the ``bequest`` of an earlier run on the same running clock: this one goes on with it, unless somebody
    else leads by then.

    ``shows`` are those whose length it must know to tell where one ends: for a boundary at which to take back, and for
    finishing a show whose music is gone.
    """

    def __init__(
        self,
        settings: LeaderSettings,
        codec: Codec,
        entropy: Entropy,
        now: LocalInstant,
        shows: Iterable[StoredShow] = (),
        kept: Inheritance | None = None,
    ) -> None:
        check_kind("settings", settings, LeaderSettings, "a LeaderSettings")
        self.settings = settings
        self.identity = settings.identity
        self.role = Role.LISTENING
        self._codec = codec
        self._entropy = entropy
        self._shows = check_shows(shows)
        self._own_counters: Counter[str] = Counter()
        self._events: deque[events.LeaderEvent] = deque()
        self._tenure: Tenure | None = None
        self._ear = self._new_ear()
        # By rank, so that of two that start together the first is heard by the second.
        patience = settings.listen_intervals + (settings.rank if settings.listen_intervals else 0)
        self._listen_until = LocalInstant(now + patience * settings.interval_ns)
        self._silent_since = now
        self._asked = 0
        self._ask_at: LocalInstant | None = None
        # The goodbye that was heard last, and the one for which this node asks, if it does.
        self._is_ending = False
        self._goodbye_heard: LocalInstant | None = None
        self._goodbye_at: LocalInstant | None = None
        self._own_tenures: deque[int] = deque(maxlen=OWN_TENURES_KEPT)
        # Leading without having listened, it does not darken a show that is on: it defers while it could have listened.
        self._defers_until = LocalInstant(now + LISTEN_INTERVALS * settings.interval_ns)
        self._defers = False
        self._rivals = Rivals(self._emit)
        # What this node led before it yielded to a leader that may prove to be none.
        self._given_up: Inheritance | None = None
        # What an earlier run of it led.
        self._kept = kept
        self._seen_at = now
        self._waiting = WaitingOrders()
        self._nothing_heard = Roster()
        if settings.listen_intervals == 0:
            self._defers = True
            self._move(RoleInput.LISTENED_OUT, now)

    def _new_ear(self) -> Follower:
        settings = FollowerSettings(name=self.settings.name, lights=False)
        return Follower(settings, self._codec, self._entropy, self._shows)

    def __repr__(self) -> str:
        return f"<Leader {self.settings.name!r}: {self.role.value}; {self.cue}>"

    # -- what it is ----------------------------------------------------------------------------------------------

    @property
    def is_leading(self) -> bool:
        """Whether this node leads."""
        return self._tenure is not None

    @property
    def bequest(self) -> Inheritance | None:
        """What a later run of this node needs to lead on as if it were this one; ``None`` unless it leads."""
        return None if self._tenure is None else self._tenure.bequest()

    @property
    def kept(self) -> Inheritance | None:
        """What an earlier run of this node led, and this one will: ``None`` once it leads, or another does."""
        return self._kept if self.role is Role.LISTENING else None

    @property
    def listens_until(self) -> LocalInstant:
        """When it has listened, or had, whether anybody leads, on this host's clock."""
        return self._listen_until

    @property
    def cue(self) -> Cue:
        """What is in force, as far as this node knows. Instants are in ``timebase``."""
        return self._ear.cue if self._tenure is None else self._tenure.cue

    @property
    def scheduled(self) -> tuple[Cue, ...]:
        """Cues to come, earliest first. Instants are in ``timebase``; those ``waiting`` are not among them."""
        if self._tenure is not None:
            return tuple(self._tenure.scheduled)
        return () if self._ear.next_cue is None else (self._ear.next_cue,)

    @property
    def waiting(self) -> tuple[Cue, ...]:
        """Own cues that wait until this node leads, earliest first. Instants are on this host's clock."""
        return tuple(self._waiting.cues)

    @property
    def roster(self) -> Roster:
        """The followers that this node hears of as a leader; empty while another leads."""
        return self._nothing_heard if self._tenure is None else self._tenure.roster

    @property
    def counters(self) -> Counter[str]:
        """Datagrams refused, beacons skipped and so on, by cause."""
        return self._own_counters if self._tenure is None else self._own_counters + self._tenure.counters

    @property
    def tenure(self) -> int | None:
        """This run's tenure while it leads, else the tenure it follows, if any."""
        return self._ear.tenure if self._tenure is None else self._tenure.tenure

    @property
    def timebase(self) -> int | None:
        """The timebase that instants refer to; ``None`` while nobody leads."""
        return self._ear.timebase if self._tenure is None else self._tenure.timebase

    @property
    def not_stopped(self) -> tuple[str, ...]:
        """Names of followers that have not confirmed a stop that is in force."""
        return () if self._tenure is None else self._tenure.not_stopped()

    @property
    def served_copies(self) -> frozenset[int]:
        """The followers that are sent copies of the beacons."""
        return frozenset() if self._tenure is None else self._tenure.served_copies()

    def leader_at(self, local: LocalInstant) -> LeaderInstant | None:
        """Return what the timebase's clock shows at a local instant; ``None`` while nobody leads."""
        return self._ear.clock.leader_at(local) if self._tenure is None else self._tenure.leader_at(local)

    # -- orders --------------------------------------------------------------------------------------------------

    def schedule(self, cue: Cue) -> None:
        """Let a cue take effect at its line's instant on this host's clock; it is announced ahead by the lead time.

        A scheduled cue at the same instant is replaced.
        """
        check_cue(cue)
        if self._tenure is not None:
            self._tenure.schedule(in_timebase(cue, self._tenure))
        else:
            self._waiting.schedule(cue)

    def roll(self, show: StoredShow | str | int, now: LocalInstant, position: ShowPosition = START) -> Cue:
        """Schedule a show to roll from ``position`` one lead time from now; return the cue, on this host's clock.

        ``show`` is a stored show, the id of one of those given to this node, or a key.
        While this node still listens whether anybody leads, the lead time is counted from when it will have listened.
        """
        key = key_meant(show, self._shows)
        check_position(position, self._length_ns(key))
        begins_at = max(now, self._listen_until) if self.role is Role.LISTENING else now
        at = LeaderInstant(begins_at + self.settings.lead_time_ns)
        return self._order_to_come(Cue(key, CueState.ROLLING, ShowLine(at, position), LeaderInstant(now)))

    def resume_line(self, cue: Cue, now: LocalInstant) -> None:
        """Put a cue in force at once, its line already under way: a leader that comes back mid-show.

        If another leads by then, what it leads holds.
        """
        check_cue(cue)
        if self._tenure is None:
            self._waiting.under_way = cue
        else:
            self._tenure.resume_line(in_timebase(cue, self._tenure), now)

    def withdraw(self) -> None:
        """Let nothing take effect that was scheduled here and is not announced yet."""
        self._waiting.withdraw()
        if self._tenure is not None:
            self._tenure.withdraw()

    def note_resumed(self, now: LocalInstant) -> None:
        """The host was suspended and is awake again. A standby's clock begins anew, and so does its count of silence.

        One that leads leads on in its own time, whatever that is now, unless somebody took over meanwhile. It does so
        in a new timebase, for the time that everyone else knows may have gone on without it.
        """
        if self._tenure is not None:
            self._tenure.note_resumed(now)
        else:
            self._silent_since = max(self._silent_since, now)
            self._ear.note_resumed(now)

    def report_media(self, position: ShowPosition, latency_ns: int, at: LocalInstant) -> None:
        """Let the show in force follow the music: at ``at`` its player hands over what is heard ``latency_ns`` later.

        ``position`` is where in the show that is. Lights follow the music, never the reverse. Report about once a
        second or more often, in a pause too. Music that jumps is told each time, as ``MediaJumped``, and not followed
        until a cue rolls anew. While another leads it counts for nothing. Raises ``ConfigurationError`` for a latency
        outside 0 to 10 s, and for what is no whole number.
        """
        for field, value in (("position", position), ("at", at)):
            check_whole(field, value, -INSTANT_MAXIMUM, INSTANT_MAXIMUM, "ns")
        check_whole("latency_ns", latency_ns, 0, LATENCY_MAXIMUM_NS, "0 to 10 s in ns")
        if self._tenure is not None:
            self._tenure.report_media(position, latency_ns, at)

    def pause(self, now: LocalInstant) -> Cue:
        """Hold the position, one lead time from now; return the cue, on this host's clock.

        Raises ``OrderError`` while this node does not lead, or if nothing rolls by then.
        """
        tenure = self._to("pause")
        return on_own_clock(tenure.pause(now), tenure)

    def resume(self, now: LocalInstant) -> Cue:
        """Roll on from where the show is paused, one lead time from now; return the cue, on this host's clock.

        Raises ``OrderError`` while this node does not lead, or if nothing is paused by then.
        """
        tenure = self._to("resume")
        return on_own_clock(tenure.resume(now), tenure)

    def seek(self, position: ShowPosition, now: LocalInstant) -> Cue:
        """Go to ``position``, one lead time from now, rolling or paused as before; return the cue.

        Its instant is on this host's clock. Raises ``OrderError`` while this node does not lead, or if nothing rolls or
        is paused by then.
        """
        tenure = self._to("seek")
        check_position(position, self._length_ns(tenure.to_be_in_force(now).show))
        return on_own_clock(tenure.seek(position, now), tenure)

    def _to(self, order: str) -> Tenure:
        """Return the tenure that carries out an order about what is in force, which only the leader decides."""
        if self._tenure is None:
            raise OrderError(f"only the leader can {order}: this node is {self.role.value}")
        return self._tenure

    def go_dark(self, now: LocalInstant) -> None:
        """Show nothing, one lead time from now."""
        self._order_to_come(dark_cue(LeaderInstant(now + self.settings.lead_time_ns), LeaderInstant(now)))

    def _order_to_come(self, cue: Cue) -> Cue:
        if self._tenure is None:
            self.schedule(cue)
        else:
            self._tenure.order(in_timebase(cue, self._tenure))
        return cue

    def stop(self, now: LocalInstant) -> None:
        """Stop now: everyone fades within a second. Nothing scheduled survives.

        A node that does not lead takes the lead for it: a stop waits for nobody. If a leader that outranks this one
        is there, it hears of the stop, makes it its own, and leads on.
        """
        self._waiting.withdraw()
        if self._tenure is None:
            self._move(RoleInput.TAKE_BACK, now)
        assert self._tenure is not None
        self._tenure.stop(now)

    def set_off_at(self, at: LocalInstant | None) -> None:
        """Set the hard off time, on this host's clock, or clear it."""
        if at is not None:
            check_whole("at", at, 0, INSTANT_MAXIMUM, "an instant of this host's clock in whole ns, or None")
        self._waiting.off_at = at
        if self._tenure is not None:
            self._tenure.off_at = None if at is None else self._tenure.leader_at(at)

    def take_back(self, now: LocalInstant) -> None:
        """Lead from now on, at whatever point of the show: an order from a person.

        A leader that outranks this one, if there is one, keeps its followers, and this node yields to it again.
        """
        self._defers_until = now
        if self._tenure is None:
            self._move(RoleInput.TAKE_BACK, now)

    def end(self, now: LocalInstant) -> None:
        """Say goodbye in a last few beacons, if this node leads; it hears and says nothing else from now on."""
        self._is_ending = True
        if self._tenure is not None:
            self._tenure.end(now)

    @property
    def has_ended(self) -> bool:
        """Whether it was told to end, and nothing is left to say."""
        return self._is_ending and (self._tenure is None or self._tenure.has_ended)

    # -- the five verbs ------------------------------------------------------------------------------------------

    def receive_datagram(self, data: bytes, source: Address, received_at: LocalInstant) -> None:
        """Take a datagram that arrived at ``received_at``. Bytes that are not ours are counted and ignored."""
        if self._is_ending:
            return  # an answer would say that it goes on
        self._end_deference(received_at)
        try:
            message = self._codec.decode(data)
        except WireError as error:
            self._own_counters[error.reason] += 1
            return
        if type(message) is Beacon:
            self._receive_beacon(message, source, received_at)
        elif self._tenure is not None and not self._ear.is_expecting(message):
            self._tenure.receive_message(message, source, received_at, len(data))
        else:
            self._ear.receive_message(message, source, received_at)
        self._follow_ear(received_at)

    def handle_timer(self, now: LocalInstant) -> None:
        """Do what is due at ``now``. Harmless when early or called twice."""
        if self._is_ending:
            if self._tenure is not None:
                self._tenure.handle_timer(now)
            return
        self._ear.handle_timer(now)
        if self._tenure is not None:
            self._tenure.handle_timer(now)
        elif self.role is Role.LISTENING and now >= self._listen_until:
            self._move(RoleInput.LISTENED_OUT, now)
        elif self.role is Role.STANDBY and now >= self._silence_at():
            self._move(RoleInput.SILENCE, now)
        if self.role is Role.ASKING:
            if self._ask_at is not None and now >= self._ask_at:
                self._ask(now)
            if now >= self._lead_at():
                self._move(RoleInput.ASKED_OUT, now)
        self._follow_ear(now)

    def next_timer(self) -> LocalInstant | None:
        """Return when ``handle_timer`` wants to be called next, or ``None``."""
        if self._is_ending:
            return None if self._tenure is None else self._tenure.next_timer()
        earliest = self._ear.next_timer()
        if self._tenure is not None:
            due: LocalInstant | None = self._tenure.next_timer()
            return due if earliest is None or (due is not None and due < earliest) else earliest
        instants: tuple[LocalInstant | None, ...]
        if self.role is Role.LISTENING:
            instants = (self._listen_until,)
        elif self.role is Role.STANDBY:
            boundary = self._boundary_at()
            if boundary is not None and boundary <= self._seen_at:
                boundary = None  # one that has passed waits for the clock to be known: for a packet
            instants = (self._silence_at(), boundary)
        else:
            instants = (self._ask_at, self._lead_at())
        for due in instants:
            if due is not None and (earliest is None or due < earliest):
                earliest = due
        return earliest

    def datagrams_to_send(self, now: LocalInstant) -> list[tuple[bytes, Address | None]]:
        """Return the datagrams to send at ``now`` with their destinations; each is stamped with ``now``."""
        if self._is_ending:
            return [] if self._tenure is None else self._tenure.datagrams_to_send(now)
        self._end_deference(now)
        out = self._ear.datagrams_to_send(now)
        if self._tenure is not None:
            out += self._tenure.datagrams_to_send(now)
        return out

    def next_event(self) -> events.LeaderEvent | None:
        """Return the oldest event not yet told, or ``None``."""
        if self._events:
            return self._events.popleft()
        return None if self._tenure is None else self._tenure.next_event()

    # -- other leaders -------------------------------------------------------------------------------------------

    def _receive_beacon(self, beacon: Beacon, source: Address, received_at: LocalInstant) -> None:
        if beacon.tenure in self._own_tenures:
            self._own_counters["own copy"] += 1
            return
        if beacon.leader == self.identity:
            self._own_counters["own id"] += 1
            self._rivals.meet_oneself(beacon, received_at)
            return
        if self._tenure is not None:
            self._own_counters["other leader"] += 1
            if not self._rivals.hear(beacon, self._tenure, self._order, received_at):
                return
        self._ear.receive_message(beacon, source, received_at)

    @property
    def _order(self) -> tuple[int, int]:
        return LAST_RANK if self._defers else self.settings.rank, self.identity

    def _end_deference(self, now: LocalInstant) -> None:
        """Lead in this node's own rank once something of its own is in force or announced, or nobody was heard."""
        tenure = self._tenure
        if not self._defers or tenure is None:
            return
        announced_at = LeaderInstant(tenure.leader_at(now) + self.settings.lead_time_ns)
        is_announced = bool(tenure.scheduled) and tenure.scheduled[0].line.leader_at <= announced_at
        if is_announced or tenure.has_begun or now >= self._defers_until:
            self._defers = False
            tenure.settings = self.settings

    def _hears_better(self) -> bool:
        """Return whether the leader that the ear follows outranks this node."""
        return self._ear.order < self._order

    def _follow_ear(self, now: LocalInstant) -> None:
        """Let the role follow from what the ear has heard and found proven."""
        self._seen_at = max(self._seen_at, now)
        heard_at = self._ear.heard_at
        while (event := self._ear.next_event()) is not None:
            is_new = isinstance(event, events.LeaderFound | events.LeaderChanged | events.LeaderRestarted)
            if is_new and self._tenure is None:
                self._move(RoleInput.HEARD_BETTER if self._hears_better() else RoleInput.HEARD_LEADER, now)
        if heard_at is None:
            return
        if self._tenure is not None:
            if heard_at <= self._tenure.begun_at or self._ear.tenure is None:
                return
            if self._ear.is_lost:
                self._ear.fall_silent(self.settings.interval_ns)
            elif self._hears_better():
                if not self._rivals.holds_on(self._tenure, self._ear.tenure, now):
                    self._move(RoleInput.HEARD_BETTER, now)
            elif self._rivals.must_obey(self._ear.tenure):
                self._ear.fall_silent(self.settings.interval_ns)
                self._rivals.obey(self._tenure, now)
            return
        # By when it was sent: what was late itself makes a lost leader no younger, and standbys count from one instant.
        alive_at = self._ear.alive_at
        if alive_at is not None and alive_at > self._silent_since:
            self._silent_since = alive_at
            answered_at = self._ear.answered_at
            is_beacon = answered_at is None or answered_at <= heard_at
            if self.role is Role.ASKING and not (is_beacon and self._ear.goodbye_at is not None):
                self._move(RoleInput.HEARD_LEADER if is_beacon else RoleInput.ANSWERED, now)
        goodbye_at = self._ear.goodbye_at
        if goodbye_at is None and self._goodbye_at is not None and self.role is Role.ASKING:
            self._move(RoleInput.HEARD_LEADER, now)  # not followed, but it goes on
        elif goodbye_at is not None and goodbye_at != self._goodbye_heard:
            self._goodbye_heard = goodbye_at
            self._move(RoleInput.GOODBYE, now)
            self._goodbye_at = goodbye_at
        boundary = self._boundary_at()
        knows = self._ear.clock.state is ClockState.LOCKED
        if self.role is Role.STANDBY and boundary is not None and now >= boundary and knows:
            self._move(RoleInput.TAKE_BACK, now)

    # -- taking over and giving back -----------------------------------------------------------------------------

    def _move(self, what: RoleInput, now: LocalInstant) -> None:
        previous = self.role
        role = TRANSITIONS[previous, what]
        if role is previous:
            return
        self.role = role
        self._goodbye_at = None
        self._events.append(events.RoleChanged(now, role, previous))
        if role is Role.LEADING:
            self._lead(now, music_is_lost=what is RoleInput.ASKED_OUT)
        elif previous is Role.LEADING:
            self._yield(now)
        if role is Role.ASKING:
            self._asked = 0
            self._ask_at = now
        else:
            self._ask_at = None

    def _lead(self, now: LocalInstant, music_is_lost: bool) -> None:
        inheritance = inheritance_from(self._ear, self._entropy, now)
        if self._ear.is_ghost and self._given_up is not None:
            inheritance, music_is_lost = self._given_up, False  # who was yielded to has led nothing
        elif inheritance is not None and self._waiting and self._ear.is_ghost and self._ear.never_answered:
            inheritance = None
        kept = self._kept if inheritance is None or self._ear.is_ghost else None
        if kept is not None:
            inheritance, music_is_lost = kept, False
            self._events.append(events.CueTakenUp(now, kept.cue))
        self._given_up = self._kept = None
        self._rivals.forget()
        settings = replace(self.settings, rank=LAST_RANK) if self._defers else self.settings
        tenure = Tenure(settings, self._codec, self._entropy, now, inheritance)
        self._tenure = tenure
        self._own_tenures.append(tenure.tenure)
        if inheritance is not None and music_is_lost:
            apply_on_music_lost(self.settings.on_music_lost, tenure, self._length_ns(tenure.cue.show), now)
        self._waiting.carry_out(tenure, inheritance is None or (kept is not None and is_idle(kept)), now)
        self._ear.fall_silent(self.settings.interval_ns)

    def _yield(self, now: LocalInstant) -> None:
        """Another, better leader is there: keep the events, drop the tenure."""
        assert self._tenure is not None
        while (event := self._tenure.next_event()) is not None:
            self._events.append(event)
        self._rivals.yield_to_better(self._tenure, now)
        self._given_up = self._tenure.bequest()
        self._own_counters += self._tenure.counters
        if self._defers:
            # As if it had listened: what was ordered meanwhile waits. Its own clock was the timebase.
            self._waiting.cues = self._tenure.scheduled
            self._defers = False
        self._tenure = None
        self._silent_since = now

    def _length_ns(self, key: int) -> ShowPosition | None:
        """Return the length of the show of this key, if it is known."""
        return next((show.length_ns for show in self._shows if show.key == key), None)

    def _ends_at(self, cue: Cue) -> LeaderInstant | None:
        """Return when a rolling show has shown its last frame, in the timebase; ``None`` for one of unknown length."""
        length_ns = self._length_ns(cue.show)
        return None if length_ns is None else cue.line.instant_of(length_ns)

    # -- timing --------------------------------------------------------------------------------------------------

    def _silence_at(self) -> LocalInstant:
        return LocalInstant(self._silent_since + self._ear.silence_ns)

    def _lead_at(self) -> LocalInstant:
        rank_ns = self.settings.rank * RANK_SPACING_NS
        if self._goodbye_at is not None:
            return LocalInstant(self._goodbye_at + max(self._ear.goodbye_ns, ASK_PATIENCE_NS) + rank_ns)
        return LocalInstant(self._silence_at() + ASK_PATIENCE_NS + rank_ns)

    def _ask(self, now: LocalInstant) -> None:
        self._ear.sound_now()
        self._asked += 1
        self._ask_at = LocalInstant(now + ASK_SPACING_NS) if self._asked < ASK_TIMES else None

    def _boundary_at(self) -> LocalInstant | None:
        """Return when this node may take back the lead: at once between shows, else at the end of the one in force.

        ``None`` while the one that leads outranks this one.
        """
        ear = self._ear
        if ear.order < self._order or ear.heard_at is None:
            return None
        cue = ear.cue
        if ear.next_cue is not None:
            return None  # a change is under way
        if cue.state is CueState.DARK or cue.show == NO_SHOW:
            return ear.heard_at
        if cue.state is not CueState.ROLLING:
            return None
        ends_at = self._ends_at(cue)
        served = ear.clock.served
        return None if ends_at is None or served is None else served.local_at(ends_at)

    def _emit(self, event: events.LeaderEvent) -> None:
        self._events.append(event)
