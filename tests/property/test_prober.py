"""Whatever a network loses, doubles and reorders: what a recording calls heard was, and what it calls lost was not."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from heapq import heappop, heappush
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from suite import examples

from leadlight.recording import Answerer, Phase, Plan, Prober, Record, RecordedHost, Recording, parse_recording, to_line
from leadlight.units import INSTANT_MAXIMUM, MILLISECOND, SECOND, LocalInstant
from leadlight.wire import Answer, Entry, GroupProbe, HostProbe, ProbeCodec

CODEC = ProbeCodec("quarry lake")
DELAY_MAXIMUM_NS = 1500 * MILLISECOND
"""Less than it takes until a probe is given up."""


class Network:
    """A prober, two hosts with clocks far apart, and a network that does as its chance says."""

    def __init__(self, seed: int, loss: float, doubling: float) -> None:
        self.chance = random.Random(seed)
        self.loss, self.doubling = loss, doubling
        self.prober = Prober(
            Plan(3 * SECOND, group_interval_ns=100 * MILLISECOND, host_interval_ns=100 * MILLISECOND),
            "quarry lake",
            RecordedHost("boathouse"),
            random.Random(seed + 1),
            begun_at=datetime(2026, 11, 28, 17, 0, tzinfo=UTC),
            written_by="a test",
        )
        self.hosts = {
            name: Answerer("quarry lake", RecordedHost(name), random.Random(seed + number))
            for number, name in enumerate(("jetty", "willow"), 2)
        }
        self.clock_ns = {"prober": 0, "jetty": 77_000 * SECOND, "willow": 5 * SECOND}
        self.records: list[Record] = []
        self.heard: set[tuple[str, str, int]] = set()
        self.answered: dict[str, set[int]] = {"jetty": set(), "willow": set()}
        self._events: list[tuple[int, int, str, bytes, str]] = []
        self._count = 0

    def run(self) -> None:
        now = SECOND
        while self.prober.phase is not Phase.OVER:
            self._let_act(now)
            dues = [self._events[0][0]] if self._events else []
            for name, core in self._cores().items():
                due = core.next_timer()
                if due is not None:
                    dues.append(due - self.clock_ns[name])
            now = max(now + 1, min(dues))
            while self._events and self._events[0][0] <= now:
                at, _, to, data, sender = heappop(self._events)
                self._note(to, data)
                self._cores()[to].receive_datagram(data, sender, LocalInstant(at + self.clock_ns[to]))

    def _cores(self) -> dict[str, Any]:
        return {"prober": self.prober, **self.hosts}

    def _let_act(self, now: int) -> None:
        for name, core in self._cores().items():
            local = LocalInstant(now + self.clock_ns[name])
            core.handle_timer(local)
            for data, destination in list(core.datagrams_to_send(local)):
                for to in self.hosts if destination is None else (destination,):
                    self._send(data, now, to, name)
        self.records += iter(self.prober.next_event, None)

    def _send(self, data: bytes, now: int, to: str, sender: str) -> None:
        copies = 0 if self.chance.random() < self.loss else 2 if self.chance.random() < self.doubling else 1
        for _ in range(copies):
            self._count += 1
            heappush(self._events, (now + 1 + self.chance.randrange(DELAY_MAXIMUM_NS), self._count, to, data, sender))

    def _note(self, to: str, data: bytes) -> None:
        message = CODEC.decode(data)
        if isinstance(message, GroupProbe):
            self.heard.add((to, "group", message.number))
        elif isinstance(message, HostProbe):
            self.heard.add((to, "own", message.number))


def hold_true(recording: Recording, label: str, network: Network) -> None:
    for probe in recording.group_known_to(label):
        assert (label in probe.heard) == ((label, "group", probe.number) in network.heard)
    for one in recording.probes_known_to(label):
        assert (one.heard_at is not None) == ((label, "own", one.number) in network.heard)
        if one.came_at is not None:
            assert one.heard_at is not None
            assert one.answered_at is not None
            assert one.sent_at < one.came_at
            assert one.heard_at <= one.answered_at


@pytest.mark.slow
@settings(max_examples=examples(20, 500))
@given(st.integers(0, 10_000), st.sampled_from([0.0, 0.1, 0.5]), st.sampled_from([0.0, 0.3]))
def test_what_is_known_is_true(seed: int, loss: float, doubling: float) -> None:
    network = Network(seed, loss, doubling)
    network.run()
    if not network.records:
        return  # every call was lost, or every answer to one
    found = parse_recording(b"".join(map(to_line, network.records)))
    assert found.ended == "time"
    # What is known where it was cut is as true.
    cut = parse_recording(b"".join(map(to_line, network.records[: 1 + network.chance.randrange(len(network.records))])))
    for recording in (found, cut):
        for host in recording.hosts:
            hold_true(recording, host.label, network)
    for host in found.hosts:
        if loss == 0.0:
            assert tuple(found.probes_known_to(host.label)) == found.probes[host.label]
            joined = [probe for probe in found.group if probe.sent_at >= host.joined_at]
            assert found.group_known_to(host.label) == joined


class Liar(Network):
    """The same, but willow makes up what it answers, and now and then a packet cannot leave the prober."""

    def _send(self, data: bytes, now: int, to: str, sender: str) -> None:
        message = CODEC.decode(data)
        if sender == "willow" and isinstance(message, Answer):
            data = self._made_up(message)
        super()._send(data, now, to, sender)

    def _let_act(self, now: int) -> None:
        for name, core in self._cores().items():
            local = LocalInstant(now + self.clock_ns[name])
            core.handle_timer(local)
            for data, destination in core.datagrams_to_send(local):  # one at a time, as a driver sends them
                if name == "prober" and self.chance.random() < 0.1:
                    self.prober.note_unsent(data)
                    continue
                for to in self.hosts if destination is None else (destination,):
                    self._send(data, now, to, name)
        self.records += iter(self.prober.next_event, None)

    def _made_up(self, answer: Answer) -> bytes:
        instants = (0, SECOND, 1 << 53, (1 << 53) + 1, INSTANT_MAXIMUM)
        heard_at, left_at = sorted((self.chance.choice((*instants, answer.heard_at)), self.chance.choice(instants)))
        numbers = (*range(8), answer.number, answer.number + 1, (1 << 32) - 1)
        entries = [
            Entry(self.chance.randrange(2), self.chance.choice(numbers), self.chance.choice((-1, 1)) * one)
            for one in self.chance.choices(instants, k=self.chance.randrange(4))
        ]
        first = self.chance.choice((0, answer.first, (1 << 32) - 1))
        made = answer._replace(heard_at=heard_at, sent_at=left_at, load_percent=(1 << 16) - 1, first=first)
        return CODEC.answer(made._replace(total=self.chance.choice((first, answer.total, (1 << 32) - 1))), entries)


@pytest.mark.slow
@settings(max_examples=examples(20, 500))
@given(st.integers(0, 10_000))
def test_whatever_one_host_makes_up_the_recording_can_be_read_and_the_others_stand_in_it(seed: int) -> None:
    network = Liar(seed, 0.0, 0.0)
    network.run()
    if not network.records:
        return  # no call left
    found = parse_recording(b"".join(map(to_line, network.records)))
    assert found.ended == "time"
    assert "jetty" in {host.label for host in found.hosts}
    hold_true(found, "jetty", network)
