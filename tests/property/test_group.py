"""A leader, a standby and two followers through any order of losses, copies, crashes and orders, against a dumb oracle.

The oracle knows three things: which shows were ever cued, where each playhead stood a moment ago, and that once the
faults have stopped everybody agrees.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test
from suite import examples

from leadlight import events
from leadlight.cue import FrameRate
from leadlight.errors import OrderError
from leadlight.follower.follower import Follower
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.leader import Leader
from leadlight.leader.settings import LeaderSettings
from leadlight.playback.content import StoredShow
from leadlight.terms import CueState, Role
from leadlight.units import MILLISECOND, SECOND
from leadlight.wire.codec import Codec
from leadlight.wire.tags import KeyRing

Maker = Callable[..., Any]

CODECS = {
    "keyed": Codec("Quarry Lake", KeyRing({1: b"a lantern's key!"})),
    "unkeyed": Codec("Quarry Lake"),
}
STRANGER = Codec("Quarry Lake", KeyRing({1: b"another key here"}))
SHOWS = [StoredShow("Tidefall", FrameRate(40), 192 * 40), StoredShow("Embers", FrameRate(40), 245 * 40)]
LEADERS = {"boathouse": (0, 0), "ticket hut": (1, -300)}
"""Rank, and the clock's offset from true time in seconds."""
FOLLOWERS = {"jetty": 40, "willow": -70}
NAMES = [*LEADERS, *FOLLOWERS]
AGREED_WITHIN_S = 20.0
"""Two starts that listen one after the other (seven intervals of half a second, and rank), a takeover (five intervals,
a second and rank), and each time a lock from nothing, for which a follower that cannot lock waits five seconds."""
DELAYS = {
    "plain": [[1]],
    "copies": [[1, 3], [1, 1]],
    "out of order": [[1], [600], [30]],
    "losses": [[1], []],
}
"""Delays in ms of the copies that arrive, in turn."""


def start(hall: Any, name: str, generation: int = 0) -> None:
    random = Random(f"{name} {generation}")
    if name in LEADERS:
        rank, offset_s = LEADERS[name]
        made = LeaderSettings(name, interval_ns=500 * MILLISECOND, rank=rank)
        offset_ns = (offset_s + 17 * generation) * SECOND
        hall.add(name, lambda now: Leader(made, hall.codec, random, now, SHOWS), offset_ns)
    else:
        settings = FollowerSettings(name)
        offset_ns = (FOLLOWERS[name] + 17 * generation) * SECOND
        hall.add(name, lambda _: Follower(settings, hall.codec, random, SHOWS), offset_ns)


def leading(hall: Any) -> list[str]:
    return [name for name in LEADERS if hall.nodes[name].is_up and hall.nodes[name].core.role is Role.LEADING]


class Oracle:
    """Watches every playhead after every packet and timer."""

    def __init__(self, hall: Any) -> None:
        self.cued = {0}
        self._hall = hall
        self._before: dict[str, tuple[Any, int, int]] = {}

    def look(self) -> None:
        for name in FOLLOWERS:
            node = self._hall.nodes[name]
            if not node.is_up:
                continue
            now = self._hall.local(name)
            shown = node.core.shown(now)
            # Asking puts in force what is due, and that is told as everything else is.
            node.events += iter(node.core.next_event, None)
            if shown.frame is not None:
                assert shown.show.key in self.cued, f"{name} shows what was never cued"
            position = node.core.position_at(now)
            if position is None:
                self._before.pop(name, None)
                continue
            instance, before, told = self._before.get(name, (node.core, position, 0))
            declared = node.events[told:]
            moves = (events.Stepped, events.Held, events.CueAdopted, events.TimebaseEntered)
            if instance is node.core and not any(isinstance(event, moves) for event in declared):
                assert position >= before, f"{name} ran backwards by {before - position} ns and said nothing"
            self._before[name] = node.core, position, len(node.events)


