"""The host that answers probes: it keeps an account of all that it heard, and tells it until the prober knows.

It does no input or output, as the protocol's own cores: see ``leadlight.net.driver``.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from typing import Any, Final, NamedTuple

from leadlight.entropy import Entropy, below, nonzero32
from leadlight.errors import WireError
from leadlight.leader import RateLimiter
from leadlight.recording.contents import RecordedHost
from leadlight.units import MILLISECOND, SECOND, LocalInstant
from leadlight.wire import ENTRIES_MAXIMUM, Answer, Call, Entry, GroupProbe, HostProbe, KeyRing, Presence, ProbeCodec

RECORDINGS_MAXIMUM: Final = 4
"""Recordings answered at a time; the one that was silent longest makes room."""
SILENT_AFTER_NS: Final = 30 * SECOND
"""A recording that is not heard for so long has ended."""
PRESENCE_WITHIN_NS: Final = 100 * MILLISECOND
"""Hosts that are called all at once answer at instants drawn within this,"""
PRESENCE_SPACING_NS: Final = SECOND
"""and again no sooner than after this, while nobody asks them."""
ANSWERS_PER_SECOND: Final = 60
"""More is no prober's: what is asked beyond that is not answered."""
ENTRIES_KEPT: Final = 65_536
"""An account that nobody has asked for in hours is begun anew."""
NUMBERS_KEPT: Final = 1024


class AnswererEvent(NamedTuple):
    """A recording has begun here, or is over."""

    recording: int
    has_begun: bool


@dataclass(slots=True)
class _Heard:
    is_own: bool
    number: int
    at: LocalInstant


class _Account:
    """What was heard of one recording."""

    def __init__(self, recording: int, instance: int, source: Any, now: LocalInstant) -> None:
        self.recording = recording
        self.instance = instance
        self.source = source
        self.heard_at = now
        self.presence_at: LocalInstant | None = None
        self.quiet_until = now
        self.is_asked = False
        self.entries: deque[_Heard] = deque()
        self.known = 0
        self.answers = RateLimiter(ANSWERS_PER_SECOND, ANSWERS_PER_SECOND)
        self._numbers: tuple[dict[int, None], dict[int, None]] = ({}, {})

    @property
    def total(self) -> int:
        return self.known + len(self.entries)

    def note(self, is_own: bool, number: int, at: LocalInstant) -> bool:
        """Enter what was heard; return whether it was new."""
        numbers = self._numbers[is_own]
        if number in numbers:
            return False
        numbers[number] = None
        if len(numbers) > NUMBERS_KEPT:
            del numbers[next(iter(numbers))]
        self.entries.append(_Heard(is_own, number, at))
        return True

    def forget_until(self, known: int) -> None:
        """Let go of what the prober knows."""
        while self.known < known and self.entries:
            self.entries.popleft()
            self.known += 1


