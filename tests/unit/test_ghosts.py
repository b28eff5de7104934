"""Beacons of leaders that are not there: what one or two of them do to a group whose leader lives, and how it ends.

Boathouse leads jetty and willow, ticket hut stands by, Tidefall rolls. The ghost's identity outranks all of them,
its interval is the longest that travels, and what it says is dark.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from leadlight import events
from leadlight.cue import Cue, FrameRate, dark_cue
from leadlight.follower.follower import Follower
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.leader import Leader
from leadlight.leader.rivals import TOLD_NS
from leadlight.leader.settings import LeaderSettings
from leadlight.leader.waiting import WaitingOrders
from leadlight.playback.content import StoredShow
from leadlight.terms import CueState, Role
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon, Echo, Sounding

Maker = Callable[..., Any]

CODEC = Codec("Quarry Lake")
INTERVAL = 500 * MILLISECOND
TIDEFALL = StoredShow("Tidefall", FrameRate(40), 600 * 40)
EMBERS = StoredShow("Embers", FrameRate(40), 600 * 40)
SHOWS = [TIDEFALL, EMBERS]
NAMES = ("boathouse", "ticket hut", "jetty", "willow")


@pytest.fixture
def hall(make_hall: Maker) -> Any:
    hall = make_hall(CODEC)
    for name, rank, offset_s in (("boathouse", 0, 0), ("ticket hut", 1, -300)):
        settings = LeaderSettings(name, interval_ns=INTERVAL, rank=rank, listen_intervals=0 if rank == 0 else 7)
        hall.add(name, lambda now, s=settings: Leader(s, CODEC, Random(s.name), now, SHOWS), offset_s * SECOND)
    for name, offset_s in (("jetty", 40), ("willow", -70)):
        hall.add(name, lambda _, n=name: Follower(FollowerSettings(n), CODEC, Random(n), SHOWS), offset_s * SECOND)
    hall.nodes["boathouse"].core.roll(TIDEFALL.key, hall.local("boathouse"))
    hall.run(30)
    return hall


@pytest.fixture
def haunt(hall: Any, make_beacon: Maker) -> Callable[..., None]:
    """Let everybody hear one beacon of the ghost, now."""
    serial = [0]

    def ghost(*names: str, **changes: Any) -> None:
        serial[0] += 1
        plain: dict[str, Any] = {
            "leader": 1, "rank": 0, "tenure": 666, "timebase": 667, "serial": serial[0],
            "sent_at": LeaderInstant(hall.now), "interval_ns": 65_500 * MILLISECOND, "cue": dark_cue(LeaderInstant(0)),
        }  # fmt: skip
        for name in names or NAMES:
            hall.inject(name, CODEC.encode(make_beacon(**(plain | changes))), "nowhere")

    return ghost


def frames(hall: Any) -> list[int | None]:
    return [hall.nodes[name].core.shown(hall.local(name)).frame for name in ("jetty", "willow")]


def is_lit(hall: Any) -> bool:
    frame = (hall.now - 1_002 * SECOND) * 40 // SECOND
    return all(shown is not None and abs(shown - frame) <= 1 for shown in frames(hall))


@pytest.mark.parametrize("budget", [0, 60])
def test_one_beacon_of_a_better_identity_deposes_nobody(hall: Any, haunt: Callable[..., None], budget: int) -> None:
    told = {name: len(hall.nodes[name].events) for name in NAMES}
    haunt(sounding_budget=budget)
    for _ in range(30):
        hall.run(0.5)
        assert is_lit(hall)
    assert [hall.nodes[name].core.role for name in NAMES[:2]] == [Role.LEADING, Role.STANDBY]
    news = [event for name in NAMES for event in hall.nodes[name].events[told[name] :]]
    allowed = (events.RivalHeard, events.LockLost, events.LockAcquired)
    assert [event for event in news if not isinstance(event, allowed)] == []


def test_a_ghost_that_cannot_answer_deposes_no_leader_however_often_it_is_heard(
    hall: Any, haunt: Callable[..., None]
) -> None:
    for _ in range(40):
        haunt("boathouse", "ticket hut")
        hall.run(0.5)
    assert [hall.nodes[name].core.role for name in NAMES[:2]] == [Role.LEADING, Role.STANDBY]
    assert is_lit(hall)


def test_plain_followers_that_two_beacons_drew_away_come_back_within_two_intervals(
    hall: Any, haunt: Callable[..., None]
) -> None:
    haunt("jetty", "willow", interval_ns=INTERVAL)
    hall.run(0.3)
    haunt("jetty", "willow", interval_ns=INTERVAL)
    drawn = [hall.nodes[name].core.tenure for name in ("jetty", "willow")]
    hall.run(2.2 * INTERVAL / SECOND)
    ours = hall.nodes["boathouse"].core.tenure
    assert drawn == [666, 666]
    assert [hall.nodes[name].core.tenure for name in ("jetty", "willow")] == [ours, ours]
    hall.run(8)
    assert is_lit(hall)


def test_a_leader_that_yielded_to_a_ghost_goes_on_with_its_own_show_and_within_a_minute(
    hall: Any, haunt: Callable[..., None]
) -> None:
    """Where the ghost says that nobody may ask it, two of its beacons are believed."""
    boathouse = hall.nodes["boathouse"].core
    cue, timebase, before = boathouse.cue, boathouse.timebase, boathouse.tenure
    later = LeaderInstant(hall.now + 3600 * SECOND)
    boathouse.schedule(Cue(EMBERS.key, CueState.ROLLING, cue.line._replace(leader_at=later)))
    dark = dark_cue(LeaderInstant(0), LeaderInstant(hall.now))
    haunt(sounding_budget=0, cue=dark)
    hall.run(5)
    haunt(sounding_budget=0, cue=dark)
    assert boathouse.role is Role.STANDBY
    hall.run(53)
    assert hall.nodes["boathouse"].core.role is Role.LEADING
    assert (boathouse.cue, boathouse.timebase) == (cue, timebase)
    assert [scheduled.show for scheduled in boathouse.scheduled] == [EMBERS.key]
    assert boathouse.tenure not in (before, 666)
    hall.run(8)
    assert is_lit(hall)


def test_who_yields_to_a_leader_that_answers_keeps_what_that_one_led(hall: Any, make_hall: Maker) -> None:
    """A leader of the same rank and a lower number, that leads something else for a while and then loses its power."""
    settings = LeaderSettings("pump house", interval_ns=INTERVAL)
    boathouse = hall.nodes["boathouse"].core
    assert settings.identity < boathouse.identity
    pump = hall.add("pump house", lambda now: Leader(settings, CODEC, Random(1), now, SHOWS), 70 * SECOND)
    pump.take_back(hall.local("pump house"))
    pump.roll(EMBERS.key, hall.local("pump house"))
    hall.run(10)
    assert (pump.role, boathouse.role) == (Role.LEADING, Role.STANDBY)
    hall.crash("pump house")
    hall.run(10)
    assert boathouse.role is Role.LEADING
    assert boathouse.cue.show == EMBERS.key


def test_a_starting_leader_with_a_show_of_its_own_inherits_nothing_from_a_ghost(
    make_hall: Maker, make_beacon: Maker
) -> None:
    hall = make_hall(CODEC)
    boathouse = hall.add(
        "boathouse", lambda now: Leader(LeaderSettings("boathouse", interval_ns=INTERVAL), CODEC, Random(1), now, SHOWS)
    )
    boathouse.roll(TIDEFALL.key, hall.local("boathouse"))
    hall.run(1)
    ghost = make_beacon(leader=1, tenure=666, cue=dark_cue(LeaderInstant(0)), sent_at=LeaderInstant(0))
    hall.inject("boathouse", CODEC.encode(ghost), "nowhere")
    hall.run(10)
    assert boathouse.role is Role.LEADING
    assert (boathouse.cue.show, boathouse.cue.state) == (TIDEFALL.key, CueState.ROLLING)


# -- orders of one behind ---------------------------------------------------------------------------------------------


def test_one_beacon_of_one_behind_it_stops_no_leader_and_orders_it_nothing(
    hall: Any, haunt: Callable[..., None]
) -> None:
    boathouse = hall.nodes["boathouse"].core
    cue = boathouse.cue
    for state in (CueState.STOPPED, CueState.DARK, CueState.PAUSED):
        now = LeaderInstant(hall.now)
        forged = Cue(EMBERS.key, state, cue.line._replace(leader_at=now), ordered_at=now)
        haunt("boathouse", leader=0xFFFF_FFF0, rank=3, cue=forged, tenure=700 + state)
        hall.run(5)
    assert boathouse.cue == cue
    assert is_lit(hall)


def test_a_leader_that_yields_tells_first_of_an_order_that_is_newer(hall: Any) -> None:
    """Boathouse has led on alone; the hut, in the other half, was told to go dark. Their halves meet."""
    away = {"ticket hut", "willow"}
    hall.outcome = lambda source, to, *_: [] if (source in away) != (to in away) else [MILLISECOND]
    hall.run(10)
    hut, boathouse = hall.nodes["ticket hut"].core, hall.nodes["boathouse"].core
    assert (hut.role, boathouse.role) == (Role.LEADING, Role.LEADING)
    hut.go_dark(hall.local("ticket hut"))
    hall.run(10)
    assert frames(hall)[0] is not None
    assert frames(hall)[1] is None
    away.clear()
    hall.run(TOLD_NS / SECOND)
    assert (hut.role, boathouse.role) == (Role.STANDBY, Role.LEADING)
    assert boathouse.cue.state is CueState.DARK
    (told,) = hall.nodes["boathouse"].told(events.ShowsDiffered)
    assert (told.leader, told.is_ours) == (hut.identity, False)
    assert (told.ours.state, told.theirs.state) == (CueState.ROLLING, CueState.DARK)
    hall.run(2)
    assert frames(hall) == [None, None]


def test_who_outranks_and_hears_no_newer_order_yields_to_nobody_and_the_other_does_not_wait(hall: Any) -> None:
    away = {"ticket hut", "willow"}
    hall.outcome = lambda source, to, *_: [] if (source in away) != (to in away) else [MILLISECOND]
    hall.run(10)
    hut, boathouse = hall.nodes["ticket hut"].core, hall.nodes["boathouse"].core
    hut.stop(hall.local("ticket hut"))
    hall.run(10)
    boathouse.roll(EMBERS.key, hall.local("boathouse"))
    hall.run(5)
    away.clear()
    hall.run(2.5 * INTERVAL / SECOND)
    assert (hut.role, boathouse.role) == (Role.STANDBY, Role.LEADING)
    assert boathouse.cue.show == EMBERS.key
    (told,) = hall.nodes["ticket hut"].told(events.ShowsDiffered)
    assert (told.leader, told.is_ours) == (boathouse.identity, False)
    hall.run(3)
    assert all(shown is not None for shown in frames(hall))


def test_an_order_that_no_leader_makes_its_own_holds_up_a_yield_for_three_seconds_at_the_most(
    hall: Any, make_beacon: Maker, make_echo: Maker
) -> None:
    """An older leader, of rank 0 and a lower number, answers and knows nothing of orders."""
    boathouse = hall.nodes["boathouse"].core
    boathouse.pause(hall.local("boathouse"))
    hall.run(3)
    began = hall.now
    for serial in range(60):
        now = LeaderInstant(hall.now)
        beacon: Beacon = make_beacon(
            leader=1, tenure=60, timebase=61, serial=serial, sent_at=now, interval_ns=100 * MILLISECOND,
            cue=dark_cue(LeaderInstant(began)),
        )  # fmt: skip
        before = len(hall.sent)
        hall.inject("boathouse", CODEC.encode(beacon), "older")
        for _, name, to, message in hall.sent[before:]:
            if name == "boathouse" and to == "older" and isinstance(message, Sounding):
                echo: Echo = make_echo(
                    leader=1, tenure=60, timebase=61, nonce=message.nonce, received_at=now, sent_at=now
                )
                hall.inject("boathouse", CODEC.encode(echo), "older")
        if boathouse.role is Role.STANDBY:
            break
        hall.run(0.1)
    assert boathouse.role is Role.STANDBY
    assert TOLD_NS <= hall.now - began <= TOLD_NS + SECOND


def test_a_ghost_that_has_fallen_silent_is_not_yielded_to_for_want_of_an_ear(
    hall: Any, haunt: Callable[..., None]
) -> None:
    """Its order is older than the one here: it would have to hear of that first, and to go on."""
    haunt(sounding_budget=0)
    hall.run(5)
    haunt(sounding_budget=0)
    hall.run(60)
    assert hall.nodes["boathouse"].core.role is Role.LEADING
    assert hall.nodes["boathouse"].told(events.RoleChanged)[1:] == []


# -- what a host that has just started takes over ---------------------------------------------------------------------


def test_a_rebooted_leader_that_takes_over_what_was_over_before_its_clock_began_sends_beacons(make_hall: Maker) -> None:
    """Its clock is at 5 s; the off time was 20 s ago, on a clock that it does not know well enough to go on in it."""
    hall = make_hall(CODEC)
    settings = LeaderSettings("ticket hut", interval_ns=INTERVAL, sounding_budget=0)
    hut = hall.add("ticket hut", lambda now: Leader(settings, CODEC, Random(1), now, SHOWS))
    hut.schedule(Cue(TIDEFALL.key, CueState.ROLLING, dark_cue(LeaderInstant(hall.now + 4 * SECOND)).line))
    hut.set_off_at(hall.local("ticket hut") + 10 * SECOND)
    hall.run(30)
    made = LeaderSettings("boathouse", rank=1, interval_ns=INTERVAL)
    boathouse = hall.add("boathouse", lambda now: Leader(made, CODEC, Random(2), now, SHOWS), 5 * SECOND - hall.now)
    jetty = hall.add("jetty", lambda _: Follower(FollowerSettings("jetty"), CODEC, Random(3), SHOWS))
    hall.run(6)
    hall.crash("ticket hut")
    hall.run(20)
    assert hall.nodes["boathouse"].core.role is Role.LEADING
    assert jetty.tenure == boathouse.tenure
    assert jetty.shown(hall.local("jetty")).frame is None


def test_a_timebase_that_comes_to_an_end_is_not_continued(hall: Any, haunt: Callable[..., None]) -> None:
    """A leader whose clock shows the last instants there are dies, and whoever takes over goes on in its own time."""
    settings = LeaderSettings("pump house", interval_ns=INTERVAL)
    ahead = (1 << 62) - hall.now - 60 * SECOND
    pump = hall.add("pump house", lambda now: Leader(settings, CODEC, Random(1), now, SHOWS), ahead)
    pump.roll(EMBERS.key, hall.local("pump house"))
    pump.take_back(hall.local("pump house"))
    hall.run(20)
    assert hall.nodes["boathouse"].core.role is Role.STANDBY
    timebase = pump.timebase
    hall.crash("pump house")
    hall.run(60)
    boathouse = hall.nodes["boathouse"].core
    assert boathouse.role is Role.LEADING
    assert boathouse.timebase != timebase
    assert boathouse.cue.show == EMBERS.key


@pytest.fixture
def forge(hall: Any) -> Callable[..., None]:
    """Let everybody hear one beacon under boathouse's identity, now, its serial so far ahead."""

    def forge(ahead: int, **changes: Any) -> None:
        said = (m for _, name, _, m in reversed(hall.sent) if name == "boathouse" and isinstance(m, Beacon))
        last = next(said)
        leader_at = hall.nodes["boathouse"].core.leader_at(hall.local("boathouse"))
        forged = last._replace(serial=last.serial + ahead, sent_at=leader_at, **changes)
        for name in NAMES:
            hall.inject(name, CODEC.encode(forged), "nowhere")

    return forge