class Group(RuleBasedStateMachine):
    make_hall: Maker
    codec: Codec

    @initialize()
    def begin(self) -> None:
        self.hall = self.make_hall(self.codec)
        self.oracle = Oracle(self.hall)
        self.hall.after_each = self.oracle.look
        self.generation = 0
        self.away: set[str] = set()
        self.weather = "plain"
        self._turn = 0
        self.hall.outcome = self._outcome
        for name in NAMES:
            start(self.hall, name)
        self.hall.run(10)
        assert leading(self.hall) == ["boathouse"]

    def _outcome(self, source: str, to: str, *_: Any) -> list[int]:
        if (source in self.away) != (to in self.away):
            return []
        self._turn += 1
        choices = DELAYS[self.weather]
        return [delay * MILLISECOND for delay in choices[self._turn % len(choices)]]

    def _leader(self) -> Any:
        return next((self.hall.nodes[name].core for name in leading(self.hall)), None)

    @rule(quarters=st.integers(1, 12))
    def time_passes(self, quarters: int) -> None:
        self.hall.run(quarters / 4)

    @rule(weather=st.sampled_from(sorted(DELAYS)))
    def the_weather_changes(self, weather: str) -> None:
        self.weather = weather

    @rule(away=st.sets(st.sampled_from(NAMES), max_size=2))
    def the_network_splits(self, away: set[str]) -> None:
        self.away = away

    @rule(name=st.sampled_from(NAMES))
    def one_loses_power(self, name: str) -> None:
        self.hall.crash(name)

    @rule(name=st.sampled_from(NAMES))
    def one_starts_anew(self, name: str) -> None:
        self.generation += 1
        start(self.hall, name, self.generation)

    @rule(show=st.sampled_from(SHOWS))
    def a_show_is_rolled(self, show: StoredShow) -> None:
        for name in leading(self.hall):
            self.oracle.cued.add(show.key)
            self.hall.nodes[name].core.roll(show.key, self.hall.local(name))
            self.hall.poke(name)

    @rule(order=st.sampled_from(["stop", "pause", "resume", "go_dark"]))
    def another_order_is_given(self, order: str) -> None:
        for name in leading(self.hall):
            with suppress(OrderError):  # nothing rolls that could be paused, nothing is paused that could roll on
                getattr(self.hall.nodes[name].core, order)(self.hall.local(name))
            self.hall.poke(name)

    @invariant()
    def every_playhead_is_right(self) -> None:
        if hasattr(self, "oracle"):
            self.oracle.look()

    def teardown(self) -> None:
        if not hasattr(self, "hall"):
            return
        self.away, self.weather = set(), "plain"
        for name in NAMES:
            if not self.hall.nodes[name].is_up:
                self.generation += 1
                start(self.hall, name, self.generation)
        self.hall.run(AGREED_WITHIN_S)
        names = leading(self.hall)
        assert len(names) == 1, f"{names} lead"
        leader = self.hall.nodes[names[0]].core
        for name in FOLLOWERS:
            core = self.hall.nodes[name].core
            assert core.tenure == leader.tenure, f"{name} follows another"
            assert (core.cue.show, core.cue.state) == (leader.cue.show, leader.cue.state), f"{name} differs"
            if leader.cue.state in (CueState.DARK, CueState.STOPPED):
                assert core.shown(self.hall.local(name)).frame is None


@pytest.mark.slow
@pytest.mark.hypothesis
@pytest.mark.parametrize("key", sorted(CODECS))
def test_whatever_happens_the_group_agrees_in_the_end_and_nobody_runs_backwards(make_hall: Maker, key: str) -> None:
    class OneGroup(Group):
        codec = CODECS[key]

    OneGroup.make_hall = staticmethod(make_hall)
    run_state_machine_as_test(OneGroup, settings=settings(max_examples=examples(12, 250), stateful_step_count=25))


FORGED = st.tuples(st.sampled_from(NAMES), st.integers(0, 1 << 16), st.integers(0, 1 << 16), st.integers(0, 3))


@pytest.mark.slow
@settings(max_examples=examples(15, 250))
@given(forged=st.lists(FORGED, min_size=1, max_size=40), order=st.sampled_from(["roll", "stop"]))
def test_with_a_key_forged_datagrams_leave_every_byte_and_event_as_they_were(
    make_hall: Maker, forged: list[tuple[str, int, int, int]], order: str
) -> None:
    halls = []
    for is_forging in (False, True):
        hall = make_hall(CODECS["keyed"])
        for name in NAMES:
            start(hall, name)
        hall.run(10)
        leader = hall.nodes["boathouse"].core
        if order == "roll":
            leader.roll(SHOWS[0].key, hall.local("boathouse"))
        else:
            leader.stop(hall.local("boathouse"))
        for to, which, where, kind in forged:
            hall.run(0.125)
            if not is_forging:
                continue
            message = hall.sent[which % len(hall.sent)][3]
            data = bytearray(hall.codec.encode(message))
            data[where % len(data)] ^= 1 << which % 8
            cut = bytes(data[: where % 200])
            made = (bytes(data), STRANGER.encode(message), CODECS["unkeyed"].encode(message), cut)
            # Nothing wakes the node but the packet: a loop may wake at any time, but this compares to the byte.
            hall.nodes[to].core.receive_datagram(made[kind], "elsewhere", hall.local(to))
        hall.run(5)
        halls.append(hall)
    plain, attacked = halls
    assert plain.sent == attacked.sent
    for name in NAMES:
        assert plain.nodes[name].events == attacked.nodes[name].events
