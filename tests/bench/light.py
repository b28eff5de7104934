"""How far apart the players of one machine show a frame, by what their loops wait with.

A leader and players run as processes of one machine, which have one true clock, so that what each notes at the moment
when it is handed a frame can be compared: the span of a frame is from the first player's instant to the last's. Clocks
are kept by the protocol over the loopback interface, as on a network. The loops alternate in rounds: *old*, which asks
``shown`` and sleeps by asyncio until the next; *frames*, the library's, without its spin; *spin*, with it; *thread*,
its blocking twin, without.

A machine that others use only ever adds lateness, so each round's percentiles are told and the best is compared;
``--raised`` runs all of them before ordinary programs, as if nobody else were there. ``core`` is a player's own share
of a core: all that it does, its clock and its datagrams included. ``clock_us`` is by how much a follower takes its own
clock for ahead of the leader's, where in truth it is the same one: the median of the last half of the run.

Prints one line of JSON last, in ms. Run with ``PYTHONPATH=protocol python tests/bench/light.py``; ``--quick`` takes a
few seconds of it.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import logging
import multiprocessing
import os
import statistics
import threading
import time
from collections.abc import Callable
from typing import Any

from leadlight import MILLISECOND, SECOND, FollowerSettings, FrameRate, KeyRing, LeaderSettings, StoredShow
from leadlight.errors import NotRunningError
from leadlight.net import FollowerEndpoint, FollowerThread, LeaderEndpoint, WakingSettings
from leadlight.net.waking import raise_priority

GROUP = f"light bench {os.getpid()}"
KEYS = KeyRing({1: bytes(32)})
SHOW = StoredShow("tidefall", FrameRate(40), 40 * 3600)
NO_SPIN = WakingSettings(spin_share=0.0)
PORT = 61_000 + os.getpid() % 4000
NO_FRAME_NS = 20 * MILLISECOND
PERIOD_NS = 25 * MILLISECOND
OFFSET_EVERY_S = 0.25
LISTENED_S = 6.0
ROUND_S = 10.0
ROUNDS = 4
Note = Callable[[int], None]


def lead(place: dict[str, Any], is_raised: bool) -> None:
    """Lead until killed, and let a show roll."""

    async def run() -> None:
        async with LeaderEndpoint(LeaderSettings("boathouse", group_size=4), shows=[SHOW], **place) as node:
            await asyncio.sleep(LISTENED_S - 3)
            node.roll(SHOW)
            await asyncio.sleep(1_000_000)

    _be_quiet(is_raised)
    asyncio.run(run())


async def by_old_loop(node: FollowerEndpoint, note: Note, until_ns: int) -> None:
    """Ask, show, and sleep until the next is due, as players did."""
    while time.monotonic_ns() < until_ns:
        shown = node.shown()
        if shown.frame is not None:
            note(shown.frame)
        due_at = shown.next_at or node.clock() + NO_FRAME_NS
        await asyncio.sleep(max(0, due_at - node.clock()) / SECOND)


async def by_frames(node: FollowerEndpoint, note: Note, until_ns: int) -> None:
    """Show what is handed over."""
    async for due in node.frames():
        if due.frame is not None:
            note(due.frame)
        if time.monotonic_ns() >= until_ns:
            return


def play(
    number: int, way: str, place: dict[str, Any], begin_ns: int, until_ns: int, is_raised: bool, told: Any
) -> None:
    """Play for a while, and tell what was shown when."""
    _be_quiet(is_raised)
    shown: dict[int, int] = {}
    offsets: list[int] = []
    used = [0.0, 0.0]

    def note_offset() -> None:
        offsets.append(node.snapshot().offset_ns or 0)

    def note_offsets() -> None:
        """Note some while the second half lasts; in one thread, for starting one takes as long as showing a frame."""
        time.sleep(max((begin_ns + until_ns) / 2 - time.monotonic_ns(), 0) / SECOND)
        while node.is_running and shown:
            last = next(reversed(shown.values()))
            now = time.clock_gettime_ns(time.CLOCK_MONOTONIC_RAW)
            time.sleep((last + NO_FRAME_NS // 2 - now) % PERIOD_NS / SECOND)
            with contextlib.suppress(NotRunningError):
                note_offset()
            time.sleep(OFFSET_EVERY_S)

    def note(frame: int) -> None:
        now = time.clock_gettime_ns(time.CLOCK_MONOTONIC_RAW)
        shown.setdefault(frame, now)
        if frame % 10 == 0 and way != "thread" and time.monotonic_ns() > (begin_ns + until_ns) // 2:
            # Half a frame later: asked now, it would hold up the player that has this core next.
            asyncio.get_running_loop().call_later(NO_FRAME_NS / 2 / SECOND, note_offset)
        if not used[0] and time.monotonic_ns() > begin_ns:
            used[:] = [time.process_time(), time.monotonic()]

    settings = FollowerSettings(f"piece {number}")
    waking = WakingSettings() if way == "spin" else NO_SPIN
    node: FollowerEndpoint | FollowerThread
    if way == "thread":
        with FollowerThread(settings, shows=[SHOW], waking=waking, **place) as node:
            threading.Thread(target=note_offsets, daemon=True).start()
            for due in node.frames():
                if due.frame is not None:
                    note(due.frame)
                if time.monotonic_ns() >= until_ns:
                    break
    else:

        async def run() -> None:
            nonlocal node
            async with FollowerEndpoint(settings, shows=[SHOW], waking=waking, **place) as node:
                await (by_old_loop if way == "old" else by_frames)(node, note, until_ns)

        asyncio.run(run())
    core = (time.process_time() - used[0]) / max(time.monotonic() - used[1], 1e-9)
    told.put((shown, core, statistics.median(offsets or [0])))


def _be_quiet(is_raised: bool) -> None:
    logging.disable(logging.CRITICAL)
    if is_raised:
        raise_priority()


def span_of(way: str, players: int, place: dict[str, Any], round_s: float, is_raised: bool) -> dict[str, Any]:
    """Return percentiles of the spans of one round, in ms, with the players' shares of a core and their clocks."""
    told: Any = multiprocessing.Queue()
    begin_ns = time.monotonic_ns() + round(LISTENED_S * SECOND)
    until_ns = begin_ns + round(round_s * SECOND)
    started = [
        multiprocessing.Process(target=play, args=(number, way, place, begin_ns, until_ns, is_raised, told))
        for number in range(players)
    ]
    for process in started:
        process.start()
    found = [told.get() for _ in started]
    for process in started:
        process.join()
    common = set.intersection(*(set(shown) for shown, _, _ in found))
    # Those of the last seconds: by then every clock is known.
    counted = sorted(common)[-round(round_s * 40) :]
    instants = ([shown[frame] for shown, _, _ in found] for frame in counted)
    spans: list[int] = sorted(max(at) - min(at) for at in instants)

    def at(share: float) -> float:
        return round(spans[min(int(len(spans) * share), len(spans) - 1)] / MILLISECOND, 4)

    return {
        "p50": at(0.5),
        "p95": at(0.95),
        "p99": at(0.99),
        "max": at(1.0),
        "frames": len(spans),
        "core": round(statistics.median(core for _, core, _ in found), 4),
        "clock_us": [round(offset / 1000, 1) for _, _, offset in found],
    }


