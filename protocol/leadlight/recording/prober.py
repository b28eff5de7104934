"""The host that records: it calls the others, sends probes by its plan, and makes records of what comes of them.

It does no input or output, as the protocol's own cores: see ``leadlight.net.driver``. What ``next_event`` returns are
the records of the file, in order, the head first.

It **calls** the group until the hosts that are expected are there, or until no more come. It **records** for as long as
the plan says; a host that comes meanwhile joins. It then **settles**, so that what is under way arrives, and
**collects** what hosts have not told yet. Nobody's probes are counted that were sent for collecting.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from datetime import datetime
from enum import Enum
from typing import Any, Final, NamedTuple

from leadlight.entropy import Entropy, below, nonzero32
from leadlight.errors import ConfigurationError, WireError, check_whole
from leadlight.recording.contents import Load, Plan, RecordedHost
from leadlight.recording.records import INSTANT_LIMIT, Answered, Ended, Head, Paused, Record, Sent, Told, Unsent
from leadlight.units import HOUR, MILLISECOND, SECOND, LocalInstant
from leadlight.wire import Answer, Call, GroupProbe, HostProbe, KeyRing, Presence, ProbeCodec

CALL_INTERVAL_NS: Final = 500 * MILLISECOND
NO_MORE_AFTER_NS: Final = 3 * SECOND
"""Where nobody says how many hosts are expected: once the last new one came so long ago."""
CALLING_LASTS_NS: Final = 30 * SECOND
SETTLES_FOR_NS: Final = 2500 * MILLISECOND
SETTLED_NS: Final = 2 * SECOND
"""A packet that has not arrived after so long is not coming; one that does all the same is counted as heard."""
COLLECT_INTERVAL_NS: Final = 100 * MILLISECOND
COLLECTS_FOR_NS: Final = 10 * SECOND
STOPPED_COLLECTS_FOR_NS: Final = 2 * SECOND
LOAD_INTERVAL_NS: Final = 10 * SECOND
HOSTS_MAXIMUM: Final = 24
"""With more, what each has to tell would not fit its answers."""
UNANSWERED_MAXIMUM: Final = 40
"""Who has never answered so many probes is asked no more: a word in somebody's name brings him no more than these."""
TURNED_AWAY_MAXIMUM: Final = 1000
DURATION_MAXIMUM_NS: Final = 24 * HOUR


class Phase(Enum):
    """What a recording is doing."""

    CALLING = "calling"
    RECORDING = "recording"
    SETTLING = "settling"
    COLLECTING = "collecting"
    OVER = "over"


class HostProgress(NamedTuple):
    """How far a recording is with one host; what it has heard of the group it may not have told yet."""

    label: str
    probes_sent: int
    answers: int
    group_sent: int
    group_heard: int


class _Host:
    """One host as the prober knows it."""

    def __init__(self, label: str, presence: Presence, source: Any) -> None:
        self.label = label
        self.presence = presence
        self.source = source
        self.clock_begins: int | None = None
        self.number = 0
        self.counted = 0
        """Probes that count: those for collecting come after them."""
        self.nominal_at = LocalInstant(0)
        self.due_at = LocalInstant(0)
        self.sent_at: dict[int, LocalInstant] = {}
        self.known = 0
        self.is_complete = False
        self.has_answered = False
        self.load_told_at: LocalInstant | None = None
        self.answers = 0
        self.group_before = 0
        self.heard_of_group = 0

    @property
    def is_mute(self) -> bool:
        """Whether it has never answered, and has been asked often enough."""
        return not self.has_answered and self.number >= UNANSWERED_MAXIMUM

    def on_its_clock(self, instant: int) -> int:
        if self.clock_begins is None:
            self.clock_begins = instant
        return instant - self.clock_begins