@pytest.mark.parametrize("wait_s", [0.26, 0.5])
def test_a_forged_serial_and_a_forged_restart_leave_a_group_with_its_one_leader(
    hall: Any, forge: Callable[..., None], wait_s: float
) -> None:
    boathouse, hut = hall.nodes["boathouse"].core, hall.nodes["ticket hut"].core
    hall.run(0.05)
    forge(64)
    hall.run(wait_s)
    forge(1, tenure=1)
    for _ in range(200):
        hall.run(0.05)
        assert boathouse.role is Role.LEADING
        assert hut.role is Role.STANDBY
    assert {hall.nodes[name].core.tenure for name in NAMES} == {boathouse.tenure}
    assert is_lit(hall)


@pytest.mark.parametrize("budget", [0, 60])
def test_a_standby_that_was_deceived_and_cut_off_yields_soon_after_it_hears_its_leader_again(
    hall: Any, forge: Callable[..., None], budget: int
) -> None:
    boathouse, hut = hall.nodes["boathouse"].core, hall.nodes["ticket hut"].core
    forge(64)
    hall.run(0.26)
    forge(1, tenure=1, sounding_budget=budget)
    hall.outcome = lambda source, to, *_: [] if "ticket hut" in (source, to) else [hall.DELAY]
    hall.run(12)
    assert (boathouse.role, hut.role) == (Role.LEADING, Role.LEADING)
    hall.outcome = lambda *_: [hall.DELAY]
    hall.run(5 * INTERVAL / SECOND)
    assert (boathouse.role, hut.role) == (Role.LEADING, Role.STANDBY)
    hall.run(5)
    assert {hall.nodes[name].core.tenure for name in NAMES} == {boathouse.tenure}
    assert is_lit(hall)


