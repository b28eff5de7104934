"""What reaches a node that only listens: a follower that lights nothing, and notes of all that is heard.

Sans-IO, with the five verbs. The follower in it takes part as any other, so that what is noted is what a piece here
would live by. It asks the leader, reports to it and takes its turn as marker.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from leadlight.addresses import Address
from leadlight.cue import Cue
from leadlight.entropy import Entropy
from leadlight.errors import WireError
from leadlight.events import FollowerEvent
from leadlight.follower import Follower, FollowerSettings, is_newer
from leadlight.terms import ClockState, Refusal
from leadlight.units import MILLISECOND, LeaderInstant, LocalInstant
from leadlight.wire import U32, UNKEYED_SLOT, Beacon, Codec, Echo, Sounding, Tally, key_slot

TENURES_MAXIMUM: Final = 16
FOLLOWERS_MAXIMUM: Final = 512
ARRIVALS_MAXIMUM: Final = 4096
TURNS_KEPT: Final = 256
PLACES_MAXIMUM: Final = 8
"""Without a key anybody can fill a list; these are longer than any of health."""
ANSWER_DUE_NS: Final = 500 * MILLISECOND
"""A Sounding sent later than this before the end is not held against the leader."""
UNTAGGED: Final = "no tag"
"""The cause for which a node with a key refuses what has none."""


class Arrival(NamedTuple):
    """When a beacon to the group was sent, by its leader's clock, and when it came, by this node's."""

    sent_at: LeaderInstant
    received_at: LocalInstant


@dataclass(slots=True)
class TenureHeard:
    """One leader's tenure, as far as it was heard."""

    beacon: Beacon
    """The last one."""
    place: str
    """Where its beacons come from."""
    first_serial: int
    last_serial: int
    first_at: LocalInstant
    last_at: LocalInstant
    arrivals: dict[int, Arrival] = field(default_factory=dict)
    """Of its beacons to the group, by serial."""
    copies: int = 0
    turns: int = 0
    """How many beacons gave somebody a turn as marker."""
    spells: int = 0
    """How often a beacon of it came first, or after one of another tenure."""

    def sent_by(self, now: LocalInstant) -> int:
        """Return how many beacons were sent from the first one heard until ``now``. They are counted by serials, and by
        the silence since the last, of which one interval and one more for dither and delay count for nothing."""
        silent = max((now - self.last_at) // self.beacon.interval_ns - 1, 0)
        return ((self.last_serial - self.first_serial) & U32) + 1 + silent


@dataclass(slots=True)
class FollowerHeard:
    """One follower, as far as its Tallies to the group were heard."""

    tally: Tally
    """The last one."""
    places: set[str]
    instances: dict[int, None]
    """The runs of it that were heard, the one heard longest ago first."""
    is_cloned: bool = False
    """Whether two boards surely have this name: both took one turn, or one that was replaced came back."""


@dataclass(frozen=True, slots=True)
class Refused:
    """Datagrams of one kind that were refused: how many, and from where."""

    count: int
    places: tuple[str, ...]


NOTHING_REFUSED: Final = Refused(0, ())


@dataclass(frozen=True, slots=True)
class Heard:
    """What was heard of a group until ``now``, times in ns.

    ``soundings`` were sent long enough ago to be answered. ``delays_ns`` are those of the beacons to the group of the
    tenure that is followed, each less what the clock makes of the way's shortest. ``bound_ns`` is the clock's
    statistical bound.
    """

    now: LocalInstant
    listened_ns: int
    tenures: tuple[TenureHeard, ...]
    followed: int | None
    followers: tuple[FollowerHeard, ...]
    refused: dict[str, Refused]
    """By ``Refusal``, and ``UNTAGGED`` for datagrams without a tag where this node has a key."""
    soundings: int
    round_trips_ns: tuple[int, ...]
    delays_ns: tuple[int, ...]
    clock: ClockState
    bound_ns: int | None
    has_namesake: bool
    """Whether another node listens under this one's own name."""

    @property
    def leading(self) -> TenureHeard | None:
        """The tenure that is followed; where none is, the one heard last."""
        followed = [tenure for tenure in self.tenures if tenure.beacon.tenure == self.followed]
        return max(followed or self.tenures, key=lambda tenure: tenure.last_at, default=None)

    @property
    def rounds(self) -> float:
        """How often every follower's turn has come, were no turn lost."""
        leading = self.leading
        return 0.0 if leading is None else leading.turns / max(leading.beacon.group_size, 1)

    def cues(self) -> tuple[Cue, ...]:
        """Return what is in force, and what was announced to come next."""
        leading = self.leading
        if leading is None:
            return ()
        cue, following = leading.beacon.cue, leading.beacon.next_cue
        return (cue,) if following is None else (cue, following)


class Listener:
    """Listens to a group from ``now`` on. ``place_of`` gives the words for where a datagram came from."""

    def __init__(
        self,
        name: str,
        codec: Codec,
        entropy: Entropy,
        now: LocalInstant,
        place_of: Callable[[Address], str] = str,
    ) -> None:
        self.follower = Follower(FollowerSettings(name, lights=False), codec, entropy)
        self._codec = codec
        self._place_of = place_of
        self._started_at = now
        self._tenures: dict[int, TenureHeard] = {}
        self._last_heard: int | None = None
        self._followers: dict[int, FollowerHeard] = {}
        self._turns: dict[tuple[int, int, int], int] = {}
        self._refused: Counter[str] = Counter()
        self._places: dict[str, dict[str, None]] = {}
        self._asked: dict[int, LocalInstant] = {}
        self._answered: set[int] = set()
        self._round_trips_ns: deque[int] = deque(maxlen=ARRIVALS_MAXIMUM)
        self._instances: set[int] = set()
        self._has_namesake = False

    # -- the five verbs ------------------------------------------------------------------------------------------

    def receive_datagram(self, data: bytes, source: Address, received_at: LocalInstant) -> None:
        """Take a datagram that arrived at ``received_at``; note it, or why it is refused."""
        try:
            message = self._codec.decode(data)
        except WireError as error:
            is_untagged = error.reason is Refusal.NO_KEY and key_slot(data) == UNKEYED_SLOT
            cause = UNTAGGED if is_untagged else error.reason
            self._refused[cause] += 1
            places = self._places.setdefault(cause, {})
            if len(places) < PLACES_MAXIMUM:
                places[self._place_of(source)] = None
            return
        if type(message) is Beacon:
            self._note_beacon(message, source, received_at)
        elif type(message) is Tally:
            self._note_tally(message, source)
        elif type(message) is Echo:
            self._note_echo(message, received_at)
        self.follower.receive_message(message, source, received_at)

    def handle_timer(self, now: LocalInstant) -> None:
        """Do what is due at ``now``. Harmless when early or called twice."""
        self.follower.handle_timer(now)

    def next_timer(self) -> LocalInstant | None:
        """Return when ``handle_timer`` wants to be called next, or ``None``."""
        return self.follower.next_timer()

    def datagrams_to_send(self, now: LocalInstant) -> list[tuple[bytes, Address | None]]:
        """Return the datagrams to send at ``now`` with their destinations; each is stamped with ``now``."""
        out = self.follower.datagrams_to_send(now)
        for data, _ in out:
            message = self._codec.decode(data)
            if type(message) is Sounding:
                self._asked[message.nonce] = now
            elif type(message) is Tally:
                self._instances.add(message.instance)
        return out

    def next_event(self) -> FollowerEvent | None:
        """Return the follower's oldest event not yet told, or ``None``."""
        return self.follower.next_event()

    def note_resumed(self, now: LocalInstant) -> None:
        """The host was suspended and is awake again."""
        self.follower.note_resumed(now)

    # -- what was heard ------------------------------------------------------------------------------------------

    def heard(self, now: LocalInstant) -> Heard:
        """Return what was heard until ``now``."""
        decided = [
            nonce
            for nonce, asked_at in self._asked.items()
            if nonce in self._answered or now - asked_at >= ANSWER_DUE_NS
        ]
        return Heard(
            now,
            now - self._started_at,
            tuple(self._tenures.values()),
            self.follower.tenure,
            tuple(self._followers.values()),
            {cause: Refused(count, tuple(self._places[cause])) for cause, count in self._refused.items()},
            len(decided),
            tuple(self._round_trips_ns),
            self._delays_ns(),
            self.follower.clock.state,
            self.follower.clock.bounds(now).statistical_ns,
            self._has_namesake,
        )

    def _delays_ns(self) -> tuple[int, ...]:
        tenure = self.follower.tenure
        served = self.follower.clock.served
        heard = None if tenure is None else self._tenures.get(tenure)
        if heard is None or served is None:
            return ()
        # By what is known at the end: early in the time the clock knew less.
        return tuple(
            max(received_at - sent_at - served.offset_at(received_at), 0)
            for sent_at, received_at in heard.arrivals.values()
        )

    def _note_beacon(self, beacon: Beacon, source: Address, received_at: LocalInstant) -> None:
        heard = self._tenures.get(beacon.tenure)
        serial = beacon.serial
        if heard is None:
            if len(self._tenures) >= TENURES_MAXIMUM:
                return
            place = self._place_of(source)
            heard = TenureHeard(beacon, place, serial, serial, received_at, received_at)
            self._tenures[beacon.tenure] = heard
        is_new = heard.spells == 0 or is_newer(serial, heard.last_serial)
        if is_new:
            heard.beacon, heard.last_serial = beacon, serial
            heard.turns += beacon.marker is not None
        elif is_newer(heard.first_serial, serial):
            heard.first_serial = serial
        heard.last_at = max(heard.last_at, received_at)
        if is_new and self._last_heard != beacon.tenure:
            # A late one of the tenure before does not make that one come back.
            heard.spells += 1
            self._last_heard = beacon.tenure
        if beacon.is_copy:
            heard.copies += 1
        elif len(heard.arrivals) < ARRIVALS_MAXIMUM:
            heard.arrivals.setdefault(serial, Arrival(beacon.sent_at, received_at))

    def _note_tally(self, tally: Tally, source: Address) -> None:
        if tally.follower == self.follower.identity:
            self._has_namesake |= tally.instance not in self._instances
            return
        if tally.turn is None:
            return
        place = self._place_of(source)
        heard = self._followers.get(tally.follower)
        if heard is None:
            if len(self._followers) >= FOLLOWERS_MAXIMUM:
                return
            heard = self._followers[tally.follower] = FollowerHeard(tally, set(), {})
        # A turn is one beacon's: a board that restarted in between never saw the beacon that gave it.
        turn = tally.follower, tally.tenure, tally.turn
        took_turn = self._turns.setdefault(turn, tally.instance)
        if len(self._turns) > TURNS_KEPT:
            del self._turns[next(iter(self._turns))]
        last = next(reversed(heard.instances), tally.instance)
        is_back = tally.instance != last and tally.instance in heard.instances
        heard.is_cloned |= is_back or took_turn != tally.instance
        heard.instances.pop(tally.instance, None)
        if len(heard.instances) < TURNS_KEPT:
            heard.instances[tally.instance] = None
        heard.tally = tally
        if len(heard.places) < PLACES_MAXIMUM:
            heard.places.add(place)

    def _note_echo(self, echo: Echo, received_at: LocalInstant) -> None:
        asked_at = self._asked.get(echo.nonce)
        if asked_at is None or echo.nonce in self._answered:
            return
        self._answered.add(echo.nonce)
        kept_ns = echo.sent_at - echo.received_at
        self._round_trips_ns.append(max(received_at - asked_at - kept_ns, 0))
