"""Shared delay: what a beacon's lateness has in common for everyone, removed.

A beacon to the group leaves the access point once and arrives everywhere at once, so nearly all of its delay is the
same for every follower. That is ``arrival_i - sent = offset_i + D + e_i``, with ``D`` shared and ``e_i`` the little
that is private. The leader collects ``arrival - sent - offset`` from several followers and publishes the median, an
estimate of ``D`` whose error all followers share. Each then has the sample ``arrival - sent - median`` of its own
offset. Followers agree with each other to within ``e_i``, whatever the network did, and with the leader as well as the
median does.

Two rules keep the loop from feeding on itself. Delays are reported from the estimator that never saw a published
median, and from before the beacon arrived. And a median stands on at least three reporters. Those are the followers
that know their clocks well. Where too few do, as after a start in a jam, the others step in for as long as no medians
come. A common error that all share is seen by nobody, what each errs on his own is.

A third keeps out who is not in it. Reporters' own bounds are narrow, and so is a follower's as a rule. A median that
contradicts both is of another way than the beacon came here, as when this station alone has changed to a slower access
point. Such a sample is refused, however many agree.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from dataclasses import dataclass
from statistics import median
from typing import Final

from leadlight.clock.bound import DEVIATIONS, statistical_half_width_ns
from leadlight.clock.estimator import Estimate, new_estimate
from leadlight.clock.tracker import OffsetTracker
from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LeaderInstant, LocalInstant
from leadlight.wire import DELAY_LIMIT_NS, U32, DelayReport, SharedDelay

REPORTERS_MINIMUM: Final = 3
REPORTERS_MAXIMUM: Final = 512
"""More reporters than this of one beacon are not kept: they would not move its median."""
REPORTER_BOUND_NS: Final = 2 * MILLISECOND
"""A follower whose own bound is wider does not report while medians come without it."""
SPARE_REPORTER_BOUND_NS: Final = 5 * MILLISECOND
"""While none come it reports up to this bound: what followers agree on keeps them together, well known or not."""
MEDIANS_MISSED: Final = 8
"""So many beacons to the group in a row without a median are none coming."""
SAMPLES_BEFORE_USE: Final = 8
DOUBT_GAIN: Final = 0.05
ARRIVALS_KEPT: Final = 64
REPORTS_KEPT: Final = 4
REPORT_SPAN: Final = 2 * REPORTS_KEPT
"""Strides back to which a Sounding reports: what four strides cover, and once more for a Sounding that was lost."""
STALE_NS: Final = 60 * SECOND
"""Medians older than this say nothing any more of where the clock is."""


def median_deviation(values: list[int]) -> float:
    """Return the standard deviation of the median of ``values``, from their own spread.

    For Gaussian errors the median of n varies as sqrt(pi/2)·sigma/sqrt(n), and the mean absolute deviation is
    sqrt(2/pi)·sigma; together pi/2 times the mean absolute deviation over sqrt(n).
    """
    middle = median(values)
    mean_deviation = sum(abs(value - middle) for value in values) / len(values)
    return math.pi / 2 * mean_deviation / math.sqrt(len(values))


@dataclass(slots=True)
class Arrival:
    """One beacon as it arrived here: what its delay would have been by the uncorrected estimate of that moment."""

    sent_at: LeaderInstant
    received_at: LocalInstant
    delay_ns: int
    by: Estimate | None
    """That estimate, if it rested on exchanges; else nobody can say how good it was."""

    def bound_ns(self) -> float:
        """Return the statistical bound of that estimate then. Of all arrivals only those reported are asked."""
        return math.inf if self.by is None else statistical_half_width_ns(self.by, self.received_at)


def reporting_stride(sounding_interval_ns: int, beacon_interval_ns: int) -> int:
    """Return m: followers report beacons whose serial is a multiple of it, so that all report the same ones.

    A Sounding has room for four, so m is the least stride by which four cover a sounding interval.
    """
    return max(1, -(-sounding_interval_ns // (4 * beacon_interval_ns)))


def _reach_ns(uncorrected: Estimate, doubt_ns: float) -> float:
    """Return how far from an estimate that rests on exchanges a median of such doubt may lie."""
    own_ns = statistical_half_width_ns(uncorrected, uncorrected.at)
    return own_ns + REPORTER_BOUND_NS + DEVIATIONS * doubt_ns


class SharedDelayClock:
    """A follower's side: remembers arrivals, reports delays, and tracks the offset by published medians."""

    def __init__(self) -> None:
        self._arrivals: dict[int, Arrival] = {}
        self._tracker = OffsetTracker()
        self._doubt_ns = 0.0
        self._missed = 0
        self.refused = 0
        """Samples that contradict what this follower's own packets say."""

    def restart(self) -> None:
        """Forget everything: a new timebase, or another radio."""
        self._arrivals.clear()
        self._doubt_ns = 0.0
        self._missed = 0
        self._tracker.restart()

    def begin_anew(self) -> None:
        """Forget the offset alone: what the medians agreed on is disproven, and the next ones may agree on another."""
        self._doubt_ns = 0.0
        self._tracker.restart()

    def note_arrival(self, serial: int, arrival: Arrival) -> None:
        """Remember a beacon sent to the group."""
        self._arrivals[serial] = arrival
        self._missed += 1
        if len(self._arrivals) > ARRIVALS_KEPT:
            del self._arrivals[next(iter(self._arrivals))]

    def reports(self, stride: int) -> tuple[DelayReport, ...]:
        """Return up to four delays for the next Sounding, of the latest beacons that everyone reports."""
        limit_ns = REPORTER_BOUND_NS if self._missed < MEDIANS_MISSED else SPARE_REPORTER_BOUND_NS
        chosen: list[DelayReport] = []
        newest = next(reversed(self._arrivals), 0)
        for serial in reversed(self._arrivals):
            if REPORT_SPAN * stride < (newest - serial) & U32 <= U32 // 2:
                break
            if serial % stride == 0:
                arrival = self._arrivals[serial]
                if abs(arrival.delay_ns) <= DELAY_LIMIT_NS and arrival.bound_ns() <= limit_ns:
                    chosen.append(DelayReport(serial & 0xFFFF, arrival.delay_ns))
                if len(chosen) == REPORTS_KEPT:
                    break
        return tuple(chosen)

    def observe(
        self,
        serial: int,
        medians: tuple[SharedDelay, ...],
        doubt_ns: int,
        uncorrected: Estimate | None,
        is_two_way: bool = False,
    ) -> None:
        """Take the medians that the beacon ``serial`` published, oldest first, with their doubt. Each is used once.

        ``is_two_way`` says whether ``uncorrected`` rests on exchanges: only then can it speak against a median.
        """
        self._missed = 0
        tracker = self._tracker
        reach_ns = math.inf
        if is_two_way and uncorrected is not None:
            # All arrivals are from before the estimate, which is no younger for any of them: one bound for all.
            reach_ns = _reach_ns(uncorrected, doubt_ns)
        for serials_back, delay_ns in sorted(medians, reverse=True) if len(medians) > 1 else medians:
            arrival = self._arrivals.pop((serial - serials_back) & U32, None)
            if arrival is None:
                continue
            received_at = arrival.received_at
            offset_ns = received_at - arrival.sent_at - delay_ns
            if uncorrected is not None and abs(offset_ns - uncorrected.offset_at(received_at)) > reach_ns:
                self.refused += 1
                continue
            gain = 1 / (1 + tracker.count)
            self._doubt_ns += (gain if gain > DOUBT_GAIN else DOUBT_GAIN) * (doubt_ns - self._doubt_ns)
            tracker.observe(received_at, offset_ns, uncorrected, doubt_ns * 1e-9)

    def is_contradicted(self, estimate: Estimate, uncorrected: Estimate, now: LocalInstant) -> bool:
        """Return whether what medians agree on lies too far from an uncorrected estimate that rests on exchanges.

        The first medians may have come while it could not speak against them, and their error shows once it can.
        """
        apart_ns = abs(estimate.offset_at(now) - uncorrected.offset_at(now))
        # By far the commonest is that they agree to within what reporters may err.
        return apart_ns > REPORTER_BOUND_NS and apart_ns > _reach_ns(uncorrected, self._doubt_ns)

    def estimate(self, now: LocalInstant, floor_ns: float, reporter_ns: float = 0.0) -> Estimate | None:
        """Return the corrected estimate, or ``None`` while too few medians have come, or come lately.

        ``reporter_ns`` is what a reporter's own estimate deviates by, as this follower's does if it is one. In a jam
        all of them err alike, which the spread of their reports does not show, and the median errs with them.
        """
        if self._tracker.count < SAMPLES_BEFORE_USE:
            return None
        estimate = self._tracker.estimate(floor_ns)
        if estimate is None or now - estimate.at > STALE_NS:
            return None
        # The medians err together for as long as their reporters do: no number of them averages that away.
        at, offset_ns, rate, deviation_ns, rate_deviation, _ = estimate
        deviation_ns = math.hypot(deviation_ns, self._doubt_ns, reporter_ns)
        return new_estimate((at, offset_ns, rate, deviation_ns, rate_deviation, floor_ns))