def test_a_roll_that_waits_while_its_node_listens_gives_way_to_a_stop_at_another(make_hall: Maker) -> None:
    # Both still listen. The standby is told to stop, and the leader, which outranks it, takes the lead from it.
    hall = make_hall(CODEC)
    for rank, name in enumerate(("boathouse", "ticket hut")):
        settings = LeaderSettings(name, interval_ns=5 * SECOND, rank=rank)
        hall.add(name, lambda now, s=settings: Leader(s, CODEC, Random(s.name), now, SHOWS), rank * 300 * SECOND)
    leader, second = (hall.nodes[name].core for name in ("boathouse", "ticket hut"))
    hall.run(10)
    leader.roll(TIDEFALL.key, hall.local("boathouse"))
    hall.run(15)
    second.stop(hall.local("ticket hut"))
    hall.run(1)
    assert (leader.role, leader.cue.state, second.role) == (Role.LEADING, CueState.STOPPED, Role.STANDBY)
    hall.run(30)
    assert leader.cue.state is CueState.STOPPED


def test_what_waits_gives_way_to_a_stop_up_to_two_seconds_older() -> None:
    waiting = WaitingOrders()
    for begins_s, ordered_s in ((50, 9), (51, 12), (52, 12.001), (53, None)):
        ordered_at = None if ordered_s is None else LeaderInstant(round(ordered_s * SECOND))
        waiting.schedule(dark_cue(LeaderInstant(begins_s * SECOND), ordered_at))
    waiting.give_way(LocalInstant(10 * SECOND))
    # What no person ordered is a timetable's, which goes on.
    assert [cue.line.leader_at // SECOND for cue in waiting.cues] == [52, 53]
