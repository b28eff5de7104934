"""The live feed: a show's pixels sent live through a scenario's air, to compare with shows that every board holds.

Each frame, the leader's host sends every piece its pixels in packets of ANSI E1.31's size, 170 pixels in each and none
shared by two pieces. What arrives in time is counted frame by frame; the scenario's faults and cues are left aside.

A packet is *in time* if it comes before the next frame begins to be sent. A piece's frame is then

* whole: all of its packets are in time;
* late: all of them come, and none in time;
* missing: none of them comes;
* torn: anything else, so that parts of two frames or more stand side by side.

Where all is late, what stands side by side may still be of different frames, for some packets are later than others:
``PieceFeed.mixed`` tells how often that is so.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from leadlight.cue import FrameRate
from leadlight.errors import ConfigurationError
from leadlight.units import SECOND, seconds
from leadlight_sim import scenario as described
from leadlight_sim.air.choice import air_settings, make_air
from leadlight_sim.hosts import Host
from leadlight_sim.kernel import Kernel, Stream, Streams, TrueInstant
from leadlight_sim.live.load import DATA_PACKET_BYTES, universes
from leadlight_sim.telling import as_times
from leadlight_sim.world import extra_loss, make_host

DURATION_S: Final = 20.0
DURATION_MAXIMUM_S: Final = 600.0
WARM_UP_NS: Final = SECOND
"""Frames of the first second are sent and not counted: queues and neighbours begin empty."""
DRAIN_NS: Final = 2 * SECOND
"""How long after the last frame packets are still waited for; queues in the modelled airs hold a second or less."""
SENT_WITHIN: Final = 0.5
"""Share of a frame over which its packets are spread evenly; assumed, and kind to the feed: many senders send them in
one burst, which overflows queues."""
NEVER: Final = -1
KINDS: Final = ("whole", "torn", "late", "missing")

Counts = npt.NDArray[np.int64]


class Delivery(Enum):
    """How packets are addressed: to one piece, acknowledged and tried again, or to a group, once and at a low rate."""

    UNICAST = "unicast"
    MULTICAST = "multicast"


@dataclass(frozen=True, slots=True, eq=False)
class PieceFeed:
    """What one piece got. ``delays_ns``, frames × packets: from a frame's beginning until each packet was there.

    ``NEVER`` stands for one that never came. ``frame_ns`` is what is in time.
    """

    name: str
    pixels: int
    frame_ns: int
    delays_ns: Counts

    @property
    def packets(self) -> int:
        """Packets in a frame."""
        return int(self.delays_ns.shape[1])

    @property
    def whole(self) -> float:
        """Share of frames of which every packet was in time."""
        return _share(self._in_time().all(axis=1))

    @property
    def late(self) -> float:
        """Share of frames of which every packet came, and none in time."""
        return _share((self.delays_ns > self.frame_ns).all(axis=1))

    @property
    def missing(self) -> float:
        """Share of frames of which nothing came."""
        return _share((self.delays_ns == NEVER).all(axis=1))

    @property
    def torn(self) -> float:
        """Share of frames of which some packets came, neither all in time nor all late."""
        came, in_time = self.delays_ns != NEVER, self._in_time()
        uniform = in_time.all(axis=1) | (came & ~in_time).all(axis=1)
        return _share(came.any(axis=1) & ~uniform)

    @property
    def kinds(self) -> tuple[tuple[str, float], ...]:
        """Share of frames of each kind, by name; they add up to one."""
        return tuple((kind, getattr(self, kind)) for kind in KINDS)

    @property
    def dark(self) -> float:
        """Share of frames at whose end nothing has come yet."""
        return _share((self.shown() == NEVER).all(axis=1))

    @property
    def mixed(self) -> float:
        """Share of frames at whose end the piece shows parts of different frames."""
        shown = self.shown()
        return _share(shown.max(axis=1) != shown.min(axis=1))

    def shown(self) -> Counts:
        """Return which frame each packet's pixels show when the next frame begins to be sent, frames × packets.

        That is the newest that has come; one that comes after a newer one is passed over, as sequence numbers have it.
        ``NEVER`` where none has.
        """
        frames, packets = self.delays_ns.shape
        # A packet of frame m is first seen at the end of frame m + how many whole frames it took, the first one free.
        taken = np.maximum(0, -(-self.delays_ns // self.frame_ns) - 1)
        seen_at = np.arange(frames)[:, None] + taken
        shown = np.full((frames, packets), NEVER, dtype=np.int64)
        came = (self.delays_ns != NEVER) & (seen_at < frames)
        frame, packet = np.nonzero(came)
        np.maximum.at(shown, (seen_at[frame, packet], packet), frame)
        newest: Counts = np.maximum.accumulate(shown, axis=0)
        return newest

    def _in_time(self) -> npt.NDArray[np.bool_]:
        in_time: npt.NDArray[np.bool_] = (self.delays_ns != NEVER) & (self.delays_ns <= self.frame_ns)
        return in_time

    def to_json(self) -> dict[str, Any]:
        """Return the figures as plain values."""
        return {
            "name": self.name,
            "packets_per_frame": self.packets,
            "whole": self.whole,
            "torn": self.torn,
            "late": self.late,
            "missing": self.missing,
            "mixed": self.mixed,
        }


def _share(which: Any) -> float:
    return float(np.mean(which))


@dataclass(frozen=True, slots=True, eq=False)
class LiveRun:
    """One live run.

    ``needed_share`` is the share of the radio's time that the feed would need of a radio of its own, with nothing tried
    twice and no synchronisation packets. Above 1 it cannot be carried. ``airtime_share`` is what it used; waits of
    several senders overlap in it.
    """

    delivery: Delivery
    seed: int
    frame_rate: FrameRate
    simulated_s: float
    pieces: tuple[PieceFeed, ...]
    needed_share: float
    airtime_share: float
    over_capacity: bool

    @property
    def packets_per_s(self) -> float:
        """Packets that the leader's host sends in a second."""
        rate = self.frame_rate
        return sum(piece.packets for piece in self.pieces) * SECOND / rate.period_ns

    @property
    def whole(self) -> float:
        """Share of all pieces' frames that were whole."""
        return float(np.mean([piece.whole for piece in self.pieces]))

    @property
    def torn(self) -> float:
        """Share of all pieces' frames that were torn."""
        return float(np.mean([piece.torn for piece in self.pieces]))

    @property
    def kinds(self) -> tuple[tuple[str, float], ...]:
        """Share of all pieces' frames of each kind, by name; they add up to one."""
        return tuple((kind, float(np.mean([getattr(piece, kind) for piece in self.pieces]))) for kind in KINDS)

    @property
    def worst(self) -> PieceFeed:
        """The piece that had fewest whole frames; of those most missing ones, then most torn."""
        return min(self.pieces, key=lambda piece: (piece.whole, -piece.missing, -piece.torn))

    def times_the_stored(self, stored_share: float) -> float | None:
        """Return how many times the radio time of stored shows the feed needs; ``None`` where that is not known."""
        return self.needed_share / stored_share if stored_share > 0 and self.needed_share > 0 else None

    def to_json(self, stored_share: float) -> dict[str, Any]:
        """Return the figures as plain values; ``stored_share`` is the airtime share of the same shows, stored."""
        return {
            "delivery": self.delivery.value,
            "simulated_s": self.simulated_s,
            "packets_per_s": self.packets_per_s,
            "whole": self.whole,
            "torn": self.torn,
            "late": dict(self.kinds)["late"],
            "missing": dict(self.kinds)["missing"],
            "worst_piece": self.worst.name,
            "needed_airtime_share": self.needed_share,
            "airtime_share": self.airtime_share,
            "times_the_stored_airtime": self.times_the_stored(stored_share),
            "over_capacity": self.over_capacity,
            "pieces": [piece.to_json() for piece in self.pieces],
        }


