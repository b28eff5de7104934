"""A player in an asyncio program: it hands each frame to an output when the frame is due.

Put your own output in the place of ``Output``. Light that flashes can bring on seizures; what is authored is yours to
judge.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import logging
import sys
from typing import TextIO

from leadlight import MILLISECOND, FollowerSettings, FrameRate, KeyRing, StoredShow
from leadlight.net import FollowerEndpoint

log = logging.getLogger(__name__)

SHOWS = [StoredShow("tidefall", FrameRate(40), frame_count=7680, edition="1")]
LATENCY_NS = 16 * MILLISECOND
"""From handing a frame over until its last pixel is lit: of 540 pixels on one wire."""


class Output:
    """What stands for the pixels: a line a frame."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def show(self, show: StoredShow, frame: int, level: float) -> None:
        """Light one frame of one show, everything authored multiplied by ``level``."""
        self._stream.write(f"{show.show} {frame} {level:.2f}\n")
        self._stream.flush()

    def go_dark(self) -> None:
        """Light nothing."""
        self._stream.write("dark\n")
        self._stream.flush()


async def play(
    name: str, group: str, output: Output, keys: KeyRing | None = None, interface: str | None = None
) -> None:
    """Play until cancelled."""
    settings = FollowerSettings(name, latency_ns=LATENCY_NS)
    async with FollowerEndpoint(settings, group=group, keys=keys, shows=SHOWS, interface=interface) as node:
        async for due in node.frames():
            if due.show is None or due.frame is None:
                output.go_dark()
            else:
                output.show(due.show, due.frame, due.level)
            if due.skipped:
                log.warning("%d frames came too late to be shown", due.skipped)


def main() -> None:
    """Play as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--name", default="jetty")
    parser.add_argument("--group", default="quarry lake")
    parser.add_argument("--interface", help="network interface, by name or address")
    arguments = parser.parse_args()
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(play(arguments.name, arguments.group, Output(sys.stdout), interface=arguments.interface))


if __name__ == "__main__":
    main()