class Prober:
    """Records what the network of one group does to packets.

    ``host`` describes this host. ``entropy`` draws the number of the recording and the dither. ``hosts`` is how many
    are expected, ``None`` for those that are there; ``called`` are addresses to call beside the group. ``begun_at`` is
    wall time in UTC, and ``written_by`` what writes. ``keys`` are the group's, where it has any.

    Raises ``ConfigurationError`` for a plan that cannot be kept.
    """

    def __init__(
        self,
        plan: Plan,
        group: str,
        host: RecordedHost,
        entropy: Entropy,
        *,
        begun_at: datetime,
        written_by: str,
        keys: KeyRing | None = None,
        hosts: int | None = None,
        called: Sequence[Any] = (),
    ) -> None:
        check_plan(plan)
        if hosts is not None:
            check_whole("hosts", hosts, 1, HOSTS_MAXIMUM, f"1 to {HOSTS_MAXIMUM}")
        self._plan = plan
        self._host = host
        self._codec = ProbeCodec(group, keys)
        self._entropy = entropy
        self._expected = hosts
        self._called = called
        self._begun_at, self._written_by = begun_at, written_by
        self._recording = nonzero32(entropy)
        self.phase = Phase.CALLING
        self.load_percent: int | None = None
        """How busy this host is; whoever drives it renews it."""
        self.other_recordings = 0
        """Probes heard of another recording of this group: two at once weigh upon the network twice."""
        self.unsent = 0
        self.turned_away = 0
        """Hosts beyond those that can be asked."""
        self._turned_away: set[int] = set()
        self._hosts: dict[int, _Host] = {}
        self._records: deque[Record] = deque()
        self._last_asked: _Host | None = None
        self._began: LocalInstant | None = None
        self._calling_since: LocalInstant | None = None
        self._last_joined_at = LocalInstant(0)
        self._due_at = LocalInstant(0)
        self._nominal_at = LocalInstant(0)
        self._group_number = 0
        self._phase_ends_at = LocalInstant(0)
        self._own_load_told_at: LocalInstant | None = None
        self._ends_by = "time"

    # -- for whoever drives it ---------------------------------------------------------------------------------------

    @property
    def labels(self) -> tuple[str, ...]:
        """The hosts that are there."""
        return tuple(host.label for host in self._hosts.values())

    @property
    def began_at(self) -> LocalInstant | None:
        """When recording began, by this host's clock: the 0 of the file's instants."""
        return self._began

    @property
    def group_probes(self) -> int:
        """Group probes sent so far."""
        return self._group_number

    @property
    def ended_by(self) -> str:
        """By what it ended, or will."""
        return self._ends_by

    def progress(self) -> list[HostProgress]:
        """Return how far it is with each host."""
        return [
            HostProgress(one.label, one.counted, one.answers, self._group_number - one.group_before, one.heard_of_group)
            for one in self._hosts.values()
        ]

    def elapsed_ns(self, now: LocalInstant) -> int:
        """Return for how long it has recorded."""
        return 0 if self._began is None else min(now - self._began, self._plan.duration_ns)

    def stop(self, now: LocalInstant, by: str) -> None:
        """End early: collect quickly what hosts have not told yet, and end. ``by`` what stands in the file."""
        if self.phase in (Phase.CALLING, Phase.OVER):
            self.phase = Phase.OVER
            return
        self._ends_by = by
        if self.phase is not Phase.COLLECTING:
            self._collect(now)
        self._phase_ends_at = LocalInstant(min(self._phase_ends_at, now + STOPPED_COLLECTS_FOR_NS))

    def note_unsent(self, data: bytes) -> None:
        """A datagram of its own did not leave after all."""
        self.unsent += 1
        message = self._codec.decode(data)
        host = self._last_asked
        if isinstance(message, GroupProbe):
            self._records.append(Unsent(message.number, None))
        elif isinstance(message, HostProbe) and host is not None and message.number < host.counted:
            self._records.append(Unsent(message.number, host.label))

    # -- the five verbs ----------------------------------------------------------------------------------------------

    def receive_datagram(self, data: bytes, source: Any, received_at: LocalInstant) -> None:
        """Take in a datagram."""
        try:
            message = self._codec.decode_probe(data)
        except WireError:
            return
        if message.recording != self._recording:
            self.other_recordings += isinstance(message, Call | GroupProbe)
        elif isinstance(message, Presence):
            self._meet(message, source, received_at)
        elif isinstance(message, Answer):
            host = self._hosts.get(message.instance)
            if host is not None:
                host.source = source
                self._take_answer(host, message, received_at)

    def handle_timer(self, now: LocalInstant) -> None:
        """Go on to the next phase where that is due."""
        if self._calling_since is None:
            self._calling_since = self._due_at = now
            self._phase_ends_at = LocalInstant(now + CALLING_LASTS_NS)
        if self.phase is Phase.CALLING:
            self._look_at_calling(now)
        elif self.phase is Phase.RECORDING and now >= self._phase_ends_at:
            self.phase = Phase.SETTLING
            self._phase_ends_at = LocalInstant(now + SETTLES_FOR_NS)
        elif self.phase is Phase.SETTLING and now >= self._phase_ends_at:
            self._collect(now)
        elif self.phase is Phase.COLLECTING and (not self._left_to_ask() or now >= self._phase_ends_at):
            self.phase = Phase.OVER
            self._records.append(Ended(self._ends_by, self._since_begin(now)))
        self._tell_own_load(now)

    def next_timer(self) -> LocalInstant | None:
        """Return when something is due."""
        match self.phase:
            case Phase.CALLING:
                return min(self._due_at, self._phase_ends_at)
            case Phase.RECORDING:
                asked = (host.due_at for host in self._hosts.values() if not host.is_mute)
                return min(self._due_at, self._phase_ends_at, *asked)
            case Phase.SETTLING:
                return self._phase_ends_at
            case Phase.COLLECTING:
                waits = [host.due_at for host in self._left_to_ask()]
                return min(self._phase_ends_at, *waits) if waits else LocalInstant(0)
            case Phase.OVER:
                return None

    def datagrams_to_send(self, now: LocalInstant) -> Iterator[tuple[bytes, Any]]:
        """Yield what is due now, stamped ``now``."""
        if self._calling_since is None:
            return
        if self.phase is Phase.CALLING:
            if now >= self._due_at:
                self._due_at = LocalInstant(now + CALL_INTERVAL_NS)
                for destination in (None, *self._called):
                    yield self._codec.encode(Call(self._recording)), destination
        elif self.phase is Phase.RECORDING and now < self._phase_ends_at:
            if now >= self._due_at:
                self._plan_group(now)
                probe = GroupProbe(self._recording, self._group_number)
                self._group_number += 1
                self._records.append(Sent(probe.number, None, self._since_begin(now)))
                yield self._codec.encode(probe), None
            interval_ns = self._plan.host_interval_for(len(self._hosts))
            for host in self._hosts.values():
                if now >= host.due_at and not host.is_mute:
                    host.nominal_at, host.due_at = self._after(host.nominal_at, interval_ns, now)
                    self._records.append(Sent(host.number, host.label, self._since_begin(now)))
                    host.counted = host.number + 1
                    yield self._ask(host, now), host.source
        elif self.phase is Phase.COLLECTING:
            for host in self._left_to_ask():
                if now >= host.due_at:
                    host.due_at = LocalInstant(now + COLLECT_INTERVAL_NS)
                    yield self._ask(host, now), host.source

    def next_event(self) -> Record | None:
        """Return the next record of the file."""
        return self._records.popleft() if self._records else None

    def note_resumed(self, now: LocalInstant) -> None:
        """The host was suspended."""
        if self._began is not None and self.phase is not Phase.OVER:
            self._records.append(Paused(self._since_begin(now)))

    # -- phases ------------------------------------------------------------------------------------------------------

    def _look_at_calling(self, now: LocalInstant) -> None:
        if self._expected is not None:
            are_there = len(self._hosts) >= self._expected
        else:
            are_there = bool(self._hosts) and now >= self._last_joined_at + NO_MORE_AFTER_NS
        if are_there or (self._hosts and now >= self._phase_ends_at):
            self._begin(now)
        elif now >= self._phase_ends_at:
            self.phase = Phase.OVER
            self._ends_by = "nobody"

    def _begin(self, now: LocalInstant) -> None:
        self.phase = Phase.RECORDING
        self._began = now
        self._phase_ends_at = LocalInstant(now + self._plan.duration_ns)
        self._nominal_at = self._due_at = now
        self._records.append(Head(self._begun_at, self._written_by, self._host, self._plan))
        for host in self._hosts.values():
            self._join(host, now)

    def _join(self, host: _Host, now: LocalInstant) -> None:
        # Each host's instants lie somewhere of their own between the others'.
        interval_ns = self._plan.host_interval_for(len(self._hosts))
        host.nominal_at = host.due_at = LocalInstant(now + below(self._entropy, interval_ns))
        host.group_before = self._group_number
        told = host.presence
        self._records.append(
            RecordedHost(
                label=host.label,
                joined_at=self._since_begin(now),
                is_stamped=bool(told.is_stamped),
                is_wireless=_flag(told.is_wireless),
                saves_power=_flag(told.saves_power),
                signal_dbm=told.signal_dbm,
            )
        )

    def _meet(self, presence: Presence, source: Any, now: LocalInstant) -> None:
        if presence.instance in self._hosts or self.phase not in (Phase.CALLING, Phase.RECORDING):
            return
        if len(self._hosts) >= HOSTS_MAXIMUM:
            if len(self._turned_away) < TURNED_AWAY_MAXIMUM:
                self._turned_away.add(presence.instance)
                self.turned_away = len(self._turned_away)
            return
        host = self._hosts[presence.instance] = _Host(self._new_label(presence.label), presence, source)
        self._last_joined_at = now
        if self.phase is Phase.RECORDING:
            self._join(host, now)

    def _new_label(self, wanted: str) -> str:
        taken = {*self.labels, self._host.label}
        label = wanted or f"host-{len(self._hosts) + 1}"
        number = 1
        while label in taken:
            number += 1
            label = f"{wanted or 'host'}-{number}"
        return label

    def _collect(self, now: LocalInstant) -> None:
        self.phase = Phase.COLLECTING
        self._phase_ends_at = LocalInstant(now + COLLECTS_FOR_NS)
        for place, host in enumerate(self._hosts.values()):
            host.is_complete = False
            host.due_at = LocalInstant(now + place * COLLECT_INTERVAL_NS // HOSTS_MAXIMUM)

    def _left_to_ask(self) -> list[_Host]:
        return [host for host in self._hosts.values() if not host.is_complete and not host.is_mute]

    # -- probes ------------------------------------------------------------------------------------------------------

    def _plan_group(self, now: LocalInstant) -> None:
        self._nominal_at, self._due_at = self._after(self._nominal_at, self._plan.group_interval_ns, now)

    def _after(self, nominal_at: int, interval_ns: int, now: LocalInstant) -> tuple[LocalInstant, LocalInstant]:
        """Return the next instant of a row and, dithered, when its probe is due; what a stall held up is skipped."""
        missed = max(0, (now - nominal_at) // interval_ns)
        nominal = nominal_at + (missed + 1) * interval_ns
        reach_ns = round(self._plan.dither_share * interval_ns)
        due = nominal - reach_ns + below(self._entropy, 2 * reach_ns + 1)
        return LocalInstant(nominal), LocalInstant(max(due, now))

    def _ask(self, host: _Host, now: LocalInstant) -> bytes:
        number = host.number
        host.number += 1
        host.sent_at[number] = now
        self._last_asked = host
        if len(host.sent_at) > 4096:
            del host.sent_at[next(iter(host.sent_at))]
        return self._codec.encode(HostProbe(self._recording, number, host.presence.instance, host.known))

    def _take_answer(self, host: _Host, answer: Answer, received_at: LocalInstant) -> None:
        sent_at = host.sent_at.pop(answer.number, None)
        if sent_at is None or received_at < sent_at or answer.sent_at < answer.heard_at:
            return  # twice, or about a probe that was never sent
        if not are_told([host.on_its_clock(at) for at in (answer.heard_at, answer.sent_at)]):
            return
        host.has_answered = True
        if answer.number < host.counted:
            heard_at, left_at = host.on_its_clock(answer.heard_at), host.on_its_clock(answer.sent_at)
            came_at = self._since_begin(received_at)
            self._records.append(Answered(answer.number, host.label, heard_at, left_at, came_at))
            host.answers += 1
        self._take_account(host, answer, sent_at)
        self._take_load(host, answer.load_percent, received_at)

    def _take_account(self, host: _Host, answer: Answer, sent_at: LocalInstant) -> None:
        end = answer.first + len(answer.entries)
        if not answer.first <= host.known <= end <= answer.total:
            return  # an older one that was overtaken
        new = answer.entries[host.known - answer.first :]
        if not are_told([host.on_its_clock(answer.heard_at - age_ns) for _, _, age_ns in new]):
            return
        host.known = end
        group: list[tuple[int, int]] = []
        probes: list[tuple[int, int]] = []
        for is_own, number, age_ns in new:
            at = host.on_its_clock(answer.heard_at - age_ns)
            if not is_own:
                if number < self._group_number:
                    group.append((number, at))
                    host.heard_of_group += number >= host.group_before
            elif number < host.counted and number != answer.number:
                probes.append((number, at))
        is_all = end == answer.total
        if self.phase is Phase.COLLECTING and is_all and answer.number >= host.counted:
            host.is_complete = True
        until = self._since_begin(LocalInstant(sent_at - SETTLED_NS)) if is_all else None
        if group or probes or (until is not None and until > 0):
            self._records.append(Told(host.label, tuple(group), tuple(probes), until))

    # -- load --------------------------------------------------------------------------------------------------------

    def _take_load(self, host: _Host, percent: int | None, now: LocalInstant) -> None:
        if percent is None or (host.load_told_at is not None and now < host.load_told_at + LOAD_INTERVAL_NS):
            return
        host.load_told_at = now
        self._records.append(Load(host.label, self._since_begin(now), percent))

    def _tell_own_load(self, now: LocalInstant) -> None:
        if self.load_percent is None or self.phase is not Phase.RECORDING:
            return
        if self._own_load_told_at is None or now >= self._own_load_told_at + LOAD_INTERVAL_NS:
            self._own_load_told_at = now
            self._records.append(Load(self._host.label, self._since_begin(now), self.load_percent))

    def _since_begin(self, instant: LocalInstant) -> int:
        assert self._began is not None
        return instant - self._began


def are_told(instants: list[int]) -> bool:
    """Return whether a recording may hold these: a clock that leaps a hundred days says nothing of a network."""
    return all(-INSTANT_LIMIT <= at <= INSTANT_LIMIT for at in instants)


def check_plan(plan: Plan) -> None:
    """Raise ``ConfigurationError`` unless a plan can be kept."""
    check_whole("duration_ns", plan.duration_ns, SECOND, DURATION_MAXIMUM_NS, "1 s to 24 h in ns")
    for name in ("group_interval_ns", "host_interval_ns"):
        check_whole(name, getattr(plan, name), 50 * MILLISECOND, 10 * SECOND, "50 ms to 10 s in ns")
    check_whole("host_probes_per_second", plan.host_probes_per_second, 1, 60, "1 to 60")
    if not 0 <= plan.dither_share <= 0.5:
        raise ConfigurationError("dither_share", plan.dither_share, "0 to 0.5")


def _flag(number: int | None) -> bool | None:
    return None if number is None else bool(number)
