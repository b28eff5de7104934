"""What all tests share: how hypothesis looks for examples, and one plain message of each kind to vary."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import settings

from leadlight.cue import Cue, ShowLine, show_key
from leadlight.messages import Beacon, Echo, Sounding, Tally
from leadlight.terms import ClockState, ContentState, CueState
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition

# `ci` finds the same examples every time, so that a change is blamed for its own failures; `nightly` looks further.
settings.register_profile("ci", deadline=None, derandomize=True)
settings.register_profile("nightly", deadline=None, max_examples=2_000, print_blob=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))

Maker = Callable[..., Any]


@pytest.fixture(scope="session")
def a_cue() -> Cue:
    return Cue(show_key("Tidefall"), CueState.ROLLING, ShowLine(LeaderInstant(100 * SECOND), ShowPosition(0)))


@pytest.fixture(scope="session")
def make_beacon(a_cue: Cue) -> Maker:
    def make(**changes: Any) -> Beacon:
        plain: dict[str, Any] = {
            "leader": 11,
            "rank": 0,
            "tenure": 7,
            "timebase": 9,
            "serial": 1_000,
            "sent_at": LeaderInstant(101 * SECOND),
            "interval_ns": 500 * MILLISECOND,
            "sounding_budget": 60,
            "group_size": 8,
            "off_at": None,
            "marker": None,
            "cue": a_cue,
            "next_cue": None,
            "marks": (),
            "delay_radio": None,
            "delay_doubt_ns": 0,
            "group_delays": (),
        }
        return Beacon(**(plain | changes))

    return make


@pytest.fixture(scope="session")
def make_sounding() -> Maker:
    def make(**changes: Any) -> Sounding:
        plain: dict[str, Any] = {
            "follower": 21,
            "tenure": 7,
            "nonce": 77,
            "sent_at": LocalInstant(5 * SECOND),
            "cookie": None,
            "radio": None,
        }
        return Sounding(**(plain | changes))

    return make


@pytest.fixture(scope="session")
def make_echo() -> Maker:
    def make(**changes: Any) -> Echo:
        plain: dict[str, Any] = {
            "leader": 11,
            "tenure": 7,
            "timebase": 9,
            "nonce": 77,
            "received_at": LeaderInstant(101 * SECOND),
            "sent_at": LeaderInstant(101 * SECOND + 1),
            "cookie": 5,
        }
        return Echo(**(plain | changes))

    return make


@pytest.fixture(scope="session")
def make_tally() -> Maker:
    def make(**changes: Any) -> Tally:
        plain: dict[str, Any] = {
            "follower": 21,
            "instance": 31,
            "serial": 5,
            "tenure": 7,
            "turn": None,
            "clock": ClockState.LOCKED,
            "cue_state": CueState.ROLLING,
            "bound_ns": 2 * MILLISECOND,
            "beacon_loss_permille": 10,
            "content": ContentState.PRESENT,
            "radio": None,
            "show": show_key("Tidefall"),
            "frame": 40,
            "late_frames": 0,
            "live_data": False,
            "unverified": False,
            "name": "jetty",
        }
        return Tally(**(plain | changes))

    return make
