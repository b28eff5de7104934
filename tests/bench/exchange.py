"""What puts the clocks of one host apart: every part of an exchange between two of its processes, measured.

A leader and a follower run as processes of one machine, which have one true clock. So every instant that either writes
down can be compared with what was so. A follower asks (Sounding), the leader answers (Echo), and the clock's error is
half of what the one way seems to take longer than the other. Each way has three parts, from the instant in the
datagram's stamp to the instant that its receiver takes for its arrival:

- *stamp to call*: from the instant in the stamp to the system's call. The stamp is written beforehand.
- *call to kernel's stamp*: from the call to the receiving kernel's stamp, which loopback gives within the call. A
  program that was idle takes longer over it than one that has just received something.
- *kernel's stamp to arrival*: by how much later the receiver takes it to have arrived than the kernel says: it reads
  two clocks, one after the other.

``half`` is what a part adds to the error: half of the difference, in medians over all exchanges. ``sum`` is what they
come to. ``reported`` is by how much the follower takes the leader's clock for ahead of its own, where in truth it is
the same one; ``filter`` is what is left, which is what the estimator makes of the exchanges: it believes the quickest,
and beacons also tell it something.

Prints a table, then one line of JSON, in µs. Run with ``PYTHONPATH=protocol python tests/bench/exchange.py``;
``--quick`` takes a few seconds of it, ``--raised`` runs both before ordinary programs.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import logging
import multiprocessing
import os
import statistics
import struct
import time
from typing import Any

from leadlight import SECOND, FollowerSettings, KeyRing, LeaderSettings
from leadlight.net import MACHINE, FollowerEndpoint, LeaderEndpoint, departure, driver, timestamps
from leadlight.net.machine import ThisMachine
from leadlight.net.waking import raise_priority
from leadlight.units import LocalInstant
from leadlight.wire import Codec, Echo, Sounding

GROUP = f"exchange bench {os.getpid()}"
KEYS = KeyRing({1: bytes(32)})
PORT = 61_000 + os.getpid() % 4000
SETTLES_S = 6.0
LASTS_S = 60.0
QUICK_S = 6.0
PARTS = ("stamp to call", "call to kernel's stamp", "kernel's stamp to arrival")


def true_now() -> int:
    """Return the instant now on the one clock that both processes read."""
    return time.clock_gettime_ns(time.CLOCK_MONOTONIC_RAW)


class Log:
    """What one process notes of its datagrams, by their bytes."""

    def __init__(self) -> None:
        self.stamp = 0
        self.sent: dict[bytes, tuple[int, int]] = {}
        """The instant in the stamp and that of the call."""
        self.received: dict[bytes, tuple[int, int]] = {}
        """The instant of the kernel's stamp and that taken for the arrival."""
        self.reported: list[int] = []


class NotingSocket:
    """A node's own socket, whose calls are noted."""

    def __init__(self, of: Any, log: Log) -> None:
        self._of, self._log = of, log

    def __getattr__(self, name: str) -> Any:
        return getattr(self._of, name)

    def sendto(self, data: bytes, destination: Any) -> int:
        """Send, and note when."""
        called_at = true_now()
        sent: int = self._of.sendto(data, destination)
        self._log.sent[data] = (self._log.stamp, called_at)
        return sent


