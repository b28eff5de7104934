"""The follower: told the time and handed datagrams, it knows which frame is now.

Sans-IO. Five verbs drive it (``receive_datagram``, ``handle_timer``, ``next_timer``, ``datagrams_to_send``,
``next_event``); the player asks ``shown`` for what to show. The same inputs give the same answers and the same bytes.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from leadlight import events
from leadlight.addresses import GROUP, Address
from leadlight.allegiance import Allegiance, Novelty, Verdict
from leadlight.clock import Bounds, ClockSettings, ClockView, Estimate, FollowerClock
from leadlight.clock.group_delay import reporting_stride
from leadlight.content import Library, StoredShow
from leadlight.cue import NO_SHOW, Cue, dark_cue
from leadlight.entropy import Entropy, below, identity, nonzero32, spread
from leadlight.errors import ConfigurationError, WireError
from leadlight.exchange import SoundingSchedule
from leadlight.fader import HOLDOVER_FADE_NS, RETURN_FADE_NS, STOP_FADE_NS, Fader
from leadlight.messages import Beacon, Echo, Message, Sounding, Tally
from leadlight.playhead import FROZEN_PPB, Playhead, Stretch
from leadlight.recovery import Recovery, Remedy
from leadlight.terms import ClockState, ContentState, CueState
from leadlight.units import BILLION, MICROSECOND, MILLISECOND, MINUTE, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire import NAME_MAXIMUM_BYTES, U16, U32, Codec

SILENT_INTERVALS: Final = 5
TALLY_INTERVAL_NS: Final = 5 * SECOND
TALLY_SPREAD: Final = 0.5
"""Tally intervals vary by this share either way, so that no two followers keep step (RFC 3550 section 6.3.1)."""
TALLY_SOON_NS: Final = 200 * MILLISECOND
TALLIES_PER_SECOND: Final = 12
"""What all followers' Tallies together may come to (RFC 3550 section 6.2's idea)."""
UNKEYED_SPACING_NS: Final = 2 * SECOND
"""Without a key, changes of show or state are at least this far apart."""
CONTINUED_WITHIN_NS: Final = 2 * MILLISECOND
"""How far a leader that continues a timebase may be from the one before; it may not if its bound is wider."""
LIVE_DATA_LASTS_NS: Final = 5 * SECOND
HOLDOVER_CAP_NS: Final = 10 * MINUTE
CUE_JUMP_NS: Final = SECOND
"""A cue that moves the show it finds running by so much is meant to: it is begun anew, not corrected for."""
JOIN_PATIENCE_NS: Final = 5 * SECOND
"""A follower that hears beacons this long without locking shows what it can."""


@dataclass(frozen=True, slots=True)
class FollowerSettings:
    """One follower's settings; times in ns.

    ``name`` is how people know it, at most 24 bytes. ``latency_ns``: from handing a frame to the output until its light
    shows. ``trim_ns``: this piece later (positive) or earlier. ``radio``: hash of the access point's BSSID where known.
    ``soundings``: off for a node that cannot or may not send. ``holdover_cap_ns``: how long to go on without beacons.
    ``lights``: off for a node that lights nothing and of which no content is expected.
    """

    name: str
    latency_ns: int = 0
    trim_ns: int = 0
    radio: int | None = None
    soundings: bool = True
    silent_intervals: int = SILENT_INTERVALS
    holdover_cap_ns: int = HOLDOVER_CAP_NS
    tally_interval_ns: int = TALLY_INTERVAL_NS
    lights: bool = True
    clock: ClockSettings = field(default_factory=ClockSettings)

    def __post_init__(self) -> None:
        if not 1 <= len(self.name.encode()) <= NAME_MAXIMUM_BYTES or not self.name.isprintable():
            raise ConfigurationError("name", self.name, f"1 to {NAME_MAXIMUM_BYTES} bytes of printable text")
        if not 0 <= self.latency_ns <= SECOND:
            raise ConfigurationError("latency_ns", self.latency_ns, "0 to a second")
        if abs(self.trim_ns) > 10 * SECOND:
            raise ConfigurationError("trim_ns", self.trim_ns, "ten seconds either way")
        if self.radio is not None and not 0 <= self.radio <= U16:
            raise ConfigurationError("radio", self.radio, "16 bits")
        if self.silent_intervals < 2:
            raise ConfigurationError("silent_intervals", self.silent_intervals, "2 or more")
        if self.holdover_cap_ns < 0:
            raise ConfigurationError("holdover_cap_ns", self.holdover_cap_ns, "zero or more")
        if self.tally_interval_ns < 100 * MILLISECOND:
            raise ConfigurationError("tally_interval_ns", self.tally_interval_ns, "a tenth of a second or more")


class Shown(NamedTuple):
    """What to show at one instant.

    ``frame`` is ``None`` when dark. ``level`` is between 0 and 1, the fade that everything authored is multiplied by.
    ``next_at`` is when to ask again: the next frame's instant, or ``None`` while nothing will change by itself.
    """

    show: StoredShow | None
    frame: int | None
    level: float
    next_at: LocalInstant | None


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
    refused: dict[str, int]


_NOVELTIES: Final[
    dict[Novelty, type[events.LeaderFound] | type[events.LeaderRestarted] | type[events.LeaderChanged]]
] = {
    Novelty.FIRST: events.LeaderFound,
    Novelty.RESTARTED: events.LeaderRestarted,
    Novelty.CHANGED: events.LeaderChanged,
}


class Follower:
    """One follower. Give it a codec for its group, a source of chance, and the shows it holds."""

    def __init__(
        self,
        settings: FollowerSettings,
        codec: Codec,
        entropy: Entropy,
        shows: Iterable[StoredShow] = (),
        recovery: Recovery | None = None,
    ) -> None:
        self.settings = settings
        self.identity = identity(settings.name)
        self.library = Library(shows)
        self.clock = FollowerClock(settings.clock)
        self.playhead = Playhead(recovery, settings.latency_ns, settings.trim_ns)
        self.counters: Counter[str] = Counter()
        """Datagrams refused, late, duplicate and so on, by cause."""
        self.cue: Cue = dark_cue(LeaderInstant(0))
        self.next_cue: Cue | None = None
        self.late_frames = 0
        self._codec = codec
        self._entropy = entropy
        self._is_keyed = codec.keys is not None
        self._instance = nonzero32(entropy)
        self._tally_serial = 0
        self._live_until: LocalInstant | None = None
        self._has_adopted = False
        self._changed_at: LocalInstant | None = None
        self._pending_at: LocalInstant | None = None
        self._soundings = SoundingSchedule(entropy)
        self._events: deque[events.FollowerEvent] = deque()
        self._fader = Fader(0.0)
        self._show: StoredShow | None = None
        # The leader we follow.
        self._allegiance = Allegiance(settings.soundings and codec.keys is not None)
        self._timebase: int | None = None
        self._timebase_leader: int | None = None
        # The clock of the timebase before, by which the old line is held until the new one is known.
        self._held: tuple[int, Estimate] | None = None
        self._address: Address | None = None
        self._asks_for_copies = False
        self._interval_ns = SECOND
        self._group_size = 0
        self._cookie: int | None = None
        self.heard_at: LocalInstant | None = None
        """When the last beacon was accepted."""
        self.answered_at: LocalInstant | None = None
        """When the last Echo completed an exchange."""
        self._patience_at: LocalInstant | None = None
        self._off_at: int | None = None
        # What has been told of the next cue, and what has been shown of this one.
        self._pending: Cue | None = None
        self._announced: Cue | None = None
        self._stop_is_of_timebase = False
        # Timers.
        self._silent_at: LocalInstant | None = None
        self._cap_at: LocalInstant | None = None
        self._cue_at: LocalInstant | None = None
        self._off_local: LocalInstant | None = None
        self._halt_at: LocalInstant | None = None
        self._tally_at: LocalInstant | None = None
        # What to send.
        self._sounding_due = False
        self._tally_due = False
        self._turns: deque[int] = deque(maxlen=4)
        # Tallies heard by the group lately, so that one that came twice counts once.
        self._heard_tallies: deque[tuple[int, int, int]] = deque(maxlen=16)

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
            self._receive_beacon(message, source, received_at)
        elif type(message) is Tally:
            self._hear_tally(message, received_at)
        elif type(message) is Echo:
            self._receive_echo(message, received_at)
        else:
            self.counters["misdirected"] += 1

    def handle_timer(self, now: LocalInstant) -> None:
        """Do what is due at ``now``. Harmless when early or called twice."""
        if self._cue_at is not None and now >= self._cue_at:
            self._promote(now)
        due = self._soundings.due_at
        if due is not None and now >= due:
            self._sounding_due = True
        if self._tally_at is not None and now >= self._tally_at:
            self._tally_due = True
        if self._silent_at is not None and now >= self._silent_at:
            self._lose_leader(now)
        if self._off_local is not None and now >= self._off_local:
            self._go_off(now)
        if self._cap_at is not None and now >= self._cap_at:
            self._end_holdover(now)
        if self._halt_at is not None and now >= self._halt_at:
            self._halt_at = None
            self.playhead.halt()
        if self._patience_at is not None and now >= self._patience_at:
            self._follow_cues(now)
        if self._pending_at is not None and now >= self._pending_at:
            self._pending_at = None
            self._follow_cues(now)

    def next_timer(self) -> LocalInstant | None:
        """Return when ``handle_timer`` wants to be called next, or ``None``."""
        earliest = self._soundings.due_at
        for due in (
            self._tally_at,
            self._silent_at,
            self._cue_at,
            self._off_local,
            self._cap_at,
            self._halt_at,
            self._patience_at,
            self._pending_at,
        ):
            if due is not None and (earliest is None or due < earliest):
                earliest = due
        return earliest

    def datagrams_to_send(self, now: LocalInstant) -> list[tuple[bytes, Address | None]]:
        """Return the datagrams to send at ``now`` with their destinations; each is stamped with ``now``."""
        challenges = self._allegiance.to_challenge()
        if not (self._sounding_due or self._tally_due or self._turns or challenges):
            return []
        out: list[tuple[bytes, Address | None]] = []
        for challenge in challenges:
            challenge.wants_asking = False
            challenge.asked_at = now
            challenge.nonce = self._entropy.getrandbits(32)
            asking = Sounding(self.identity, challenge.beacon.tenure, challenge.nonce, now, None, self.settings.radio)
            out.append((self._codec.encode(asking), challenge.source))
        while self._turns:
            out.append((self._codec.encode(self._tally(now, self._turns.popleft())), GROUP))
            self._plan_tally(now)
        if self._address is None:
            self._sounding_due = self._tally_due = False
            return out
        if self._sounding_due:
            self._sounding_due = False
            stride = reporting_stride(self._soundings.interval_ns, self._interval_ns)
            sounding = Sounding(
                self.identity,
                self._allegiance.tenure or 0,
                self._soundings.sent(now),
                now,
                self._cookie,
                self.settings.radio,
                self.clock.group_delay.reports(stride),
            )
            out.append((self._codec.encode(sounding), self._address))
        if self._tally_due and self._allegiance.tenure is not None:
            out.append((self._codec.encode(self._tally(now, None)), self._address))
            self._plan_tally(now)
        return out

    def next_event(self) -> events.FollowerEvent | None:
        """Return the oldest event not yet told, or ``None``."""
        return self._events.popleft() if self._events else None

    # -- for a node that also leads ------------------------------------------------------------------------------

    def is_expecting(self, message: Message) -> bool:
        """Return whether a message is an Echo of a Sounding that is still open."""
        if type(message) is not Echo:
            return False
        return self._soundings.is_open(message.nonce) or self._allegiance.is_open(message.nonce)

    def sound_now(self) -> None:
        """Send a Sounding at the next opportunity."""
        self._sounding_due = True

    def fall_silent(self) -> None:
        """Stop sounding and reporting: this node has taken the lead itself."""
        self._soundings.cease()
        self._tally_at = self._silent_at = self._cap_at = None
        self._sounding_due = self._tally_due = False
        self._turns.clear()
        self._allegiance.is_lost = True  # whoever leads from now on is judged without it

    # -- what the player asks ------------------------------------------------------------------------------------

    def shown(self, now: LocalInstant) -> Shown:
        """Return what to hand to the output at ``now``, and when to ask again."""
        show = self._show
        if show is None or not self.playhead.is_running:
            return Shown(None, None, 0.0, None)
        level = self._fader.level_at(now)
        if level <= 0.0 and self._fader.target <= 0.0:
            return Shown(show, None, 0.0, None)
        frame = self.playhead.frame_at(now, show.frame_rate)
        next_at = self.playhead.next_frame_at(now, show.frame_rate)
        if next_at is None and now < self._fader.done_at():
            next_at = LocalInstant(now + round(show.frame_rate.period_ns))  # a still frame whose level moves
        if frame < 0:
            return Shown(show, None, level, next_at)
        if frame >= show.frame_count:
            return Shown(show, None, level, None)
        return Shown(show, frame, level, next_at)

    @property
    def tenure(self) -> int | None:
        """The tenure that is followed; ``None`` before the first."""
        return self._allegiance.tenure

    @property
    def order(self) -> tuple[int, int]:
        """Rank and id of the leader that is followed: who goes before whom."""
        return self._allegiance.order

    @property
    def interval_ns(self) -> int:
        """The beacon interval of the leader that is followed."""
        return self._interval_ns

    @property
    def off_at(self) -> int | None:
        """The hard off time, in the timebase."""
        return self._off_at

    @property
    def cue_told(self) -> Cue:
        """What the leader last said is in force, whether or not it is adopted here yet."""
        return self.cue if self._pending is None else self._pending

    @property
    def timebase(self) -> int | None:
        """The timebase that instants refer to, as of the last accepted beacon; ``None`` before the first."""
        return self._timebase

    def belief_at(self, now: LocalInstant) -> tuple[int, LeaderInstant] | None:
        """Return a timebase and what this follower goes by as its clock's reading at ``now``.

        That is the timebase before, while a new one is entered and not yet known well enough. ``None`` before the first
        sample.
        """
        if self._held is not None:
            timebase, clock = self._held
            return timebase, clock.leader_at(now)
        reading = self.clock.leader_at(now)
        return None if reading is None or self._timebase is None else (self._timebase, reading)

    def position_at(self, now: LocalInstant) -> ShowPosition | None:
        """Return the show position whose light is due at ``now``; ``None`` while there is none."""
        return self.playhead.position_at(now) if self.playhead.is_running else None

    def ask(self, address: Address, now: LocalInstant) -> None:
        """Ask a leader at a known address for copies: for a network that carries nothing to the group."""
        self._asks_for_copies = True
        if self._address is None:
            self._address = address
            self._soundings.begin(now, 1, 0xFF)

    def note_live_data(self, now: LocalInstant) -> None:
        """The player has seen live pixel data for its own pixels: two drivers on one piece. Told while it lasts."""
        if not self.live_data_at(now):
            self._emit(events.LiveDataSeen(now))
            self._tell_soon(now)
        self._live_until = LocalInstant(now + LIVE_DATA_LASTS_NS)

    def live_data_at(self, now: LocalInstant) -> bool:
        """Return whether live pixel data was seen lately."""
        return self._live_until is not None and now < self._live_until

    def note_late_frame(self) -> None:
        """The player could not show a frame in time; told in the next Tally."""
        self.late_frames += 1

    def snapshot(self, now: LocalInstant) -> Snapshot:
        """Return everything worth telling at ``now``."""
        served = self.clock.served
        shown = self.shown(now)
        return Snapshot(
            clock=self.clock.state,
            view=self.clock.view,
            bounds=self.clock.bounds(now),
            offset_ns=None if served is None else served.offset_at(now),
            rate_ppb=0 if served is None else round(served.rate * BILLION),
            leader=self._allegiance.leader,
            tenure=self._allegiance.tenure,
            beacon_loss=self._allegiance.loss.share,
            beacon_age_ns=None if self.heard_at is None else now - self.heard_at,
            cue=self.cue,
            frame=shown.frame,
            level=shown.level,
            refused=dict(self.counters),
        )

    # -- beacons -------------------------------------------------------------------------------------------------

    def _receive_beacon(self, beacon: Beacon, source: Address, received_at: LocalInstant) -> None:
        verdict = self._allegiance.judge(beacon, source, received_at)
        if verdict is not Verdict.FOLLOW:
            self.counters[verdict.value] += 1
            return
        self._follow_beacon(beacon, source, received_at)

    def _follow_beacon(self, beacon: Beacon, source: Address, received_at: LocalInstant) -> None:
        was_lost = self._allegiance.is_lost
        novelty = self._allegiance.follow(beacon)
        if novelty is not None:
            self._begin_tenure(beacon, novelty, received_at)
        elif was_lost:
            silent_ns = 0 if self.heard_at is None else received_at - self.heard_at
            self._emit(events.LeaderReturned(received_at, beacon.leader, silent_ns))
        self._address = source
        self.heard_at = received_at
        interval_ns = self._interval_ns = beacon.interval_ns
        self._silent_at = LocalInstant(received_at + self.settings.silent_intervals * interval_ns)
        self._cap_at = LocalInstant(received_at + max(self.settings.holdover_cap_ns, interval_ns))
        self._group_size = beacon.group_size
        self._soundings.share(beacon.group_size, beacon.sounding_budget)
        before = self.clock.state
        if beacon.timebase != self._timebase:
            self._enter_timebase(beacon, received_at)
        elif novelty is not None:
            self._continue_timebase(beacon, received_at)
        if self._tally_at is None:
            # The holdover had ended, and with it all that this node sends.
            self._tally_at = LocalInstant(received_at + below(self._entropy, self.settings.tally_interval_ns))
        if self.settings.soundings and self._soundings.due_at is None:
            self._soundings.begin(received_at, beacon.group_size, beacon.sounding_budget)
        self.clock.observe_beacon(beacon, received_at, self.settings.radio)
        if beacon.marker == self.identity and not beacon.is_copy:
            self._turns.append(beacon.serial)
        self._read_cues(beacon, received_at)
        self._after_sample(before, received_at)

    def _begin_tenure(self, beacon: Beacon, novelty: Novelty, now: LocalInstant) -> None:
        event = _NOVELTIES[novelty]
        self._emit(event(now, beacon.leader, beacon.tenure))
        self._cookie = None
        self._tally_at = LocalInstant(now + below(self._entropy, self.settings.tally_interval_ns))

    def _continue_timebase(self, beacon: Beacon, now: LocalInstant) -> None:
        """A new tenure goes on in the timebase: the clock is the same to within a bound, the paths may not be.

        Even where the leader is the same: another, unheard here, may have led between and handed the timebase back.
        """
        self._timebase_leader = beacon.leader
        self.clock.continue_timebase(CONTINUED_WITHIN_NS)
        if self.settings.soundings:
            self._soundings.begin(now, beacon.group_size, beacon.sounding_budget)

    def _enter_timebase(self, beacon: Beacon, now: LocalInstant) -> None:
        same_host = beacon.leader == self._timebase_leader
        self._timebase_leader = beacon.leader
        if self._timebase is not None:
            self._emit(events.TimebaseEntered(now, beacon.timebase))
        if self._held is None and self._timebase is not None and self.clock.served is not None:
            self._held = self._timebase, self.clock.served
        self._timebase = beacon.timebase
        self.clock.enter_timebase(same_host)
        self._pending = self._announced = None
        self._cue_at = self._off_local = None
        self._patience_at = LocalInstant(now + JOIN_PATIENCE_NS)
        self._stop_is_of_timebase = False
        if self.settings.soundings:
            self._soundings.begin(now, beacon.group_size, beacon.sounding_budget)

    # -- cues ----------------------------------------------------------------------------------------------------

    def _read_cues(self, beacon: Beacon, now: LocalInstant) -> None:
        """Take over what the beacon says is in force and what comes next."""
        self._off_at = beacon.off_at
        pending = beacon.cue
        if self.cue == beacon.next_cue:
            # Sent just before the instant, and here the instant has come: nothing goes back for it.
            self._pending = self.next_cue = None
            return
        if pending.state is CueState.STOPPED and pending != self.cue:
            # A stop waits for nothing: neither for a lock nor for its instant.
            self._pending = self.next_cue = None
            self._adopt(pending, now)
            self._stop_is_of_timebase = True
            return
        is_latched = self.cue.state is CueState.STOPPED and self._stop_is_of_timebase
        if is_latched and pending.line.leader_at <= self.cue.line.leader_at:
            self._pending = None if pending.state is CueState.STOPPED else self._pending
            self.next_cue = beacon.next_cue
            return
        self._pending = None if pending == self.cue else pending
        self.next_cue = beacon.next_cue

    def _after_sample(self, before: ClockState, now: LocalInstant) -> None:
        """Let clock, cues and playhead take in what a sample has changed."""
        state = self.clock.state
        if state is not before:
            if state is ClockState.LOCKED:
                bound_ns = self.clock.bounds(now).statistical_ns
                self._emit(events.LockAcquired(now, bound_ns or 0))
            elif before is ClockState.LOCKED:
                self._emit(events.LockLost(now))
            self._tell_soon(now)
        if state is not ClockState.LOCKED and self._patience_at is not None and now < self._patience_at:
            return
        self._follow_cues(now)

    def _follow_cues(self, now: LocalInstant) -> None:
        """Let cues and playhead go by the clock as it is known now."""
        self._patience_at = self._held = None
        self._time_cue(now)
        if self._pending is not None:
            self._adopt(self._pending, now)
        elif self._cue_at is None or now < self._cue_at:
            self._retarget(now)
        if self._cue_at is not None and now >= self._cue_at:
            self._promote(now)
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
                self._tell_soon(now)  # whether the show is held here must be known before it rolls

    def _time_off(self) -> None:
        """Work out when the off time falls on the local clock; a cue from after it, once in force, has none."""
        off_at, served = self._off_at, self.clock.served
        if off_at is None or served is None or self.cue.line.leader_at >= off_at or self._fader.target <= 0.0:
            self._off_local = None
        else:
            self._off_local = served.local_at(LeaderInstant(off_at))

    def _promote(self, now: LocalInstant) -> None:
        """The next cue's instant has come."""
        self._cue_at = None
        cue, self.next_cue = self.next_cue, None
        if cue is not None:
            self._adopt(cue, now)
            self._time_off()

    def _must_wait(self, cue: Cue, now: LocalInstant) -> bool:
        """Return whether a change comes too soon after the last one for a group without a key.

        Anybody on the network can send such a group beacons; what they can do is bounded. A stop is never held up.
        """
        if self._is_keyed or cue.state is CueState.STOPPED or self._changed_at is None:
            return False
        is_change = cue.show != self.cue.show or cue.state is not self.cue.state or self._jumps(cue, now)
        return is_change and now - self._changed_at < UNKEYED_SPACING_NS

    def _adopt(self, cue: Cue, now: LocalInstant) -> None:
        """Put a cue in force, or keep it until it may be."""
        if self._must_wait(cue, now):
            assert self._changed_at is not None
            self._pending = cue
            self._pending_at = LocalInstant(self._changed_at + UNKEYED_SPACING_NS)
            return
        self._pending = self._pending_at = None
        previous, self.cue = self.cue, cue
        changed = cue.show != previous.show or cue.state is not previous.state or self._jumps(cue, now)
        if changed:
            self._emit(events.CueAdopted(now, cue))
            if self._has_adopted:
                self._changed_at = now
            self._tell_soon(now)
        self._has_adopted = True
        state = cue.state
        if state is CueState.STOPPED:
            self._darken(now, STOP_FADE_NS)
            return
        if state is CueState.DARK or cue.show == NO_SHOW:
            if not self._is_keyed and self.playhead.is_running and self._fader.level_at(now) > 0.0:
                self._darken(now, RETURN_FADE_NS)
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
            self._darken(now, STOP_FADE_NS)
            return
        if self._fader.target <= 0.0:
            was_stopped = previous.state is CueState.STOPPED
            self._fader.fade(1.0, now, RETURN_FADE_NS if was_stopped or self.playhead.is_running else 0)
        if changed or not self.playhead.is_running or state is CueState.PAUSED:
            target = self._target(cue, now)
            if target is not None:
                self.playhead.start(target)
                if self._changed_at == now:
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
        return abs(target.position_at(now) - self.playhead.position_at(now)) >= CUE_JUMP_NS

    def _target(self, cue: Cue, now: LocalInstant) -> Stretch | None:
        """Return where a cue puts the show, over local time."""
        if cue.state is CueState.PAUSED:
            return Stretch(now, cue.line.position, FROZEN_PPB)
        served = self.clock.served
        if served is None or cue.state is not CueState.ROLLING:
            return None
        line = cue.line
        rate_ppb = line.rate_ppb - round(served.rate * (BILLION + line.rate_ppb))
        return Stretch(now, line.position_at(served.leader_at(now)), rate_ppb)

    def _retarget(self, now: LocalInstant) -> None:
        """Move the playhead towards where the cue in force puts the show."""
        if self._show is None:
            return
        target = self._target(self.cue, now)
        if target is None:
            return
        if not self.playhead.is_running or self._fader.target <= 0.0:
            if self._halt_at is None and not self._is_past_off(self.cue, now):
                # Back from holdover's end: the same fade in as out.
                self.playhead.start(target)
                self._fader.fade(1.0, now, RETURN_FADE_NS)
            return
        if self.cue.state is CueState.PAUSED:
            return
        was_holding = self.playhead.is_holding(now)
        moved = self.playhead.amend(target, now)
        if moved is None:
            return
        if moved.remedy is Remedy.STEP:
            self._emit(events.Stepped(now, moved.error_ns))
            self._changed_at = now
            self._fade_in_unkeyed(now)
        elif moved.remedy is Remedy.HOLD and not was_holding:
            self._emit(events.Held(now, -moved.error_ns))

    def _is_past_off(self, cue: Cue, now: LocalInstant) -> bool:
        """Return whether the off time has come, and no cue from after it is in force."""
        off_at, served = self._off_at, self.clock.served
        if off_at is None or served is None or cue.line.leader_at >= off_at:
            return False
        return served.leader_at(now) >= off_at

    # -- going dark ----------------------------------------------------------------------------------------------

    def _darken(self, now: LocalInstant, over_ns: int) -> None:
        self._fader.fade(0.0, now, over_ns)
        self._halt_at = self._fader.done_at()
        self._off_local = None

    def _lose_leader(self, now: LocalInstant) -> None:
        self._silent_at = None
        self._allegiance.is_lost = True
        self._soundings.cease()
        before = self.clock.state
        self.clock.note_silence()
        silent_ns = now - (self.heard_at or now)
        self._emit(events.LeaderLost(now, self._allegiance.leader or 0, silent_ns))
        if before is ClockState.LOCKED:
            self._emit(events.LockLost(now))
        if self._timebase is not None and self.settings.soundings:
            # Keep asking, in case only the group's frames are lost: at the steady interval, no burst.
            self._soundings.due_at = LocalInstant(now + below(self._entropy, self._soundings.interval_ns))

    def _end_holdover(self, now: LocalInstant) -> None:
        self._cap_at = None
        self._cue_at = self._off_local = None  # dark until a beacon says what is in force by then
        if not self._asks_for_copies:  # one that hears only what it asks for goes on asking
            self._soundings.cease()
            self._sounding_due = False
        self._tally_at = None
        self._tally_due = False
        self._emit(events.HoldoverEnded(now, now - (self.heard_at or now)))
        self._darken(now, HOLDOVER_FADE_NS)

    def _go_off(self, now: LocalInstant) -> None:
        self._off_local = None
        if self._off_at is not None:
            self._emit(events.OffTimeReached(now, LeaderInstant(self._off_at)))
        self._darken(now, STOP_FADE_NS)

    # -- the exchange --------------------------------------------------------------------------------------------

    def _receive_echo(self, echo: Echo, received_at: LocalInstant) -> None:
        challenge = self._allegiance.answered(echo.nonce, echo.tenure)
        if challenge is not None:
            # It is judged again: what was followed may have come back while the answer was on its way.
            self._receive_beacon(challenge.beacon, challenge.source, challenge.received_at)
            if self._allegiance.tenure == echo.tenure:
                self._cookie = echo.cookie
            return
        if echo.tenure != self._allegiance.tenure or echo.timebase != self._timebase:
            # Either no beacon was heard yet, or the leader has begun anew and none of its beacons came through. The
            # cookie is what its copies will go by.
            if self._soundings.answered(echo, received_at) is not None:
                self._cookie = echo.cookie
            if self._allegiance.tenure is not None:
                self.counters["other tenure's echo"] += 1
            return
        exchange = self._soundings.answered(echo, received_at)
        if exchange is None:
            self.counters["unmatched echo"] += 1
            return
        self._cookie = echo.cookie
        self.answered_at = received_at
        before = self.clock.state
        self.clock.observe_exchange(exchange)
        if self._allegiance.is_lost:
            # An answer proves the leader lives, but the show's state travels in beacons alone.
            self.clock.note_silence()
            return
        self._after_sample(before, received_at)

    def _hear_tally(self, tally: Tally, received_at: LocalInstant) -> None:
        if tally.follower == self.identity:
            self.counters["own copy" if tally.instance == self._instance else "cloned id"] += 1
            return
        if tally.turn is None:
            self.counters["misdirected"] += 1
            return
        heard = tally.follower, tally.instance, tally.serial
        if heard in self._heard_tallies:
            self.counters["repeated tally"] += 1
            return
        self._heard_tallies.append(heard)
        if tally.tenure == self._allegiance.tenure and tally.radio == self.settings.radio:
            self.clock.common_view.note_heard(tally.turn, received_at)

    def _tally(self, now: LocalInstant, turn: int | None) -> Tally:
        bound_ns = self.clock.bounds(now).statistical_ns
        shown = self.shown(now)
        cue = self.cue
        about = cue.show if self.next_cue is None else self.next_cue.show
        self._tally_serial = (self._tally_serial + 1) & U32
        return Tally(
            self.identity,
            self._instance,
            self._tally_serial,
            self._allegiance.tenure or 0,
            turn,
            self.clock.state,
            cue.state,
            None if bound_ns is None else min(-(-bound_ns // MICROSECOND), U32) * MICROSECOND,
            round(self._group_loss_at(now) * 1000),
            self.library.state_of(about) if self.settings.lights else ContentState.UNKNOWN,
            self.settings.radio,
            about,
            min(shown.frame or 0, U32),
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
        return self._allegiance.loss.share_after(silent)

    def _tell_soon(self, now: LocalInstant) -> None:
        """Let the next Tally go out shortly: something has changed."""
        if self._tally_at is not None:
            self._tally_at = min(self._tally_at, LocalInstant(now + below(self._entropy, TALLY_SOON_NS)))

    def _plan_tally(self, now: LocalInstant) -> None:
        self._tally_due = False
        self._tally_at = LocalInstant(now + spread(self._entropy, self._tally_spacing_ns(), TALLY_SPREAD))

    def _tally_spacing_ns(self) -> int:
        return max(self.settings.tally_interval_ns, self._group_size * SECOND // TALLIES_PER_SECOND)

    def _emit(self, event: events.FollowerEvent) -> None:
        self._events.append(event)
