"""A prober and the hosts that answer it, stepped by hand over a network that the test is."""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from leadlight.entropy import nonzero32
from leadlight.errors import ConfigurationError
from leadlight.follower import Follower, FollowerSettings
from leadlight.recording import (
    HOSTS_MAXIMUM,
    Answered,
    Answerer,
    Ended,
    Head,
    Paused,
    Phase,
    Plan,
    Prober,
    Record,
    RecordedHost,
    Recording,
    Sent,
    Told,
    Unsent,
    parse_recording,
    to_line,
)
from leadlight.units import MILLISECOND, SECOND, LocalInstant
from leadlight.wire import (
    PROBE_BYTES,
    Answer,
    Call,
    Codec,
    GroupProbe,
    HostProbe,
    KeyRing,
    Presence,
    ProbeCodec,
)

CODEC = ProbeCodec("quarry lake")
PLAN = Plan(5 * SECOND, group_interval_ns=200 * MILLISECOND, host_interval_ns=200 * MILLISECOND)
BEGUN_AT = datetime(2026, 11, 28, 17, 0, tzinfo=UTC)


INSTANCE = nonzero32(random.Random(7))
"""Of the first recording that ``make_host``'s host hears of."""


def at(seconds: float) -> LocalInstant:
    return LocalInstant(round(seconds * SECOND))


def make_prober(plan: Plan = PLAN, hosts: int | None = None, called: tuple[str, ...] = ()) -> Prober:
    return Prober(
        plan,
        "quarry lake",
        RecordedHost("boathouse", is_stamped=True),
        random.Random(1),
        begun_at=BEGUN_AT,
        written_by="a test",
        hosts=hosts,
        called=called,
    )


def make_host(label: str = "jetty", seed: int = 7, keys: KeyRing | None = None) -> Answerer:
    return Answerer("quarry lake", RecordedHost(label, is_wireless=True), random.Random(seed), keys)


