"""What a follower does with samples that no clock like its own can have: false ones, and those of a clock that parted.

A leader at the boathouse, a standby at the ticket hut, and followers whose packets take half a millisecond to some.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from leadlight import events
from leadlight.clock.plausibility import HELD_BACK_NS, REFUSED_RUN, Misfit, Refusals, misfit_of
from leadlight.cue import Cue, FrameRate, ShowLine
from leadlight.follower.follower import JOIN_PATIENCE_NS, Follower
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.leader import Leader
from leadlight.leader.settings import LeaderSettings
from leadlight.playback.content import StoredShow
from leadlight.terms import ClockState, CueState, Role
from leadlight.units import (
    HOUR,
    INSTANT_MAXIMUM,
    MILLISECOND,
    MINUTE,
    SECOND,
    LeaderInstant,
    LocalInstant,
    ShowPosition,
)
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon, Echo
from leadlight.wire.tags import KeyRing

Maker = Callable[..., Any]

CODECS = {"unkeyed": Codec("Quarry Lake"), "keyed": Codec("Quarry Lake", KeyRing({1: b"a lantern's key!"}))}
TIDEFALL = StoredShow("Tidefall", FrameRate(40), 192 * 40)
INTERVAL = 500 * MILLISECOND
CLOCKS = {"jetty": 40 * SECOND, "willow": -70 * SECOND}
"""The followers' clocks less true time."""
BUDGET = 10 * MILLISECOND


class Evening:
    """A show that has been on for half a minute."""

    def __init__(self, hall: Any, standby: bool = True, **settings: Any) -> None:
        self.hall = hall
        random = Random(7)
        hall.outcome = lambda *_: [round((0.5 + random.expovariate(0.5)) * MILLISECOND)]
        made = LeaderSettings("boathouse", interval_ns=INTERVAL, listen_intervals=0, **settings)
        self.leader = hall.add("boathouse", lambda now: Leader(made, hall.codec, Random(1), now))
        if standby:
            second = LeaderSettings("ticket hut", interval_ns=INTERVAL, rank=1, **settings)
            hall.add("ticket hut", lambda now: Leader(second, hall.codec, Random(2), now, [TIDEFALL]), -300 * SECOND)
        for number, (name, offset_ns) in enumerate(CLOCKS.items()):
            made_of = FollowerSettings(name), hall.codec, Random(10 + number), [TIDEFALL]
            hall.add(name, lambda _, made_of=made_of: Follower(*made_of), offset_ns)
        self.leader.roll(TIDEFALL.key, hall.local("boathouse"))
        hall.run(30)
        for node in hall.nodes.values():
            node.events.clear()

    @property
    def followers(self) -> dict[str, Follower]:
        return {name: self.hall.nodes[name].core for name in CLOCKS}

    def last_beacon(self) -> Beacon:
        said = (message for _, name, _, message in reversed(self.hall.sent) if name == "boathouse")
        return next(message for message in said if isinstance(message, Beacon))

    def forge(self, ahead_ns: int = 0, more: int = 1, **changes: Any) -> None:
        """Send everybody but the leader the beacon that comes next, changed, by somebody else."""
        last = self.last_beacon()
        now = self.leader.leader_at(self.hall.local("boathouse"))
        sent_at = min(max(now + ahead_ns, 0), INSTANT_MAXIMUM)
        forged = last._replace(**({"serial": last.serial + more, "sent_at": LeaderInstant(sent_at)} | changes))
        for name in self.hall.nodes:
            if name != "boathouse":
                self.hall.inject(name, self.hall.codec.encode(forged), "a stranger")

    def stand_still(self, for_ns: int) -> None:
        """Let the leader's clock stand still, and the leader with it."""
        node = self.hall.nodes["boathouse"]
        node.is_up = False
        self.hall.run(for_ns / SECOND)
        node.offset_ns -= for_ns
        node.is_up = True

    def errors_ns(self) -> list[int]:
        """How far each follower's picture is from where the leader has the show."""
        there = self.leader.cue.position_at(self.leader.leader_at(self.hall.local("boathouse")))
        return [
            (follower.position_at(self.hall.local(name)) or 0) - there for name, follower in self.followers.items()
        ]

    def told(self, kind: type) -> int:
        return sum(len(self.hall.nodes[name].told(kind)) for name in CLOCKS)


