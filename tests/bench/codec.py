"""What a datagram costs to encode and decode, tag included, beside msgpack alone on the same fields.

The reference is ``msgpack.packb`` plus ``msgpack.unpackb`` of the array that the datagram carries: what any protocol on
msgpack pays at the least, without preamble, tag, checks or types. Each message is timed in ``ROUNDS`` rounds that
alternate between the two, and the best round of each counts: noise of a shared machine only ever adds time. A bare loop
that adds one number is timed beside them, so that runs on different machines can be compared.

Prints one line of JSON last: ``encode_decode_ratio`` is the geometric mean over one message of each kind and a Beacon
of each of three sizes; the target is at most 5.5. Run with
``PYTHONPATH=protocol python tests/bench/codec.py [--quick]``.
"""

from __future__ import annotations

import argparse
import gc
import json
import math
from collections.abc import Callable
from time import perf_counter
from typing import Any

import msgpack

from leadlight.cue import Cue, ShowLine, show_key
from leadlight.terms import ClockState, ContentState, CueState
from leadlight.units import HOUR, MICROSECOND, MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire.codec import Codec
from leadlight.wire.framing import PREAMBLE_BYTES
from leadlight.wire.messages import Beacon, DelayReport, Echo, Mark, Message, SharedDelay, Sounding, Tally
from leadlight.wire.tags import TAG_BYTES, KeyRing

ROUNDS, COUNT = 120, 500
QUICK_ROUNDS, QUICK_COUNT = 25, 300
TARGET_RATIO = 5.5

NOW = 30 * HOUR
CODEC = Codec("Quarry Lake", KeyRing({1: bytes(range(32))}))


def a_cue(state: CueState, since: int) -> Cue:
    return Cue(show_key("Tidefall"), state, ShowLine(LeaderInstant(since), ShowPosition(0), 1_250))


def a_beacon(**more: Any) -> Beacon:
    plain: dict[str, Any] = {
        "leader": 0x9A7C_51E2,
        "rank": 0,
        "tenure": 0x6D2F_90B4,
        "timebase": 0xB3E1_0C77,
        "serial": 81_234,
        "sent_at": LeaderInstant(NOW + 123_456_789),
        "interval_ns": SECOND,
        "sounding_budget": 60,
        "group_size": 24,
        "off_at": LeaderInstant(NOW + 2 * HOUR),
        "marker": 0xC1A5_7E09,
        "cue": a_cue(CueState.ROLLING, NOW - 100 * SECOND),
        "next_cue": None,
        "marks": (),
        "delay_radio": None,
        "delay_doubt_ns": 0,
        "shared_delays": (),
    }
    return Beacon(**(plain | more))


def messages() -> dict[str, Message]:
    """One message of each kind, and a beacon of each size, with values as they are in mid-show."""
    next_cue = a_cue(CueState.PAUSED, NOW + 2 * SECOND)
    return {
        "beacon": a_beacon(),
        "beacon with next cue": a_beacon(next_cue=next_cue),
        "beacon with marks and delays": a_beacon(
            next_cue=next_cue,
            marks=tuple(Mark(back, back * 987_654_321) for back in range(1, 5)),
            delay_radio=0xA31F,
            delay_doubt_ns=140 * MICROSECOND,
            shared_delays=tuple(SharedDelay(back, 2_345_678 + back) for back in range(4, 8)),
        ),
        "sounding": Sounding(
            0xC1A5_7E09,
            0x6D2F_90B4,
            0x1F2E_3D4C,
            LocalInstant(NOW + 777),
            0x8877_6655_4433_2211,
            0xA31F,
            tuple(DelayReport(81_220 + back & 0xFFFF, 1_234_567 * back) for back in range(4)),
        ),
        "echo": Echo(
            0x9A7C_51E2,
            0x6D2F_90B4,
            0xB3E1_0C77,
            0x1F2E_3D4C,
            LeaderInstant(NOW),
            LeaderInstant(NOW + 54_321),
            0x8877_6655_4433_2211,
        ),
        "tally": Tally(
            follower=0xC1A5_7E09,
            instance=0x5F31_77AA,
            serial=4_321,
            tenure=0x6D2F_90B4,
            turn=81_234,
            clock=ClockState.LOCKED,
            cue_state=CueState.ROLLING,
            bound_ns=2 * MILLISECOND,
            beacon_loss_permille=17,
            content=ContentState.PRESENT,
            radio=0xA31F,
            show=show_key("Tidefall"),
            frame=4_000,
            late_frames=3,
            live_data=False,
            unverified=False,
            name="footbridge",
        ),
    }


def best_of(rounds: int, count: int, contestants: list[Callable[[], object]]) -> list[float]:
    """Return the seconds a call that each contestant took in its best round, rounds alternating."""
    best = [math.inf] * len(contestants)
    gc.collect()
    gc.disable()
    for _ in range(rounds):
        for place, contestant in enumerate(contestants):
            begun = perf_counter()
            for _ in range(count):
                contestant()
            best[place] = min(best[place], (perf_counter() - begun) / count)
    gc.enable()
    return best


def bare_loop() -> int:
    """A hundred additions: the machine's own speed."""
    total = 0
    for number in range(100):
        total += number
    return total


def main() -> None:
    """Time every message both ways and print the ratios."""
    parser = argparse.ArgumentParser(description="Time the wire codec beside msgpack alone.")
    parser.add_argument("--quick", action="store_true", help="fewer calls in fewer rounds")
    quick = parser.parse_args().quick
    rounds, count = (QUICK_ROUNDS, QUICK_COUNT) if quick else (ROUNDS, COUNT)
    pack, unpack = msgpack.packb, msgpack.unpackb
    ratios: dict[str, float] = {}
    loop_s = math.inf
    print(f"best of {rounds} rounds of {count} calls; microseconds a call:")
    for name, message in messages().items():
        data = CODEC.encode(message)
        assert CODEC.decode(data) == message
        fields = unpack(data[PREAMBLE_BYTES:-TAG_BYTES], use_list=False)
        assert pack(fields) == data[PREAMBLE_BYTES:-TAG_BYTES]

        def ours(message: Message = message) -> Message:
            return CODEC.decode(CODEC.encode(message))

        def theirs(fields: object = fields) -> object:
            return unpack(pack(fields))

        ours_s, theirs_s, bare_s = best_of(rounds, count, [ours, theirs, bare_loop])
        ratios[name] = ours_s / theirs_s
        loop_s = min(loop_s, bare_s)
        costs = f"{1e6 * ours_s:8.2f}  msgpack{1e6 * theirs_s:7.2f}  ratio{ratios[name]:6.2f}"
        print(f"  {name:<30}{len(data):4} bytes{costs}")
    print(f"  {'a hundred additions':<30}{1e6 * loop_s:18.2f}")
    mean = math.exp(sum(map(math.log, ratios.values())) / len(ratios))
    print(
        json.dumps(
            {
                "encode_decode_ratio": round(mean, 3),
                "target": TARGET_RATIO,
                "hundred_additions_us": round(1e6 * loop_s, 3),
            }
        )
    )


if __name__ == "__main__":
    main()
