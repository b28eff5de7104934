"""What outages do to a follower's samples: when it is sent copies of beacons, and when marks reach it.

Both are matters of how outages cluster, for which there is no short formula. So outages are drawn from the network's
own laws, always the same. Whether copies are sent is then judged by the very code that judges it on a real network.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from typing import Final

import numpy as np
import numpy.typing as npt

from leadlight.follower import GroupLoss
from leadlight.leader import MARK_PUBLICATIONS, CopyList
from leadlight.units import SECOND, LocalInstant
from leadlight_sim.air import Channel, Dropout, JointChannel, LossAt
from leadlight_sim.kernel import Streams, TrueInstant
from leadlight_sim.scenario import Scenario

BEACONS: Final = 60_000
"""So many are drawn for copies: as many evenings as that makes, at least one."""
RUNS: Final = 48
RUN_BEACONS: Final = 500
"""For marks: so many beacons in each of so many runs."""
FOLLOWER: Final = 0


def copied_share(scenario: Scenario, hops: Sequence[Dropout], unicast_tries: int) -> float:
    """Return the share of a scenario's settled time in which a follower is served.

    ``hops`` are the channels that a beacon to the group passes on its way; a Tally is tried ``unicast_tries`` times.
    """
    if all(hop.mean_loss == 0.0 for hop in hops):
        return 0.0
    beacons = math.ceil(scenario.run.duration_s / scenario.leader.interval_s)
    evenings = max(1, BEACONS // beacons)
    return sum(_copied(scenario, hops, unicast_tries, evening) for evening in range(evenings)) / evenings


def _copied(scenario: Scenario, hops: Sequence[Dropout], unicast_tries: int, evening: int) -> float:
    streams = Streams(evening)
    stream = streams.stream("budget", "copies")
    channel = joint_channel(hops, streams, "copies")
    loss, copies = GroupLoss(), CopyList()
    interval_ns = round(scenario.leader.interval_s * SECOND)
    tally_ns = round(scenario.leader.tally_interval_s * SECOND)
    settled_from = min(scenario.run.settle_s, scenario.run.duration_s / 2) * SECOND
    tally_at = round(stream.uniform(0, tally_ns))
    heard = counted = copied = 0
    for serial in range(math.ceil(scenario.run.duration_s * SECOND / interval_ns)):
        now = serial * interval_ns
        lost = channel.loss_at(TrueInstant(now))
        if not stream.chance(lost):
            loss.note(serial, is_copy=False)
            heard = serial
        if now >= tally_at:
            tally_at = now + round(stream.uniform(0.5, 1.5) * tally_ns)
            if not stream.chance(lost**unicast_tries):
                # Its Soundings come through as its Tally does: each renews the lease.
                copies.renew(FOLLOWER, FOLLOWER, LocalInstant(now))
                share = loss.share_after(max(serial - heard - 1, 0))
                copies.consider(FOLLOWER, round(1000 * share), everyone=False, now=LocalInstant(now))
        if now >= settled_from:
            counted += 1
            copied += copies.is_served(FOLLOWER)
    return copied / max(counted, 1)


@dataclass(frozen=True, slots=True, eq=False)
class Arrivals:
    """When samples come, over ``RUNS`` runs side by side; arrays of shape (beacons, runs).

    ``is_taken``: whether a beacon's turn gives a sample. ``newest``: at each beacon, the latest beacon whose sample can
    be used by then, -1 before the first.
    """

    is_taken: npt.NDArray[np.bool_]
    newest: npt.NDArray[np.int64]


def marks_arriving(
    interval_s: float, crowd: int, shared: Dropout, leader: Dropout, piece: Sequence[Dropout], other: Dropout
) -> Arrivals:
    """Return when marks reach a piece, one of ``crowd``.

    Turns go round. A mark takes a beacon that reaches its marker, and a Tally of the marker's that reaches both the
    leader and the piece; and then one of the beacons that publish it, all through the channels of those concerned.
    """
    is_taken = np.zeros((RUN_BEACONS, RUNS), dtype=np.bool_)
    newest = np.full((RUN_BEACONS, RUNS), -1, dtype=np.int64)
    for run in range(RUNS):
        streams = Streams(run)
        common = joint_channel([shared], streams, "shared")
        leaders, own = joint_channel([leader], streams, "leader"), joint_channel(piece, streams, "piece")
        markers = [joint_channel([other], streams, f"marker {number}") for number in range(crowd - 1)]
        draws = streams.stream("budget", "marks")
        waiting: list[int] = []
        latest = -1
        for beacon in range(RUN_BEACONS):
            at = TrueInstant(round(beacon * interval_s * SECOND))
            through = (1 - common.loss_at(at)) * (1 - leaders.loss_at(at))
            is_heard = draws.chance(through * (1 - own.loss_at(at)))
            waiting = [turn for turn in waiting if beacon - turn <= MARK_PUBLICATIONS]
            if is_heard and waiting:
                is_taken[waiting, run] = True
                latest = waiting[-1]
                waiting = []
            newest[beacon, run] = latest
            marker = beacon % crowd
            if marker < len(markers) and is_heard and draws.chance(through * (1 - markers[marker].loss_at(at))):
                waiting.append(beacon)
    return Arrivals(is_taken, newest)


def joint_channel(hops: Sequence[Dropout], streams: Streams, what: str) -> LossAt:
    """Return one channel or more in a row, as it happens; ``what`` names its luck."""

    def one(number: int) -> LossAt:
        return Channel(hops[number], streams.stream("budget", what, str(number)))

    first: LossAt = one(0)
    return reduce(lambda before, number: JointChannel(before, one(number)), range(1, len(hops)), first)
