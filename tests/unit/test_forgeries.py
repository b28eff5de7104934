"""Two hundred thousand datagrams that are not genuine, or no longer: none is accepted, kept, or dear to refuse."""

from __future__ import annotations

import gc
import sys
import time
from collections.abc import Callable, Iterator
from random import Random
from statistics import median
from typing import Any

import pytest

from leadlight.cue import FrameRate
from leadlight.follower.follower import Follower
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.leader import Leader
from leadlight.leader.settings import LeaderSettings
from leadlight.playback.content import StoredShow
from leadlight.units import MILLISECOND, SECOND, LocalInstant
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon, Tally
from leadlight.wire.tags import KeyRing

Maker = Callable[..., Any]

KEYED = Codec("Quarry Lake", KeyRing({1: b"a lantern's key!"}))
STRANGER = Codec("Quarry Lake", KeyRing({1: b"another key here"}))
UNKEYED = Codec("Quarry Lake")
TIDEFALL = StoredShow("Tidefall", FrameRate(40), 7_680)
COUNT = 200_000

pytestmark = pytest.mark.slow


@pytest.fixture
def hall(make_hall: Maker) -> Any:
    """A keyed leader and its follower after a minute, with everything that was sent."""
    hall = make_hall(KEYED)
    settings = LeaderSettings("boathouse", interval_ns=500 * MILLISECOND, listen_intervals=0)
    leader = hall.add("boathouse", lambda now: Leader(settings, KEYED, Random(1), now))
    hall.add("jetty", lambda _: Follower(FollowerSettings("jetty"), KEYED, Random(2), [TIDEFALL]), 5 * SECOND)
    leader.roll(TIDEFALL.key, hall.local("boathouse"))
    hall.run(60)
    return hall


def forgeries(hall: Any, random: Random) -> Iterator[bytes]:
    """Recordings, and what can be made of them without the key."""
    genuine = [message for _, _, _, message in hall.sent]
    recorded = [KEYED.encode(message) for message in genuine]
    foreign = [STRANGER.encode(message) for message in genuine]
    bare = [UNKEYED.encode(message) for message in genuine]
    for number in range(COUNT):
        which = random.randrange(len(recorded))
        data = recorded[which]
        match number % 6:
            case 0:
                spoiled = bytearray(data)
                spoiled[random.randrange(len(data))] ^= 1 << random.randrange(8)
                yield bytes(spoiled)
            case 1:
                yield data[: random.randrange(len(data))]
            case 2:
                yield foreign[which]
            case 3:
                yield bare[which]
            case 4:
                yield random.randbytes(random.randrange(300))
            case _:
                yield data  # a recording


def test_none_is_accepted_and_nothing_is_kept_of_them(hall: Any) -> None:
    leader, jetty = hall.nodes["boathouse"].core, hall.nodes["jetty"].core
    now = hall.now
    sent = len(hall.sent)
    seen = leader.roster.find(jetty.identity)
    before = jetty.snapshot(hall.local("jetty"))._replace(refused={})
    served, clock, cue = jetty.clock.served, jetty.clock.state, leader.cue
    entry = seen.tally, seen.address, seen.heard_at, seen.tallied_at
    events = {name: len(node.events) for name, node in hall.nodes.items()}
    blocks = []
    for number, data in enumerate(forgeries(hall, Random(3))):
        if number % (COUNT // 4) == COUNT // 8:
            gc.collect()
            blocks.append(sys.getallocatedblocks())
        # A recorded Sounding is answered within the budget. That proves nothing and steers nothing.
        for name in ("boathouse", "jetty"):
            core = hall.nodes[name].core
            core.receive_datagram(data, "anybody", hall.local(name))
            core.datagrams_to_send(hall.local(name))
    assert hall.now == now
    assert len(hall.sent) == sent
    assert jetty.snapshot(hall.local("jetty"))._replace(refused={}) == before
    assert (jetty.clock.served, jetty.clock.state) == (served, clock)
    assert (leader.cue, len(leader.roster)) == (cue, 1)
    assert (seen.tally, seen.address, seen.heard_at, seen.tallied_at) == entry
    for name, node in hall.nodes.items():
        assert node.core.next_event() is None, f"{name} told of a forgery"
        assert len(node.events) == events[name]
    # Flat: one block of memory kept of every thousandth would show.
    assert len(blocks) == 4
    assert max(blocks) - min(blocks) < COUNT // 1_000


def test_a_refused_datagram_costs_no_more_than_an_accepted_one(hall: Any) -> None:
    """Ratios in one run, of medians over short rounds in turn, so that a busy machine slows both."""
    jetty = hall.nodes["jetty"].core
    (last,) = [message for _, who, _, message in hall.sent if isinstance(message, Beacon)][-1:]
    batch = 400
    serial = last.serial + 1
    now = hall.local("jetty")

    def feed(datagrams: list[bytes], at: int) -> float:
        begun = time.perf_counter_ns()
        for number, data in enumerate(datagrams):
            jetty.receive_datagram(data, "boathouse", LocalInstant(at + number * MILLISECOND))
        return (time.perf_counter_ns() - begun) / len(datagrams)

    costs: dict[str, list[float]] = {"accepted": [], "bad tag": [], "recorded": [], "cut short": [], "no tag": []}
    for _ in range(15):
        sent_at = last.sent_at + now - hall.local("jetty")
        fresh = [
            last._replace(serial=serial + number, sent_at=sent_at + number * MILLISECOND) for number in range(batch)
        ]
        genuine = [KEYED.encode(message) for message in fresh]
        costs["accepted"].append(feed(genuine, now))
        costs["recorded"].append(feed(genuine, now))
        costs["bad tag"].append(feed([data[:-1] + bytes((data[-1] ^ 1,)) for data in genuine], now))
        costs["cut short"].append(feed([data[: len(data) // 2] for data in genuine], now))
        costs["no tag"].append(feed([UNKEYED.encode(message) for message in fresh], now))
        serial += batch
        now += batch * MILLISECOND
    assert jetty.counters["bad tag"] >= 15 * batch
    assert jetty.counters["duplicate"] + jetty.counters["late beacon"] >= 15 * batch
    accepted = median(costs.pop("accepted"))
    ratios = {what: median(cost) / accepted for what, cost in costs.items()}
    assert max(ratios.values()) <= 1.0, ratios


def test_a_recorded_tally_or_one_of_another_key_changes_no_roster(hall: Any) -> None:
    leader = hall.nodes["boathouse"].core
    tallies = [message for _, _, _, message in hall.sent if isinstance(message, Tally)]
    entry = leader.roster.find(hall.nodes["jetty"].core.identity)
    before = entry.tally, entry.tallied_at, entry.heard_at, entry.cloned
    for message in tallies:
        leader.receive_datagram(KEYED.encode(message), "anybody", LocalInstant(hall.now + SECOND))
        newer = message._replace(serial=message.serial + 1_000, instance=77)
        leader.receive_datagram(STRANGER.encode(newer), "anybody", LocalInstant(hall.now + SECOND))
    assert (entry.tally, entry.tallied_at, entry.heard_at, entry.cloned) == before
    assert leader.counters["repeated tally"] >= len(tallies)
    assert leader.counters["bad tag"] == len(tallies)
