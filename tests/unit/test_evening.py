"""A leader kept to its running order, by a wall clock and a clock of its own that are both stepped by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from random import Random
from typing import Any

import pytest

from leadlight.cue import NO_SHOW, Cue, ShowLine, show_key
from leadlight.evening.keeper import AHEAD_NS, RENEWED_EVERY_NS, EveningKeeper, Renewal
from leadlight.evening.running_order import RunningOrder, parse_running_order
from leadlight.events import CueTookEffect
from leadlight.leader.leader import Leader
from leadlight.leader.settings import LeaderSettings
from leadlight.terms import CueState, OnMusicLost, Role
from leadlight.units import BILLION, MICROSECOND, MILLISECOND, MINUTE, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon

CODEC = Codec("Quarry Lake")
LENGTHS = {"Tidefall": 192 * SECOND, "Night Ferry": 167 * SECOND, "Embers": 245 * SECOND}
KEYS = {show: show_key(show) for show in LENGTHS}
NAMES = {key: show for show, key in KEYS.items()} | {NO_SHOW: "dark"}
WITH_GAPS = """
running_order = 1
timezone = "UTC"
[[evenings]]
starts = ["17:00"]
repeat_until = "21:30"
off = "22:00"
gap = 20
shows = ["Tidefall", "Night Ferry", "Embers"]
"""
WITHOUT_GAPS = WITH_GAPS.replace("gap = 20", "gap = 0")
LEAD_TIME_NS = 2 * SECOND
ROUNDED_S = 0.011
"""A story is told to a hundredth of a second, so that two of its times differ by that much from what they were."""


def order(text: str = WITH_GAPS) -> RunningOrder:
    return parse_running_order(text, LENGTHS)


def wall(text: str) -> datetime:
    return datetime.fromisoformat(f"2026-12-04 {text}").replace(tzinfo=UTC)


class Host:
    """A host with a clock of its own that starts at ``BOOT``, a wall clock that can be set, and a leader on it.

    ``steered_ppm`` is how much faster the wall clock runs than the host's own.
    """

    BOOT = LocalInstant(500 * SECOND)

    def __init__(
        self, starts: str, text: str = WITH_GAPS, steered_ppm: int = 0, name: str = "boathouse", **settings: Any
    ) -> None:
        plain: dict[str, Any] = {"name": name, "listen_intervals": 0, "lead_time_ns": LEAD_TIME_NS}
        self.now = self.BOOT
        self._wall_at_boot = wall(starts)
        self._steered_ppm = steered_ppm
        self.leader = Leader(LeaderSettings(**(plain | settings)), CODEC, Random(7), self.now)
        self.keeper = EveningKeeper(order(text), KEYS, LENGTHS, self.leader)
        self.story: list[tuple[str, str]] = []
        self.sent: list[bytes] = []
        self._renew_at = self.now

    @property
    def wall_now(self) -> datetime:
        elapsed_ns = self.now - self.BOOT
        elapsed_ns += elapsed_ns * self._steered_ppm // 1_000_000
        return self._wall_at_boot + timedelta(microseconds=elapsed_ns // MICROSECOND)

    def set_wall(self, by: timedelta) -> None:
        self._wall_at_boot += by

    def renew(self) -> Renewal:
        self._renew_at = LocalInstant(self.now + RENEWED_EVERY_NS)
        return self.keeper.renew(self.wall_now, self.now)

    def run(self, seconds: float) -> None:
        """Let time pass, with a reading when one is due."""
        end = LocalInstant(self.now + round(seconds * SECOND))
        while True:
            due = min(self.leader.next_timer() or end, self._renew_at, end)
            self.now = max(self.now, due)
            if self.now >= self._renew_at:
                self.renew()
            self.leader.handle_timer(self.now)
            self.sent += [data for data, _ in self.leader.datagrams_to_send(self.now)]
            self._note()
            if self.now >= end:
                return

    def _note(self) -> None:
        while (event := self.leader.next_event()) is not None:
            if isinstance(event, CueTookEffect):
                seconds = round((event.at - self.BOOT) / SECOND, 2)
                told = f"{seconds:g}"
                self.story.append((told, f"{NAMES[event.cue.show]}"))

    def role(self) -> Role:
        return self.leader.role

    def state(self) -> CueState:
        return self.leader.cue.state

    @property
    def playing(self) -> str:
        return NAMES[self.leader.cue.show]

    @property
    def position_s(self) -> float:
        return self.leader.cue.position_at(LeaderInstant(self.now)) / SECOND


@pytest.mark.slow
def test_an_evening_is_led_from_its_first_show_to_its_off_time() -> None:
    host = Host("16:59:00")
    host.run(60 + 5 * 3600)
    playings = [entry for entry in order().evening(wall("12:00").date()) if entry.show is not None]
    begun = [(at, show) for at, show in host.story if show != "dark"]
    assert begun == [
        (f"{(cue.at - wall('16:59')).total_seconds():g}", cue.show) for cue in playings
    ]
    assert len(begun) > 50
    assert host.playing == "dark"
    assert host.story[:4] == [("60", "Tidefall"), ("252", "dark"), ("272", "Night Ferry"), ("439", "dark")]


def test_what_begins_is_placed_a_few_minutes_ahead_and_no_more() -> None:
    host = Host("16:56:30")
    assert host.renew().placed == ()
    host.run(29.9)
    assert list(host.leader.scheduled) == []
    host.run(30.2)
    scheduled = host.leader.scheduled
    assert len(scheduled) == 2
    cue, dark = scheduled
    assert cue.show == KEYS["Tidefall"]
    assert cue.line == ShowLine(LeaderInstant(Host.BOOT + 210 * SECOND), ShowPosition(0))
    assert dark.line.leader_at - cue.line.leader_at == LENGTHS["Tidefall"]
    assert AHEAD_NS > 2 * RENEWED_EVERY_NS


def test_shows_without_gaps_are_joined_without_dark() -> None:
    host = Host("16:59:00", WITHOUT_GAPS)
    host.run(60 + 192 + 167 + 245 + 10)
    assert host.story == [("60", "Tidefall"), ("252", "Night Ferry"), ("419", "Embers"), ("664", "Tidefall")]


@pytest.mark.parametrize("steered_ppm", [-500, 500])
def test_a_wall_clock_that_is_steered_neither_cuts_a_show_nor_makes_a_gap(steered_ppm: int) -> None:
    host = Host("16:59:00", WITHOUT_GAPS, steered_ppm=steered_ppm)
    host.run(3600)
    begun = [(float(at), show) for at, show in host.story]
    assert "dark" not in [show for _, show in begun]
    for (at, show), (following, _) in pairwise(begun):
        assert following - at == pytest.approx(LENGTHS[show] / SECOND, abs=ROUNDED_S)


def test_a_restart_in_the_middle_of_a_show_resumes_its_line() -> None:
    before = Host("16:59:00")
    before.run(60 + 100)
    again = Host("17:01:40")
    renewal = again.renew()
    assert renewal.resumed is not None
    assert (again.playing, again.position_s) == (before.playing, before.position_s) == ("Tidefall", 100)
    again.run(92 + 20 + 1)
    before.run(92 + 20 + 1)
    assert (again.playing, again.position_s) == (before.playing, before.position_s) == ("Night Ferry", 1)
    assert again.story == [("92", "dark"), ("112", "Night Ferry")]


def test_a_restart_that_has_to_listen_first_resumes_where_the_show_is_by_then() -> None:
    again = Host("17:01:40", listen_intervals=7)
    again.run(6.9)
    assert again.role() is Role.LISTENING
    again.run(1)
    assert again.role() is Role.LEADING
    assert (again.playing, again.position_s) == ("Tidefall", 107.9)


def test_a_show_that_ends_while_a_restart_listens_is_over() -> None:
    again = Host("17:03:08", listen_intervals=7)  # four seconds before its end
    again.run(8)
    assert again.playing == "dark"
    again.run(16.5)
    assert (again.playing, again.position_s) == ("Night Ferry", 0.5)


def test_a_restart_between_shows_is_dark_until_the_next() -> None:
    again = Host("17:03:20")
    assert again.renew().resumed is None
    again.run(11)
    assert again.playing == "dark"
    again.run(1.5)
    assert (again.playing, again.position_s) == ("Night Ferry", 0.5)


# -- the wall clock is set -----------------------------------------------------------------------------------------


def test_what_plays_is_played_to_its_end_whatever_the_wall_clock_says() -> None:
    for by in (timedelta(hours=1), timedelta(hours=-2), timedelta(seconds=90)):
        host = Host("16:59:00")
        host.run(60 + 100)
        cue = host.leader.cue
        host.set_wall(by)
        host.run(91.9)
        assert host.leader.cue == cue
        host.run(0.2)
        assert host.playing == "dark"


def test_what_comes_later_follows_the_new_time_from_the_next_reading_on() -> None:
    host = Host("16:59:00")
    host.run(60 + 30)
    host.set_wall(timedelta(seconds=15))
    host.run(60)  # a reading
    host.run(192 - 90 + 15)
    # The wall clock is 15 s on: Night Ferry begins 5 s after Tidefall's end instead of 20.
    assert host.story == [("60", "Tidefall"), ("252", "dark"), ("257", "Night Ferry")]


def test_a_show_that_should_have_begun_a_moment_ago_begins_late_and_whole() -> None:
    host = Host("16:59:00")
    host.run(60 + 30)
    host.set_wall(timedelta(seconds=50))
    host.run(200)
    # By the new time Night Ferry should begin at 222, thirty seconds before Tidefall has been played.
    assert host.story == [("60", "Tidefall"), ("252", "Night Ferry")]
    # And Embers at 409; the gaps take up the delay from show to show.
    host.run(400)
    assert host.story[2:] == [("419", "Embers"), ("664", "dark"), ("674", "Tidefall")]


def test_a_show_further_back_is_left_out() -> None:
    host = Host("16:59:00")
    host.run(60 + 30)
    host.set_wall(timedelta(seconds=100))
    host.run(300)
    # Night Ferry should have begun 80 s before Tidefall was over; Embers begins at 17:06:39, which now is at 359.
    assert host.story == [("60", "Tidefall"), ("252", "dark"), ("359", "Embers")]


def test_a_wall_clock_set_back_repeats_what_it_says() -> None:
    host = Host("16:59:00")
    host.run(60 + 30)
    host.set_wall(timedelta(seconds=-90))  # 16:59 once more
    host.run(62 + 192)
    assert host.story == [("60", "Tidefall"), ("252", "dark")]
    # At 150 the wall clock says 17:00 again, but Tidefall is still being played, 102 s long: that run is left out.
    host.run(60)
    assert host.story[2:] == [("362", "Night Ferry")]


def test_a_board_without_a_battery_joins_the_show_once_it_is_told_the_time() -> None:
    host = Host("03:00:00")
    host.run(30)
    host.set_wall(wall("17:01:40") - host.wall_now)
    host.run(29.9)
    assert host.playing == "dark"
    host.run(0.2)
    assert host.playing == "Tidefall"
    assert host.position_s == pytest.approx(100 + 30.1)


def test_a_step_of_many_years_takes_no_longer_than_any_other(monkeypatch: pytest.MonkeyPatch) -> None:
    host = Host("17:00:00")
    host.set_wall(timedelta(days=-20_000))
    host.renew()
    asked: list[timedelta] = []
    plan = RunningOrder.cues_between

    def cues_between(self: RunningOrder, since: datetime, until: datetime) -> Any:
        asked.append(until - since)
        return plan(self, since, until)

    monkeypatch.setattr(RunningOrder, "cues_between", cues_between)
    host.set_wall(timedelta(days=20_000))
    assert host.renew().stepped_ns == 20_000 * 86_400 * BILLION
    assert max(asked) <= timedelta(minutes=4)


def test_a_wall_clock_set_past_the_off_time_darkens_the_show() -> None:
    host = Host("21:29:00")
    host.run(100)
    assert host.playing != "dark"
    host.set_wall(timedelta(hours=1))
    host.run(60 + LEAD_TIME_NS / SECOND)
    assert host.playing == "dark"
    host.run(600)
    assert host.playing == "dark"


# -- off, stop, other leaders --------------------------------------------------------------------------------------


def off_at(host: Host) -> int | None:
    beacon = CODEC.decode(host.sent[-1])
    assert isinstance(beacon, Beacon)
    return beacon.off_at


def test_beacons_carry_the_off_time_and_after_it_the_next_one() -> None:
    host = Host("21:59:00")
    host.run(30)
    assert off_at(host) == Host.BOOT + 60 * SECOND
    host.run(60 + RENEWED_EVERY_NS / SECOND)
    assert off_at(host) == Host.BOOT + (60 + 86_400) * SECOND


def test_a_show_somebody_cued_is_over_when_the_next_off_time_takes_the_place_of_this_one() -> None:
    host = Host("21:58:00")
    host.run(30)
    host.leader.roll(KEYS["Embers"], host.now)
    host.run(60)
    assert host.playing == "Embers"
    host.run(30)
    assert (host.leader.cue.state, host.leader.cue.line.leader_at) == (CueState.DARK, Host.BOOT + 120 * SECOND)


def test_a_stop_is_kept_until_somebody_cues_anything_else() -> None:
    host = Host("16:59:00")
    host.run(60 + 30)
    host.leader.stop(host.now)
    host.run(1800)
    assert host.state() is CueState.STOPPED
    host.leader.go_dark(host.now)
    host.run(600)
    assert host.state() is not CueState.STOPPED
    begun = [float(at) for at, show in host.story if show != "dark"]
    # Tidefall at its time; the stop, which is of Tidefall too; and after the 32nd minute the order goes on.
    assert begun[:2] == [60, 90]
    assert begun[2] > 1890


def exchange(first: Host, second: Host, seconds: float, cut: bool = False) -> None:
    """Let two hosts on one network run for a while; ``cut`` keeps all datagrams from the second."""
    for _ in range(round(seconds * 10)):
        for host, other in ((first, second), (second, first)):
            host.run(0.1)
            for data in host.sent:
                if not cut:
                    other.leader.receive_datagram(data, host.leader.identity, other.now)
            host.sent.clear()


def test_a_standby_plans_nothing_and_goes_on_with_the_evening_when_it_leads() -> None:
    first = Host("16:59:30")
    second = Host("16:59:30", name="gatehouse", rank=1, listen_intervals=7)
    exchange(first, second, 90)
    assert second.role() is Role.STANDBY
    cue = second.leader.cue
    assert cue.show == KEYS["Tidefall"]
    second.run(60)  # the first is gone
    assert second.role() is Role.LEADING
    assert second.leader.cue.show == KEYS["Tidefall"]
    second.run(192 - 120)
    assert second.playing == "dark"
    second.run(20)
    assert second.playing == "Night Ferry"
    # Within a reading of the wall clock, told to the microsecond, and the clocks' disagreement over the takeover.
    begun_at = LocalInstant(second.leader.cue.line.leader_at)
    assert abs(begun_at - (Host.BOOT + (30 + 192 + 20) * SECOND)) < 5 * MILLISECOND


def test_dark_when_the_music_is_lost_lasts_until_the_next_show_of_the_order() -> None:
    first = Host("16:59:30")
    second = Host("16:59:30", name="gatehouse", rank=1, listen_intervals=7, on_music_lost=OnMusicLost.DARK)
    exchange(first, second, 90)
    second.run(15)
    assert second.role() is Role.LEADING
    assert second.playing == "dark"
    second.run(242 - 105 + 1)
    assert second.playing == "Night Ferry"


def test_a_show_already_announced_when_a_standby_takes_over_is_not_begun_twice() -> None:
    settings: dict[str, Any] = {"lead_time_ns": 30 * SECOND}
    first = Host("16:59:30", WITHOUT_GAPS, **settings)
    second = Host("16:59:30", WITHOUT_GAPS, name="gatehouse", rank=1, listen_intervals=7, **settings)
    second.set_wall(timedelta(milliseconds=300))  # the two hosts do not quite agree on the time of day
    exchange(first, second, 30 + 192 - 20)
    second.run(12)
    assert second.role() is Role.LEADING
    assert second.leader.scheduled[0].show == KEYS["Night Ferry"]
    second.run(8 + 167 + 5)
    # Datagrams cross between the hosts at most a tenth of a second after they were sent.
    assert [show for _, show in second.story] == ["Night Ferry", "Embers"]
    assert [float(at) for at, _ in second.story] == pytest.approx([222, 222 + 167], abs=0.1 + ROUNDED_S)


@pytest.mark.slow
def test_reading_more_often_than_needed_changes_nothing() -> None:
    often, seldom = Host("16:59:00"), Host("16:59:00")
    for _ in range(400):
        often.run(1)
        often.renew()
    seldom.run(400)
    assert often.story == seldom.story
    assert isinstance(often.leader.cue, Cue)
    assert often.leader.cue == seldom.leader.cue
    assert RENEWED_EVERY_NS == MINUTE
