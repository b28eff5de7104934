"""A stranger on the network: it hears what everybody hears, has no key, and sends what the receivers must bear.

Everything that it makes itself is well-formed and inside every field's range, so that no decoder may refuse it: what it
says is another matter. What it has heard it can also repeat, tag and all.
"""

from __future__ import annotations

from collections import deque
from typing import Any, Final

from leadlight import Codec, Cue, CueState, ShowLine
from leadlight.errors import WireError
from leadlight.terms import ClockState, ContentState, Kind
from leadlight.units import MILLISECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire import PREAMBLE_BYTES, TAG_BYTES, U8, U16, U32, UNKEYED_SLOT, Beacon, Sounding, Tally
from leadlight_sim.air import Air
from leadlight_sim.kernel import Stream, TrueInstant

HEARD_KEPT: Final = 256
INSTANT_MAXIMUM: Final = (1 << 62) - 1
U64: Final = (1 << 64) - 1
OFF_MAXIMUM: Final = INSTANT_MAXIMUM // MILLISECOND * MILLISECOND


class Stranger:
    """A station that sends hostile datagrams. ``what`` is one of the scenario's; call ``act`` for each."""

    wired = False

    def __init__(self, name: str, group: str, what: str, stream: Stream, air: Air) -> None:
        self.name = name
        self._codec = Codec(group)
        self._what = what
        self._stream = stream
        self._air = air
        self._heard: deque[bytes] = deque(maxlen=HEARD_KEPT)
        self._beacon: Beacon | None = None
        self._serial = 0

    def receive_delay_ns(self, stream: Stream) -> int:
        """Return how long its host takes for a datagram: no time, and none of the link's chance."""
        del stream
        return 0

    def receive(self, data: bytes, sender: str, arrived_at: TrueInstant) -> None:
        """Listen."""
        del sender, arrived_at
        self._heard.append(data)
        if len(data) <= PREAMBLE_BYTES or data[2] & 0x0F != Kind.BEACON:
            return
        if data[3] != UNKEYED_SLOT:
            # Nothing is encrypted: whoever has no key can still read, and say the same without a tag.
            data = data[:3] + bytes((UNKEYED_SLOT,)) + data[4:-TAG_BYTES]
        try:
            message = self._codec.decode(data)
        except WireError:
            return
        if isinstance(message, Beacon):
            self._beacon = message

    def act(self) -> None:
        """Send one datagram, to the group whomever it is for."""
        data = self._made()
        if data is not None:
            self._air.send(self.name, data, None)

    def _made(self) -> bytes | None:
        match self._what:
            case "replays":
                return bytes(self._one_of(list(self._heard))) if self._heard else None
            case "garbage":
                return self._garbage()
            case "followers":
                return self._codec.encode(self._asks() if self._stream.chance(0.5) else self._reports())
            case what:
                beacon = self._beacon
                if beacon is None:
                    return None
                changed = self._changed(beacon) if what == "beacons" else self._another_leaders(beacon)
                try:
                    return self._codec.encode(changed)
                except WireError:
                    return None  # too long with what it carries already

    # -- chance ----------------------------------------------------------------------------------------------------

    def _one_of(self, among: Any) -> Any:
        return among[self._stream.integer(0, len(among) - 1)]

    def _number(self, most: int) -> int:
        return self._stream.integer(0, most)

    # -- what it says ----------------------------------------------------------------------------------------------

    def _garbage(self) -> bytes:
        length = 1 + self._number(600)
        noise = bytes(self._number(255) for _ in range(length))
        if self._heard and self._stream.chance(0.5):
            return bytes(self._one_of(list(self._heard))[: 4 + self._number(60)] + noise)[:512]
        return noise

    def _changed(self, beacon: Beacon) -> Beacon:
        """Return the followed leader's next beacon with one or two values at an end of what is legal."""
        changed = beacon._replace(serial=(beacon.serial + 1) & U32)
        for _ in range(1 + self._number(1)):
            field, values = self._one_of(self._extremes(beacon))
            changed = changed._replace(**{field: self._one_of(values)})
        return changed

    def _extremes(self, beacon: Beacon) -> list[tuple[str, list[Any]]]:
        sent_at = beacon.sent_at
        instants = [LeaderInstant(at) for at in (0, max(sent_at - 10**9, 0), sent_at, sent_at + 10**9, INSTANT_MAXIMUM)]
        cues = [
            Cue(beacon.cue.show, state, ShowLine(at, position, rate))
            for state in CueState
            for at in instants
            for position in (ShowPosition(0), ShowPosition(INSTANT_MAXIMUM))
            for rate in (-1_000_000, 1_000_000)
        ]
        return [
            ("serial", [(beacon.serial + ahead) & U32 for ahead in (1, 64, 1 << 16, (1 << 31) - 1, 1 << 31)]),
            ("sent_at", [*instants, LeaderInstant(sent_at + 600 * 10**9), LeaderInstant(sent_at + 3600 * 10**9)]),
            ("interval_ns", [10 * MILLISECOND, U16 * MILLISECOND]),
            ("sounding_budget", [0, U8]),
            ("group_size", [0, U16]),
            ("off_at", [None, LeaderInstant(0), LeaderInstant(sent_at // MILLISECOND * MILLISECOND), OFF_MAXIMUM]),
            ("marker", [None, 1, U32]),
            ("cue", cues),
            ("next_cue", [None, *cues]),
            ("timebase", [1, U32]),
            ("rank", [0, 127]),
        ]

    def _another_leaders(self, beacon: Beacon) -> Beacon:
        """Return a beacon of a leader that does not exist, or of a tenure that the followed one never began."""
        leader = beacon.leader if self._stream.chance(0.5) else 1 + self._number(U32 - 1)
        self._serial += 1
        changed = beacon._replace(
            leader=leader,
            rank=self._one_of([0, beacon.rank, 127]),
            tenure=1 + self._number(U32 - 1) if self._stream.chance(0.5) else 7,
            timebase=beacon.timebase if self._stream.chance(0.5) else 1 + self._number(U32 - 1),
            serial=self._serial,
        )
        if self._stream.chance(0.5):
            field, values = self._one_of(self._extremes(beacon))
            changed = changed._replace(**{field: self._one_of(values)})
        return changed

    def _asks(self) -> Sounding:
        return Sounding(
            1 + self._number(U32 - 1),
            self._one_of([0, 0 if self._beacon is None else self._beacon.tenure, U32]),
            self._number(U32),
            LocalInstant(self._one_of([0, INSTANT_MAXIMUM])),
            self._one_of([None, 0, U64]),
            self._one_of([None, 0, U16]),
        )

    def _reports(self) -> Tally:
        return Tally(
            1 + self._number(U32 - 1),
            self._number(U32),
            self._number(U32),
            0 if self._beacon is None else self._beacon.tenure,
            None if self._beacon is None or self._stream.chance(0.5) else self._beacon.serial,
            self._one_of(list(ClockState)),
            self._one_of(list(CueState)),
            self._one_of([None, 0, U32 * 1000]),
            self._one_of([0, 1000]),
            self._one_of(list(ContentState)),
            self._one_of([None, 0, U16]),
            self._one_of([0, U64]),
            self._one_of([0, U32]),
            self._one_of([0, U32]),
            self._stream.chance(0.5),
            self._stream.chance(0.5),
            "stranger",
        )
