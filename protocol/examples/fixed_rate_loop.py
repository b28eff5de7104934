"""A player whose loop keeps a rate of its own, as a screen's does: at each tick it asks what to show at the next.

The loop knows nothing of asyncio; the node runs in a thread of its own. Between two ticks a program of this kind draws,
so it must know one tick ahead. Of a show of 40 frames a second on a screen of 60 some frames are shown twice: those
whose light is nearest to the tick.
"""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Iterator

from leadlight import SECOND, AtTick, FollowerSettings, FrameRate, KeyRing, LocalInstant, StoredShow
from leadlight.net import FollowerThread

SHOWS = [StoredShow("tidefall", FrameRate(40), frame_count=7680, edition="1")]
TICKS_PER_SECOND = 60


def ticks(node: FollowerThread, period_ns: int) -> Iterator[int]:
    """Yield at each tick its number: what waits for a screen, in a program that has one."""
    begun_at, number = node.now(), 0
    while True:
        number += 1
        node.wait_until(LocalInstant(begun_at + number * period_ns))
        yield number


def describe(tick: AtTick) -> str:
    """Return what is drawn for the next tick, in the place of drawing it."""
    if tick.show is None or tick.frame is None:
        return "dark"
    return f"{tick.show.show} {tick.frame} {tick.level:.2f}, {tick.error_ns / 1e6:+.1f} ms"


def play(
    name: str, group: str, ticks_wanted: int | None = None, keys: KeyRing | None = None, interface: str | None = None
) -> None:
    """Play so many ticks, or until interrupted; tell what changes."""
    period_ns = SECOND // TICKS_PER_SECOND
    drawn: tuple[StoredShow | None, int | None] | None = None
    with FollowerThread(FollowerSettings(name), group=group, keys=keys, shows=SHOWS, interface=interface) as node:
        for number in ticks(node, period_ns):
            tick = node.shown_at_tick(period_ns)
            if drawn != (tick.show, tick.frame):
                drawn = tick.show, tick.frame
                sys.stdout.write(f"{describe(tick)}\n")
                sys.stdout.flush()
            if number == ticks_wanted:
                return


def main() -> None:
    """Play as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--name", default="screen")
    parser.add_argument("--group", default="quarry lake")
    parser.add_argument("--ticks", type=int, metavar="N", help="end after so many")
    parser.add_argument("--interface", help="network interface, by name or address")
    arguments = parser.parse_args()
    with contextlib.suppress(KeyboardInterrupt):
        play(arguments.name, arguments.group, arguments.ticks, interface=arguments.interface)


if __name__ == "__main__":
    main()
