from __future__ import annotations

import zoneinfo
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from leadlight.cue import NO_SHOW, START, Cue, ShowLine
from leadlight.errors import ConfigurationError
from leadlight.evening.running_order import (
    PlannedCue,
    PlannedShow,
    RunningOrder,
    instant_of,
    leader_instant,
    parse_running_order,
)
from leadlight.terms import CueState
from leadlight.units import MICROSECOND, MINUTE, SECOND, LeaderInstant, ShowPosition

BERLIN = ZoneInfo("Europe/Berlin")
NEW_YORK = ZoneInfo("America/New_York")
LENGTHS = {"Tidefall": 192 * SECOND, "Night Ferry": 167 * SECOND, "Embers": 245 * SECOND, "Hour": 3600 * SECOND}
HEAD = 'running_order = 1\ntimezone = "Europe/Berlin"\n'
QUARRY = (
    HEAD
    + """
[[evenings]]
days = ["friday", "saturday"]
starts = ["17:00", "19:30"]
off = "22:00"
gap = 20
shows = ["Tidefall", { show = "Night Ferry", gap = 0 }, "Embers"]
"""
)
FRIDAY = date(2026, 12, 4)


def order(text: str = QUARRY) -> RunningOrder:
    return parse_running_order(text, LENGTHS, "quarry.toml")


def hourly(zone: str, starts: str, off: str, more: str = "") -> RunningOrder:
    """An order of the one-hour show, each evening."""
    return order(
        f'running_order = 1\ntimezone = "{zone}"\n[[evenings]]\nstarts = {starts}\noff = "{off}"\n'
        f'shows = ["Hour"]\n{more}'
    )


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def test_an_evening_is_its_shows_with_dark_between_them_in_utc() -> None:
    cues = order().evening(FRIDAY)
    assert cues[:5] == [
        PlannedCue(utc("2026-12-04 16:00:00"), "Tidefall"),
        PlannedCue(utc("2026-12-04 16:03:12"), None),
        PlannedCue(utc("2026-12-04 16:03:32"), "Night Ferry"),
        PlannedCue(utc("2026-12-04 16:06:19"), "Embers"),  # no gap, no dark
        PlannedCue(utc("2026-12-04 16:10:24"), None),
    ]
    assert cues[5] == PlannedCue(utc("2026-12-04 18:30:00"), "Tidefall")
    assert len(cues) == 10


def test_a_day_that_is_not_listed_has_no_evening() -> None:
    assert order().evening(FRIDAY - timedelta(days=1)) == []
    assert order().evening(FRIDAY + timedelta(days=2)) == []


def test_shows_repeat_until_the_time_said_and_none_begins_at_it() -> None:
    again = hourly("Europe/Berlin", '["17:00"]', "23:00", 'repeat_until = "20:00"')
    (evening,) = again.evenings(FRIDAY, FRIDAY)
    assert [show.begins_at.hour for show in evening.shows] == [16, 17, 18]
    assert [cue.show for cue in evening.cues()] == ["Hour", "Hour", "Hour", None]


def test_no_show_begins_that_could_not_end_by_the_next_start_or_by_off() -> None:
    cut = hourly("Europe/Berlin", '["17:00", "18:30"]', "20:29:59", 'repeat_until = "20:29"')
    (evening,) = cut.evenings(FRIDAY, FRIDAY)
    begins = [[show.begins_at.strftime("%H:%M") for show in run.shows] for run in evening.runs]
    assert begins == [["16:00"], ["17:30"]]
    to_the_second = hourly("Europe/Berlin", '["17:00", "18:00"]', "20:00", 'repeat_until = "20:00"')
    (evening,) = to_the_second.evenings(FRIDAY, FRIDAY)
    assert [len(run.shows) for run in evening.runs] == [1, 2]


