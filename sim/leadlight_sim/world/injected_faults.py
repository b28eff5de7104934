"""What goes wrong between two hosts, as one function: a packet passes, is delayed, or is dropped.

Rules come and go with virtual time. They act where a packet reaches its receiver, on top of whatever the air has done
to it; how a drill names them is the scenario's business.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from leadlight_sim.kernel import Kernel, PlacedStream, Streams, TrueInstant


@dataclass(frozen=True, slots=True)
class Rule:
    """One thing that is wrong: which links it concerns, the share of packets dropped, and what is added in ns."""

    concerns: Callable[[str, str], bool]
    drop_share: float = 1.0
    delay_ns: int = 0


@dataclass(frozen=True, slots=True)
class Mishap:
    """What becomes of a ``share`` of all packets: bits changed, a second one later, or all of it later; times in ns."""

    share: float
    flips_bits: bool = False
    again_within_ns: int | None = None
    late_by_ns: int = 0


class InjectedFaults:
    """The rules in force. ``is_quiet`` while there are none, so that an evening without faults pays nothing."""

    def __init__(self, kernel: Kernel, streams: Streams) -> None:
        self._kernel = kernel
        self._streams = streams
        self._rules: list[Rule] = []
        self._mishaps: list[Mishap] = []
        self._draws = PlacedStream()
        self._counted_at = kernel.now
        self._counts: dict[tuple[str, str, str], int] = {}
        self.is_quiet = True

    def add(self, rule: Rule, begin: TrueInstant, end: TrueInstant | None) -> None:
        """Let a rule hold from ``begin`` until ``end``, or for good."""
        self._kernel.schedule(begin, self._begin, rule)
        if end is not None:
            self._kernel.schedule(end, self._end, rule)

    def delay_ns(self, sender: str, receiver: str) -> int | None:
        """Return how much later a packet on this link arrives, or ``None`` if it does not."""
        delay = 0
        is_put = False
        for rule in self._rules:
            if not rule.concerns(sender, receiver):
                continue
            if rule.drop_share >= 1.0:
                return None
            if rule.drop_share > 0.0:
                if not is_put:
                    self._put("faults", sender, receiver)
                    is_put = True
                if self._draws.random() < rule.drop_share:
                    return None
            delay += rule.delay_ns
        return delay

    def add_mishap(self, mishap: Mishap, begin: TrueInstant, end: TrueInstant) -> None:
        """Let a mishap befall packets from ``begin`` until ``end``."""
        self._kernel.schedule(begin, self._begin_mishap, mishap)
        self._kernel.schedule(end, self._end_mishap, mishap)

    def arrivals(self, data: bytes, sender: str, receiver: str) -> list[tuple[int, bytes]]:
        """Return what arrives of a packet on this link: how much later each, in ns, and its bytes."""
        delay_ns = self.delay_ns(sender, receiver)
        if delay_ns is None:
            return []
        arriving = [(delay_ns, data)]
        stream = self._draws
        if self._mishaps:
            self._put("mishaps", sender, receiver)
        for mishap in self._mishaps:
            if stream.random() >= mishap.share:
                continue
            later_ns, first = arriving[0]
            if mishap.flips_bits:
                place = stream.integer(0, 8 * len(first) - 1)
                changed = bytearray(first)
                changed[place // 8] ^= 1 << place % 8
                arriving[0] = later_ns, bytes(changed)
            elif mishap.again_within_ns is not None:
                arriving.append((later_ns + int(stream.uniform(0, mishap.again_within_ns)), first))
            else:
                arriving[0] = later_ns + int(stream.uniform(0, mishap.late_by_ns)), first
        return arriving

    def _put(self, purpose: str, sender: str, receiver: str) -> None:
        # What befalls a packet is drawn by its link, its instant and its number in that instant: a stream for each of
        # all links would be too much to keep.
        now = self._kernel.now
        if now != self._counted_at:
            self._counted_at = now
            self._counts.clear()
        link = purpose, sender, receiver
        number = self._counts[link] = self._counts.get(link, 0) + 1
        self._draws.place = self._streams.key(*link, str(now), str(number))

    def _begin(self, rule: Rule) -> None:
        self._rules.append(rule)
        self.is_quiet = False

    def _end(self, rule: Rule) -> None:
        self._rules.remove(rule)
        self.is_quiet = not (self._rules or self._mishaps)

    def _begin_mishap(self, mishap: Mishap) -> None:
        self._mishaps.append(mishap)
        self.is_quiet = False

    def _end_mishap(self, mishap: Mishap) -> None:
        self._mishaps.remove(mishap)
        self.is_quiet = not (self._rules or self._mishaps)