class DelayCollector:
    """The leader's side: gathers reports per radio and beacon and publishes medians. Bounded in memory."""

    def __init__(self) -> None:
        self._reports: OrderedDict[tuple[int | None, int], dict[int, int]] = OrderedDict()
        self._published: dict[tuple[int | None, int], int] = {}

    def restart(self) -> None:
        """Forget everything: serials begin anew."""
        self._reports.clear()
        self._published.clear()

    def collect(self, follower: int, radio: int | None, reports: tuple[DelayReport, ...]) -> None:
        """Take a Sounding's reports. A follower's second report of one beacon replaces its first."""
        for report in reports:
            delays = self._reports.setdefault((radio, report.serial), {})
            if len(delays) < REPORTERS_MAXIMUM or follower in delays:
                delays[follower] = report.delay_ns
        while len(self._reports) > ARRIVALS_KEPT:
            oldest, _ = self._reports.popitem(last=False)
            self._published.pop(oldest, None)

    def publish(self, serial: int, most: int) -> tuple[int | None, int, tuple[SharedDelay, ...]]:
        """Return one radio, and the doubt and up to ``most`` medians of its beacons, for the beacon ``serial``.

        The doubt is the largest standard deviation of those medians, in ns rounded up to a microsecond. A median is
        published again when another reporter has come: followers take the first they can use.
        """
        ready: dict[int | None, list[tuple[int, SharedDelay]]] = {}
        for (radio, low), delays in self._reports.items():
            serials_back = (serial - low) & 0xFFFF
            if len(delays) < REPORTERS_MINIMUM or not 0 < serials_back <= 0xFF:
                continue
            told = self._published.get((radio, low), 0)
            if told >= len(delays):
                continue
            ready.setdefault(radio, []).append(
                (told, SharedDelay(serials_back, math.floor(median(delays.values()))))
            )
        if not ready:
            return None, 0, ()
        # The radio with most news goes first; within it, what was never told, oldest first.
        radio = max(ready, key=lambda candidate: len(ready[candidate]))
        chosen = sorted(ready[radio], key=lambda entry: (entry[0] > 0, -entry[1].serials_back))[:most]
        doubt_ns = 0.0
        for _, delay in chosen:
            key = (radio, (serial - delay.serials_back) & 0xFFFF)
            reports = self._reports[key]
            self._published[key] = len(reports)
            doubt_ns = max(doubt_ns, median_deviation(list(reports.values())))
        doubt_us = min(math.ceil(doubt_ns / MICROSECOND), 0xFFFF)
        return radio, doubt_us * MICROSECOND, tuple(delay for _, delay in chosen)
