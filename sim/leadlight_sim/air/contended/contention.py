"""The contended medium: who may transmit when, by the distributed coordination function of IEEE 802.11.

IEEE 802.11-2012 clause 9.3.4. A contender waits until the medium has been idle for a DIFS (an EIFS after a collision).
Then it counts down slots, and transmits at the slot boundary where its count ends. While the medium is busy counts
stand still. Whoever reaches the same boundary collides. After every transmission a new count is drawn, whether or not
there is more to send, from a window that doubles with each failure. A frame that finds the medium idle for a DIFS and
its sender's count run out is transmitted at once.

Slots are not simulated one by one. All contenders hear the same busy periods, so one count of idle slots serves all.
Each keeps the value of that count at which it may transmit, and a heap gives the next. The kernel gets one event for
each busy period, whatever the number of contenders.

What is simplified: everybody hears everybody, without propagation delay. Of frames that overlap none is received. A
contender that would transmit less than a slot after another began has not sensed it yet, and collides. After a
collision everybody waits the same, although its senders' ACK timeout ends a few microseconds before an EIFS.
"""

from __future__ import annotations

from heapq import heappop, heappush

from leadlight.errors import ConfigurationError
from leadlight_sim.air.contended.access_rules import AccessRules
from leadlight_sim.kernel import Kernel, Stream, TrueInstant

RETRY_LIMIT = 7
"""Tries of a unicast frame, the first included: dot11ShortRetryLimit of IEEE 802.11, the default of Linux."""
CONTENDERS_MAXIMUM = 1 << 16

_INDEX_BITS = 16
_INDEX_MASK = CONTENDERS_MAXIMUM - 1
_AFTER_ARRIVALS = 1
"""Kernel priority: whatever reaches a queue at the instant of a transmission gets there first."""
_NEVER = TrueInstant(-1)


class Contender:
    """Somebody with frames to send; ``stream`` gives its counts. The medium calls ``begin`` and then ``finish``.

    ``is_waiting`` says that there is something to send: the subclass sets it in ``finish``, the medium when it is
    asked. ``failures`` widens the window. ``used_ns`` is what its transmissions cost, each with the wait after it and
    the count that it drew.
    """

    __slots__ = ("draw_bits", "expiry", "failures", "index", "is_waiting", "used_ns")

    backs_off = True

    def __init__(self, stream: Stream) -> None:
        self.draw_bits = stream.getrandbits
        self.expiry = 0
        self.failures = 0
        self.index = -1
        self.is_waiting = False
        self.used_ns = 0

    def begin(self, now: int) -> int:
        """Return how long the frame that begins now is on the air, or 0 if there is none after all."""
        raise NotImplementedError

    def finish(self, now: int, frame_ns: int, collided: bool) -> int:
        """Settle the frame that begins now; return how long the exchange keeps the medium, its ACK included."""
        raise NotImplementedError


