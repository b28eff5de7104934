"""The follower: told the time and handed datagrams, it knows which frame is now.

Sans-IO. Five verbs drive it (``receive_datagram``, ``handle_timer``, ``next_timer``, ``datagrams_to_send``,
``next_event``); the player asks ``shown`` for what to show. The same inputs give the same answers and the same bytes.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable
from typing import Final, NamedTuple

from leadlight import events
from leadlight.addresses import GROUP, Address
from leadlight.clock import (
    Bounds,
    ClockView,
    Estimate,
    FollowerClock,
    Misfit,
    Refusals,
    reporting_stride,
)
from leadlight.cue import Cue
from leadlight.entropy import Entropy, identity, nonzero32
from leadlight.errors import ConfigurationError, WireError, check_kind, check_whole
from leadlight.follower.exchange import SoundingSchedule
from leadlight.follower.journal import LINES_KEPT, JournalLine, Notes
from leadlight.follower.leader_selection import FOLLOW, GAPS_ABOVE_NS, LeaderSelection, Novelty, Verdict
from leadlight.follower.settings import GOODBYE_INTERVALS, SILENT_INTERVALS, FollowerSettings
from leadlight.follower.tallies import TallySchedule
from leadlight.playback import (
    FRAMES_MAXIMUM,
    HOLDOVER_FADE_NS,
    STOP_CARRIED_INTERVALS,
    STOP_CARRIED_NS,
    AtTick,
    Library,
    Playhead,
    Recovery,
    Shown,
    Stage,
    StoredShow,
)
from leadlight.terms import ClockState, ContentState, Refusal
from leadlight.units import BILLION, MICROSECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire import U32, Beacon, Codec, Echo, Message, Sounding, Tally

REFUSALS: Final = frozenset(map(str, Refusal)) | {"misdirected", "implausible"}
LATENESS_KEPT: Final = 100
"""Of so many frames the lateness is remembered: some seconds."""
LIVE_DATA_LASTS_NS: Final = 5 * SECOND
GHOST_BEACONS: Final = 5
"""A leader that was heard so rarely, or that never answered, has taken no show over that should outlive it."""
JOIN_PATIENCE_NS: Final = 5 * SECOND
"""A follower that hears beacons this long without locking shows what it can."""


class Snapshot(NamedTuple):
    """Everything worth telling a person about a follower at one instant."""

    clock: ClockState
    view: ClockView
    bounds: Bounds
    offset_ns: int | None
    rate_ppb: int
    leader: int | None
    tenure: int | None
    beacon_loss: float
    beacon_age_ns: int | None
    cue: Cue
    frame: int | None
    level: float
    late_frames: int
    frame_shown: int | None
    """The last frame that the player reported."""
    frame_late_ns: int | None
    """How late it was handed over, by the clock as it was known then; ``None`` where no line says."""
    frames_late_p95_ns: int | None
    """The same of 95 of the last 100 frames or so."""
    refused: dict[str, int]
    """Datagrams that were refused, by cause; one's own that came back are none."""


_NOVELTIES: Final[
    dict[Novelty, type[events.LeaderFound] | type[events.LeaderRestarted] | type[events.LeaderChanged]]
] = {
    Novelty.FIRST: events.LeaderFound,
    Novelty.RESTARTED: events.LeaderRestarted,
    Novelty.CHANGED: events.LeaderChanged,
}

_FITS: Final = Misfit.NONE
"""For every beacon: to reach a member through its class takes Python 3.11 ten times as long."""


