"""The access point's hold: whether packets wait for its beacons, which of them, how often and since when.

What waits for a beacon leaves with it, so that the instants of arrival come together when they are folded at the beat.
How closely is told by the length of their mean direction (K. V. Mardia, P. E. Jupp, "Directional Statistics", 2000), 1
where all fall together and about 0 where they fall anywhere. They come together at every whole part of the beat as
well, so the beat is the longest period at which they do. The access point's clock and the prober's part, so the period
is sought within what crystals allow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.air import BEACON_INTERVAL_NS
from leadlight_sim.recording import Flags, Floats, Observed, Way

BEACONS_MAXIMUM: Final = 10
"""From one release of held group frames to the next, as many beacons at most as the air knows."""
CLOCKS_APART_PPM: Final = 120.0
"""How far the access point's clock may be from the prober's: 20 ppm and 100 ppm; assumed."""
WAITED_NS: Final = 12 * MILLISECOND
"""What took so much longer than the least may have been held; the rhythm is sought in these."""
WAITERS_MINIMUM: Final = 12
TOGETHER: Final = 0.5
"""Mean direction at a beacon's interval, from which on packets are said to wait; by chance it is 1/√n."""
SURELY: Final = 12.0
"""n·R² above which a direction is not chance (Rayleigh's test: the chance is about exp of minus that)."""
AS_CLOSELY: Final = 0.85
"""A longer period counts where packets come together nearly as closely as at one beacon's."""
BIN_NS: Final = MILLISECOND // 2
EDGE_SHARE: Final = 0.04
"""The clump begins where so much of its height is reached."""
AROUND_NS: Final = 12 * MILLISECOND
"""So near to where the clump begins is the release: a beacon and the crossing after it."""
SURPRISE: Final = 0.02
"""Of what was sent before a release so few wait for the next, by queues; assumed."""


@dataclass(frozen=True, slots=True)
class Beat:
    """When packets that waited leave: every ``beacons`` beacons, the first at ``phase_ns`` of the recording.

    A release is when a beacon has been sent, some two ms after it was due where it goes at the lowest rate. What was
    sent before leaves with it. ``period_ns`` is by the prober's clock. ``closeness`` is the length of the mean
    direction, of ``waiters`` packets.
    """

    beacons: int
    period_ns: float
    phase_ns: float
    closeness: float
    waiters: int

    def next_release(self, at_ns: Floats) -> Floats:
        """Return for each instant the first release that is not before it."""
        found: Floats = self.phase_ns + np.ceil((at_ns - self.phase_ns) / self.period_ns) * self.period_ns
        return found

    @property
    def of_each_beacon(self) -> Beat:
        """The same of every beacon, for which unicast packets wait."""
        period = self.period_ns / self.beacons
        return Beat(1, period, self.phase_ns % period, self.closeness, self.waiters)


@dataclass(frozen=True, slots=True)
class Hold:
    """What was held of one kind of packets.

    ``share`` is that of the time in which they were, in runs of ``mean_run_s`` on average (infinite where it never
    changed). ``net`` are their delays without the wait, of as many as it is known of.
    """

    share: float
    mean_run_s: float
    net: tuple[Way, ...]


def find_beat(ways: Sequence[Way], least_ns: float, *, crosses_first: bool = False) -> Beat | None:
    """Return the beat at which some packets of these ways were held; None where none were.

    ``least_ns`` is the least that one takes which does not wait, a release's own crossing. ``crosses_first``: packets
    cross the radio to where they are held.
    """
    sent, arrived = _waiters(ways)
    if len(arrived) < WAITERS_MINIMUM:
        return None
    interval, closeness = _interval(arrived)
    if closeness < TOGETHER or len(arrived) * closeness**2 < SURELY:
        return None
    # Where those that waited were sent together already, it is the sender's rhythm that shows.
    if _direction(sent, interval) > 0.8 * closeness:
        return None
    beacons = max(
        count for count in range(1, BEACONS_MAXIMUM + 1)
        if count == 1 or _direction(arrived, count * interval) >= AS_CLOSELY * closeness
    )  # fmt: skip
    period = beacons * interval
    release = _edge(arrived, period) - least_ns
    if not crosses_first:
        release = _not_after(ways, period, release)
    return Beat(beacons, period, release % period, closeness, len(arrived))


