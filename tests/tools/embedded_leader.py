"""A program with the music, as somebody may write it: it leads, and goes on where it was when it is started again."""

from __future__ import annotations

import asyncio
import sys

from leadlight import MILLISECOND, CueState, LeaderSettings
from leadlight.net import LeaderEndpoint
from leadlight.units import MINUTE

SETTINGS = LeaderSettings("boathouse", interval_ns=100 * MILLISECOND, lead_time_ns=1000 * MILLISECOND)


async def lead(group: str, port: int, interface: str, show: int) -> None:
    node = LeaderEndpoint(SETTINGS, group=group, port=port, interface=interface, resumes_within_ns=MINUTE)
    async with node:
        if node.kept is None or node.kept.state is not CueState.ROLLING:
            node.roll(show)
        await asyncio.get_running_loop().create_future()


if __name__ == "__main__":
    asyncio.run(lead(sys.argv[1], int(sys.argv[2]), sys.argv[3], int(sys.argv[4], 16)))