class Answerer:
    """Answers the probes of one group. ``host`` is how it describes itself; an empty label leaves that to the prober.

    ``entropy`` draws its instance and when it answers a call. ``keys`` are the group's, where it has any.
    """

    def __init__(self, group: str, host: RecordedHost, entropy: Entropy, keys: KeyRing | None = None) -> None:
        self._host = host
        self._codec = ProbeCodec(group, keys)
        self._entropy = entropy
        self._accounts: dict[int, _Account] = {}
        self._to_answer: deque[tuple[_Account, HostProbe, LocalInstant, Any]] = deque()
        self._events: deque[AnswererEvent] = deque()
        self.load_percent: int | None = None
        """How busy the host is, as it is told to the prober; whoever drives it renews it."""
        self.answered = 0
        self.refused = 0

    # -- the five verbs ----------------------------------------------------------------------------------------------

    def receive_datagram(self, data: bytes, source: Any, received_at: LocalInstant) -> None:
        """Take in a datagram."""
        try:
            message = self._codec.decode_probe(data)
        except WireError:
            self.refused += 1
            return
        if isinstance(message, Call | GroupProbe | HostProbe):
            account = self._account(message.recording, source, received_at)
            if isinstance(message, HostProbe):
                self._take_probe(account, message, source, received_at)
            else:
                if isinstance(message, GroupProbe):
                    account.note(False, message.number, received_at)
                # Who is asked by name is known to be there; and where calls cross with probes, one word is enough.
                if not account.is_asked and account.presence_at is None and received_at >= account.quiet_until:
                    account.presence_at = LocalInstant(received_at + below(self._entropy, PRESENCE_WITHIN_NS))
                    account.quiet_until = LocalInstant(received_at + PRESENCE_SPACING_NS)
            account.heard_at = max(account.heard_at, received_at)

    def handle_timer(self, now: LocalInstant) -> None:
        """Forget recordings that have ended."""
        for account in [one for one in self._accounts.values() if now - one.heard_at >= SILENT_AFTER_NS]:
            self._end(account)

    def next_timer(self) -> LocalInstant | None:
        """Return when something is due."""
        waits = [one.presence_at for one in self._accounts.values() if one.presence_at is not None]
        waits += [LocalInstant(one.heard_at + SILENT_AFTER_NS) for one in self._accounts.values()]
        return min(waits, default=None)

    def datagrams_to_send(self, now: LocalInstant) -> Iterator[tuple[bytes, Any]]:
        """Yield what is to be sent now."""
        while self._to_answer:
            account, probe, heard_at, source = self._to_answer.popleft()
            self.answered += 1
            yield self._answer(account, probe, heard_at, now), source
        for account in self._accounts.values():
            if account.presence_at is not None and account.presence_at <= now:
                account.presence_at = None
                yield self._presence(account), account.source

    def next_event(self) -> AnswererEvent | None:
        """Return the next thing that happened."""
        return self._events.popleft() if self._events else None

    def note_resumed(self, now: LocalInstant) -> None:
        """The host was suspended: its clock counted that, and there is nothing to do."""

    # -- inside ------------------------------------------------------------------------------------------------------

    def _account(self, recording: int, source: Any, now: LocalInstant) -> _Account:
        account = self._accounts.get(recording)
        if account is not None and account.total - account.known > ENTRIES_KEPT:
            self._end(account)
            account = None
        if account is None:
            if len(self._accounts) >= RECORDINGS_MAXIMUM:
                self._end(min(self._accounts.values(), key=lambda one: one.heard_at))
            account = self._accounts[recording] = _Account(recording, nonzero32(self._entropy), source, now)
            self._events.append(AnswererEvent(recording, True))
        return account

    def _take_probe(self, account: _Account, probe: HostProbe, source: Any, received_at: LocalInstant) -> None:
        if probe.instance != account.instance:
            return  # for who was here before
        account.is_asked = True
        account.presence_at = None
        if account.answers.allow(received_at) and account.note(True, probe.number, received_at):
            account.forget_until(probe.known)
            self._to_answer.append((account, probe, received_at, source))

    def _answer(self, account: _Account, probe: HostProbe, heard_at: LocalInstant, now: LocalInstant) -> bytes:
        answer = Answer(
            recording=account.recording,
            instance=account.instance,
            number=probe.number,
            heard_at=heard_at,
            sent_at=max(now, heard_at),
            load_percent=self.load_percent,
            first=account.known,
            total=account.total,
        )
        # Its own probe is the answer's to tell; it is an entry all the same, should the answer be lost.
        next_ones = islice(account.entries, ENTRIES_MAXIMUM)
        return self._codec.answer(answer, [Entry(int(one.is_own), one.number, heard_at - one.at) for one in next_ones])

    def _presence(self, account: _Account) -> bytes:
        def told(flag: bool | None) -> int | None:
            return None if flag is None else int(flag)

        host = self._host
        return self._codec.encode(
            Presence(
                recording=account.recording,
                instance=account.instance,
                is_stamped=int(host.is_stamped),
                is_wireless=told(host.is_wireless),
                saves_power=told(host.saves_power),
                signal_dbm=host.signal_dbm,
                label=host.label,
            )
        )

    def _end(self, account: _Account) -> None:
        del self._accounts[account.recording]
        self._events.append(AnswererEvent(account.recording, False))