def test_lengths_and_gaps_add_up_without_rounding_on_the_way() -> None:
    third = {"Third": SECOND + SECOND // 3}
    text = HEAD + '[[evenings]]\nstarts = ["17:00"]\nrepeat_until = "18:00"\noff = "18:00"\nshows = ["Third"]\n'
    (evening,) = parse_running_order(text, third).evenings(FRIDAY, FRIDAY)
    assert len(evening.shows) == 2700
    assert evening.shows[2699].begins_at == utc("2026-12-04 16:59:58.666665")  # 2699 · 1.333333333 s


def test_an_evening_goes_on_after_midnight_and_belongs_to_the_day_it_began() -> None:
    late = hourly("Europe/Berlin", '["23:30", "00:45"]', "02:00")
    (evening,) = late.evenings(FRIDAY, FRIDAY)
    assert [show.begins_at for show in evening.shows] == [utc("2026-12-04 22:30"), utc("2026-12-04 23:45")]
    assert evening.off_at == utc("2026-12-05 01:00")
    assert evening.day == FRIDAY


# -- changes of the clocks ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zone", "local", "instant"),
    [
        (BERLIN, "2026-03-29 01:59:59", "2026-03-29 00:59:59"),
        (BERLIN, "2026-03-29 02:00:00", "2026-03-29 01:00:00"),  # skipped, from here
        (BERLIN, "2026-03-29 02:30:00", "2026-03-29 01:00:00"),
        (BERLIN, "2026-03-29 02:59:59", "2026-03-29 01:00:00"),  # to here
        (BERLIN, "2026-03-29 03:00:00", "2026-03-29 01:00:00"),
        (BERLIN, "2026-03-29 03:00:01", "2026-03-29 01:00:01"),
        (BERLIN, "2026-10-25 01:59:59", "2026-10-24 23:59:59"),
        (BERLIN, "2026-10-25 02:00:00", "2026-10-25 00:00:00"),  # comes twice, from here
        (BERLIN, "2026-10-25 02:59:59", "2026-10-25 00:59:59"),  # to here: the first coming
        (BERLIN, "2026-10-25 03:00:00", "2026-10-25 02:00:00"),
        (NEW_YORK, "2026-03-08 02:30:00", "2026-03-08 07:00:00"),
        (NEW_YORK, "2026-03-08 03:00:00", "2026-03-08 07:00:00"),
        (NEW_YORK, "2026-11-01 01:30:00", "2026-11-01 05:30:00"),
        (NEW_YORK, "2026-11-01 02:00:00", "2026-11-01 07:00:00"),
        (ZoneInfo("Pacific/Apia"), "2011-12-30 12:00:00", "2011-12-30 10:00:00"),  # a whole day was skipped
        (ZoneInfo("Australia/Lord_Howe"), "2026-10-04 02:10:00", "2026-10-03 15:30:00"),  # half an hour was
    ],
)
def test_a_local_time_means_one_instant_whatever_the_clocks_do(zone: ZoneInfo, local: str, instant: str) -> None:
    assert instant_of(datetime.fromisoformat(local), zone) == utc(instant)


@pytest.mark.parametrize("zone", [BERLIN, NEW_YORK])
@pytest.mark.parametrize("day", ["2026-03-08", "2026-03-29", "2026-10-25", "2026-11-01"])
def test_later_local_times_never_mean_earlier_instants(zone: ZoneInfo, day: str) -> None:
    minutes = [datetime.fromisoformat(day) + timedelta(minutes=minute) for minute in range(24 * 60)]
    instants = [instant_of(minute, zone) for minute in minutes]
    assert instants == sorted(instants)


def test_the_night_the_clocks_go_forward_has_an_hour_less() -> None:
    night = hourly("Europe/Berlin", '["23:00"]', "05:00", 'repeat_until = "05:00"')
    counts = {day: len(night.evening(date(2026, 3, day))) - 1 for day in (27, 28, 29)}
    assert counts == {27: 6, 28: 5, 29: 6}


def test_the_night_the_clocks_go_back_has_an_hour_more() -> None:
    night = hourly("America/New_York", '["23:00"]', "05:00", 'repeat_until = "05:00"')
    counts = {str(day): len(night.evening(day)) - 1 for day in (date(2026, 10, 30), date(2026, 10, 31))}
    assert counts == {"2026-10-30": 6, "2026-10-31": 7}


def test_starts_by_the_wall_clock_keep_their_local_hour_across_the_change() -> None:
    evenings = hourly("Europe/Berlin", '["17:00"]', "22:00").evenings(date(2026, 10, 24), date(2026, 10, 25))
    assert [evening.begins_at for evening in evenings] == [utc("2026-10-24 15:00"), utc("2026-10-25 16:00")]


def test_a_skipped_start_is_at_the_jump_and_a_skipped_off_too() -> None:
    (evening,) = hourly("Europe/Berlin", '["02:30"]', "06:00").evenings(date(2026, 3, 29), date(2026, 3, 29))
    assert evening.begins_at == utc("2026-03-29 01:00")
    (evening,) = hourly("Europe/Berlin", '["20:00"]', "02:30").evenings(date(2026, 3, 28), date(2026, 3, 28))
    assert evening.off_at == utc("2026-03-29 01:00")