def held(ways: Sequence[Way], beat: Beat, crossing_ns: float, tails: Sequence[Way] = ()) -> Hold:
    """Return which of these packets were held for a beat's releases, and what they took without the wait.

    ``crossing_ns`` is what one takes at least to where it is held. ``tails`` are packets of which none was held: as
    often as they take as long, one that was not held comes after a release.
    """
    margin_ns = _margin(ways, beat, crossing_ns)
    net: list[Way] = []
    flags: list[tuple[Floats, Flags]] = []
    expected = known = caught = 0.0
    tail = np.sort(np.concatenate([way.delays for way in tails])) if tails else np.empty(0)
    for way in ways:
        came = way.came
        sent, delay = way.sent_ns[came], way.delay_ns[came]
        release = beat.next_release(sent + crossing_ns)
        wait = release - sent
        sure = wait > margin_ns
        # Arrivals and releases are known to some hundred µs.
        waited = delay >= wait - SLACK_NS
        flags.append((sent[sure], waited[sure]))
        known += float(np.count_nonzero(sure))
        caught += float(np.count_nonzero(waited & sure))
        if len(tail):
            expected += float(np.sum(1.0 - np.searchsorted(tail, wait[sure] - SLACK_NS) / len(tail)))
        net.append(Way(sent[sure], np.where(waited, np.maximum(delay - wait, 0.0), delay)[sure]))
    if not known:
        return Hold(0.0, math.inf, tuple(ways))
    by_chance = expected / known
    share = max(0.0, (caught / known - by_chance) / (1.0 - by_chance)) if by_chance < 1 else 0.0
    if share < SHARE_MINIMUM:
        return Hold(0.0, math.inf, tuple(ways))
    return Hold(min(1.0, share), _mean_run_s(flags, share), tuple(net))


SLACK_NS: Final = 300_000
SHARE_MINIMUM: Final = 0.01
MARGIN_LEAST_NS: Final = 5 * MILLISECOND
MARGIN_MOST_SHARE: Final = 0.4


def _waiters(ways: Sequence[Way]) -> tuple[Floats, Floats]:
    sent, arrived = [], []
    for way in ways:
        came = way.came
        if not came.any():
            continue
        delay = way.delay_ns[came]
        late = delay - np.min(delay) > WAITED_NS
        sent.append(way.sent_ns[came][late])
        arrived.append((way.sent_ns[came] + delay)[late])
    if not sent:
        return np.empty(0), np.empty(0)
    return np.concatenate(sent), np.concatenate(arrived)


def _direction(at_ns: Floats, period_ns: float) -> float:
    return float(abs(np.mean(np.exp(2j * np.pi * (at_ns % period_ns) / period_ns))))


def _interval(arrived: Floats) -> tuple[float, float]:
    # So fine that the longest recording's ends are not a hundredth of an interval apart from one step to the next.
    span = max(float(np.ptp(arrived)), float(BEACON_INTERVAL_NS))
    step_ppm = 1e6 * 0.01 * BEACON_INTERVAL_NS / span
    count = int(min(20_000, CLOCKS_APART_PPM / step_ppm)) + 1
    intervals = BEACON_INTERVAL_NS * (1 + 1e-6 * np.linspace(-CLOCKS_APART_PPM, CLOCKS_APART_PPM, 2 * count + 1))
    found = np.array([_direction(arrived, float(interval)) for interval in intervals])
    best = int(np.argmax(found))
    return float(intervals[best]), float(found[best])


