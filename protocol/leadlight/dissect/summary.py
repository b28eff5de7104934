"""What a capture tells in short: a few words about each message, and who spoke how often."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from leadlight.cue import Cue
from leadlight.dissect.datagram import Reading
from leadlight.dissect.packets import Datagram
from leadlight.follower import SERIAL_HALF, SERIAL_MASK
from leadlight.terms import ClockState, CueState, Kind
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, describe
from leadlight.wire import Beacon, Echo, Message, Sounding, Tally, hex_32, show_in_words, word

NOTHING: Final = "–"
REMEMBERED: Final = 4_096
"""How many of the latest datagrams one is compared with, to see whether it was captured before."""

LEADER_HEADER: Final = (
    "leader",
    "tenure",
    "timebase",
    "rank",
    "from",
    "serials",
    "beacons",
    "copies",
    "serials not heard",
    "group",
)
FOLLOWER_HEADER: Final = (
    "follower",
    "name",
    "tallies",
    "every",
    "soundings",
    "every",
    "instances",
    "last clock state",
    "group",
)


def message_in_words(message: Message, names: Mapping[int, str]) -> str:
    """Return the few facts of a message that matter for its kind; ``names`` gives those of nodes, by identity."""
    if isinstance(message, Beacon):
        told = [
            f"{_node(message.leader, names)} tenure {hex_32(message.tenure)} serial {message.serial}",
            _cue_in_words(message.cue, message.sent_at),
        ]
        if message.next_cue is not None:
            wait = describe(message.next_cue.line.leader_at - message.sent_at)
            told.append(f"next {word(message.next_cue.state)} {show_in_words(message.next_cue.show)} in {wait}")
        if message.off_at is not None:
            told.append(f"off in {describe(message.off_at - message.sent_at)}")
        if message.marker is not None:
            told.append(f"marker {_node(message.marker, names)}")
        return ", ".join(told)
    if isinstance(message, Sounding):
        asked = "no leader yet" if message.tenure == 0 else f"tenure {hex_32(message.tenure)}"
        told = [f"{_node(message.follower, names)} nonce {hex_32(message.nonce)}", asked]
        if message.delays:
            told.append("delays " + ", ".join(describe(report.delay_ns) for report in message.delays))
        return ", ".join(told)
    if isinstance(message, Echo):
        took = describe(message.sent_at - message.received_at)
        return f"{_node(message.leader, names)} nonce {hex_32(message.nonce)}, answered in {took}"
    return _tally_in_words(message)


def _tally_in_words(tally: Tally) -> str:
    bound = "no bound" if tally.bound_ns is None else f"±{describe(tally.bound_ns)}"
    told = [
        f"{tally.name}: {word(tally.clock)} {bound}",
        f"loss {tally.beacon_loss_permille / 10:.1f} %",
        f"{word(tally.cue_state)} frame {tally.frame}",
        f"content {word(tally.content)}",
    ]
    if tally.late_frames:
        told.append(f"{tally.late_frames} late")
    if tally.turn is not None:
        told.append(f"turn {tally.turn}")
    told += ["live data"] * tally.live_data + ["unverified"] * tally.unverified
    return ", ".join(told)


def _cue_in_words(cue: Cue, at: LeaderInstant) -> str:
    said = f"{word(cue.state)} {show_in_words(cue.show)}"
    if cue.state not in (CueState.ROLLING, CueState.PAUSED):
        return said
    position_ms = cue.position_at(at) // MILLISECOND
    sign = "-" if position_ms < 0 else ""
    return f"{said} at {sign}{abs(position_ms) // 1000}.{abs(position_ms) % 1000:03d} s"


def _node(number: int, names: Mapping[int, str]) -> str:
    return names.get(number, hex_32(number))


@dataclass(slots=True)
class _Spoken:
    """How often something was sent: the count, and when the first and the last were captured."""

    count: int = 0
    first_ns: int | None = None
    last_ns: int | None = None

    def note(self, at_ns: int | None) -> None:
        self.count += 1
        if at_ns is not None:
            self.first_ns = at_ns if self.first_ns is None else min(self.first_ns, at_ns)
            self.last_ns = at_ns if self.last_ns is None else max(self.last_ns, at_ns)

    def spacing(self) -> str:
        if self.count < 2 or self.first_ns is None or self.last_ns is None:
            return NOTHING
        return describe((self.last_ns - self.first_ns) / (self.count - 1))


@dataclass(slots=True)
class _Tenure:
    rank: int
    timebase: int
    source: str
    first: int
    last: int = 0
    beacons: int = 0
    copies: int = 0
    heard: set[int] = field(default_factory=set)
    """Serials as distances from the first, so that they may pass the end of their circle."""

    def note(self, beacon: Beacon) -> None:
        ahead = (beacon.serial - self.first - self.last) & SERIAL_MASK
        place = self.last + (ahead if ahead < SERIAL_HALF else ahead - SERIAL_MASK - 1)
        self.last = max(self.last, place)
        self.heard.add(place)
        if beacon.is_copy:
            self.copies += 1
        else:
            self.beacons += 1

    def cells(self) -> tuple[str, ...]:
        span = self.last - min(self.heard) + 1
        first, last = (self.first + min(self.heard)) & SERIAL_MASK, (self.first + self.last) & SERIAL_MASK
        missed = f"{span - len(self.heard)} of {span}"
        return (self.source, f"{first} to {last}", str(self.beacons), str(self.copies), missed)


@dataclass(slots=True)
class _Follower:
    soundings: _Spoken = field(default_factory=_Spoken)
    tallies: _Spoken = field(default_factory=_Spoken)
    instances: set[int] = field(default_factory=set)
    clock: ClockState | None = None


class CaptureSummary:
    """Counts what the datagrams of a capture say.

    ``names`` holds what nodes are called, by identity, as far as their Tallies have said so; ``refused`` counts by
    cause. No two datagrams are sent alike: one that was captured before has passed two of the interfaces, or was played
    again by somebody, and counts as nothing else.
    """

    def __init__(self) -> None:
        self.names: dict[int, str] = {}
        self.refused: Counter[str] = Counter()
        self.cut_short = 0
        self._again = 0
        self._latest: dict[tuple[object, ...], None] = {}
        self._kinds: Counter[Kind] = Counter()
        self._groups: Counter[str] = Counter()
        self._span = _Spoken()
        # By group as well: another group's nodes may have the same names.
        self._tenures: dict[tuple[bytes, int, int], _Tenure] = {}
        self._followers: dict[tuple[bytes, int], _Follower] = {}

    @property
    def first_ns(self) -> int | None:
        """When the first datagram was captured, of those that were noted."""
        return self._span.first_ns

    def note(self, found: Datagram, reading: Reading | None) -> bool:
        """Note a datagram, its ``reading`` ``None`` where its end is missing; return whether it was seen before."""
        at_ns = found.at_ns
        self._span.note(at_ns)
        if reading is None:
            self.cut_short += 1
            return False
        sight = (found.source, found.source_port, found.destination, found.destination_port, found.data)
        if sight in self._latest:
            self._again += 1
            return True
        self._latest[sight] = None
        if len(self._latest) > REMEMBERED:
            del self._latest[next(iter(self._latest))]
        self._note_reading(reading, f"{found.source}:{found.source_port}", at_ns)
        return False

    def _note_reading(self, reading: Reading, source: str, at_ns: int | None) -> None:
        message = reading.message
        if reading.group is not None:
            self._groups[reading.group.hex()] += 1
        if reading.refused is not None:
            self.refused[str(reading.refused.reason)] += 1
        if message is None or reading.kind is None or reading.group is None:
            return
        self._kinds[reading.kind] += 1
        if isinstance(message, Beacon):
            key = (reading.group, message.leader, message.tenure)
            if key not in self._tenures:
                self._tenures[key] = _Tenure(message.rank, message.timebase, source, message.serial)
            self._tenures[key].note(message)
        elif isinstance(message, Sounding):
            self._follower(reading.group, message.follower).soundings.note(at_ns)
        elif isinstance(message, Tally):
            self.names[message.follower] = message.name
            follower = self._follower(reading.group, message.follower)
            follower.tallies.note(at_ns)
            follower.instances.add(message.instance)
            follower.clock = message.clock

    def _follower(self, group: bytes, number: int) -> _Follower:
        return self._followers.setdefault((group, number), _Follower())

    def counts(self) -> list[str]:
        """Return how many datagrams there were, by kind and by cause of refusal, line by line."""
        first_ns, last_ns = self._span.first_ns, self._span.last_ns
        over = "" if first_ns is None or last_ns is None else f" in {(last_ns - first_ns) / SECOND:.3f} s"
        lines = [f"{self._span.count} datagram{'' if self._span.count == 1 else 's'} of this protocol{over}"]
        if len(self._groups) > 1:
            lines.append(counted("of groups", dict(self._groups.most_common())))
        if self._kinds:
            lines.append(counted("taken", {word(kind): self._kinds[kind] for kind in Kind if kind in self._kinds}))
        if self.refused:
            lines.append(counted("refused", dict(self.refused.most_common())))
        if self.cut_short:
            lines.append(f"cut short by the capture: {self.cut_short}")
        if self._again:
            lines.append(f"seen before, and counted once: {self._again}")
        return lines

    def leaders(self) -> list[tuple[str, ...]]:
        """Return the rows of ``LEADER_HEADER``: each tenure that was heard."""
        return [
            (
                _node(leader, self.names),
                hex_32(number),
                hex_32(tenure.timebase),
                str(tenure.rank),
                *tenure.cells(),
                group.hex(),
            )
            for (group, leader, number), tenure in self._tenures.items()
        ]

    def followers(self) -> list[tuple[str, ...]]:
        """Return the rows of ``FOLLOWER_HEADER``: each follower that spoke."""
        return [
            (
                hex_32(number),
                self.names.get(number, NOTHING),
                str(follower.tallies.count),
                follower.tallies.spacing(),
                str(follower.soundings.count),
                follower.soundings.spacing(),
                str(len(follower.instances)) if follower.instances else NOTHING,
                NOTHING if follower.clock is None else word(follower.clock),
                group.hex(),
            )
            for (group, number), follower in self._followers.items()
        ]


def counted(what: str, counts: Mapping[str, int]) -> str:
    """Return counts in one line: ``"refused: 3 bad tag, 1 malformed"``."""
    return f"{what}: " + ", ".join(f"{count} {name}" for name, count in counts.items())
