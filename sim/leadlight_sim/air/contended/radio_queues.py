"""Who contends for the radio, with which queues: each station, the access point, and the access point's beacons.

The access point is one contender. It serves its stations' queues in turn, the group's queue being one among them. A
unicast frame is tried until it is acknowledged or given up before the next one's turn. What a DTIM beacon has let go
goes before all else.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence

from leadlight_sim.air import Counts, LossAt, Station
from leadlight_sim.air.contended.contention import Contender
from leadlight_sim.air.contended.rates import FrameTimes
from leadlight_sim.kernel import Stream


class Frame:
    """A datagram under way. ``receiver`` None is the group, ``receivers`` the radio stations it is meant for.

    ``has_arrived`` says that the crossing that it is tried on has been made, whether or not its sender knows: as a
    sequence number tells the receiver, who takes it once. ``number`` is the random number of what went to the group, by
    which each receiver finds its draws, and 0 for what did not.
    """

    __slots__ = ("data", "has_arrived", "number", "receiver", "receivers", "sender", "size")

    def __init__(self, data: bytes, sender: Port, receiver: Port | None, number: int = 0) -> None:
        self.data = data
        self.size = len(data)
        self.sender = sender
        self.receiver = receiver
        self.receivers: Sequence[Port] = ()
        self.number = number
        self.has_arrived = False


class Port:
    """A station's place on the network.

    ``absences`` counts the reasons for which it does not hear now (a scan, roaming, an access point that is down).
    ``told`` counts those of them that the access point knows of. ``queue`` is the access point's for it, and ``cell``
    that access point's name; a wired station has none.
    """

    __slots__ = (
        "absences",
        "active_at",
        "answer_losses",
        "cell",
        "channel",
        "dozes",
        "is_asleep",
        "is_in_turn",
        "losses",
        "member_until",
        "name",
        "numbers",
        "queue",
        "station",
        "told",
        "uplink",
        "wake_key",
        "wired",
    )

    def __init__(
        self,
        station: Station,
        channel: LossAt,
        losses: Stream,
        answer_losses: Stream,
        numbers: Stream,
        wake_key: int,
        *,
        dozes: bool,
    ) -> None:
        self.station = station
        self.name = station.name
        self.wired = station.wired
        self.channel = channel
        self.losses = losses
        self.answer_losses = answer_losses
        self.numbers = numbers
        self.wake_key = wake_key
        self.dozes = dozes
        self.cell = ""
        self.is_asleep = False
        self.active_at = 0
        self.absences = 0
        self.told = 0
        self.member_until = 0
        self.queue: deque[Frame] = deque()
        self.is_in_turn = False
        self.uplink: Uplink | None = None

    @property
    def is_waited_for(self) -> bool:
        """Whether the access point knows that it does not hear now."""
        return self.is_asleep or self.told > 0


IsLost = Callable[[Port, int, int], bool]
"""Tells whether try number ``attempt`` over a station's channel at an instant is lost, or the answer to it."""
Arrived = Callable[[Frame, int], None]
"""Takes a frame that has come through, and the instant at which its last bit had."""


class Uplink(Contender):
    """A station as it contends: one queue of frames to the access point, full when ``limit_frames`` are in it.

    ``is_answer_lost`` None is an answer that always comes.
    """

    __slots__ = (
        "_arrived",
        "_counts",
        "_is_answer_lost",
        "_is_lost",
        "_limit_frames",
        "_port",
        "_times",
        "queue",
    )

    def __init__(
        self,
        stream: Stream,
        port: Port,
        times: FrameTimes,
        counts: Counts,
        is_lost: IsLost,
        is_answer_lost: IsLost | None,
        arrived: Arrived,
        limit_frames: int,
    ) -> None:
        super().__init__(stream)
        self._is_answer_lost = is_answer_lost
        self._port = port
        self._times = times
        self._counts = counts
        self._is_lost = is_lost
        self._arrived = arrived
        self._limit_frames = limit_frames
        self.queue: deque[Frame] = deque()

    def accept(self, frame: Frame) -> bool:
        """Queue a frame and return true, or return false because the queue is full."""
        if len(self.queue) >= self._limit_frames:
            self._counts.overflowed += 1
            return False
        self.queue.append(frame)
        return True

    def hand_over(self, other: Uplink) -> None:
        """Have another uplink of the same station send what waits in this one."""
        other.queue.extend(self.queue)
        self.queue.clear()
        self.failures = 0

    def begin(self, now: int) -> int:  # noqa: ARG002 - the duration does not depend on it
        """Return how long the frame at the head of the queue lasts."""
        if not self.queue or self._port.absences:
            return 0
        return self._times.unicast_ns(self.queue[0].size, self.failures)

    def finish(self, now: int, frame_ns: int, collided: bool) -> int:
        """Settle one try."""
        attempt = self.failures
        port = self._port
        frame = self.queue[0]
        is_acknowledged = False
        if not (collided or self._is_lost(port, now, attempt)):
            port.active_at = now + frame_ns
            if _is_new(frame, self._counts):
                self._arrived(frame, now + frame_ns)
            is_acknowledged = self._is_answer_lost is None or not self._is_answer_lost(port, now, attempt)
        if is_acknowledged:
            self.queue.popleft()
            self.failures = 0
        else:
            self.failures = attempt + 1
            if self.failures >= self._times.tries:
                self.queue.popleft()
                _give_up(frame, self._counts)
                self.failures = 0
        self.is_waiting = bool(self.queue)
        return frame_ns + self._times.answer_ns[attempt]