class Medium:
    """One channel and its contenders.

    Counts of what happened: ``attempts`` and, of those, ``collided_attempts``; ``busy_periods``; ``busy_ns``, frames
    with their ACKs; ``slots``, idle slots counted down (busy periods too with ``counts_busy``).
    """

    def __init__(self, kernel: Kernel, rules: AccessRules) -> None:
        self.rules = rules
        self.attempts = 0
        self.collided_attempts = 0
        self.busy_periods = 0
        self.busy_ns = 0
        self.slots = 0
        self._kernel = kernel
        self._slot_ns = rules.slot_ns
        self._bits = rules.window_bits
        self._contenders: list[Contender] = []
        # Contenders whose count runs, as count value · 2^16 + index.
        self._heap: list[int] = []
        # Contenders that need no count, and when they begin.
        self._early: list[tuple[int, Contender]] = []
        # Where the latest busy period ended (long ago, to begin with), and where counts went on or go on.
        self._idle_from = -(rules.sifs_ns + rules.slot_ns)
        self._resume_at = 0
        self._armed_at = _NEVER

    def add(self, contender: Contender) -> None:
        """Let somebody take part; raises ``ConfigurationError`` beyond 65,536 contenders."""
        if len(self._contenders) >= CONTENDERS_MAXIMUM:
            raise ConfigurationError("contenders", len(self._contenders) + 1, f"at most {CONTENDERS_MAXIMUM}")
        contender.index = len(self._contenders)
        self._contenders.append(contender)

    @property
    def slots_until_now(self) -> int:
        """Idle slots so far, those since the latest busy period included."""
        return self.slots + max(0, self._kernel.now - self._resume_at) // self._slot_ns

    def request(self, contender: Contender) -> None:
        """Have a contender transmit as soon as it may; asking again while it waits changes nothing."""
        if contender.is_waiting:
            return
        contender.is_waiting = True
        now = self._kernel.now
        if now >= self._resume_at:
            if contender.expiry <= self.slots + (now - self._resume_at) // self._slot_ns:
                self._early.append((now, contender))
                self._arm(now)
                return
        elif contender.expiry <= self.slots:
            count = contender.draw_bits(self._bits[0])
            contender.expiry = self.slots + count
            contender.used_ns += count * self._slot_ns
        heappush(self._heap, contender.expiry << _INDEX_BITS | contender.index)
        self._arm(self._resume_at + (contender.expiry - self.slots) * self._slot_ns)

    def request_first(self, contender: Contender) -> None:
        """Have a contender transmit before all counts: one slot after SIFS (a PIFS), as access points send beacons."""
        if contender.is_waiting:
            return
        contender.is_waiting = True
        at = max(self._kernel.now, self._idle_from + self.rules.sifs_ns + self._slot_ns)
        self._early.append((at, contender))
        self._arm(at)

    def _arm(self, at: int) -> None:
        if self._armed_at < 0 or at < self._armed_at:
            self._armed_at = TrueInstant(at)
            self._kernel.schedule(self._armed_at, self._transmit, priority=_AFTER_ARRIVALS)

    def _transmit(self) -> None:
        # The hot loop of every contended run, written flat on purpose.
        now = self._kernel.now
        if now != self._armed_at:
            return  # somebody came earlier, and this was planned for later then
        heap = self._heap
        slot_ns = self._slot_ns
        since_ns = now - self._resume_at
        slots = self.slots
        # Counts that end before the boundary after now have ended too late to sense what begins now.
        last = slots - (-since_ns // slot_ns)
        if since_ns > 0:
            slots += since_ns // slot_ns
        senders: list[Contender] = []
        if self._early:
            senders = [contender for at, contender in self._early if at <= now]
            self._early = [entry for entry in self._early if entry[0] > now]
        contenders = self._contenders
        limit = (last + 1) << _INDEX_BITS
        while heap and heap[0] < limit:
            senders.append(contenders[heappop(heap) & _INDEX_MASK])
        frames_ns = []
        for sender in senders:
            frame_ns = sender.begin(now)
            if frame_ns:
                frames_ns.append(frame_ns)
            else:
                sender.is_waiting = False
        if len(frames_ns) != len(senders):
            senders = [sender for sender in senders if sender.is_waiting]
        rules = self.rules
        bits = self._bits
        if frames_ns:
            collided = len(senders) > 1
            if collided:
                busy_ns = 0
                for sender, frame_ns in zip(senders, frames_ns, strict=True):
                    sender.finish(now, frame_ns, True)
                    sender.used_ns += frame_ns + rules.collision_wait_ns
                    if frame_ns > busy_ns:
                        busy_ns = frame_ns
                self.collided_attempts += len(senders)
                wait_ns = rules.collision_wait_ns
            else:
                busy_ns = senders[0].finish(now, frames_ns[0], False)
                wait_ns = rules.difs_ns
                senders[0].used_ns += busy_ns + wait_ns
            if rules.counts_busy:
                slots += 1
            self.slots = slots
            self._idle_from = now + busy_ns
            self._resume_at = now + busy_ns + wait_ns
            self.busy_ns += busy_ns
            self.busy_periods += 1
            self.attempts += len(senders)
            for sender in senders:
                if sender.backs_off:
                    failures = sender.failures
                    count = sender.draw_bits(bits[failures] if failures < len(bits) else bits[-1])
                    sender.expiry = slots + count
                    sender.used_ns += count * slot_ns
                    if sender.is_waiting:
                        heappush(heap, sender.expiry << _INDEX_BITS | sender.index)
        self._armed_at = _NEVER
        if heap:
            self._arm(self._resume_at + ((heap[0] >> _INDEX_BITS) - self.slots) * slot_ns)
        for at, _ in self._early:
            self._arm(at)