def test_an_off_time_that_comes_twice_is_off_at_the_first() -> None:
    late = hourly("America/New_York", '["20:00"]', "01:30")
    assert late.off_at(utc("2026-11-01 00:00")) == utc("2026-11-01 05:30")


def test_the_preview_tells_seven_nights_in_local_time_across_the_clocks_going_back() -> None:
    assert order().preview(utc("2026-10-22 12:00")) == [
        "Thu 2026-10-22  no shows",
        "Fri 2026-10-23  17:00 CEST to 22:00 CEST",
        "  17:00 CEST  Tidefall, Night Ferry, Embers: 3 shows, the last ends 17:10:24 CEST",
        "  19:30 CEST  Tidefall, Night Ferry, Embers: 3 shows, the last ends 19:40:24 CEST",
        "Sat 2026-10-24  the clocks go back by 60 min in this night",
        "Sat 2026-10-24  17:00 CEST to 22:00 CEST",
        "  17:00 CEST  Tidefall, Night Ferry, Embers: 3 shows, the last ends 17:10:24 CEST",
        "  19:30 CEST  Tidefall, Night Ferry, Embers: 3 shows, the last ends 19:40:24 CEST",
        "Sun 2026-10-25  no shows",
        "Mon 2026-10-26  no shows",
        "Tue 2026-10-27  no shows",
        "Wed 2026-10-28  no shows",
    ]


def test_the_preview_tells_a_start_that_the_clocks_skip() -> None:
    night = hourly("America/New_York", '["02:30", "04:00"]', "05:00")
    assert night.preview(utc("2026-03-07 12:00"), nights=2) == [
        "Sat 2026-03-07  the clocks go forward by 60 min in this night",
        "Sat 2026-03-07  02:30 EST to 05:00 EST, over",
        "  02:30 EST  Hour: 1 show, the last ends 03:30 EST",
        "  04:00 EST  Hour: 1 show, the last ends 05:00 EST",
        "Sun 2026-03-08  03:00 EDT to 05:00 EDT",
        "  03:00 EDT (02:30 is skipped by the clocks)  Hour: 1 show, the last ends 04:00 EDT",
        "  04:00 EDT  Hour: 1 show, the last ends 05:00 EDT",
    ]


def test_the_preview_says_where_nothing_fits() -> None:
    night = hourly("Europe/Berlin", '["01:30", "03:00"]', "05:00")
    assert "  01:30 CET  nothing fits" in night.preview(utc("2026-03-28 12:00"), nights=2)


def test_the_preview_begins_with_the_night_that_is_going_on() -> None:
    late = hourly("Europe/Berlin", '["23:30"]', "02:00")
    lines = late.preview(utc("2026-12-05 00:30"), nights=2)  # 01:30 in Berlin
    assert [line for line in lines if line[0] != " "] == [
        "Fri 2026-12-04  23:30 CET to 02:00 CET",
        "Sat 2026-12-05  23:30 CET to 02:00 CET",
    ]


# -- a restart in the middle -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("now", "show", "position_ns"),
    [
        ("2026-12-04 15:59:59.999999", None, 0),
        ("2026-12-04 16:00:00", "Tidefall", 0),
        ("2026-12-04 16:01:00.000001", "Tidefall", MINUTE + MICROSECOND),
        ("2026-12-04 16:03:11.999999", "Tidefall", 192 * SECOND - MICROSECOND),
        ("2026-12-04 16:03:12", None, 0),
        ("2026-12-04 16:06:19", "Embers", 0),
        ("2026-12-04 16:10:24", None, 0),
        ("2026-12-04 18:30:01", "Tidefall", SECOND),
        ("2026-12-06 16:00:00", None, 0),
    ],
)
def test_what_is_in_force_at_an_instant(now: str, show: str | None, position_ns: int) -> None:
    found = order().in_force(utc(now))
    assert (found and found.show) == show
    assert (found.position if found else 0) == position_ns