def kernel_stamp(ancillary: Any) -> int | None:
    """Return the kernel's stamp of a datagram on the true clock."""
    for _, _, data in ancillary:
        seconds, ns = struct.unpack("@ll", data[:16])
        # The tightest of a few pairs of readings says how the two clocks stand.
        pairs = []
        for _ in range(5):
            before, wall, after = true_now(), time.time_ns(), true_now()
            pairs.append((after - before, (before + after) // 2 - wall))
        return int(seconds * SECOND + ns + min(pairs)[1])
    return None


def note_all(log: Log) -> None:
    """Have this process note what its driver does."""
    plain_stamp = departure.Departure.stamp
    taken: list[tuple[bytes, Any]] = []

    def stamp(self: departure.Departure) -> LocalInstant:
        found = plain_stamp(self)
        log.stamp = found
        return found

    def receive(endpoint: Any) -> Any:
        found = timestamps.receive(endpoint)
        taken[:] = [found[:2]]
        return found

    def arrival(ancillary: Any, clock: Any) -> LocalInstant:
        found = timestamps.arrival(ancillary, clock)
        at = kernel_stamp(ancillary)
        if at is not None:
            log.received[taken[0][0]] = (at, found)
        return found

    departure.Departure.stamp = stamp  # type: ignore[method-assign]
    driver.receive = receive  # type: ignore[attr-defined]
    driver.arrival = arrival  # type: ignore[attr-defined, assignment]

    class Machine(ThisMachine):
        def open_sockets(self, group: str, **place: Any) -> Any:
            made = super().open_sockets(group, **place)
            made.own = NotingSocket(made.own, log)  # type: ignore[misc]
            return made

    MACHINE.set(Machine())


def run_node(is_leader: bool, is_raised: bool, lasts_s: float, told: Any) -> None:
    """Run one of the two, and tell what it noted."""
    logging.disable(logging.CRITICAL)
    if is_raised:
        raise_priority()
    log = Log()
    note_all(log)
    place: dict[str, Any] = {"group": GROUP, "keys": KEYS, "port": PORT, "interface": "127.0.0.1"}

    async def run() -> None:
        if is_leader:
            async with LeaderEndpoint(LeaderSettings("boathouse", group_size=1), **place):
                await asyncio.sleep(SETTLES_S + lasts_s + 1)
            return
        async with FollowerEndpoint(FollowerSettings("jetty"), **place) as node:
            await asyncio.sleep(SETTLES_S)
            log.sent.clear()
            log.received.clear()
            for _ in range(round(lasts_s * 10)):
                await asyncio.sleep(0.1)
                log.reported.append(node.snapshot().offset_ns or 0)

    asyncio.run(run())
    told.put((is_leader, log.sent, log.received, log.reported))


def ways(follower: Any, leader: Any) -> tuple[list[tuple[int, ...]], list[tuple[int, ...]]]:
    """Return the parts of every Sounding's way and of every Echo's, in ns."""
    codec = Codec(GROUP, KEYS)
    found: dict[type, list[tuple[int, ...]]] = {Sounding: [], Echo: []}
    for sent, received in ((follower[1], leader[2]), (leader[1], follower[2])):
        for data in sent.keys() & received.keys():
            kind = type(codec.decode(data))
            if kind in found:
                (stamp, called_at), (kernel_at, arrived_at) = sent[data], received[data]
                found[kind].append((called_at - stamp, kernel_at - called_at, arrived_at - kernel_at))
    return found[Sounding], found[Echo]


def main() -> None:
    """Measure, and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="see that it works")
    parser.add_argument("--raised", action="store_true", help="run before ordinary programs")
    arguments = parser.parse_args()
    lasts_s = QUICK_S if arguments.quick else LASTS_S
    told: Any = multiprocessing.Queue()
    for is_leader in (True, False):
        multiprocessing.Process(target=run_node, args=(is_leader, arguments.raised, lasts_s, told)).start()
    follower, leader = sorted((told.get() for _ in range(2)), key=lambda one: bool(one[0]))
    soundings, echoes = ways(follower, leader)

    def median_us(values: list[int]) -> float:
        return round(statistics.median(values) / 1000, 1)

    table: dict[str, dict[str, float]] = {}
    for number, part in enumerate(PARTS):
        there, back = median_us([way[number] for way in soundings]), median_us([way[number] for way in echoes])
        table[part] = {"sounding": there, "echo": back, "half": round((there - back) / 2, 1)}
    total = round(sum(row["half"] for row in table.values()), 1)
    reported = -median_us(follower[3])  # an offset is by how much the own clock is ahead
    print(f"{len(soundings)} exchanges, medians in µs{'Sounding':>13}{'Echo':>9}{'half':>9}")
    for part, row in table.items():
        print(f"  {part:28}{row['sounding']:9.1f}{row['echo']:9.1f}{row['half']:9.1f}")
    print(f"  sum {total:.1f}, reported {reported:.1f}, so the filter {reported - total:.1f}")
    print(
        json.dumps(
            {
                "exchanges": len(soundings),
                "parts": table,
                "sum": total,
                "reported": reported,
                "filter": round(reported - total, 1),
            }
        )
    )


if __name__ == "__main__":
    main()
