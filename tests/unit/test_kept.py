"""What a leader keeps for its next start, made plain and read again."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import pytest

from leadlight.clock.estimator import Estimate
from leadlight.cue import Cue, ShowLine, show_key
from leadlight.errors import ConfigurationError
from leadlight.leader.kept import kept_as_plain, kept_from_plain
from leadlight.leader.tenure import Inheritance
from leadlight.terms import CueState
from leadlight.units import MINUTE, SECOND, LeaderInstant, LocalInstant, ShowPosition

LINE = ShowLine(LeaderInstant(100 * SECOND), ShowPosition(SECOND), -12_345)
KEPT = Inheritance(
    timebase=9,
    clock=Estimate(LocalInstant(200 * SECOND), 77, -50e-6, 0.0, 0.0),
    cue=Cue(show_key("Tidefall"), CueState.ROLLING, LINE, LeaderInstant(90 * SECOND)),
    scheduled=(Cue(show_key("Embers"), CueState.PAUSED, LINE, None),),
    off_at=LeaderInstant(9_000 * SECOND),
)


@pytest.mark.parametrize("off_at", [KEPT.off_at, None])
def test_what_was_kept_is_read_again_after_a_boot_that_moved_the_clock(off_at: LeaderInstant | None) -> None:
    kept = replace(KEPT, off_at=off_at)
    plain = json.loads(json.dumps(kept_as_plain(kept, 7 * MINUTE)))
    assert plain["clock"] == [200 * SECOND + 7 * MINUTE, 77 + 7 * MINUTE, -50e-6]
    assert kept_from_plain(plain, 7 * MINUTE) == kept
    assert kept_from_plain(plain, 0).clock[:2] == (200 * SECOND + 7 * MINUTE, 77 + 7 * MINUTE)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("timebase", 0),
        ("timebase", 1 << 32),
        ("clock", [0, 0]),
        ("clock", [1 << 62, 0, 0.0]),
        ("clock", [0, -(1 << 62), 0.0]),
        ("clock", [0, 0, 0.0011]),
        ("clock", [0, 0, math.nan]),
        ("clock", [0, 0, "0.0"]),
        ("clock", [0, 0, True]),
        ("off_at", -1),
        ("off_at", 1 << 62),
        ("cue", ["zz", "ROLLING", 0, 0, 0, None]),
        ("cue", ["0000000000000001", "RUNNING", 0, 0, 0, None]),
        ("cue", ["0000000000000001", "ROLLING", 0, 0, 0, -1]),
        ("scheduled", [[]]),
        ("scheduled", None),
    ],
)
def test_what_no_leader_writes_is_refused(field: str, value: Any) -> None:
    with pytest.raises(ConfigurationError):
        kept_from_plain(kept_as_plain(KEPT, 0) | {field: value}, 0)


@pytest.mark.parametrize("rate", [0, 0.001, -0.001])
def test_a_rate_of_a_thousandth_either_way_is_read(rate: float) -> None:
    assert kept_from_plain(kept_as_plain(KEPT, 0) | {"clock": [0, 0, rate]}, 0).clock.rate == rate