def test_a_leader_that_comes_back_resumes_the_line_it_would_have_kept() -> None:
    keys = {show: number for number, show in enumerate(LENGTHS, start=1)}
    # The clock of a leader that has just been switched on again began near zero.
    before = PlannedCue(utc("2026-12-04 16:00"), "Tidefall").cue(
        keys, utc("2026-12-04 15:00"), LeaderInstant(50_000 * SECOND)
    )
    after = order().cue_in_force(keys, utc("2026-12-04 16:01:30.25"), LeaderInstant(9 * SECOND))
    assert before == Cue(1, CueState.ROLLING, ShowLine(LeaderInstant(53_600 * SECOND), START))
    assert after == Cue(1, CueState.ROLLING, ShowLine(LeaderInstant(9 * SECOND), ShowPosition(90_250_000_000)))
    # A minute later both stand at the same place.
    assert before.position_at(LeaderInstant(53_750_250_000_000)) == after.position_at(LeaderInstant(69 * SECOND))


def test_a_restart_in_the_dark_resumes_nothing() -> None:
    assert order().cue_in_force({}, utc("2026-12-04 16:03:20"), LeaderInstant(0)) is None


def test_a_restart_after_midnight_finds_the_evening_of_the_day_before() -> None:
    late = hourly("Europe/Berlin", '["23:30"]', "02:00")
    found = late.in_force(utc("2026-12-04 23:15"))
    assert found is not None
    assert found.planned == PlannedShow("Hour", utc("2026-12-04 22:30"), utc("2026-12-04 23:30"))
    assert found.position == 45 * MINUTE


def test_a_restart_in_the_hour_that_comes_twice_knows_which_one_it_is() -> None:
    night = hourly("Europe/Berlin", '["01:30"]', "05:00", 'repeat_until = "04:00"')
    first, second = utc("2026-10-25 00:15"), utc("2026-10-25 01:15")
    assert first.astimezone(BERLIN).replace(tzinfo=None) == second.astimezone(BERLIN).replace(tzinfo=None)
    found = [night.in_force(instant) for instant in (first, second)]
    assert [playing and playing.planned.begins_at for playing in found] == [
        utc("2026-10-24 23:30"),
        utc("2026-10-25 00:30"),
    ]


def test_a_dark_cue_has_no_show() -> None:
    cue = PlannedCue(utc("2026-12-04 16:03:12"), None).cue({}, utc("2026-12-04 16:03:02"), LeaderInstant(SECOND))
    assert cue == Cue(NO_SHOW, CueState.DARK, ShowLine(LeaderInstant(11 * SECOND), START))


def test_the_changes_of_a_span_are_told_once_each() -> None:
    whole = order().evening(FRIDAY) + order().evening(FRIDAY + timedelta(days=1))
    hours = [utc("2026-12-04 00:00") + timedelta(hours=hour) for hour in range(48)]
    told = [cue for hour in hours for cue in order().cues_between(hour, hour + timedelta(hours=1))]
    assert told == whole


# -- off ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("now", "off"),
    [
        ("2026-12-04 17:00", "2026-12-04 21:00"),
        ("2026-12-04 20:59:59", "2026-12-04 21:00"),
        ("2026-12-04 21:00", "2026-12-05 21:00"),
        ("2026-12-05 21:00", "2026-12-11 21:00"),
    ],
)
def test_off_is_that_of_the_evening_going_on_or_of_the_next(now: str, off: str) -> None:
    assert order().off_at(utc(now)) == utc(off)


def test_an_off_time_becomes_a_leader_instant() -> None:
    now = utc("2026-12-04 17:00")
    assert leader_instant(order().off_at(now), now, LeaderInstant(SECOND)) == 14_401 * SECOND


# -- the file ----------------------------------------------------------------------------------------------------