def _is_new(frame: Frame, counts: Counts) -> bool:
    # A frame that is received for the second time is acknowledged again, and dropped.
    if frame.has_arrived:
        counts.duplicates += 1
        return False
    frame.has_arrived = True
    counts.delivered += 1
    return True


def _give_up(frame: Frame, counts: Counts) -> None:
    if frame.has_arrived:
        counts.unacknowledged += 1
    else:
        counts.lost += 1


class Downlink(Contender):
    """The access point as it contends, with a queue for each station and one for the group.

    ``group_sent`` takes a group frame that went out alone, and when it began and ended.
    """

    __slots__ = (
        "_arrived",
        "_burst",
        "_current",
        "_group",
        "_group_counts",
        "_group_is_in_turn",
        "_group_limit",
        "_group_sent",
        "_is_answer_lost",
        "_is_lost",
        "_released",
        "_station_limit",
        "_times",
        "_turns",
        "_unicast_counts",
    )

    def __init__(
        self,
        stream: Stream,
        times: FrameTimes,
        unicast_counts: Counts,
        group_counts: Counts,
        is_lost: IsLost,
        is_answer_lost: IsLost | None,
        arrived: Arrived,
        group_sent: Callable[[Frame, int, int], None],
        *,
        group_limit: int,
        station_limit: int,
    ) -> None:
        super().__init__(stream)
        self._times = times
        self._unicast_counts = unicast_counts
        self._group_counts = group_counts
        self._is_lost = is_lost
        self._is_answer_lost = is_answer_lost
        self._arrived = arrived
        self._group_sent = group_sent
        self._group_limit = group_limit
        self._station_limit = station_limit
        self._group: deque[Frame] = deque()
        # How many at the head of the group's queue may go, and how many of those before anything else.
        self._released = 0
        self._burst = 0
        # Whose turn it is; None is the group's.
        self._turns: deque[Port | None] = deque()
        self._group_is_in_turn = False
        self._current: Frame | None = None

    @property
    def has_frames(self) -> bool:
        """Whether there may be something to send now."""
        return self._current is not None or self._burst > 0 or bool(self._turns)

    def accept(self, frame: Frame, port: Port) -> None:
        """Queue a unicast frame for a station; a full queue drops its oldest."""
        if len(port.queue) >= self._station_limit:
            self._unicast_counts.overflowed += not port.queue.popleft().has_arrived
        port.queue.append(frame)
        self.serve(port)

    def serve(self, port: Port) -> None:
        """Give a station its turn if there is something for it that it can hear."""
        if port.queue and not port.is_in_turn and not port.is_waited_for:
            port.is_in_turn = True
            self._turns.append(port)

    def accept_for_group(self, frame: Frame, *, hold: bool) -> None:
        """Queue a group frame, to be held for DTIM or not; a full queue drops its oldest.

        One that need not be held lets those before it go too, for frames to the group never overtake each other.
        """
        group = self._group
        if len(group) >= self._group_limit:
            self._group_counts.overflowed += len(group.popleft().receivers)
            self._released = max(0, self._released - 1)
            self._burst = min(self._burst, self._released)
        group.append(frame)
        if not hold:
            self._released = len(group)
            if not self._group_is_in_turn:
                self._group_is_in_turn = True
                self._turns.append(None)

    def release(self) -> None:
        """Let all held frames go, before anything else: a DTIM beacon has been sent."""
        self._released = self._burst = len(self._group)

    def clear(self) -> None:
        """Forget all frames to the group, and whatever was to come next, as one that reboots does."""
        for frame in self._group:
            self._group_counts.lost += len(frame.receivers)
        self._group.clear()
        self._turns.clear()
        self._released = self._burst = self.failures = 0
        self._group_is_in_turn = False
        self._current = None

    def forget(self, port: Port) -> None:
        """Have nothing more to do with a station: what waits or is tried for it is lost."""
        if port.is_in_turn:
            self._turns = deque(other for other in self._turns if other is not port)
            port.is_in_turn = False
        frames = [*port.queue]
        port.queue.clear()
        if self._current is not None and self._current.receiver is port:
            frames.append(self._current)
            self._current = None
            self.failures = 0
        for frame in frames:
            _give_up(frame, self._unicast_counts)

    def begin(self, now: int) -> int:  # noqa: ARG002 - the duration does not depend on it
        """Return how long the next frame lasts."""
        frame = self._current
        if frame is not None and frame.receiver is not None and frame.receiver.is_waited_for:
            # It went away between two tries: the frame waits for it at the head of its queue.
            frame.receiver.queue.appendleft(frame)
            frame.receiver.is_in_turn = False
            self.failures = 0
            frame = None
        if frame is None:
            frame = self._current = self._next()
            if frame is None:
                return 0
        if frame.receiver is None:
            return self._times.group_ns(frame.size)
        return self._times.unicast_ns(frame.size, self.failures)

    def _next(self) -> Frame | None:
        if self._burst:
            self._burst -= 1
            self._released -= 1
            return self._group.popleft()
        while self._turns:
            port = self._turns.popleft()
            if port is None:
                if self._released:
                    self._released -= 1
                    self._group_is_in_turn = self._released > 0
                    if self._group_is_in_turn:
                        self._turns.append(None)
                    return self._group.popleft()
                self._group_is_in_turn = False
            elif port.is_waited_for or not port.queue:
                port.is_in_turn = False
            else:
                return port.queue.popleft()
        return None

    def finish(self, now: int, frame_ns: int, collided: bool) -> int:
        """Settle one try of a unicast frame, or the only one of a group frame."""
        frame = self._current
        assert frame is not None
        port = frame.receiver
        if port is None:
            # Nobody acknowledges it, so nobody learns that it collided, and the window stays.
            self._current = None
            if collided:
                self._group_counts.lost += len(frame.receivers)
            else:
                self._group_sent(frame, now, now + frame_ns)
            self.is_waiting = self.has_frames
            return frame_ns
        attempt = self.failures
        is_acknowledged = False
        if not (collided or self._is_lost(port, now, attempt)):
            port.active_at = now + frame_ns
            if _is_new(frame, self._unicast_counts):
                self._arrived(frame, now + frame_ns)
            is_acknowledged = self._is_answer_lost is None or not self._is_answer_lost(port, now, attempt)
        if is_acknowledged:
            self._done(port)
        else:
            self.failures = attempt + 1
            if self.failures >= self._times.tries:
                _give_up(frame, self._unicast_counts)
                self._done(port)
        self.is_waiting = self.has_frames
        return frame_ns + self._times.answer_ns[attempt]

    def _done(self, port: Port) -> None:
        self._current = None
        self.failures = 0
        if port.queue and not port.is_waited_for:
            self._turns.append(port)
        else:
            port.is_in_turn = False


class BeaconSender(Contender):
    """The access point's beacons: no count before them, no answer, and nothing but the next one after a collision.

    ``sent`` learns when a beacon has ended, and whether it could be heard.
    """

    __slots__ = ("_frame_ns", "_sent")

    backs_off = False

    def __init__(self, stream: Stream, frame_ns: int, sent: Callable[[int, bool], None]) -> None:
        super().__init__(stream)
        self._frame_ns = frame_ns
        self._sent = sent

    def begin(self, now: int) -> int:  # noqa: ARG002 - all beacons are alike
        """Return how long a beacon lasts."""
        return self._frame_ns

    def finish(self, now: int, frame_ns: int, collided: bool) -> int:
        """Tell that it has been sent."""
        self.is_waiting = False
        self._sent(now + frame_ns, not collided)
        return frame_ns
