"""A node in a slower place than it knows of, since its start or a restart of its leader: what it may claim to know."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from leadlight.clock import Exchange, FollowerClock
from leadlight.cue import FrameRate
from leadlight.follower.follower import Follower
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.leader import Leader
from leadlight.leader.settings import LeaderSettings
from leadlight.playback.content import StoredShow
from leadlight.terms import ClockState
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant
from leadlight.wire import Beacon
from leadlight.wire.codec import Codec
from leadlight.wire.tags import KeyRing

Maker = Callable[..., Any]

CODECS = {"unkeyed": Codec("Quarry Lake"), "keyed": Codec("Quarry Lake", KeyRing({1: b"a lantern's key!"}))}
TIDEFALL = StoredShow("Tidefall", FrameRate(40), 192 * 40)
SLOWER_NS = 20 * MILLISECOND
PLACES = {"down": (0, 1), "up": (1, 0), "both ways": (1, 1), "nowhere": (0, 0)}
"""Whether the way to the leader and the way from it have become slower."""


def moved(make_hall: Maker, codec: Codec, place: str, seed: int) -> tuple[Any, Follower]:
    """A leader restarts, by another clock, after two minutes and a pause; the jetty has moved meanwhile."""
    hall = make_hall(codec)
    random = Random(seed)
    slower = {"up": 0, "down": 0}

    def outcome(source: str, to: str, _: Any, __: int) -> list[int]:
        delay_ns = round((0.5 + random.expovariate(1)) * MILLISECOND)
        if to == "jetty":
            delay_ns += slower["down"]
        if source == "jetty":
            delay_ns += slower["up"]
        return [delay_ns]

    hall.outcome = outcome
    settings = LeaderSettings("boathouse", interval_ns=SECOND, listen_intervals=0)

    def lead(generation: int, offset_ns: int) -> None:
        chance = Random(f"{seed} {generation}")
        made = hall.add("boathouse", lambda now: Leader(settings, codec, chance, now), offset_ns)
        made.roll(TIDEFALL.key, hall.local("boathouse"))

    lead(0, 0)
    made_of = FollowerSettings("jetty"), codec, Random(seed), [TIDEFALL]
    jetty = hall.add("jetty", lambda _: Follower(*made_of), 5 * SECOND)
    hall.run(120)
    assert jetty.clock.state is ClockState.LOCKED
    hall.crash("boathouse")
    hall.run(3)
    up, down = PLACES[place]
    slower["up"], slower["down"] = up * SLOWER_NS, down * SLOWER_NS
    lead(1, -700 * SECOND)
    return hall, jetty


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("place", ["down", "up", "both ways"])
@pytest.mark.parametrize("codec", list(CODECS.values()), ids=list(CODECS))
def test_who_roams_while_the_leader_restarts_is_never_locked_with_a_false_bound(
    make_hall: Maker, codec: Codec, place: str, seed: int
) -> None:
    hall, jetty = moved(make_hall, codec, place, seed)
    offset_ns = hall.nodes["jetty"].offset_ns - hall.nodes["boathouse"].offset_ns
    for _ in range(600):
        hall.run(0.1)
        snapshot = jetty.snapshot(hall.local("jetty"))
        if snapshot.clock is ClockState.LOCKED and jetty.timebase == hall.nodes["boathouse"].core.timebase:
            assert snapshot.offset_ns is not None
            assert snapshot.bounds.statistical_ns is not None
            assert abs(snapshot.offset_ns - offset_ns) <= snapshot.bounds.statistical_ns


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("codec", list(CODECS.values()), ids=list(CODECS))
def test_who_stays_where_it_is_is_locked_within_a_second_of_a_restart(
    make_hall: Maker, codec: Codec, seed: int
) -> None:
    hall, jetty = moved(make_hall, codec, "nowhere", seed)
    while jetty.timebase != hall.nodes["boathouse"].core.timebase:
        hall.run(0.01)
    hall.run(1)
    assert jetty.clock.state is ClockState.LOCKED


def test_a_floor_that_has_grown_since_a_restart_is_added_to_the_bound_whole(make_beacon: Maker) -> None:
    clock = FollowerClock()
    now = 1_000 * SECOND

    def exchange(delay_ns: int, offset_ns: int) -> None:
        nonlocal now
        now += 250 * MILLISECOND
        there = LeaderInstant(now + delay_ns - offset_ns)
        clock.observe_exchange(Exchange(LocalInstant(now), there, there, LocalInstant(now + 2 * delay_ns)))

    for _ in range(40):
        exchange(MILLISECOND, 5 * SECOND)
    assert clock.served is not None
    floor_ns = clock.served.floor_ns
    clock.enter_timebase(same_host=True)
    for _ in range(40):
        exchange(6 * MILLISECOND, 900 * SECOND)
        statistical_ns = clock.bounds(LocalInstant(now)).statistical_ns
        assert statistical_ns is not None
        assert statistical_ns >= 6 * MILLISECOND - floor_ns
    # A timebase of another host keeps no floor, and so doubts none.
    clock.enter_timebase(same_host=False)
    for _ in range(40):
        exchange(6 * MILLISECOND, 900 * SECOND)
    assert clock.bounds(LocalInstant(now)).statistical_ns < 4 * MILLISECOND  # type: ignore[operator]


class SlowPath:
    """A clock with ten beacons a second and five answers in two, over a path of such a floor and 2 ms on average."""

    def __init__(self, make_beacon: Maker, seed: int, floor_ns: int) -> None:
        self.clock = FollowerClock()
        self.floor_ns = floor_ns
        self.offset = 5 * SECOND
        self.now = LocalInstant(1_000 * SECOND)
        self.false = 0
        """How often a bound was claimed that did not hold, since it was set to 0 last."""
        self._random = Random(seed)
        self._make_beacon = make_beacon

    def run(self, seconds: int, is_copy: bool = True) -> None:
        end = LocalInstant(self.now + seconds * SECOND)
        packets: list[tuple[LocalInstant, Exchange | Beacon]] = []
        for at in range(self.now, end, 400 * MILLISECOND):
            heard = at + self._delay()
            there = LeaderInstant(heard - self.offset)
            received_at = LocalInstant(heard + self._delay())
            packets.append((received_at, Exchange(LocalInstant(at), there, there, received_at)))
        for at in range(self.now, end, 100 * MILLISECOND):
            beacon = self._make_beacon(sent_at=LeaderInstant(at - self.offset), is_copy=is_copy)
            packets.append((LocalInstant(at + self._delay()), beacon))
        for at, packet in sorted(packets, key=lambda entry: entry[0]):
            if isinstance(packet, Exchange):
                self.clock.observe_exchange(packet)
            else:
                self.clock.observe_beacon(packet, at, None)
            claimed_ns = self.clock.bounds(at).statistical_ns
            if self.clock.is_two_way and claimed_ns is not None:
                self.false += self.error_ns(at) > claimed_ns
        self.now = LocalInstant(end + SECOND)

    def error_ns(self, at: LocalInstant) -> int:
        assert self.clock.served is not None
        return abs(self.clock.served.offset_at(at) - self.offset)

    def _delay(self) -> int:
        return self.floor_ns + round(self._random.expovariate(1 / (2 * MILLISECOND)))


@pytest.mark.parametrize("floor_ms", [4, 8, 22, 60, 200])
@pytest.mark.parametrize("is_copy", [True, False], ids=["copies", "beacons"])
def test_who_starts_behind_a_slow_path_neither_believes_it_fast_nor_the_clock_ahead(
    make_beacon: Maker, is_copy: bool, floor_ms: int
) -> None:
    for seed in range(3):
        path = SlowPath(make_beacon, seed, floor_ms * MILLISECOND)
        path.run(15, is_copy)
        assert path.false == 0, f"seed {seed}"
        # The delays' scale is 2 ms; of a very slow path a fortieth may still be taken for luck in one direction.
        assert path.error_ns(path.now) < max(2 * MILLISECOND, path.floor_ns // 40), f"seed {seed}"


@pytest.mark.parametrize("slow_for_s", [1, 2, 3, 4])
def test_a_floor_from_before_a_restart_is_doubted_however_unsteady_the_path_had_become(
    make_beacon: Maker, slow_for_s: int
) -> None:
    for seed in range(8):
        path = SlowPath(make_beacon, seed, MILLISECOND)
        path.run(30)
        # Gone elsewhere shortly before: the scales have the slower path in them, and would forgive it anything.
        path.floor_ns = 22 * MILLISECOND
        path.run(slow_for_s)
        path.clock.enter_timebase(same_host=True)
        path.offset, path.false = 900 * SECOND, 0
        path.run(15)
        assert path.false == 0, f"seed {seed}"
