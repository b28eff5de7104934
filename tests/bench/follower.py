"""What one beacon costs a follower, from its bytes to the next deadline.

Timed are ``receive_datagram`` (tag, decoding, acceptance, clock, cue, playhead), ``datagrams_to_send`` and
``next_timer``, for beacons a tenth of a second apart that carry a cue, an announced one, a shared delay and a mark; the
follower is locked and its Soundings are answered, outside the measured time. Of the beacons' times in each round the
median counts, and of the rounds the best: noise of a shared machine only ever adds time. A bare loop of a hundred
additions is timed beside it, so that runs on different machines can be compared.

Prints one line of JSON last: ``receive_us`` is to be at most 25. Run with
``PYTHONPATH=protocol python tests/bench/follower.py [--quick]``.
"""

from __future__ import annotations

import argparse
import gc
import json
import math
from random import Random
from statistics import median
from time import perf_counter_ns
from typing import Any

from leadlight.cue import Cue, FrameRate, ShowLine
from leadlight.follower.follower import Follower
from leadlight.follower.settings import FollowerSettings
from leadlight.playback.content import StoredShow
from leadlight.terms import ClockState, CueState
from leadlight.units import HOUR, MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon, Echo, Mark, SharedDelay, Sounding
from leadlight.wire.tags import KeyRing

ROUNDS, BEACONS = 7, 3_000
QUICK_ROUNDS, QUICK_BEACONS = 3, 800
WARM_UP = 300
TARGET_US = 25.0

INTERVAL = 100 * MILLISECOND
OFFSET = 5 * SECOND
BEGUN = HOUR
TENURE, TIMEBASE, LEADER = 71, 72, 73
CODEC = Codec("Quarry Lake", KeyRing({1: bytes(range(32))}))
TIDEFALL = StoredShow("Tidefall", FrameRate(40), 1_000_000)
EMBERS = StoredShow("Embers", FrameRate(40), 1_000_000)


def beacon_at(number: int) -> bytes:
    """The datagram of the beacon that goes out ``number`` intervals after the beginning."""
    beacon: dict[str, Any] = {
        "leader": LEADER,
        "rank": 0,
        "tenure": TENURE,
        "timebase": TIMEBASE,
        "serial": 1_000 + number,
        "sent_at": LeaderInstant(BEGUN + number * INTERVAL),
        "interval_ns": INTERVAL,
        "sounding_budget": 60,
        "group_size": 24,
        "off_at": LeaderInstant(5 * HOUR),
        "marker": 99,
        "cue": Cue(TIDEFALL.key, CueState.ROLLING, ShowLine(LeaderInstant(BEGUN - SECOND), ShowPosition(0))),
        "next_cue": Cue(EMBERS.key, CueState.ROLLING, ShowLine(LeaderInstant(4 * HOUR), ShowPosition(0))),
        "marks": (Mark(1, 97 * MILLISECOND),),
        "delay_radio": None,
        "delay_doubt_ns": 0,
        "shared_delays": (SharedDelay(1, 2 * MILLISECOND),),
    }
    return CODEC.encode(Beacon(**beacon))


def receive_ns(beacons: int, seed: int) -> float:
    """Return the median nanoseconds that one beacon took a follower which had a warm-up before."""
    random = Random(seed)
    follower = Follower(FollowerSettings("footbridge"), CODEC, Random(seed), [TIDEFALL, EMBERS])
    datagrams = [beacon_at(number) for number in range(WARM_UP + beacons)]
    times: list[int] = []
    for number, data in enumerate(datagrams):
        received_at = LocalInstant(
            BEGUN + number * INTERVAL + OFFSET + MILLISECOND + round(random.expovariate(1) * MILLISECOND)
        )
        while (due := follower.next_timer()) is not None and due < received_at:
            follower.handle_timer(due)
            answer(follower, follower.datagrams_to_send(due), due)
        begun = perf_counter_ns()
        follower.receive_datagram(data, "boathouse", received_at)
        sent = follower.datagrams_to_send(received_at)
        follower.next_timer()
        took = perf_counter_ns() - begun
        if number >= WARM_UP:
            times.append(took)
        else:
            follower.counters.clear()  # a tenure has to be proven before its first beacon counts
        answer(follower, sent, received_at)
        while follower.next_event() is not None:
            pass
    assert follower.clock.state is ClockState.LOCKED, "the follower measured is not the follower meant"
    assert not follower.counters, f"beacons were refused: {dict(follower.counters)}"
    return median(times)


def answer(follower: Follower, sent: list[tuple[bytes, Any]], now: LocalInstant) -> None:
    """Answer each Sounding among what a follower sent, a millisecond each way."""
    for data, _ in sent:
        message = CODEC.decode(data)
        if isinstance(message, Sounding):
            at_leader = LeaderInstant(now + MILLISECOND - OFFSET)
            echo = Echo(LEADER, TENURE, TIMEBASE, message.nonce, at_leader, at_leader, 5)
            follower.receive_datagram(CODEC.encode(echo), "boathouse", LocalInstant(now + 2 * MILLISECOND))


def hundred_additions_ns() -> float:
    """Return the nanoseconds that a hundred additions took, the best of many."""
    best = math.inf
    for _ in range(300):
        begun = perf_counter_ns()
        total = 0
        for number in range(100):
            total += number
        best = min(best, perf_counter_ns() - begun)
    return best


def main() -> None:
    """Time the follower and the bare loop, and print both."""
    parser = argparse.ArgumentParser(description="Time one beacon through a whole follower.")
    parser.add_argument("--quick", action="store_true", help="fewer beacons in fewer rounds")
    quick = parser.parse_args().quick
    rounds, beacons = (QUICK_ROUNDS, QUICK_BEACONS) if quick else (ROUNDS, BEACONS)
    best_ns = bare_ns = math.inf
    for number in range(rounds):
        gc.collect()
        best_ns = min(best_ns, receive_ns(beacons, number))
        bare_ns = min(bare_ns, hundred_additions_ns())
    print(f"best of {rounds} rounds of {beacons} beacons of {len(beacon_at(0))} bytes, median beacon:")
    print(f"  one beacon          {best_ns / 1e3:8.2f} µs")
    print(f"  a hundred additions {bare_ns / 1e3:8.2f} µs")
    print(
        json.dumps(
            {
                "receive_us": round(best_ns / 1e3, 3),
                "target_us": TARGET_US,
                "hundred_additions_us": round(bare_ns / 1e3, 3),
            }
        )
    )


if __name__ == "__main__":
    main()
