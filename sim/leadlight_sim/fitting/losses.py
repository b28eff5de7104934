"""Losses in runs of time: how many, how long at a time, how much of it strikes all hosts at once.

A recording sees its network at the instants of its packets. What lost them is taken to be a channel that is good or bad
for a while (E. O. Elliott, Bell System Technical Journal 42, 1963). Seen every Δ, a lost packet is followed by another
with the chance π + (1 − π)·exp(−Δ/T), π being the bad share of time and T = 1/(1/good + 1/bad), so that the mean run
tells how long a bad spell lasts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from statistics import median_low
from typing import Final

import numpy as np
from scipy.stats import binomtest

from leadlight.units import SECOND
from leadlight_sim.recording import Flags, Floats, Observed, Way

BURST_MINIMUM_S: Final = 0.001
BURST_MAXIMUM_S: Final = 600.0
LOSS_MAXIMUM: Final = 0.95
"""What a scenario takes; one that lost more is beyond what a rehearsal can be of."""
NEARLY_ALL: Final = 0.9
"""A spell that loses more than this is taken to lose all: its length is then what runs tell."""
LOSES_MORE: Final = 2.0
BY_CHANCE: Final = 0.001
TRIES: Final = 7
"""Of a unicast frame, the first included (IEEE 802.11's short retry limit)."""


@dataclass(frozen=True, slots=True)
class LossRuns:
    """Packets lost in a way, and the runs that they come in, of packets and of seconds."""

    sent: int
    lost: int
    runs: tuple[int, ...]
    spacing_s: float

    @property
    def share(self) -> float:
        """The share that was lost; NaN where nothing was sent."""
        return self.lost / self.sent if self.sent else math.nan

    @property
    def mean_run(self) -> float:
        """How many packets are lost at a time; 0 where none is."""
        return self.lost / len(self.runs) if self.runs else 0.0

    @property
    def mean_run_s(self) -> float:
        """How long losses last at a time: each packet stands for the time to the next."""
        return self.mean_run * self.spacing_s


def loss_runs(way: Way) -> LossRuns:
    """Return what was lost of the packets of a way."""
    lost = np.isnan(way.delay_ns)
    return runs_of(lost, way.sent_ns)


def runs_of(lost: Flags, sent_ns: Floats) -> LossRuns:
    """Return the runs of what was lost, of packets in the order of sending."""
    runs = tuple(sum(1 for _ in run) for is_lost, run in groupby(lost.tolist()) if is_lost)
    spacing_s = float(np.mean(np.diff(sent_ns))) / SECOND if len(sent_ns) > 1 else 0.0
    return LossRuns(len(lost), int(np.count_nonzero(lost)), runs, spacing_s)


def together(parts: Sequence[LossRuns]) -> LossRuns:
    """Return several hosts' losses as one."""
    sent = [part.sent for part in parts]
    spacing_s = sum(part.spacing_s * part.sent for part in parts) / max(1, sum(sent))
    return LossRuns(sum(sent), sum(part.lost for part in parts), tuple(run for p in parts for run in p.runs), spacing_s)


@dataclass(frozen=True, slots=True)
class OwnLoss:
    """A host that loses clearly more of the group than the others: its share, and what it adds to the mean of all."""

    label: str
    share: float
    usual_share: float
    extra_share: float
    extra_burst_s: float


def own_losses(observed: Observed) -> tuple[OwnLoss, ...]:
    """Return the hosts that lose more of the group than twice the usual ones and the mean, more often than by chance.

    Runs of losses are what comes by chance: of two equal hosts each has half of them (a binomial test).
    """
    by_host = {host.label: loss_runs(host.group) for host in observed.hosts if len(host.group)}
    if len(by_host) < 2:
        return ()
    middle = median_low(runs.share for runs in by_host.values())
    usual = together([runs for runs in by_host.values() if runs.share <= middle])
    mean = together(list(by_host.values())).share
    found = []
    for label, runs in by_host.items():
        if not max(middle, mean, LOSES_MORE * usual.share) < runs.share < 1:
            continue
        events = len(runs.runs) + len(usual.runs)
        test = binomtest(len(runs.runs), events, runs.sent / (runs.sent + usual.sent), alternative="greater")
        if test.pvalue < BY_CHANCE:
            extra = 1.0 - (1.0 - runs.share) / (1.0 - mean)
            extra = min(extra, LOSS_MAXIMUM)
            # No spell of a channel is shorter than the least, the good ones included.
            least_s = 1.001 * BURST_MINIMUM_S * max(1.0, extra / (1.0 - extra))
            burst_s = max(least_s, _spell_s(runs, runs.share, 1.0))
            found.append(OwnLoss(label, runs.share, usual.share, extra, burst_s))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class FittedLoss:
    """A channel that loses ``bad_loss`` of what is tried in spells of ``mean_burst_s``, ``mean_loss`` in all.

    ``shared_share`` of the loss strikes all hosts at once; NaN where one host alone was recorded.
    """

    mean_loss: float
    mean_burst_s: float
    bad_loss: float
    shared_share: float


def fitted_loss(observed: Observed) -> FittedLoss:
    """Return the channel that loses as a recording's did: the group's where it was recorded, else round trips'."""
    once = [loss_runs(way) for way in observed.ways("group")]
    by_way = [[loss_runs(way) for way in observed.ways(name)] for name in ("up", "down")]
    tried = [together(parts) for parts in by_way if parts]
    group, unicast = together(once), together(tried)
    found = group if group.sent else unicast
    loss = min(found.share if found.sent else 0.0, LOSS_MAXIMUM)
    if not loss:
        return FittedLoss(0.0, BURST_MINIMUM_S, 1.0, shared_share(observed))
    bad_loss = 1.0
    if group.sent and unicast.sent:
        # What is sent once is lost with the chance b in a bad spell, what is tried R times with b^R: of as much time.
        ratio = max((part.lost + 0.5) / (part.sent + 1) for part in tried) / loss
        bad_loss = max(ratio ** (1 / (TRIES - 1)), 1.05 * loss, _followed(found))
        bad_loss = 1.0 if bad_loss > NEARLY_ALL else bad_loss
    burst_s = _spell_s(found, loss, bad_loss)
    return FittedLoss(loss, burst_s, bad_loss, shared_share(observed))


def _spell_s(found: LossRuns, loss: float, bad_loss: float) -> float:
    # A lost packet was sent in a bad spell; the next is lost with the chance b·(π + (1 − π)·exp(−Δ/T)).
    bad_share = loss / bad_loss
    stays = (_followed(found) / bad_loss - bad_share) / (1.0 - bad_share) if bad_share < 1 else 0.0
    if stays <= 0.0 or found.spacing_s <= 0:
        return BURST_MINIMUM_S
    # Runs are of losses: of a spell in which not everything is lost they are shorter than it.
    span_s = found.spacing_s / -math.log(min(stays, 0.999))
    return min(BURST_MAXIMUM_S, max(BURST_MINIMUM_S, span_s / (1.0 - bad_share)))


def _followed(found: LossRuns) -> float:
    # How often a lost packet is followed by another.
    return 1.0 - 1.0 / found.mean_run if found.mean_run > 1 else 0.0


def shared_share(observed: Observed) -> float:
    """Return the part of the group's loss that strikes all hosts at once; NaN where fewer than two were recorded.

    Of two hosts that lose on their own, packets are lost to both with the product of their chances; what is above that
    they share.
    """
    parts = []
    ways = observed.ways("group")
    for place, one in enumerate(ways):
        for other in ways[place + 1 :]:
            _, mine, its = np.intersect1d(one.sent_ns, other.sent_ns, return_indices=True)
            a, b = np.isnan(one.delay_ns[mine]), np.isnan(other.delay_ns[its])
            if len(a) and a.any() and b.any():
                joint, p, q = float(np.mean(a & b)), float(np.mean(a)), float(np.mean(b))
                # With shared loss s and own losses a, b: p = 1 − (1−s)(1−a), and joint = s + (1−s)·a·b.
                shared = (joint - p * q) / (1 - p - q + joint) if 1 - p - q + joint > 0 else 1.0
                parts.append(min(1.0, max(0.0, shared / max(min(p, q), 1e-9))))
            elif len(a):
                parts.append(0.0)
    return float(np.mean(parts)) if parts else math.nan