def send_live(
    scenario: described.Scenario,
    seed: int | None = None,
    delivery: Delivery = Delivery.UNICAST,
    duration_s: float = DURATION_S,
) -> LiveRun:
    """Send the scenario's fastest show live for a while, and return what came of it.

    ``seed`` replaces the scenario's. Raises ``ConfigurationError`` for a duration that is not from 1 to 600 s.
    """
    if not 1 <= duration_s <= DURATION_MAXIMUM_S:
        raise ConfigurationError("duration_s", duration_s, f"1 to {DURATION_MAXIMUM_S:g}")
    chosen = scenario.run.seed if seed is None else seed
    return _Run(scenario, chosen, delivery, seconds(duration_s)).outcome()


class _Run:
    def __init__(self, scenario: described.Scenario, seed: int, delivery: Delivery, duration_ns: int) -> None:
        self._scenario = scenario
        self._seed = seed
        self._delivery = delivery
        self._rate = min((FrameRate(*show.frame_rate) for show in scenario.shows), key=lambda rate: rate.period_ns)
        self._kernel = Kernel()
        streams = Streams(seed)
        self._air = make_air(scenario, self._kernel, streams)
        self._sender = scenario.leader.name
        self._air.attach(_Ear(self._sender, scenario.leader.wired, _host(scenario, scenario.leader, streams), _nothing))
        self._warm_up = self._frames_in(WARM_UP_NS)
        self._frames = self._warm_up + max(1, self._frames_in(duration_ns))
        self._delays: list[Counts] = []
        for number, follower in enumerate(scenario.followers):
            packets = universes([follower.pixels])
            self._delays.append(np.full((self._frames, packets), NEVER, dtype=np.int64))
            ear = _Ear(follower.name, False, _host(scenario, follower, streams), self._hearing(number))
            self._air.attach(ear, extra_loss(follower, scenario.air))
        places = [(n, packet) for n, delays in enumerate(self._delays) for packet in range(delays.shape[1])]
        within_ns = SENT_WITHIN * self._rate.period_ns
        self._plan = [(round(k * within_ns / len(places)), *place) for k, place in enumerate(places)]

    def outcome(self) -> LiveRun:
        """Run, and sum up."""
        self._kernel.schedule(TrueInstant(0), self._frame, 0)
        begin, end = self._begin(self._warm_up), self._begin(self._frames)
        self._kernel.run_until(begin)
        before_ns = self._air.airtime_ns
        self._kernel.run_until(end)
        used_ns = self._air.airtime_ns - before_ns
        self._kernel.run_until(TrueInstant(end + DRAIN_NS))
        return LiveRun(
            delivery=self._delivery,
            seed=self._seed,
            frame_rate=self._rate,
            simulated_s=(end - begin) / SECOND,
            pieces=tuple(
                PieceFeed(follower.name, follower.pixels, int(self._rate.period_ns), delays[self._warm_up :])
                for follower, delays in zip(self._scenario.followers, self._delays, strict=True)
            ),
            needed_share=len(self._plan) * self._packet_cost_ns() / self._rate.period_ns,
            airtime_share=used_ns / (end - begin),
            over_capacity=self._air.over_capacity,
        )

    def _frame(self, number: int) -> None:
        begin = self._kernel.now
        if number + 1 < self._frames:
            self._kernel.schedule(self._begin(number + 1), self._frame, number + 1)
        to_group = self._delivery is Delivery.MULTICAST
        for after_ns, piece, packet in self._plan:
            data = piece.to_bytes(2, "big") + packet.to_bytes(2, "big") + number.to_bytes(4, "big")
            destination = None if to_group else self._scenario.followers[piece].name
            at = TrueInstant(begin + after_ns)
            self._kernel.schedule(at, self._air.send, self._sender, data.ljust(DATA_PACKET_BYTES, b"\0"), destination)

    def _hearing(self, number: int) -> Callable[[bytes, int], None]:
        delays = self._delays[number]

        def hear(data: bytes, now: int) -> None:
            # All pieces hear a group; each takes its own.
            if int.from_bytes(data[:2], "big") == number:
                packet, frame = int.from_bytes(data[2:4], "big"), int.from_bytes(data[4:8], "big")
                delays[frame, packet] = now - self._begin(frame)

        return lambda data, _: hear(data, self._kernel.now)

    def _begin(self, frame: int) -> TrueInstant:
        return TrueInstant(frame * self._rate.denominator * SECOND // self._rate.numerator)

    def _frames_in(self, duration_ns: int) -> int:
        return duration_ns * self._rate.numerator // (self._rate.denominator * SECOND)

    def _packet_cost_ns(self) -> int:
        radio = air_settings(self._scenario.air).radio
        up_ns = 0 if self._scenario.leader.wired else radio.unicast_ns(DATA_PACKET_BYTES)
        to_group = self._delivery is Delivery.MULTICAST
        return up_ns + (radio.group_ns(DATA_PACKET_BYTES) if to_group else radio.unicast_ns(DATA_PACKET_BYTES))


class _Ear:
    def __init__(self, name: str, wired: bool, host: Host, hear: Callable[[bytes, int], None]) -> None:
        self.name = name
        self.wired = wired
        self._host = host
        self._hear = hear

    def receive_delay_ns(self, stream: Stream) -> int:
        return self._host.receive_delay_ns(stream)

    def receive(self, data: bytes, sender: str, arrived_at: TrueInstant) -> None:  # noqa: ARG002 - one sender
        self._hear(data, arrived_at)


def _nothing(data: bytes, arrived_at: int) -> None:
    """Take what the leader's host hears, which is nothing of its concern."""


def _host(scenario: described.Scenario, node: described.Leader | described.Follower, streams: Streams) -> Host:
    return make_host(scenario.air, streams, node.name, described.host_of(scenario, node))


def sentences(run: LiveRun, stored_share: float) -> list[str]:
    """Return what came of a live run in plain words; ``stored_share`` is the airtime share of the shows as stored."""
    worst = run.worst
    said = [
        f"Sent live by {run.delivery.value} for {run.simulated_s:g} s, of all frames are {_told(run.kinds)}.",
        f"Worst is {worst.name}: {_told(worst.kinds)}.",
    ]
    if run.needed_share > 0:
        packets = f"{run.packets_per_s:,.0f} packets a second"
        need = f"It needs {run.needed_share * 100:,.0f} % of the radio's time for {packets}"
        times = run.times_the_stored(stored_share)
        than = "" if times is None else f": {as_times(times)} times as much as the timing of stored shows"
        said.append(f"{need}{than}.")
    if run.over_capacity:
        said.append("That is more than the radio can carry beside its neighbours: what is told here is how it fails.")
    return said


def _told(kinds: tuple[tuple[str, float], ...]) -> str:
    # In tenths of a percent that add up: what rounding down leaves goes to those that it took most from.
    tenths = [math.floor(1000 * share + 1e-9) for _, share in kinds]
    by_rest = sorted(range(len(kinds)), key=lambda place: tenths[place] - 1000 * kinds[place][1])
    for place in by_rest[: 1000 - sum(tenths)]:
        tenths[place] += 1
    return ", ".join(f"{count / 10:.1f} % {kind}" for count, (kind, _) in zip(tenths, kinds, strict=True))
