"""What SPECIFICATION's second table of threats admits, and that it is no worse: each ends soon after its doer ceases.

Boathouse leads jetty and willow, Tidefall rolls. With a key, who does it is a member.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from random import Random
from typing import Any

import pytest

from leadlight.cue import Cue, FrameRate, ShowLine
from leadlight.follower.follower import Follower
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.leader import Leader
from leadlight.leader.settings import LeaderSettings
from leadlight.playback.content import StoredShow
from leadlight.playback.fader import RETURN_FADE_NS
from leadlight.playback.stage import UNKEYED_SPACING_NS
from leadlight.terms import CueState
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, ShowPosition
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon
from leadlight.wire.tags import KeyRing

Maker = Callable[..., Any]

CODECS = {"unkeyed": Codec("Quarry Lake"), "keyed": Codec("Quarry Lake", KeyRing({1: b"a lantern's key!"}))}
INTERVAL = 500 * MILLISECOND
TIDEFALL = StoredShow("Tidefall", FrameRate(40), 600 * 40)
EMBERS = StoredShow("Embers", FrameRate(40), 600 * 40)
PIECES = ("jetty", "willow")
BACK_WITHIN_S = (2 * INTERVAL + UNKEYED_SPACING_NS + RETURN_FADE_NS) / SECOND + 1
"""The next beacons, the spacing of changes without a key, the fade, and a second for a stop to fade out first."""


@pytest.fixture(params=sorted(CODECS))
def hall(request: pytest.FixtureRequest, make_hall: Maker) -> Any:
    hall = make_hall(CODECS[request.param])
    settings = LeaderSettings("boathouse", interval_ns=INTERVAL, listen_intervals=0)
    hall.add("boathouse", lambda now: Leader(settings, hall.codec, Random(1), now, [TIDEFALL, EMBERS]))
    for name, offset_s in (("jetty", 40), ("willow", -70)):
        made = FollowerSettings(name)
        hall.add(
            name, lambda _, m=made: Follower(m, hall.codec, Random(m.name), [TIDEFALL, EMBERS]), offset_s * SECOND
        )
    hall.nodes["boathouse"].core.roll(TIDEFALL.key, hall.local("boathouse"))
    hall.run(30)
    return hall


def forge(hall: Any, make_beacon: Maker, **changes: Any) -> None:
    """Let both pieces hear the beacon that the leader might send now, but for what is changed."""
    last = next(message for _, who, _, message in reversed(hall.sent) if who == "boathouse" and type(message) is Beacon)
    node = hall.nodes["boathouse"].core
    plain = {"serial": last.serial + 1, "sent_at": LeaderInstant(hall.now), "cue": node.cue, "next_cue": None}
    for name in PIECES:
        hall.inject(name, hall.codec.encode(last._replace(**(plain | changes))), "boathouse")


def is_well(hall: Any) -> bool:
    node = hall.nodes["boathouse"].core
    due = node.cue.position_at(node.leader_at(hall.local("boathouse"))) * 40 // SECOND
    shown = [hall.nodes[name].core.shown(hall.local(name)) for name in PIECES]
    return all(
        one.frame is not None and one.show.key == node.cue.show and abs(one.frame - due) <= 1 and one.level == 1.0
        for one in shown
    )


def cue_of(hall: Any, state: CueState, show: int = EMBERS.key, ahead_s: float = 0.0) -> Cue:
    at = LeaderInstant(hall.now + round(ahead_s * SECOND))
    return Cue(show, state, ShowLine(at, ShowPosition(0)), LeaderInstant(hall.now))


@pytest.mark.parametrize("state", CueState)
def test_one_forged_cue_is_over_soon_after_the_next_beacons(hall: Any, make_beacon: Maker, state: CueState) -> None:
    forge(hall, make_beacon, cue=cue_of(hall, state))
    hall.run(BACK_WITHIN_S)
    assert is_well(hall)


@pytest.mark.parametrize("state", CueState)
def test_one_forged_announcement_is_taken_back_by_the_next_beacon(
    hall: Any, make_beacon: Maker, state: CueState
) -> None:
    forge(hall, make_beacon, next_cue=cue_of(hall, state, ahead_s=2))
    for _ in range(8):
        hall.run(0.5)
        assert is_well(hall)


def test_a_steady_sender_of_stops_keeps_a_group_dark_only_while_it_sends(hall: Any, make_beacon: Maker) -> None:
    for _ in range(40):
        forge(hall, make_beacon, cue=cue_of(hall, CueState.STOPPED, TIDEFALL.key))
        hall.run(INTERVAL / 2 / SECOND)
    assert not is_well(hall)
    # The leader hears of it from its followers all the while.
    assert any(entry.tally.cue_state is CueState.STOPPED for entry in hall.nodes["boathouse"].core.roster)
    hall.run(BACK_WITHIN_S + 2 * INTERVAL / SECOND)
    assert is_well(hall)


def test_a_steady_sender_changes_the_picture_no_more_often_than_every_two_seconds_without_a_key(
    hall: Any, make_beacon: Maker
) -> None:
    """A member may do so as often as a show does: its key says that it may lead."""
    changes: list[int] = []
    before = None
    for number in range(400):
        forge(hall, make_beacon, cue=cue_of(hall, CueState.ROLLING, (TIDEFALL, EMBERS)[number % 2].key))
        hall.run(0.05)
        show = hall.nodes["jetty"].core.shown(hall.local("jetty")).show
        if before is not None and show is not before:
            changes.append(hall.now)
        before = show
    apart = [later - earlier for earlier, later in pairwise(changes)]
    assert changes
    spacing_ns = UNKEYED_SPACING_NS if hall.codec.keys is None else 0
    assert min(apart, default=UNKEYED_SPACING_NS) >= spacing_ns - 50 * MILLISECOND


def test_a_rogue_leader_that_answers_leads_until_a_person_orders_or_it_ceases(hall: Any) -> None:
    """Its identity outranks the boathouse's, and it has the key where there is one."""
    settings = LeaderSettings("pump house", interval_ns=INTERVAL)
    boathouse = hall.nodes["boathouse"].core
    assert settings.identity < boathouse.identity
    rogue = hall.add("pump house", lambda now: Leader(settings, hall.codec, Random(9), now, []), 17 * SECOND)
    rogue.take_back(hall.local("pump house"))
    hall.poke("pump house")
    rogue.go_dark(hall.local("pump house"))
    hall.run(8)
    assert all(hall.nodes[name].core.shown(hall.local(name)).frame is None for name in PIECES)
    hall.crash("pump house")
    hall.run(6)
    assert boathouse.is_leading
    boathouse.roll(TIDEFALL.key, hall.local("boathouse"))
    hall.run(2 + BACK_WITHIN_S)
    assert is_well(hall)