class Follower:
    """One follower. Give it a codec for its group, a source of chance, and the shows it holds."""

    # Beyond thirty attributes each instance would have a dictionary of its own, slower to look anything up in.
    __slots__ = (
        "_address",
        "_asks_for_copies",
        "_broken",
        "_budget",
        "_budget",
        "_cap_at",
        "_codec",
        "_cookie",
        "_entropy",
        "_events",
        "_instance",
        "_interval_ns",
        "_is_keyed",
        "_journal",
        "_last_sign",
        "_late_ns",
        "_live_until",
        "_loss_interval_ns",
        "_patience_at",
        "_refusals",
        "_selection",
        "_silent_at",
        "_sounding_due",
        "_soundings",
        "_tallies",
        "_tally_serial",
        "_timebase",
        "_timebase_leader",
        "_turns",
        "answered_at",
        "clock",
        "counters",
        "frame_shown",
        "goodbye_at",
        "heard_at",
        "held",
        "identity",
        "late_frames",
        "settings",
        "stage",
    )

    def __init__(
        self,
        settings: FollowerSettings,
        codec: Codec,
        entropy: Entropy,
        shows: Iterable[StoredShow] | Library = (),
        recovery: Recovery | None = None,
    ) -> None:
        check_kind("settings", settings, FollowerSettings, "a FollowerSettings")
        if recovery is not None and not callable(getattr(recovery, "correct", None)):
            raise ConfigurationError("recovery", recovery, "a Recovery, such as BlendedRecovery()")
        self.settings = settings
        self.identity = identity(settings.name)
        self.clock = FollowerClock(settings.clock)
        self._tallies = TallySchedule(entropy, settings.tally_interval_ns)
        self.stage = Stage(
            shows if isinstance(shows, Library) else Library(shows),
            self.clock,
            Playhead(recovery, settings.latency_ns, settings.trim_ns),
            codec.keys is not None,
            self._emit,
            self._tallies.hasten,
        )
        self.counters: Counter[str] = Counter()
        """Datagrams refused, late, duplicate and so on, by cause."""
        self.late_frames = 0
        """Frames that the player could not show in time, by its own word or by its reports."""
        self.frame_shown: int | None = None
        """The last frame that the player reported."""
        self._late_ns: deque[int | None] = deque(maxlen=LATENESS_KEPT)
        self._codec = codec
        self._entropy = entropy
        self._is_keyed = codec.keys is not None
        self._instance = nonzero32(entropy)
        self._tally_serial = 0
        self._live_until: LocalInstant | None = None
        self._soundings = SoundingSchedule(entropy)
        self._events: deque[events.FollowerEvent] = deque()
        # The leader we follow.
        self._selection = LeaderSelection(
            settings.soundings and codec.keys is not None, asks_rivals=settings.soundings and not settings.lights
        )
        self._timebase: int | None = None
        self._timebase_leader: int | None = None
        self._refusals = Refusals()
        self._broken = 0
        self.held: tuple[int, Estimate] | None = None
        """The timebase before and its clock, by which the old line is held until the new one is known."""
        self._address: Address | None = None
        self._asks_for_copies = False
        self._interval_ns = SECOND
        self._loss_interval_ns = SECOND
        self._budget = 0
        self._cookie: int | None = None
        self.heard_at: LocalInstant | None = None
        """When the last beacon was accepted."""
        self.answered_at: LocalInstant | None = None
        """When the last Echo completed an exchange."""
        self._last_sign: tuple[LeaderInstant, LocalInstant] | None = None
        self._patience_at: LocalInstant | None = None
        self._journal: deque[Notes] = deque(maxlen=LINES_KEPT)
        # Timers.
        self.goodbye_at: LocalInstant | None = None
        """When the leader said goodbye, if nothing was heard of it since."""
        self._silent_at: LocalInstant | None = None
        self._cap_at: LocalInstant | None = None
        # What to send.
        self._sounding_due = False
        self._turns: deque[int] = deque(maxlen=4)

    def __repr__(self) -> str:
        whom = "nobody" if self._selection.leader is None else f"{self._selection.leader:08x}"
        state = self.clock.state.name.lower().replace("_", " ")
        return f"<Follower {self.settings.name!r}: follows {whom}, {state}; {self.cue}>"

    # -- the five verbs ------------------------------------------------------------------------------------------

    def receive_datagram(self, data: bytes, source: Address, received_at: LocalInstant) -> None:
        """Take a datagram that arrived at ``received_at``. Bytes that are not ours are counted and ignored."""
        try:
            message = self._codec.decode(data)
        except WireError as error:
            self.counters[error.reason] += 1
            return
        self.receive_message(message, source, received_at)

    def receive_message(self, message: Message, source: Address, received_at: LocalInstant) -> None:
        """Take a message already decoded; for a node that is more than a follower."""
        if type(message) is Beacon:
            self._receive_beacon(message, source, received_at, received_at)
        elif type(message) is Tally:
            self._hear_tally(message, received_at)
        elif type(message) is Echo:
            self._receive_echo(message, received_at)
        else:
            self.counters["misdirected"] += 1

    def handle_timer(self, now: LocalInstant) -> None:
        """Do what is due at ``now``. Harmless when early or called twice."""
        self.stage.handle_timer(now)
        due = self._soundings.due_at
        if due is not None and now >= due:
            self._sounding_due = True
        due = self._tallies.due_at
        if due is not None and now >= due:
            self._tallies.is_due = True
        if self._silent_at is not None and now >= self._silent_at:
            self._lose_leader(now)
        if self._cap_at is not None and now >= self._cap_at:
            self._cap_at = self._holdover_ends_at(now)
            if now >= self._cap_at:
                self._end_holdover(now)
        if self._patience_at is not None and now >= self._patience_at:
            self._go_by_clock(now)

    def next_timer(self) -> LocalInstant | None:
        """Return when ``handle_timer`` wants to be called next, or ``None``."""
        # Asked after every datagram: written out, for a loop over a tuple takes twice as long.
        earliest = self.stage.next_timer()
        due = self._soundings.due_at
        if due is not None and (earliest is None or due < earliest):
            earliest = due
        due = self._tallies.due_at
        if due is not None and (earliest is None or due < earliest):
            earliest = due
        due = self._silent_at
        if due is not None and (earliest is None or due < earliest):
            earliest = due
        due = self._cap_at
        if due is not None and (earliest is None or due < earliest):
            earliest = due
        due = self._patience_at
        if due is not None and (earliest is None or due < earliest):
            earliest = due
        return earliest

    def datagrams_to_send(self, now: LocalInstant) -> list[tuple[bytes, Address | None]]:
        """Return the datagrams to send at ``now`` with their destinations; each is stamped with ``now``."""
        if not (self._sounding_due or self._tallies.is_due or self._turns or self._selection.challenges):
            return []
        out: list[tuple[bytes, Address | None]] = []
        for challenge in self._selection.to_challenge():
            nonce = self._entropy.getrandbits(32)
            challenge.ask(nonce, now)
            asking = Sounding(self.identity, challenge.beacon.tenure, nonce, now, None, self.settings.radio)
            out.append((self._codec.encode(asking), challenge.source))
        while self._turns:
            out.append((self._codec.encode(self._tally(now, self._turns.popleft())), GROUP))
            self._tallies.sent(now)
        if self._address is None:
            self._sounding_due = self._tallies.is_due = False
            return out
        if self._sounding_due:
            self._sounding_due = False
            stride = reporting_stride(self._soundings.interval_ns, self._interval_ns)
            sounding = Sounding(
                self.identity,
                self._selection.tenure or 0,
                self._soundings.sent(now, self.clock.uncorrected_deviation_ns(now)),
                now,
                self._cookie,
                self.settings.radio,
                self.clock.shared_delay.reports(stride),
            )
            out.append((self._codec.encode(sounding), self._address))
        if self._tallies.is_due and self._selection.tenure is not None:
            out.append((self._codec.encode(self._tally(now, None)), self._address))
            self._tallies.sent(now)
        return out

    def next_event(self) -> events.FollowerEvent | None:
        """Return the oldest event not yet told, or ``None``."""
        return self._events.popleft() if self._events else None

    # -- for a node that also leads ------------------------------------------------------------------------------

    def is_expecting(self, message: Message) -> bool:
        """Return whether a message is an Echo of a Sounding that is still open."""
        if type(message) is not Echo:
            return False
        return self._soundings.is_open(message.nonce) or self._selection.is_open(message.nonce)

    def sound_now(self) -> None:
        """Send a Sounding at the next opportunity."""
        self._sounding_due = True

    def fall_silent(self, interval_ns: int) -> None:
        """Stop sounding and reporting: this node has taken the lead itself, and beacons at this interval."""
        self._soundings.cease()
        self._tallies.cease()
        self._silent_at = self._cap_at = None
        self._sounding_due = False
        self._turns.clear()
        self._selection.lead(interval_ns)

    # -- what the player asks ------------------------------------------------------------------------------------

    @property
    def tenure(self) -> int | None:
        """The tenure that is followed; ``None`` before the first."""
        return self._selection.tenure

    @property
    def order(self) -> tuple[int, int]:
        """Rank and id of the leader that is followed: who outranks whom."""
        return self._selection.order

    @property
    def interval_ns(self) -> int:
        """The beacon interval of the leader that is followed."""
        return self._interval_ns

    @property
    def is_lost(self) -> bool:
        """Whether the leader that was followed must be thought gone."""
        return self._selection.is_lost

    @property
    def silence_ns(self) -> int:
        """How long the leader that is followed may be silent before it must be thought gone."""
        return SILENT_INTERVALS * self._loss_interval_ns

    @property
    def goodbye_ns(self) -> int:
        """How long it may be silent for that once it has said goodbye."""
        return GOODBYE_INTERVALS * self._loss_interval_ns

    @property
    def is_ghost(self) -> bool:
        """Whether who is followed was heard only a few times, or never answered though it may be asked."""
        return self._selection.followed < GHOST_BEACONS or self.never_answered

    @property
    def never_answered(self) -> bool:
        """Whether who is followed has never answered a Sounding though it may be asked."""
        return not self._selection.has_answered and self._budget > 0

    @property
    def off_at(self) -> int | None:
        """The hard off time, in the timebase."""
        return self.stage.off_at

    @property
    def cue(self) -> Cue:
        """What is in force here."""
        return self.stage.cue

    @property
    def cue_told(self) -> Cue:
        """What the leader last said is in force, whether or not it is adopted here yet."""
        return self.stage.cue_told

    @property
    def next_cue(self) -> Cue | None:
        """What was announced to come next."""
        return self.stage.next_cue

    @property
    def library(self) -> Library:
        """The shows held here."""
        return self.stage.library

    @property
    def playhead(self) -> Playhead:
        """Where in the show this piece is."""
        return self.stage.playhead

    def shown(self, now: LocalInstant) -> Shown:
        """Return what to hand to the output at ``now``, and when to ask again.

        What is due by ``now`` is put in force first: a player that asks often waits for no timer.
        """
        due_at = self.stage.next_timer()
        if due_at is not None and due_at <= now:
            self.stage.handle_timer(now)
        return self.stage.shown(now)

    def shown_at_tick(self, tick_at: LocalInstant) -> AtTick:
        """Return what to hand over at ``tick_at``, for a player whose ticks are not of its choosing."""
        return self.stage.shown_at_tick(tick_at)

    @property
    def alive_at(self) -> LocalInstant | None:
        """When the leader is last known to have been alive: when what came last from it was sent, by the clock.

        A clock that has not locked would only guess; then it is when it came, however long it was on the way.
        """
        if self._last_sign is None:
            return None
        sent_at, received_at = self._last_sign
        served = self.clock.served
        if served is None or self.clock.state not in {ClockState.LOCKED, ClockState.HOLDOVER}:
            return received_at
        return min(served.local_at(sent_at), received_at)

    @property
    def timebase(self) -> int | None:
        """The timebase that instants refer to, as of the last accepted beacon; ``None`` before the first."""
        return self._timebase

    def belief_at(self, now: LocalInstant) -> tuple[int, LeaderInstant] | None:
        """Return a timebase and what this follower goes by as its clock's reading at ``now``.

        That is the timebase before, while a new one is entered and not yet known well enough. ``None`` before the first
        sample.
        """
        if self.held is not None:
            timebase, clock = self.held
            return timebase, clock.leader_at(now)
        reading = self.clock.leader_at(now)
        return None if reading is None or self._timebase is None else (self._timebase, reading)

    def position_at(self, now: LocalInstant) -> ShowPosition | None:
        """Return the show position whose light is due at ``now``; ``None`` while there is none."""
        return self.stage.position_at(now)

    def ask(self, address: Address, now: LocalInstant) -> None:
        """Ask a leader at a known address for copies: for a network that carries nothing to the group."""
        self._asks_for_copies = True
        if self._address is None:
            self._address = address
            self._soundings.begin(now, 1, 0xFF)

    def note_resumed(self, now: LocalInstant) -> None:
        """The host was suspended and is awake again: nothing measured before says where its clock is now.

        The lock is gone, no earlier sample is used again, and a burst of Soundings asks anew. What is shown goes on by
        its plan until the clock is known; and that nobody was heard in the meantime says nothing against the leader.
        """
        self.counters["host resumed"] += 1
        before = self.clock.state
        self.clock.note_resumed()
        if before is ClockState.LOCKED:
            self._emit(events.LockLost(now))
        if self._timebase is None or self._selection.tenure is None or self._address is None:
            return
        self._patience_at = LocalInstant(now + JOIN_PATIENCE_NS)
        self.stage.await_clock()
        if self._selection.is_lost:
            return  # it is asked now and then already
        self._silent_at = LocalInstant(now + self.settings.silent_intervals * self._loss_interval_ns)
        if self.settings.soundings:
            self._soundings.begin_again(now)

    def note_live_data(self, now: LocalInstant) -> None:
        """The player has seen live pixel data for its own pixels: two drivers on one piece. Told while it lasts."""
        if not self.live_data_at(now):
            self._emit(events.LiveDataSeen(now))
            self._tallies.hasten(now)
        self._live_until = LocalInstant(now + LIVE_DATA_LASTS_NS)

    def live_data_at(self, now: LocalInstant) -> bool:
        """Return whether live pixel data was seen lately."""
        return self._live_until is not None and now < self._live_until

    def note_frame_shown(self, frame: int, at: LocalInstant, due_at: LocalInstant | None = None) -> None:
        """The player handed a frame to its output at ``at``. One for which it was too late is counted, and told.

        ``due_at`` is when it was to be handed over, where the next one is known not to have been due at ``at``.
        """
        check_whole("frame", frame, 0, FRAMES_MAXIMUM, "a frame's number")
        self.frame_shown = frame
        if due_at is not None:
            self._late_ns.append(at - due_at)
            return
        begins_at = self.stage.frame_begins_at(frame, at)
        self._late_ns.append(None if begins_at is None else at - begins_at)
        due = self.stage.frame_at(at)
        if due is not None and due > frame:
            self.late_frames += 1

    def note_late_frame(self) -> None:
        """The player could not show a frame in time; told in the next Tally. For players that report no frames."""
        self.late_frames += 1

    @property
    def journal(self) -> tuple[JournalLine, ...]:
        """What the last beacons found and did, the oldest first."""
        return tuple(JournalLine.of(*notes) for notes in self._journal)

    def snapshot(self, now: LocalInstant) -> Snapshot:
        """Return everything worth telling at ``now``."""
        served = self.clock.served
        shown = self.stage.shown(now)
        late_ns = sorted(late for late in self._late_ns if late is not None)
        return Snapshot(
            clock=self.clock.state,
            view=self.clock.view,
            bounds=self.clock.bounds(now),
            offset_ns=None if served is None else served.offset_at(now),
            rate_ppb=0 if served is None else round(served.rate * BILLION),
            leader=self._selection.leader,
            tenure=self._selection.tenure,
            beacon_loss=self._selection.loss.share,
            beacon_age_ns=None if self.heard_at is None else now - self.heard_at,
            cue=self.cue,
            frame=shown.frame,
            level=shown.level,
            late_frames=self.late_frames,
            frame_shown=self.frame_shown,
            frame_late_ns=self._late_ns[-1] if self._late_ns else None,
            frames_late_p95_ns=late_ns[len(late_ns) * 19 // 20] if late_ns else None,
            refused={cause: count for cause, count in self.counters.items() if cause in REFUSALS},
        )

    # -- beacons -------------------------------------------------------------------------------------------------

    def _receive_beacon(self, beacon: Beacon, source: Address, received_at: LocalInstant, now: LocalInstant) -> None:
        """Take a beacon that arrived at ``received_at``: at ``now``, or before if its leader had to prove itself."""
        if self.goodbye_at is not None and not beacon.goodbye and beacon.leader == self._selection.leader:
            self._unsay_goodbye()
        verdict = self._selection.judge(beacon, source, received_at)
        if verdict is not FOLLOW and (verdict is not Verdict.KNOWN or self._selection.is_lost):
            self.counters[verdict.value] += 1
            return
        fits = True
        if beacon.timebase == self._timebase:
            misfit = self.clock.misfit(received_at - beacon.sent_at, received_at)
            if misfit is not _FITS:
                if not self._refuse(beacon.tenure, received_at - beacon.sent_at, received_at, now):
                    fits = False
                    if misfit is Misfit.EARLY:
                        # Its instants mean nothing by this clock. A stop needs none.
                        self.stage.read_stop(beacon, now)
                        return
            elif self._refusals.count and not self.clock.is_two_way:
                self._refusals.clear()
        if verdict is FOLLOW:
            self._follow_beacon(beacon, source, received_at, now, fits)
        else:
            # What it says is known from a copy, or the copy from it. When it came is news to the clock.
            before = self.clock.state
            self._sample_beacon(beacon, received_at, fits)
            self._after_sample(before, now)

    def _refuse(
        self, tenure: int, offset_ns: int, at: LocalInstant, now: LocalInstant, is_exchange: bool = False
    ) -> bool:
        """Count a sample that is not taken; return whether so many agree with it that the clock has begun anew."""
        clock, refusals = self.clock, self._refusals
        self.counters["implausible"] += 1
        refusals.note(tenure, offset_ns, at, clock.agreeing_within_ns, is_exchange)
        is_answered = clock.is_two_way and self._soundings.due_at is not None and not self._selection.is_lost
        if refusals.contradict(at, self._interval_ns, is_answered):
            self._refusals.clear()
            self._begin_clock(now)
            return True
        if is_answered:
            self._soundings.hasten(now)
        return False

    def _unsay_goodbye(self) -> None:
        """The leader goes on, whatever else its beacon says: patience is as long as before."""
        if self._silent_at is not None and self.heard_at is not None:
            patience_ns = self.settings.silent_intervals * self._loss_interval_ns
            self._silent_at = LocalInstant(self.heard_at + patience_ns)
        self.goodbye_at = None

    def _follow_beacon(
        self, beacon: Beacon, source: Address, received_at: LocalInstant, now: LocalInstant, fits: bool
    ) -> None:
        was_lost = self._selection.is_lost
        novelty = self._selection.follow(beacon, received_at)
        _, _, _, timebase, _, sent_at, interval_ns, budget, group_size, _, _, _, _, _, _, _, _, _, goodbye = beacon
        has_other_share = group_size != self._tallies.group_size or budget != self._budget or novelty is not None
        if has_other_share:
            self._budget = budget
            self._tallies.share(group_size, now)
        if novelty is not None:
            self._begin_tenure(beacon, novelty, now)
        elif was_lost:
            silent_ns = 0 if self.heard_at is None else received_at - self.heard_at
            self._emit(events.LeaderReturned(now, beacon.leader, silent_ns))
            self._soundings.go_on(now)
        self._address = source
        before_at, self.heard_at = self.heard_at, received_at
        self._last_sign = sent_at, received_at
        self._interval_ns = interval_ns
        settings = self.settings
        loss_interval_ns = interval_ns
        if interval_ns > GAPS_ABOVE_NS:
            loss_interval_ns = self._selection.loss_interval_ns(beacon, received_at)
        self._loss_interval_ns = loss_interval_ns
        silent_intervals = settings.silent_intervals
        self.goodbye_at = None
        if goodbye:
            self.goodbye_at = received_at
            silent_intervals = min(silent_intervals, GOODBYE_INTERVALS)
        self._silent_at = LocalInstant(received_at + silent_intervals * loss_interval_ns)
        cap_ns = settings.holdover_cap_ns
        self._cap_at = LocalInstant(received_at + (cap_ns if cap_ns > interval_ns else interval_ns))
        if has_other_share:
            self._soundings.share(group_size, self._budget_of(beacon), now)
        before = self.clock.state
        if timebase != self._timebase:
            self._enter_timebase(beacon, now)
        elif novelty is not None:
            self._continue_timebase(beacon, now)
        if self._tallies.due_at is None:
            # The holdover had ended, and with it all that this node sends.
            self._tallies.begin(now)
        if settings.soundings and self._soundings.due_at is None:
            self._soundings.begin(now, group_size, self._budget_of(beacon))
        self._sample_beacon(beacon, received_at, fits)
        self.stage.read(beacon, now)
        self.stage.forget_move()
        self._after_sample(before, now)
        # Written out when somebody reads it: this is done for every beacon.
        self._journal.append((received_at, before_at, self.clock.served, self.stage.moved, self.frame_shown))

    def _sample_beacon(self, beacon: Beacon, received_at: LocalInstant, fits: bool) -> None:
        if fits:
            self.clock.observe_beacon(beacon, received_at, self.settings.radio)
        if beacon.marker == self.identity and not beacon.is_copy:
            self._turns.append(beacon.serial)

    def _budget_of(self, beacon: Beacon) -> int:
        """Return how many Soundings a second the whole group may send; one that needs copies has to ask for them."""
        return max(beacon.sounding_budget, 1) if self._asks_for_copies else beacon.sounding_budget

    def _begin_tenure(self, beacon: Beacon, novelty: Novelty, now: LocalInstant) -> None:
        if novelty is Novelty.RETURNED:
            self._emit(events.LeaderReturned(now, beacon.leader, 0))
        else:
            event = _NOVELTIES[novelty]
            self._emit(event(now, beacon.leader, beacon.tenure))
        self._cookie = None
        self._tallies.begin(now)

    def _continue_timebase(self, beacon: Beacon, now: LocalInstant) -> None:
        """A new tenure goes on in the timebase: the clock is nearly the same, the paths may not be.

        Even where the leader is the same: another, unheard here, may have led between and handed the timebase back.
        """
        self._timebase_leader = beacon.leader
        self.clock.continue_timebase()
        if self.settings.soundings:
            self._soundings.begin(now, beacon.group_size, self._budget_of(beacon))

    def _enter_timebase(self, beacon: Beacon, now: LocalInstant) -> None:
        same_host = beacon.leader == self._timebase_leader
        self._timebase_leader = beacon.leader
        if self._timebase is not None:
            self._emit(events.TimebaseEntered(now, beacon.timebase))
        if self.held is None and self._timebase is not None and self.clock.served is not None:
            self.held = self._timebase, self.clock.served
        self._timebase = beacon.timebase
        self.clock.enter_timebase(same_host)
        self._refusals.clear()
        patience_ns = max(STOP_CARRIED_INTERVALS * self._loss_interval_ns, STOP_CARRIED_NS)
        self.stage.enter_timebase(None if same_host else LocalInstant(now + patience_ns))
        self._patience_at = LocalInstant(now + JOIN_PATIENCE_NS)
        if self.settings.soundings:
            self._soundings.begin(now, beacon.group_size, self._budget_of(beacon))

    def _begin_clock(self, now: LocalInstant) -> None:
        """The clock and the leader's have parted: enter the timebase once more, with nothing of what was measured."""
        assert self._timebase is not None
        before = self.clock.state
        self._emit(events.TimebaseEntered(now, self._timebase))
        if before is ClockState.LOCKED:
            self._emit(events.LockLost(now))
        if self.held is None and self.clock.served is not None:
            self.held = self._timebase, self.clock.served
        self.clock.enter_timebase()
        self.stage.enter_timebase()
        self._patience_at = LocalInstant(now + JOIN_PATIENCE_NS)
        if self.settings.soundings and self._soundings.due_at is not None:
            self._soundings.begin_again(now)

    # -- cues ----------------------------------------------------------------------------------------------------

    def _after_sample(self, before: ClockState, now: LocalInstant) -> None:
        """Let clock, cues and playhead take in what a sample has changed."""
        state = self.clock.state
        if state is not before:
            if state is ClockState.LOCKED:
                bound_ns = self.clock.bounds(now).statistical_ns
                self._emit(events.LockAcquired(now, bound_ns or 0))
            elif before is ClockState.LOCKED:
                self._emit(events.LockLost(now))
                # What moved the bound out of its budget may have moved the clock as well: the line is held for a while.
                self._patience_at = LocalInstant(now + JOIN_PATIENCE_NS)
            self._tallies.hasten(now)
        if self._patience_at is not None and now < self._patience_at and state is not ClockState.LOCKED:
            return
        self._go_by_clock(now)

    def _go_by_clock(self, now: LocalInstant) -> None:
        """Trust the clock as it is known now: the line held from before is let go."""
        self._patience_at = self.held = None
        self.stage.follow(now)

    # -- losing the leader -----------------------------------------------------------------------------------------

    def _lose_leader(self, now: LocalInstant) -> None:
        self._silent_at = None
        self._selection.is_lost = True
        before = self.clock.state
        self.clock.note_silence()
        silent_ns = now - (self.heard_at or now)
        self._emit(events.LeaderLost(now, self._selection.leader or 0, silent_ns))
        if before is ClockState.LOCKED:
            self._emit(events.LockLost(now))
        if self._cap_at is not None:
            self._cap_at = self._holdover_ends_at(now)
        if self._soundings.due_at is not None:
            # Keep asking, in case only the group's frames are lost: at the steady interval, no burst.
            self._soundings.rest(now)

    def _holdover_ends_at(self, now: LocalInstant) -> LocalInstant:
        """Return when this node has gone on without beacons for long enough, as its clock is known at ``now``.

        An Echo may make the clock better known meanwhile: it is asked again when the time has come.
        """
        heard_at = now if self.heard_at is None else self.heard_at
        cap_at = LocalInstant(heard_at + max(self.settings.holdover_cap_ns, self._interval_ns))
        if self.clock.state is not ClockState.HOLDOVER:
            return cap_at  # it never knew its clock better, and shows what it can
        return self.clock.outgrows_at(self.settings.holdover_bound_ns, now, cap_at)

    def _end_holdover(self, now: LocalInstant) -> None:
        self._cap_at = None
        self.stage.await_clock()
        if not self._asks_for_copies:  # one that hears only what it asks for goes on asking
            self._soundings.cease()
            self._sounding_due = False
        self._tallies.cease()
        self._emit(events.HoldoverEnded(now, now - (self.heard_at or now)))
        self.stage.darken(now, HOLDOVER_FADE_NS)

    # -- the exchange --------------------------------------------------------------------------------------------

    def _receive_echo(self, echo: Echo, received_at: LocalInstant) -> None:
        challenge = self._selection.answered(echo.nonce, echo.tenure, received_at)
        if challenge is not None:
            # It is judged again: what was followed may have come back while the answer was on its way.
            self._receive_beacon(challenge.beacon, challenge.source, challenge.received_at, received_at)
            if self._selection.tenure == echo.tenure:
                self._cookie = echo.cookie
            return
        if echo.tenure != self._selection.tenure or echo.timebase != self._timebase:
            # Either no beacon was heard yet, or the leader has begun anew and none of its beacons came through. The
            # cookie is what its copies will go by.
            if self._soundings.answered(echo, received_at) is not None:
                self._cookie = echo.cookie
            if self._selection.tenure is not None:
                self.counters["other tenure's echo"] += 1
            return
        exchange = self._soundings.answered(echo, received_at)
        if exchange is None:
            self.counters["unmatched echo"] += 1
            return
        self._cookie = echo.cookie
        self._selection.has_answered = True
        self.answered_at = received_at
        if self.clock.misfit_of_exchange(exchange) is _FITS:
            self._refusals.clear()
        elif not self._refuse(echo.tenure, received_at - echo.sent_at, received_at, received_at, is_exchange=True):
            # The leader lives, whatever its clock says.
            self._last_sign = self.clock.leader_at(received_at) or echo.sent_at, received_at
            return
        self._last_sign = echo.sent_at, received_at
        before = self.clock.state
        self.clock.observe_exchange(exchange)
        bound = self.clock.bound
        if bound.broken != self._broken:
            # A beacon may have been the one; it is told at the next exchange.
            if bound.broken > self._broken:
                self._emit(events.ClockContradicted(received_at, bound.contradiction_ns))
            self._broken = bound.broken
        if self._selection.is_lost:
            # An answer proves the leader lives, but the show's state travels in beacons alone.
            self.clock.note_silence()
            return
        self._after_sample(before, received_at)

    def _hear_tally(self, tally: Tally, received_at: LocalInstant) -> None:
        follower, instance, serial, tenure, turn, _, _, _, _, _, radio, _, _, _, _, _, _ = tally
        if follower == self.identity:
            self.counters["own copy" if instance == self._instance else "cloned id"] += 1
            return
        if turn is None:
            self.counters["misdirected"] += 1
            return
        if self._tallies.is_repeated(follower, instance, serial):
            self.counters["repeated tally"] += 1
            return
        if tenure == self._selection.tenure and radio == self.settings.radio:
            self.clock.common_view.note_heard(turn, received_at)

    def _tally(self, now: LocalInstant, turn: int | None) -> Tally:
        bound_ns = self.clock.bounds(now).statistical_ns
        cue = self.cue
        about = cue.show if self.next_cue is None else self.next_cue.show
        self._tally_serial = (self._tally_serial + 1) & U32
        return Tally(
            self.identity,
            self._instance,
            self._tally_serial,
            self._selection.tenure or 0,
            turn,
            self.clock.state,
            cue.state,
            None if bound_ns is None else min(-(-bound_ns // MICROSECOND), U32) * MICROSECOND,
            round(self._group_loss_at(now) * 1000),
            self.library.state_of(about) if self.settings.lights else ContentState.UNKNOWN,
            self.settings.radio,
            about,
            min(self.stage.frame_at(now) or 0, U32),
            min(self.late_frames, U32),
            self.live_data_at(now),
            self._is_keyed and not self.settings.soundings,
            self.settings.name,
        )

    def _group_loss_at(self, now: LocalInstant) -> float:
        """Return the share of what goes to the group that is not heard; silence counts, for no serial tells of it."""
        silent = 0
        if self.heard_at is not None:
            # One may be under way, with its dither and its delay.
            silent = max((now - self.heard_at) // self._interval_ns - 1, 0)
        return self._selection.loss.share_after(silent)

    def _emit(self, event: events.FollowerEvent) -> None:
        self._events.append(event)
