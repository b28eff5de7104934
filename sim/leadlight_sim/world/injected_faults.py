"""What goes wrong between two hosts, as one function: a packet passes, is delayed, or is dropped.

Rules come and go with virtual time. They act where a packet reaches its receiver, on top of whatever the air has done
to it; how a drill names them is the scenario's business.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from leadlight_sim.kernel import Kernel, Stream, Streams, TrueInstant


@dataclass(frozen=True, slots=True)
class Rule:
    """One thing that is wrong: which links it concerns, the share of packets dropped, and what is added in ns."""

    concerns: Callable[[str, str], bool]
    drop_share: float = 1.0
    delay_ns: int = 0


class InjectedFaults:
    """The rules in force. ``is_quiet`` while there are none, so that an evening without faults pays nothing."""

    def __init__(self, kernel: Kernel, streams: Streams) -> None:
        self._kernel = kernel
        self._streams = streams
        self._draws: dict[tuple[str, str], Stream] = {}
        self._rules: list[Rule] = []
        self.is_quiet = True

    def add(self, rule: Rule, begin: TrueInstant, end: TrueInstant | None) -> None:
        """Let a rule hold from ``begin`` until ``end``, or for good."""
        self._kernel.schedule(begin, self._begin, rule)
        if end is not None:
            self._kernel.schedule(end, self._end, rule)

    def delay_ns(self, sender: str, receiver: str) -> int | None:
        """Return how much later a packet on this link arrives, or ``None`` if it does not."""
        delay = 0
        for rule in self._rules:
            if not rule.concerns(sender, receiver):
                continue
            if rule.drop_share >= 1.0 or (rule.drop_share > 0.0 and self._draw(sender, receiver) < rule.drop_share):
                return None
            delay += rule.delay_ns
        return delay

    def _draw(self, sender: str, receiver: str) -> float:
        link = sender, receiver
        stream = self._draws.get(link)
        if stream is None:
            stream = self._draws[link] = self._streams.stream("faults", sender, receiver)
        return stream.random()

    def _begin(self, rule: Rule) -> None:
        self._rules.append(rule)
        self.is_quiet = False

    def _end(self, rule: Rule) -> None:
        self._rules.remove(rule)
        self.is_quiet = not self._rules
