"""A day at forty frames a second in virtual time: is any frame skipped or shown twice, and is anything kept?

A leader and a player, each a program on the virtual loop with the library's endpoints, over the air of preset ``idle``.
The player's loop is README's. Every frame must be the one after the last; what the process holds is looked at every
hour.

Prints one line of JSON last: ``frames`` handed over, ``skipped`` and ``twice``, which must be 0, ``grown_kib``, what
the process holds more at the end than after the second hour, and how much faster than real time it ran. Run with
``PYTHONPATH=protocol:sim python tests/bench/frames.py``; ``--quick`` takes three quarters of an hour of it.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import json
import logging
import resource
from time import process_time

from leadlight import FollowerSettings, FrameRate, KeyRing, LeaderSettings, StoredShow
from leadlight.net import FollowerEndpoint, LeaderEndpoint
from leadlight_sim.testing import VirtualNetwork

SHOW = StoredShow("day", FrameRate(40), 40 * 3600 * 30)
KEYS = KeyRing({1: bytes(32)})
HOURS = 24
STEP_S = 3600.0
QUICK_STEP_S = 900.0


class Day:
    """What a player was handed so far."""

    def __init__(self) -> None:
        self.frames = self.skipped = self.twice = 0
        self._last = -1

    async def lead(self) -> None:
        """Let a show roll that is longer than the day."""
        async with LeaderEndpoint(LeaderSettings("boathouse"), group="day", keys=KEYS, shows=[SHOW]) as node:
            await asyncio.sleep(5)
            node.roll(SHOW)
            await asyncio.sleep(10_000_000)

    async def play(self) -> None:
        """Count what is handed over."""
        async with FollowerEndpoint(FollowerSettings("jetty"), group="day", keys=KEYS, shows=[SHOW]) as node:
            async for due in node.frames():
                if due.frame is None:
                    continue
                self.frames += 1
                self.skipped += max(due.frame - self._last - 1, 0)
                self.twice += due.frame <= self._last
                self._last = due.frame


def held_kib() -> int:
    """Return what this process holds of memory, at most so far, in KiB."""
    gc.collect()
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def main() -> None:
    """Play a day, and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="see that it works")
    arguments = parser.parse_args()
    logging.disable(logging.CRITICAL)
    steps, step_s = (3, QUICK_STEP_S) if arguments.quick else (HOURS, STEP_S)
    day, held = Day(), []
    began = process_time()
    with VirtualNetwork(preset="idle", seed=1) as network:
        network.host("boathouse").start(day.lead())
        network.host("jetty").start(day.play())
        for number in range(steps):
            network.run_for(step_s)
            held.append(held_kib())
            print(f"{(number + 1) * step_s / 3600:5.2f} h: {day.frames:,} frames, {held[-1]:,} KiB")
    seconds = process_time() - began
    told = {
        "hours": steps * step_s / 3600,
        "frames": day.frames,
        "skipped": day.skipped,
        "twice": day.twice,
        "grown_kib": held[-1] - held[1],
        "times_real_time": round(steps * step_s / seconds, 1),
    }
    print(json.dumps(told))


if __name__ == "__main__":
    main()
