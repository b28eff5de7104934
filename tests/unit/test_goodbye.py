"""A leader that ends says so: what that does to a standby and to followers, and how little a forged goodbye does.

Boathouse leads jetty and willow, ticket hut and gatehouse stand by, Tidefall rolls.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest

from leadlight.cue import FrameRate
from leadlight.events import LeaderChanged, LeaderLost, LeaderReturned, RoleChanged
from leadlight.follower.follower import Follower
from leadlight.follower.settings import GOODBYE_INTERVALS, FollowerSettings
from leadlight.leader.beacon_times import GOODBYE_BURST_NS
from leadlight.leader.leader import ASK_PATIENCE_NS, RANK_SPACING_NS, Leader
from leadlight.leader.settings import LeaderSettings
from leadlight.playback.content import StoredShow
from leadlight.terms import Role
from leadlight.units import MILLISECOND, SECOND, LeaderInstant
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon, Echo, Sounding

Maker = Callable[..., Any]

CODEC = Codec("Quarry Lake")
INTERVAL = SECOND
TIDEFALL = StoredShow("Tidefall", FrameRate(40), 600 * 40)
PATIENCE_NS = max(GOODBYE_INTERVALS * INTERVAL, ASK_PATIENCE_NS)


def garden(make_hall: Maker, *standbys: tuple[str, int]) -> Any:
    hall = make_hall(CODEC)
    for name, rank, offset_s in (("boathouse", 0, 0), *((name, rank, -300) for name, rank in standbys)):
        settings = LeaderSettings(name, interval_ns=INTERVAL, rank=rank, listen_intervals=0 if rank == 0 else 7)
        hall.add(name, lambda now, s=settings: Leader(s, CODEC, Random(s.name), now, [TIDEFALL]), offset_s * SECOND)
    for name, offset_s in (("jetty", 40), ("willow", -70)):
        hall.add(name, lambda _, n=name: Follower(FollowerSettings(n), CODEC, Random(n), [TIDEFALL]), offset_s * SECOND)
    hall.nodes["boathouse"].core.roll(TIDEFALL.key, hall.local("boathouse"))
    hall.run(30)
    hall.sent.clear()
    return hall


@pytest.fixture
def hall(make_hall: Maker) -> Any:
    return garden(make_hall, ("ticket hut", 1))


def end(hall: Any) -> int:
    """Let boathouse end now, and leave the network once it has said so; return when that was."""
    hall.nodes["boathouse"].core.end(hall.local("boathouse"))
    ended_at: int = hall.now
    hall.poke("boathouse")
    hall.run(0.2)
    assert hall.nodes["boathouse"].core.has_ended
    hall.crash("boathouse")
    return ended_at


def role_of(hall: Any, name: str) -> Role:
    role: Role = hall.nodes[name].core.role
    return role


def roles(hall: Any, name: str) -> list[tuple[int, Role]]:
    """When a node took which role, in true time."""
    node = hall.nodes[name]
    return [(event.at - node.offset_ns, event.role) for event in node.told(RoleChanged)]


def is_lit(hall: Any) -> bool:
    frame = (hall.now - 1_002 * SECOND) * 40 // SECOND
    frames = [hall.nodes[name].core.shown(hall.local(name)).frame for name in ("jetty", "willow")]
    return all(shown is not None and abs(shown - frame) <= 1 for shown in frames)


def test_a_leader_that_ends_says_so_three_times_and_nothing_afterwards(hall: Any) -> None:
    began_at = hall.now
    hall.nodes["boathouse"].core.end(hall.local("boathouse"))
    assert not hall.nodes["boathouse"].core.has_ended
    hall.run(5)
    ours = [(at, message) for at, name, _, message in hall.sent if name == "boathouse" and at >= began_at]
    assert [(at - began_at, message.goodbye) for at, message in ours] == [(step, True) for step in GOODBYE_BURST_NS]
    assert hall.nodes["boathouse"].core.has_ended
    assert any(isinstance(message, Sounding) for at, _, _, message in hall.sent if at > began_at)
    assert not any(isinstance(message, Echo) for _, message in ours)


def test_who_does_not_lead_has_nothing_to_say(hall: Any) -> None:
    standby = hall.nodes["ticket hut"].core
    standby.end(hall.local("ticket hut"))
    assert standby.has_ended
    assert standby.datagrams_to_send(hall.local("ticket hut")) == []


def test_a_standby_asks_at_once_and_leads_two_intervals_after_a_goodbye(hall: Any) -> None:
    lit: list[bool] = []
    hall.after_each = lambda: lit.append(is_lit(hall))
    ended_at = end(hall)
    hall.run(10)
    (asked_at, asking), (led_at, leading) = roles(hall, "ticket hut")[-2:]
    assert (asking, leading) == (Role.ASKING, Role.LEADING)
    assert asked_at == ended_at + hall.DELAY
    # After the last of the three, by its rank, and the first of them is only told from the others by who asks.
    assert led_at == ended_at + GOODBYE_BURST_NS[-1] + hall.DELAY + PATIENCE_NS + RANK_SPACING_NS
    assert all(lit)
    tenure = hall.nodes["ticket hut"].core.tenure
    for name in ("jetty", "willow"):
        assert hall.nodes[name].core.tenure == tenure
        assert len(hall.nodes[name].told(LeaderChanged)) == 1


def test_a_standby_of_the_next_rank_lets_the_first_one_lead_after_a_goodbye(make_hall: Maker) -> None:
    hall = garden(make_hall, ("ticket hut", 1), ("gatehouse", 2))
    end(hall)
    hall.run(10)
    assert role_of(hall, "ticket hut") is Role.LEADING
    assert Role.LEADING not in [role for _, role in roles(hall, "gatehouse")]


def test_a_start_that_hears_a_goodbye_first_leads_as_soon(make_hall: Maker) -> None:
    hall = garden(make_hall)
    settings = LeaderSettings("ticket hut", interval_ns=INTERVAL)
    hall.add("ticket hut", lambda now: Leader(settings, CODEC, Random(5), now, [TIDEFALL]), 3 * SECOND)
    ended_at = end(hall)
    hall.run(10)
    (led_at,) = [at for at, role in roles(hall, "ticket hut") if role is Role.LEADING]
    assert led_at == ended_at + GOODBYE_BURST_NS[-1] + hall.DELAY + PATIENCE_NS


def last_beacon(hall: Any) -> Beacon:
    beacon: Beacon = [message for _, _, _, message in hall.sent if isinstance(message, Beacon)][-1]
    return beacon


def forge(hall: Any, *names: str) -> None:
    """Let them hear a goodbye that boathouse never said."""
    heard = last_beacon(hall)
    sent_at = LeaderInstant(heard.sent_at + 10 * MILLISECOND)
    forged = heard._replace(serial=heard.serial + 1, sent_at=sent_at, goodbye=True)
    for name in names:
        hall.inject(name, CODEC.encode(forged), "boathouse")


def test_a_forged_goodbye_makes_a_standby_ask_and_nothing_else(hall: Any) -> None:
    hall.run(1.3)
    told = len(roles(hall, "ticket hut"))
    for _ in range(5):
        forge(hall, "ticket hut")
        hall.run(2.1)
    changes = [role for _, role in roles(hall, "ticket hut")[told:]]
    assert changes == [Role.ASKING, Role.STANDBY] * 5
    assert role_of(hall, "boathouse") is Role.LEADING


def test_after_an_answer_patience_is_as_long_as_ever(hall: Any) -> None:
    hall.run(1.3)
    forge(hall, "ticket hut")
    hall.run(0.01)
    assert role_of(hall, "ticket hut") is Role.STANDBY
    answered_at = hall.now
    hall.crash("boathouse")
    hall.run(4.9)
    assert role_of(hall, "ticket hut") is Role.STANDBY
    hall.run(10)
    led_at, role = roles(hall, "ticket hut")[-1]
    assert role is Role.LEADING
    assert led_at - answered_at > 5 * INTERVAL + ASK_PATIENCE_NS


def test_a_leader_that_has_said_goodbye_is_lost_after_two_intervals_and_the_show_goes_on(make_hall: Maker) -> None:
    hall = garden(make_hall)
    ended_at = end(hall)
    hall.run(60)
    for name in ("jetty", "willow"):
        (lost,) = hall.nodes[name].told(LeaderLost)
        last_at = ended_at + GOODBYE_BURST_NS[-1] + hall.DELAY
        assert lost.at - hall.nodes[name].offset_ns == last_at + GOODBYE_INTERVALS * INTERVAL
    assert is_lit(hall)


def test_a_forged_goodbye_is_over_with_the_next_beacon(hall: Any) -> None:
    hall.run(1.3)
    forge(hall, "jetty")
    hall.run(30)
    jetty = hall.nodes["jetty"]
    assert jetty.told(LeaderLost) == []
    assert jetty.told(LeaderReturned) == []
    assert jetty.core.goodbye_at is None
    assert is_lit(hall)


def test_a_goodbye_of_a_tenure_that_is_not_followed_means_nothing(hall: Any) -> None:
    hall.run(1.3)
    strange = last_beacon(hall)._replace(leader=0xFFFF_FFFF, rank=9, tenure=77, goodbye=True)
    for name in ("jetty", "ticket hut"):
        hall.inject(name, CODEC.encode(strange), "nowhere")
    assert hall.nodes["jetty"].core.goodbye_at is None
    assert role_of(hall, "ticket hut") is Role.STANDBY