class Site:
    """One prober and some hosts, a millisecond apart; ``drops`` says of a datagram whether it is lost."""

    def __init__(self, prober: Prober, *hosts: Answerer) -> None:
        self.prober = prober
        self.hosts: dict[str, Answerer] = {f"place {number}": host for number, host in enumerate(hosts)}
        self.drops: Callable[[str, object], bool] = lambda _place, _message: False
        self.reaches_group = True
        self.records: list[Record] = []
        self.now = at(100)

    def run(self, seconds: float, until: Phase | None = None) -> None:
        ends_at = self.now + round(seconds * SECOND)
        while self.now < ends_at and self.prober.phase is not until:
            self.prober.handle_timer(self.now)
            for data, destination in list(self.prober.datagrams_to_send(self.now)):
                for place, host in self.hosts.items():
                    reaches = self.reaches_group if destination is None else destination == place
                    if reaches and not self.drops(place, CODEC.decode(data)):
                        host.receive_datagram(data, "prober", LocalInstant(self.now + MILLISECOND // 2))
            for place, host in list(self.hosts.items()):
                host.handle_timer(self.now)
                for data, destination in list(host.datagrams_to_send(LocalInstant(self.now + MILLISECOND))):
                    assert destination == "prober"
                    if not self.drops(f"from {place}", CODEC.decode(data)):
                        self.prober.receive_datagram(data, place, LocalInstant(self.now + 2 * MILLISECOND))
            while (record := self.prober.next_event()) is not None:
                self.records.append(record)
            self.now = LocalInstant(self.now + MILLISECOND)

    def recording(self) -> Recording:
        return parse_recording(b"".join(map(to_line, self.records)))


# -- the whole ---------------------------------------------------------------------------------------------------------


def test_it_calls_records_settles_collects_and_ends() -> None:
    site = Site(make_prober(), make_host("jetty", 7), make_host("", 8))
    site.run(60, until=Phase.OVER)
    assert isinstance(site.records[0], Head)
    assert isinstance(site.records[-1], Ended)
    found = site.recording()
    assert sorted(host.label for host in found.hosts) in (["host-1", "jetty"], ["host-2", "jetty"])
    assert found.ended == "time"
    assert 24 <= len(found.group) <= 26
    for host in found.hosts:
        assert all(host.label in probe.heard for probe in found.group)
        assert all(probe.came_at is not None for probe in found.probes[host.label])
        assert found.known_until[host.label] >= found.group[-1].sent_at


def test_a_lost_probe_is_lost_and_a_lost_answer_is_not_a_lost_probe() -> None:
    def drops(place: str, message: object) -> bool:
        if isinstance(message, GroupProbe):
            return message.number in (3, 4)
        if isinstance(message, HostProbe):
            return message.number == 5
        return isinstance(message, Answer) and message.number == 8

    site = Site(make_prober(), make_host())
    site.drops = drops
    site.run(60, until=Phase.OVER)
    found = site.recording()
    assert [probe.number for probe in found.group_known_to("jetty") if not probe.heard] == [3, 4]
    probes = found.probes_known_to("jetty")
    assert [probe.number for probe in probes if probe.heard_at is None] == [5]
    assert [probe.number for probe in probes if probe.came_at is None] == [5, 8]


def test_who_is_stopped_writes_what_is_known() -> None:
    site = Site(make_prober(), make_host())
    site.run(60, until=Phase.RECORDING)
    site.run(3)
    site.prober.stop(site.now, "interrupted")
    before = site.now
    site.run(60, until=Phase.OVER)
    assert site.now - before < 2 * SECOND
    assert site.recording().ended == "interrupted"
    assert len(site.recording().group) >= 14


def test_who_is_stopped_while_a_host_is_silent_ends_within_two_seconds() -> None:
    site = Site(make_prober(), make_host())
    site.run(60, until=Phase.RECORDING)
    site.run(1)
    site.hosts.clear()
    site.prober.stop(site.now, "told to end")
    before = site.now
    site.run(60, until=Phase.OVER)
    assert site.now - before < 2.1 * SECOND
    assert site.recording().ended == "told to end"


def test_where_nobody_answers_it_is_over_after_half_a_minute_and_nothing_is_recorded() -> None:
    site = Site(make_prober())
    site.run(60, until=Phase.OVER)
    assert at(129.9) < site.now < at(130.1)
    assert site.records == []
    assert site.prober.ended_by == "nobody"


def test_it_waits_for_the_hosts_that_are_expected_for_half_a_minute() -> None:
    site = Site(make_prober(hosts=2), make_host("jetty", 7))
    site.run(20)
    assert site.prober.phase is Phase.CALLING
    site.run(20)  # not for ever
    assert isinstance(site.records[0], Head)


def test_a_host_that_comes_late_joins() -> None:
    late = Site(make_prober(), make_host("jetty", 7))
    late.run(60, until=Phase.RECORDING)
    late.run(2)
    late.hosts["late"] = make_host("ferry", 9)
    late.run(60, until=Phase.OVER)
    found = late.recording()
    assert [host.label for host in found.hosts] == ["jetty", "ferry"]
    assert found.host("ferry").joined_at > SECOND
    assert all("ferry" in probe.heard for probe in found.group_known_to("ferry"))
    assert len(found.group_known_to("ferry")) < len(found.group)


def test_where_nothing_reaches_the_group_hosts_are_called_by_their_address_and_all_loss_is_known() -> None:
    site = Site(make_prober(called=("place 0",)), make_host())
    site.reaches_group = False
    site.run(60, until=Phase.OVER)
    found = site.recording()
    assert len(found.group_known_to("jetty")) == len(found.group) > 20
    assert not any(probe.heard for probe in found.group)
    assert all(probe.came_at is not None for probe in found.probes["jetty"])


def test_a_host_that_never_answers_is_asked_no_more_after_a_while() -> None:
    site = Site(make_prober(Plan(20 * SECOND, host_interval_ns=100 * MILLISECOND)), make_host("jetty", 7))
    site.drops = lambda _place, message: isinstance(message, HostProbe)
    site.run(60, until=Phase.OVER)
    assert len([record for record in site.records if isinstance(record, Sent) and record.to == "jetty"]) == 40
    found = site.recording()
    assert found.ended == "time"
    assert found.probes_known_to("jetty") == []
    assert found.group_known_to("jetty") == []


def test_a_host_that_begins_anew_is_another_host() -> None:
    site = Site(make_prober(), make_host("jetty", 7))
    site.run(60, until=Phase.RECORDING)
    site.run(2)
    site.hosts["place 0"] = make_host("jetty", 8)
    site.run(60, until=Phase.OVER)
    assert [host.label for host in site.recording().hosts] == ["jetty", "jetty-2"]


def test_what_is_of_another_recording_is_ignored() -> None:
    site = Site(make_prober(), make_host())
    site.run(60, until=Phase.RECORDING)
    answer = Answer(12345, 1, 0, 5, 6, None, 0, 0)
    for message in (answer, Presence(12345, 3, 0, None, None, None, "ferry"), Call(12345), GroupProbe(12345, 0)):
        site.prober.receive_datagram(CODEC.encode(message), "stranger", site.now)
    assert site.prober.labels == ("jetty",)
    assert site.prober.other_recordings == 2


def test_answers_that_cannot_be_change_nothing() -> None:
    site = Site(make_prober(), make_host())
    site.run(60, until=Phase.RECORDING)
    site.run(1)
    host = next(iter(site.prober._hosts.values()))
    recording = site.prober._recording
    for answer in (
        Answer(recording, host.presence.instance, 4_000_000, 5, 6, None, 0, 0),
        Answer(recording, host.presence.instance, host.number - 1, 9, 6, None, 0, 0),
        Answer(recording, host.presence.instance, host.number - 1, 9, 10, None, 700, 800),
        Answer(recording, 99, 0, 5, 6, None, 0, 0),
    ):
        site.prober.receive_datagram(CODEC.encode(answer), "stranger", site.now)
    site.run(60, until=Phase.OVER)
    assert {host.label for host in site.recording().hosts} == {"jetty"}


def test_a_probe_that_could_not_leave_is_taken_back() -> None:
    site = Site(make_prober(), make_host())
    site.run(60, until=Phase.RECORDING)
    sent: list[bytes] = []
    now = site.now
    while len(sent) < 6:
        now = LocalInstant(now + 10 * MILLISECOND)
        site.prober.handle_timer(now)
        for data, _ in site.prober.datagrams_to_send(now):
            sent.append(data)
            site.prober.note_unsent(data)
    records = list(iter(site.prober.next_event, None))
    left = [(one.number, one.to) for one in records if isinstance(one, Sent)]
    assert [(one.number, one.to) for one in records if isinstance(one, Unsent)] == left
    assert len(left) == site.prober.unsent == 6


def test_a_suspension_is_noted() -> None:
    site = Site(make_prober(), make_host())
    site.prober.note_resumed(site.now)
    site.run(60, until=Phase.RECORDING)
    site.run(1)
    site.prober.note_resumed(site.now)
    site.run(0.1)
    (paused,) = [record for record in site.records if isinstance(record, Paused)]
    assert abs(paused.at - SECOND) < 10 * MILLISECOND


def test_after_a_stall_the_probes_that_fell_due_are_skipped() -> None:
    site = Site(make_prober(), make_host())
    site.run(60, until=Phase.RECORDING)
    site.run(0.5)
    site.now = LocalInstant(site.now + 2 * SECOND)
    before = site.prober.group_probes
    site.run(0.05)
    assert site.prober.group_probes - before <= 2


def test_so_many_hosts_are_asked_and_no_more() -> None:
    site = Site(make_prober(hosts=HOSTS_MAXIMUM), *(make_host(f"board {n}", n) for n in range(HOSTS_MAXIMUM + 3)))
    site.run(20)
    assert len(site.prober.labels) == HOSTS_MAXIMUM
    assert site.prober.turned_away == 3
    sent = [record for record in site.records if isinstance(record, Sent) and record.to is not None]
    seconds = (site.records[-1].at if isinstance(site.records[-1], Sent) else 5 * SECOND) / SECOND
    assert len(sent) <= PLAN.host_probes_per_second * seconds * 1.2


@pytest.mark.parametrize(
    ("plan", "field"),
    [
        (Plan(0), "duration_ns"),
        (Plan(25 * 3600 * SECOND), "duration_ns"),
        (Plan(SECOND, group_interval_ns=MILLISECOND), "group_interval_ns"),
        (Plan(SECOND, host_interval_ns=11 * SECOND), "host_interval_ns"),
        (Plan(SECOND, host_probes_per_second=61), "host_probes_per_second"),
        (Plan(SECOND, dither_share=0.6), "dither_share"),
    ],
)
def test_a_plan_that_weighs_upon_a_network_or_says_nothing_is_refused(plan: Plan, field: str) -> None:
    with pytest.raises(ConfigurationError, match=field):
        make_prober(plan)


# -- the host ----------------------------------------------------------------------------------------------------------


def sent_by(host: Answerer, now: LocalInstant) -> list[tuple[object, object]]:
    host.handle_timer(now)
    return [(CODEC.decode(data), destination) for data, destination in host.datagrams_to_send(now)]


def test_a_host_probe_is_answered_once_and_to_where_it_came_from() -> None:
    host = make_host()
    probe = CODEC.encode(HostProbe(5, 0, INSTANCE, 0))
    host.receive_datagram(probe, "here", at(1))
    host.receive_datagram(probe, "there", at(1.1))
    ((answer, destination),) = sent_by(host, at(1.2))
    assert destination == "here"
    assert isinstance(answer, Answer)
    assert (answer.number, answer.heard_at, answer.sent_at) == (0, at(1), at(1.2))


def test_a_call_is_answered_soon_and_not_again_within_a_second_nor_once_it_is_asked() -> None:
    host = make_host()
    host.receive_datagram(CODEC.encode(Call(5)), "prober", at(1))
    due = host.next_timer()
    assert due is not None
    assert at(1) <= due < at(1.1)
    ((presence, _),) = sent_by(host, due)
    assert isinstance(presence, Presence)
    assert presence.label == "jetty"
    host.receive_datagram(CODEC.encode(GroupProbe(5, 0)), "prober", at(1.9))
    assert sent_by(host, at(1.99)) == []
    host.receive_datagram(CODEC.encode(GroupProbe(5, 1)), "prober", at(2.2))
    assert len(sent_by(host, at(2.3))) == 1
    host.receive_datagram(CODEC.encode(HostProbe(5, 0, INSTANCE, 0)), "prober", at(3))
    assert len(sent_by(host, at(3))) == 1
    host.receive_datagram(CODEC.encode(Call(5)), "prober", at(9))
    assert sent_by(host, at(9.2)) == []


def test_what_the_prober_does_not_know_is_told_again_oldest_first() -> None:
    host = make_host()
    for number in range(12):
        host.receive_datagram(CODEC.encode(GroupProbe(5, number)), "prober", at(1 + number / 10))
    host.receive_datagram(CODEC.encode(GroupProbe(5, 3)), "prober", at(2.15))  # twice: entered once
    host.receive_datagram(CODEC.encode(HostProbe(5, 0, INSTANCE, 0)), "prober", at(3))
    first = next(answer for answer, _ in sent_by(host, at(3)) if isinstance(answer, Answer))
    assert (first.first, first.total) == (0, 13)
    assert [entry.number for entry in first.entries] == list(range(len(first.entries)))
    assert first.entries[0].age_ns == 2 * SECOND
    known = len(first.entries)
    assert known >= 5
    for number in (1, 2):  # lost answers: the same again
        host.receive_datagram(CODEC.encode(HostProbe(5, number, INSTANCE, 0)), "prober", at(3 + number))
        ((again, _),) = sent_by(host, at(3 + number))
        assert isinstance(again, Answer)
        assert [entry.number for entry in again.entries] == [
            entry.number for entry in first.entries[: len(again.entries)]
        ]
    host.receive_datagram(CODEC.encode(HostProbe(5, 3, INSTANCE, known)), "prober", at(6))
    ((later, _),) = sent_by(host, at(6))
    assert isinstance(later, Answer)
    assert (later.first, later.entries[0].number) == (known, known)


def test_no_more_is_answered_than_any_prober_asks() -> None:
    host = make_host()
    for number in range(1000):
        host.receive_datagram(CODEC.encode(HostProbe(5, number, INSTANCE, 0)), "prober", at(1 + number / 1000))
    assert len(sent_by(host, at(2))) <= 121
    assert host.refused == 0


def test_what_is_shorter_than_a_probe_is_ignored() -> None:
    for keys in (None, KeyRing({1: bytes(32)})):
        codec, host = ProbeCodec("quarry lake", keys), make_host(keys=keys)
        whole = codec.encode(HostProbe(5, 0, 1, 0))
        assert len(whole) == PROBE_BYTES + (16 if codec.keys else 0)
        padding = whole.index(b"\xc4", 8)
        short = whole[:padding] + b"\xc4\x00"
        if codec.keys is not None:
            short += codec.keys.tag(1, short)
        assert codec.decode(short) == HostProbe(5, 0, 1, 0)
        host.receive_datagram(short, "stranger", at(1))
        assert list(host.datagrams_to_send(at(2))) == []
        assert host.refused == 1


def test_a_recording_that_is_silent_has_ended_and_only_a_few_are_answered_at_a_time() -> None:
    host = make_host()
    for recording in range(1, 7):
        host.receive_datagram(CODEC.encode(Call(recording)), "prober", at(recording))
    events = list(iter(host.next_event, None))
    assert [(event.recording, event.has_begun) for event in events] == [
        *[(number, True) for number in (1, 2, 3, 4)],
        (1, False),
        (5, True),
        (2, False),
        (6, True),
    ]
    host.handle_timer(at(60))
    assert [event.recording for event in iter(host.next_event, None)] == [3, 4, 5, 6]
    assert host.next_timer() is None


def test_any_bytes_are_refused_and_harm_nothing() -> None:
    host, prober = make_host(), make_prober()
    chance = random.Random(4)
    good = [CODEC.encode(message) for message in (Call(5), GroupProbe(5, 1), HostProbe(5, 1, INSTANCE, 0))]
    for _ in range(300):
        data = bytearray(chance.choice(good))
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
        for core in (host, prober):
            core.receive_datagram(bytes(data), "stranger", at(1))
            core.receive_datagram(bytes(data[: chance.randrange(len(data))]), "stranger", at(1))


def test_a_follower_follows_no_probe() -> None:
    follower = Follower(FollowerSettings("jetty"), Codec("quarry lake"), random.Random(1), shows=[])
    for message in (Call(5), GroupProbe(5, 1), HostProbe(5, 1, INSTANCE, 0)):
        follower.receive_datagram(CODEC.encode(message), ("10.0.0.1", 1), at(1))
    assert follower.tenure is None
    assert list(follower.datagrams_to_send(at(2))) == []


def test_answers_and_what_is_told_carry_the_hosts_own_clock_from_when_it_first_heard() -> None:
    site = Site(make_prober(), make_host())
    site.run(60, until=Phase.OVER)
    instants = [record.heard_at for record in site.records if isinstance(record, Answered)]
    instants += [instant for record in site.records if isinstance(record, Told) for _, instant in record.group]
    assert -SECOND < min(instants) <= 0 or min(instants) >= 0
    assert max(instants) < 20 * SECOND