def _edge(arrived: Floats, period: float) -> float:
    # Where the clump of arrivals begins: nothing that was held comes before its release.
    folded = arrived % period
    bins = max(20, int(period // BIN_NS))
    counts = np.bincount((folded / period * bins).astype(int) % bins, minlength=bins)
    peak = int(np.argmax(counts))
    # Those that were not held lie anywhere.
    anywhere = np.median(counts)
    least = max(1.0, anywhere + EDGE_SHARE * (counts[peak] - anywhere))
    place = peak
    for _ in range(bins // 2):
        if counts[(place - 1) % bins] < least and counts[(place - 2) % bins] < least:
            break
        place -= 1
    begin = place * period / bins
    clump = (folded - begin) % period
    return float(begin + np.min(clump))


def _not_after(ways: Sequence[Way], period: float, release: float) -> float:
    # What was sent after a release waited for the next, however long a crossing is at least. So a release is not after
    # the first packet that did: where those that did not are parted from the others with the least surprise.
    sent = np.concatenate([way.sent_ns[way.came] for way in ways])
    delay = np.concatenate([way.delays for way in ways])
    since = (sent - release + period / 2) % period - period / 2
    order = np.argsort(since, kind="stable")
    since, waited = since[order], (since + delay)[order] > period - AROUND_NS
    after = waited[(since > AROUND_NS) & (since < 2 * AROUND_NS)]
    near = np.abs(since) <= AROUND_NS
    since, waited = since[near], waited[near]
    share = min(float(np.mean(after)), 1 - SURPRISE) if len(after) else 0.0
    if share <= SURPRISE or not len(since):
        return release
    before = np.where(waited, math.log(SURPRISE / share), math.log((1 - SURPRISE) / (1 - share)))
    first = int(np.argmax(np.concatenate([[0.0], np.cumsum(before)])))
    return release + (min(0.0, float(since[first])) if first < len(since) else 0.0)


def _margin(ways: Sequence[Way], beat: Beat, crossing_ns: float) -> float:
    # One that would have waited for less than what a crossing takes may have been held or not.
    behind = []
    for way in ways:
        came = way.came
        sent, delay = way.sent_ns[came], way.delay_ns[came]
        wait = beat.next_release(sent + crossing_ns) - sent
        late = (wait > beat.period_ns / 3) & (delay >= wait)
        behind.append((delay - wait)[late])
    after = np.concatenate(behind) if behind else np.empty(0)
    most = MARGIN_MOST_SHARE * beat.period_ns
    return float(min(most, max(MARGIN_LEAST_NS, np.quantile(after, 0.9)))) if len(after) else float(MARGIN_LEAST_NS)


def _mean_run_s(flags: Sequence[tuple[Floats, Flags]], share: float) -> float:
    # Of two states that last exponentially, packets a span apart agree the more, the shorter the span: from two spans'
    # covariances T = 1/(1/held + 1/free), whatever single packets were taken for.
    if share >= 0.98:
        return math.inf
    near: list[float] = []
    far: list[float] = []
    spacing: list[float] = []
    for at, flag in flags:
        if len(flag) < 8:
            continue
        about = flag - np.mean(flag)
        near.append(float(np.mean(about[1:] * about[:-1])))
        far.append(float(np.mean(about[4:] * about[:-4])))
        spacing.append(float(np.mean(np.diff(at))) / SECOND)
    if not near or np.mean(near) <= 0:
        return 0.0
    ratio = min(0.999, max(1e-6, float(np.mean(far) / np.mean(near))))
    together_s = 3 * float(np.mean(spacing)) / -math.log(ratio)
    return together_s / (1.0 - share)


def waits_of(observed: Observed) -> tuple[Beat | None, Hold | None, dict[str, Hold]]:
    """Return the beat, what was held of the group, and what of each way of unicast; None where nothing is known."""
    least = [float(np.min(way.delays)) for way in observed.ways("down") + observed.ways("up") if len(way.delays)]
    crossing = min(least) if least else 0.0
    group = observed.ways("group")
    beat = find_beat(group, crossing, crosses_first=observed.two_crossings) if group else None
    own = beat.of_each_beacon if beat is not None else None
    ways: dict[str, Hold] = {}
    for name in ("down", "up"):
        packets = observed.ways(name)
        found = find_beat(packets, crossing) if packets else None
        if found is not None:
            ways[name] = held(packets, own or found.of_each_beacon, 0.0)
            beat = beat or found.of_each_beacon
    if not group:
        return beat, None, ways
    if beat is None or (own is None):
        return beat, Hold(0.0, math.inf, tuple(group)), ways
    tails = [way for name in ("down", "up") if name not in ways for way in observed.ways(name)]
    return beat, held(group, beat, crossing if observed.two_crossings else 0.0, tails), ways