def main() -> None:
    """Measure, and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="see that it works")
    parser.add_argument("--raised", action="store_true", help="run before ordinary programs")
    arguments = parser.parse_args()
    rounds, round_s = (1, 2.0) if arguments.quick else (ROUNDS, ROUND_S)
    place = {"group": GROUP, "keys": KEYS, "port": PORT, "interface": "127.0.0.1"}
    leader = multiprocessing.Process(target=lead, args=(place, arguments.raised), daemon=True)
    leader.start()
    time.sleep(LISTENED_S)
    ways = (("old", 4), ("frames", 4), ("thread", 4), ("old", 2), ("frames", 2), ("spin", 2))
    figures: dict[str, list[dict[str, Any]]] = {f"{way}, {players} players": [] for way, players in ways}
    for _ in range(rounds):
        for way, players in ways:
            found = span_of(way, players, place, round_s, arguments.raised)
            figures[f"{way}, {players} players"].append(found)
            told = "".join(f"{found[key]:9.3f}" for key in ("p50", "p95", "p99", "max"))
            print(f"{way:7}{players} players{told} ms{found['core']:8.2%} of a core; clocks {found['clock_us']} µs")
    leader.terminate()
    best = {name: min(found, key=lambda one: float(one["p95"])) for name, found in figures.items()}
    ratio = {n: round(best[f"frames, {n} players"]["p95"] / best[f"old, {n} players"]["p95"], 4) for n in (2, 4)}
    print(json.dumps({"best": best, "p95_to_old": ratio, "rounds": figures}))


if __name__ == "__main__":
    main()