@pytest.fixture(params=list(CODECS))
def codec(request: pytest.FixtureRequest) -> Codec:
    return CODECS[request.param]


@pytest.fixture(params=[60, 0], ids=["with soundings", "without"])
def budget(request: pytest.FixtureRequest) -> int:
    return int(request.param)


# -- one sample --------------------------------------------------------------------------------------------------------


def test_a_sample_is_judged_by_what_is_proven_and_where_nothing_is_by_what_is_claimed() -> None:
    assert misfit_of(-13 * MILLISECOND, 0, -3 * MILLISECOND, 1e6, BUDGET) is Misfit.NONE
    assert misfit_of(-13 * MILLISECOND - 1, 0, -3 * MILLISECOND, 1e6, BUDGET) is Misfit.EARLY
    assert misfit_of(-14 * MILLISECOND, 0, None, 4e6, BUDGET) is Misfit.NONE
    assert misfit_of(-14 * MILLISECOND - 1, 0, None, 4e6, BUDGET) is Misfit.EARLY
    for lower in (None, -3 * MILLISECOND):
        assert misfit_of(HELD_BACK_NS, 0, lower, 1e6, BUDGET) is Misfit.NONE
        assert misfit_of(HELD_BACK_NS + 1, 0, lower, 1e6, BUDGET) is Misfit.LATE


@pytest.mark.parametrize("ahead_ns", [30 * MILLISECOND, SECOND, 10 * MINUTE, HOUR, 40 * 24 * HOUR, 1 << 62])
def test_a_beacon_from_the_future_moves_nothing_and_ends_nobody(make_hall: Maker, ahead_ns: int, budget: int) -> None:
    evening = Evening(make_hall(CODECS["unkeyed"]), sounding_budget=budget)
    before = [follower.clock.served for follower in evening.followers.values()]
    evening.forge(ahead_ns)
    assert [follower.clock.served for follower in evening.followers.values()] == before
    evening.hall.run(3)
    for follower in evening.followers.values():
        assert follower.counters["implausible"] == 1
        assert follower.clock.state is ClockState.LOCKED
    assert evening.told(events.LockLost) == evening.told(events.Stepped) == evening.told(events.LeaderLost) == 0
    assert max(map(abs, evening.errors_ns())) < 2 * MILLISECOND
    assert evening.hall.nodes["ticket hut"].core.role is Role.STANDBY


@pytest.mark.parametrize("ago_ns", [2 * SECOND, HOUR])
def test_a_beacon_of_long_ago_gives_no_sample_and_the_rest_of_it_stands(make_hall: Maker, ago_ns: int) -> None:
    evening = Evening(make_hall(CODECS["unkeyed"]))
    before = [follower.clock.served for follower in evening.followers.values()]
    evening.forge(-ago_ns, group_size=77)
    for name, follower in evening.followers.items():
        assert follower.counters["implausible"] == 1
        assert follower.heard_at == evening.hall.local(name)
    assert [follower.clock.served for follower in evening.followers.values()] == before


def test_a_stop_is_obeyed_whatever_its_instants(make_hall: Maker) -> None:
    evening = Evening(make_hall(CODECS["unkeyed"]))
    stop = Cue(TIDEFALL.key, CueState.STOPPED, ShowLine(LeaderInstant(0), ShowPosition(0)))
    evening.forge(10 * MINUTE, cue=stop)
    for follower in evening.followers.values():
        assert follower.cue.state is CueState.STOPPED


