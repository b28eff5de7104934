from __future__ import annotations

import datetime
from random import Random
from zoneinfo import ZoneInfo

import pytest

from leadlight.cue import Cue, ShowLine, dark_cue, show_key
from leadlight.errors import ConfigurationError
from leadlight.evening.start import position_in_words, show_start, wait_in_words
from leadlight.leader.leader import Leader
from leadlight.leader.settings import LeaderSettings
from leadlight.terms import CueState
from leadlight.units import HOUR, MINUTE, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire.codec import Codec

UTC = datetime.UTC
NINE_IN_THE_EVENING = datetime.datetime(2026, 12, 5, 21, 0, tzinfo=UTC)
LEAD_TIME_NS = 2 * SECOND
TIDEFALL = show_key("tidefall")
NOW = LocalInstant(40 * SECOND)
"""A host that is up for less long than the show is under way."""


def wait_ns(when: str | None, wall_now: datetime.datetime = NINE_IN_THE_EVENING, length_ns: int | None = None) -> int:
    return show_start(when, wall_now, LEAD_TIME_NS, length_ns, UTC).wait_ns


@pytest.mark.parametrize(
    ("when", "wait_seconds"),
    [
        (None, 2),
        ("+2.5", 2.5),
        ("+0", 0),
        ("21:00:30", 30),
        ("21:05", 300),
        ("21:00", 0),
        ("20:59", -60),
        ("20:00:01", -3599),
        ("20:00", 82_800),
        ("19:59", 82_740),
    ],
)
def test_a_show_begins_at_the_next_such_time_or_is_under_way_since_the_last(
    when: str | None, wait_seconds: float
) -> None:
    assert wait_ns(when) == wait_seconds * SECOND


def test_a_show_is_under_way_until_its_length_is_over() -> None:
    assert wait_ns("20:57", length_ns=3 * MINUTE + 1000) == -3 * MINUTE
    assert wait_ns("20:57", length_ns=3 * MINUTE) == 24 * HOUR - 3 * MINUTE
    assert wait_ns("18:00", length_ns=3 * HOUR + SECOND) == -3 * HOUR
    assert wait_ns("20:00", length_ns=48 * HOUR) == -1 * HOUR


def test_a_show_that_began_before_midnight_is_under_way_after_it() -> None:
    assert wait_ns("23:58", datetime.datetime(2026, 12, 6, 0, 1, 30, tzinfo=UTC)) == -210 * SECOND


def test_a_time_of_day_is_one_by_the_clocks_that_go_back_that_night() -> None:
    berlin = ZoneInfo("Europe/Berlin")
    evening = datetime.datetime(2026, 10, 24, 22, 0, tzinfo=berlin)
    # The clocks go back by an hour in between.
    assert show_start("10:00", evening, LEAD_TIME_NS, zone=berlin).wait_ns == 13 * HOUR


@pytest.mark.parametrize(
    "when",
    ["", "25:00", "+", "+nan", "+-3", "+1e300", "noon", "10", "1000", "T10:00", "9:30", "10:00:00.5", "10:00+01:00"],
)
def test_a_time_that_is_none_is_refused(when: str) -> None:
    with pytest.raises(ConfigurationError, match=r"--show-at: .* is not allowed"):
        wait_ns(when)


def test_it_is_said_when_a_show_begins_and_where_it_is() -> None:
    def told(when: str | None, length_ns: int | None = None) -> str:
        return show_start(when, NINE_IN_THE_EVENING, LEAD_TIME_NS, length_ns, UTC).told("tidefall")

    assert told("21:05") == "tidefall begins at 21:05:00, in 5 min 0 s"
    assert told("20:57", MINUTE) == "tidefall begins tomorrow 20:57:00, in 23 h 57 min"
    assert told("20:58:37", 3 * MINUTE) == "tidefall began at 20:58:37 and resumes at 0:01:23"
    assert told("+10") == (
        "tidefall begins at 21:00:10, in 10 s; a restart begins it anew, unless --show-at gives a time of day"
    )


def test_a_length_that_is_assumed_is_said_where_it_mattered() -> None:
    assumed = "; taken to last 1 h 0 min, as neither --duration nor --manifest says how long"
    for when in ("20:58", "17:00"):
        assert show_start(when, NINE_IN_THE_EVENING, LEAD_TIME_NS, None, UTC).told("tidefall").endswith(assumed)


def leader(listen_intervals: int) -> Leader:
    return Leader(
        LeaderSettings("boathouse", listen_intervals=listen_intervals), Codec("quarry lake"), Random(1), NOW
    )


@pytest.mark.parametrize("listen_intervals", [0, 7])
def test_a_leader_that_is_started_again_takes_the_show_up_where_it_is(listen_intervals: int) -> None:
    node = leader(listen_intervals)
    start = show_start("20:58:37", NINE_IN_THE_EVENING, LEAD_TIME_NS, 3 * MINUTE, UTC)
    start.give(node, TIDEFALL, NOW, 3 * MINUTE)
    node.handle_timer(node.listens_until)
    assert node.is_leading
    assert node.cue == Cue(TIDEFALL, CueState.ROLLING, ShowLine(LeaderInstant(NOW), ShowPosition(83 * SECOND)))
    assert node.scheduled == (dark_cue(LeaderInstant(NOW + 97 * SECOND)),)


def test_a_show_to_come_is_scheduled_from_its_beginning() -> None:
    node = leader(0)
    show_start("21:05", NINE_IN_THE_EVENING, LEAD_TIME_NS, None, UTC).give(node, TIDEFALL, NOW)
    assert node.cue.state is CueState.DARK
    begins_at = LeaderInstant(NOW + 5 * MINUTE)
    assert node.scheduled == (Cue(TIDEFALL, CueState.ROLLING, ShowLine(begins_at, ShowPosition(0))),)


def test_positions_and_waits_are_told_for_people() -> None:
    assert position_in_words(0) == "0:00:00"
    assert position_in_words(3 * HOUR + 25 * MINUTE + 7 * SECOND + 999_999_999) == "3:25:07"
    assert wait_in_words(2_500_000_000) == "2.5 s"
    assert wait_in_words(MINUTE) == "1 min 0 s"
    assert wait_in_words(24 * HOUR - 1) == "23 h 59 min"
