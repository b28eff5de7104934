"""Follows a group on this host and prints its events; at the end, on SIGTERM, how many of its frames were wrong.

For hosts of one kernel, such as network namespaces: their raw clocks are one clock, so the first leader's show
line is the truth to the nanosecond. A frame is wrong if it is not the one that is due within half a frame of now.
"""

from __future__ import annotations

import asyncio
import json
import signal
import sys

from leadlight import Cue, CueState, FollowerSettings, FrameRate, LeaderInstant, ShowPosition, StoredShow
from leadlight.events import CueAdopted
from leadlight.net import FollowerEndpoint

RATE = FrameRate(40)
SHOW = StoredShow("Tidefall", RATE, 40 * 3600)
HALF_A_FRAME_NS = 12_500_000


async def watch(group: str, port: int, interface: str) -> None:
    ended = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, ended.set)
    truth: Cue | None = None
    looked, wrong, dark = 0, 0, 0
    node = FollowerEndpoint(
        FollowerSettings("jetty"), group=group, port=port, interface=interface, shows=[SHOW], waits_for_network=True
    )

    async def tell() -> None:
        nonlocal truth
        async for event in node.events():
            if truth is None and isinstance(event, CueAdopted) and event.cue.state is CueState.ROLLING:
                truth = event.cue
            print(json.dumps({"event": type(event).__name__, "told": repr(event)}), flush=True)

    async with node:
        telling = asyncio.create_task(tell())
        while not ended.is_set():
            await asyncio.sleep(0.01)
            if truth is None:
                continue
            shown, now = node.ask(lambda follower, now: (follower.shown(now), now))
            position = truth.line.position_at(LeaderInstant(now))
            due = {RATE.frame_at(ShowPosition(position + off)) for off in (-HALF_A_FRAME_NS, HALF_A_FRAME_NS)}
            looked += 1
            dark += shown.frame is None
            wrong += shown.frame is not None and not min(due) <= shown.frame <= max(due)
        telling.cancel()
    print(json.dumps({"looked": looked, "wrong": wrong, "dark": dark}), flush=True)


if __name__ == "__main__":
    asyncio.run(watch(sys.argv[1], int(sys.argv[2]), sys.argv[3]))