def test_an_exchange_that_cannot_be_is_refused_and_shows_all_the_same_that_the_leader_lives(make_hall: Maker) -> None:
    evening = Evening(make_hall(CODECS["unkeyed"]), standby=False)
    hall, jetty = evening.hall, evening.followers["jetty"]
    hall.nodes["boathouse"].is_up = False
    jetty.sound_now()
    hall.poke("jetty")
    sounding = hall.sent[-1][3]
    before = jetty.clock.served
    there = LeaderInstant(evening.leader.leader_at(hall.local("boathouse")) + MINUTE)
    last = evening.last_beacon()
    echo = Echo(last.leader, last.tenure, last.timebase, sounding.nonce, there, there, 5)
    hall.inject("jetty", hall.codec.encode(echo), "boathouse")
    assert jetty.clock.served == before
    assert jetty.counters["implausible"] == 1
    assert jetty.alive_at == hall.local("jetty")


def test_one_forged_restart_moves_no_light(make_hall: Maker) -> None:
    evening = Evening(make_hall(CODECS["unkeyed"]))
    dark = Cue(0, CueState.DARK, ShowLine(LeaderInstant(0), ShowPosition(0)))
    evening.forge(tenure=99, timebase=98, serial=5, cue=dark)
    assert {follower.tenure for follower in evening.followers.values()} == {99}
    for _ in range(40):
        evening.hall.run(0.1)
        assert max(map(abs, evening.errors_ns())) < 3 * MILLISECOND
        assert {follower.shown(evening.hall.local(name)).level for name, follower in evening.followers.items()} == {1.0}
    for follower in evening.followers.values():
        assert follower.tenure == evening.leader.tenure
        assert follower.timebase == evening.leader.timebase
        assert follower.clock.state is ClockState.LOCKED


def test_a_forged_size_of_the_group_puts_off_no_question_and_no_report(make_hall: Maker) -> None:
    evening = Evening(make_hall(CODECS["unkeyed"]))
    for _ in range(10):
        evening.forge(group_size=65_535, sounding_budget=1)
        evening.hall.run(0.9)
    begun = evening.hall.now
    evening.hall.run(16)
    said = {type(message).__name__ for at, name, _, message in evening.hall.sent if at > begun and name == "jetty"}
    assert said == {"Sounding", "Tally"}


# -- many that agree ---------------------------------------------------------------------------------------------------


def at(seconds: float) -> LocalInstant:
    return LocalInstant(round(seconds * SECOND))


def test_a_run_is_of_one_tenure_and_of_samples_that_agree_over_two_intervals() -> None:
    refusals = Refusals()
    for seconds, offset_ns in ((0, 0), (0.5, 5 * MILLISECOND), (0.8, -5 * MILLISECOND)):
        refusals.note(7, offset_ns, at(seconds), BUDGET, is_exchange=False)
    assert refusals.count == REFUSED_RUN
    assert not refusals.contradict(at(0.8), INTERVAL, by_exchange=False)  # not yet over two intervals less a dither
    assert refusals.contradict(at(0.9), INTERVAL, by_exchange=False)
    assert not refusals.contradict(at(0.9), INTERVAL, by_exchange=True)
    refusals.note(7, 0, at(1), BUDGET, is_exchange=True)
    assert refusals.contradict(at(1), INTERVAL, by_exchange=True)
    refusals.note(7, BUDGET + 1, at(2), BUDGET, is_exchange=False)
    assert refusals.count == 1
    refusals.note(8, BUDGET + 1, at(3), BUDGET, is_exchange=False)
    assert refusals.count == 1


@pytest.mark.parametrize("stood_ns", [2 * SECOND, 2 * MINUTE], ids=["seconds", "minutes"])
def test_a_leader_whose_clock_stood_still_and_that_leads_on_is_followed_again(
    make_hall: Maker, codec: Codec, budget: int, stood_ns: int
) -> None:
    evening = Evening(make_hall(codec), standby=False, sounding_budget=budget)
    evening.stand_still(stood_ns)
    evening.hall.run(4 * INTERVAL / SECOND)
    assert evening.told(events.TimebaseEntered) == evening.told(events.LockLost) == len(CLOCKS)
    evening.hall.run(JOIN_PATIENCE_NS / SECOND)
    for name, follower in evening.followers.items():
        assert follower.counters["implausible"] >= REFUSED_RUN
        assert follower.tenure == evening.leader.tenure
        assert follower.clock.served is not None
        offset_ns = evening.hall.nodes[name].offset_ns - evening.hall.nodes["boathouse"].offset_ns
        assert abs(follower.clock.served.offset_at(evening.hall.local(name)) - offset_ns) < 3 * MILLISECOND
    # Another run of the show: nobody stood still for two minutes.
    assert max(map(abs, evening.errors_ns())) < 3 * MILLISECOND