def evening(**changes: str | None) -> str:
    plain: dict[str, str | None] = {"starts": '["17:00"]', "off": '"22:00"', "shows": '["Tidefall"]'}
    lines = [f"{key} = {value}" for key, value in (plain | changes).items() if value is not None]
    return "\n".join(["[[evenings]]", *lines, ""])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "running_order: None is not allowed; allowed: version 1"),
        ("running_order = 2", "running_order: 2 is not allowed; allowed: version 1"),
        ("running_order = 1", "'no evenings'"),
        ("running_order =", "TOML"),
        (HEAD + "evenings = []", "evenings: []"),
        (HEAD + "evenings = [5]", "evenings[0]: 5"),
        (HEAD + "colour = 1\n" + evening(), "'colour' is not allowed; allowed: the keys evenings"),
        ('running_order = 1\ntimezone = "Europe/Quarry"\n' + evening(), "timezone: 'Europe/Quarry'"),
        ('running_order = 1\ntimezone = "../etc"\n' + evening(), "IANA time zone database"),
        ('running_order = 1\ntimezone = "Europe"\n' + evening(), "IANA time zone database"),
        ("running_order = 1\ntimezone = 1\n" + evening(), "timezone: 1"),
        (HEAD + evening(off=None), "evenings[0]: 'no off'"),
        (HEAD + evening(starts="[]"), "evenings[0].starts: []"),
        (HEAD + evening(starts='["17:00", "17:00", "18:00"]'), "evenings[0].starts[2]: '18:00'"),
        (HEAD + evening(starts='["17:00", "19:00", "18:00"]'), "evenings[0].starts[2]: '18:00'"),
        (HEAD + evening(starts='["25:00"]'), "evenings[0].starts[0]: '25:00'"),
        (HEAD + evening(starts='["5 pm"]'), "'HH:MM' or 'HH:MM:SS'"),
        (HEAD + evening(starts="[17:00:00]"), "evenings[0].starts[0]: '17:00:00'"),
        (HEAD + evening(starts='["17:00", "19:00"]', off='"18:00"'), "evenings[0].off: '18:00'"),
        (HEAD + evening(repeat_until='"22:01"'), "evenings[0].repeat_until: '22:01'"),
        (HEAD + evening(starts='["17:00", "19:00"]', repeat_until='"19:00"'), "after the last start"),
        (HEAD + evening(days='["fri"]'), "evenings[0].days: 'fri' is not allowed; allowed: monday, tuesday"),
        (HEAD + evening(days="[]"), "at least one day"),
        (HEAD + evening(gap="-1"), "evenings[0].gap: -1"),
        (HEAD + evening(gap="nan"), "evenings[0].gap: nan"),
        (HEAD + evening(gap="true"), "evenings[0].gap: True"),
        (HEAD + evening(shows="[]"), "at least one show"),
        (HEAD + evening(shows='["Moonrise"]'), "evenings[0].shows[0]: 'Moonrise' is not allowed; allowed: a show"),
        (HEAD + evening(shows='["Flash"]'), "a show of at least 1 s"),
        (HEAD + evening(shows="[{ gap = 5 }]"), "evenings[0].shows[0]: 'no show'"),
        (HEAD + evening(shows='[{ show = "Tidefall", gap = "long" }]'), "evenings[0].shows[0].gap: 'long'"),
        (HEAD + evening(shows='[{ show = "Tidefall", loud = 5 }]'), "the keys gap, show"),
    ],
)
def test_what_is_wrong_with_a_running_order_is_named(text: str, said: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        parse_running_order(text, LENGTHS | {"Flash": SECOND - 1}, "quarry.toml")
    assert said in str(caught.value)
    assert str(caught.value).startswith("quarry.toml: ")


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (evening(), evening(days='["friday"]')),
        (evening(days='["friday"]', off='"18:00"'), evening(days='["friday"]', starts='["17:59"]')),
        (evening(days='["sunday"]', off='"01:00"'), evening(days='["monday"]', starts='["00:30"]', off='"03:00"')),
    ],
    ids=["same", "same day", "over the week's end"],
)
def test_evenings_that_overlap_are_refused(first: str, second: str) -> None:
    with pytest.raises(ConfigurationError, match="has not begun"):
        order(HEAD + first + second)


def test_evenings_may_follow_each_other_to_the_second() -> None:
    matinee = evening(days='["friday"]', off='"18:00"')
    two = order(HEAD + matinee + evening(days='["friday"]', starts='["18:00"]', repeat_until='"19:00"'))
    assert len(two.evenings(FRIDAY, FRIDAY)) == 2
    round_the_clock = order(HEAD + evening(off='"17:00"'))
    assert round_the_clock.off_at(utc("2026-12-04 17:00")) == utc("2026-12-05 16:00")
    assert order(HEAD + evening(days='["friday"]', off='"17:00"')).evening(FRIDAY)


def test_an_instant_without_a_time_zone_is_refused() -> None:
    with pytest.raises(ConfigurationError, match="time zone"):
        order().in_force(utc("2026-12-04 16:00").replace(tzinfo=None))


def test_a_system_without_time_zone_data_is_told_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_zone(key: str) -> ZoneInfo:
        raise zoneinfo.ZoneInfoNotFoundError(key)

    monkeypatch.setattr(zoneinfo, "ZoneInfo", no_zone)
    monkeypatch.setattr(zoneinfo, "available_timezones", set)
    with pytest.raises(ConfigurationError, match="pip install tzdata"):
        order()