def test_a_leader_that_notices_its_suspension_draws_a_new_timebase(make_hall: Maker, codec: Codec) -> None:
    evening = Evening(make_hall(codec), standby=False)
    tenure, timebase = evening.leader.tenure, evening.leader.timebase
    evening.stand_still(2 * MINUTE)
    evening.leader.note_resumed(evening.hall.local("boathouse"))
    evening.hall.poke("boathouse")
    assert evening.leader.tenure == tenure
    assert evening.leader.timebase != timebase
    evening.hall.run(1)
    for follower in evening.followers.values():
        assert follower.timebase == evening.leader.timebase
        assert follower.counters["implausible"] == 0
        assert follower.clock.state is ClockState.LOCKED
    assert max(map(abs, evening.errors_ns())) < 3 * MILLISECOND


def test_forgeries_that_agree_part_nobody_from_a_leader_that_answers(make_hall: Maker) -> None:
    evening = Evening(make_hall(CODECS["unkeyed"]))
    for _ in range(12):
        evening.forge(10 * MINUTE)
        evening.hall.run(0.25)
    for follower in evening.followers.values():
        assert follower.counters["implausible"] >= 6
        assert follower.clock.state is ClockState.LOCKED
    assert evening.told(events.TimebaseEntered) == evening.told(events.Stepped) == 0
    assert max(map(abs, evening.errors_ns())) < 2 * MILLISECOND


def test_a_follower_that_began_by_a_forgery_finds_the_leader(make_hall: Maker, budget: int) -> None:
    evening = Evening(make_hall(CODECS["unkeyed"]), standby=False, sounding_budget=budget)
    hall = evening.hall
    settings = FollowerSettings("reed beds")
    reeds = hall.add("reed beds", lambda _: Follower(settings, hall.codec, Random(5), [TIDEFALL]), 9 * SECOND)
    evening.forge(HOUR)
    hall.run(10 * INTERVAL / SECOND)
    assert reeds.clock.served is not None
    assert abs(reeds.clock.served.offset_at(hall.local("reed beds")) - 9 * SECOND) < 3 * MILLISECOND


def test_a_clock_that_rests_on_one_forgery_is_left_however_long_beacons_wait(make_hall: Maker) -> None:
    # Nobody answers, and an access point holds each beacon back for up to a fifth of a second, another time each.
    evening = Evening(make_hall(CODECS["unkeyed"]), standby=False, sounding_budget=0)
    hall, chance = evening.hall, Random(3)
    settings = FollowerSettings("reed beds")
    reeds = hall.add("reed beds", lambda _: Follower(settings, hall.codec, Random(5), [TIDEFALL]), 9 * SECOND)
    evening.forge(20 * MINUTE)
    hall.outcome = lambda *_: [round(chance.uniform(1.0, 200.0) * MILLISECOND)]
    hall.run(6 * INTERVAL / SECOND)
    assert reeds.clock.served is not None
    assert abs(reeds.clock.served.offset_at(hall.local("reed beds")) - 9 * SECOND) < 200 * MILLISECOND


@pytest.mark.parametrize("stepped_ns", [-7 * MILLISECOND, 7 * MILLISECOND, -18 * MILLISECOND, 18 * MILLISECOND])
def test_a_step_of_the_leaders_clock_never_passes_without_an_event(make_hall: Maker, stepped_ns: int) -> None:
    evening = Evening(make_hall(CODECS["unkeyed"]), standby=False)
    evening.hall.nodes["boathouse"].offset_ns += stepped_ns
    evening.hall.run(12)
    told = evening.told(events.ClockContradicted) + evening.told(events.TimebaseEntered)
    assert told >= len(CLOCKS)
    assert max(map(abs, evening.errors_ns())) < 2 * MILLISECOND
