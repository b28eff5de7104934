from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise

import pytest

from leadlight.cue import RATE_LIMIT_PPB, START, ShowLine
from leadlight.errors import ConfigurationError
from leadlight.leader.pacing import Jumped, Pacer, PacerSettings
from leadlight.terms import MusicChange
from leadlight.units import BILLION, MILLISECOND, SECOND, LeaderInstant, ShowPosition

BEGINS = LeaderInstant(1_000 * SECOND)
LATENCY = 80 * MILLISECOND


def after(seconds: float) -> LeaderInstant:
    return LeaderInstant(BEGINS + round(seconds * SECOND))


def music(ppm: float = 0.0, ahead_ns: int = 0) -> Callable[[LeaderInstant], ShowPosition]:
    """A player whose second is ``ppm`` fast, hearing ``ahead_ns`` more of the show than the line."""

    def heard(at: LeaderInstant) -> ShowPosition:
        return ShowPosition(round((at - BEGINS) * (1 + ppm * 1e-6)) + ahead_ns)

    return heard


def pacer() -> Pacer:
    begun = Pacer()
    begun.begin(ShowLine(BEGINS, START))
    return begun


def play(
    paced: Pacer, heard: Callable[[LeaderInstant], ShowPosition], since: float, until: float, step: float = 0.25
) -> list[ShowLine]:
    """Report and amend every ``step`` seconds; return the new lines."""
    lines: list[ShowLine] = []
    for index in range(round((until - since) / step)):
        now = after(since + index * step)
        paced.report(ShowPosition(heard(now) + LATENCY), LATENCY, now)
        line = paced.amend(now)
        if line is not None:
            lines.append(line)
    return lines


def distance(paced: Pacer, heard: Callable[[LeaderInstant], ShowPosition], at: float) -> int:
    assert paced.line is not None
    return heard(after(at)) - paced.line.position_at(after(at))


def test_music_that_keeps_time_needs_no_new_line() -> None:
    assert play(pacer(), music(), 0, 300) == []


def test_without_a_word_from_the_player_the_line_stays() -> None:
    paced = pacer()
    assert [paced.amend(after(second)) for second in range(60)] == [None] * 60
    assert math.isinf(paced.deviation_ns)


def test_before_a_line_begins_nothing_is_paced() -> None:
    paced = Pacer()
    assert paced.report(ShowPosition(5 * SECOND), 0, after(0)) is None
    assert paced.amend(after(0)) is None
    assert paced.line is None


def test_what_is_heard_is_the_position_less_the_latency() -> None:
    # 80 ms ahead of what is handed over would be a long way to catch up; there is none.
    paced = pacer()
    for second in range(120):
        paced.report(ShowPosition(second * SECOND + LATENCY), LATENCY, after(second))
    assert paced.amend(after(120)) is None


@pytest.mark.parametrize("ppm", [-500, -37, 120, 500])
def test_the_line_takes_up_the_musics_rate_and_place(ppm: int) -> None:
    paced, heard = pacer(), music(ppm)
    play(paced, heard, 0, 400)
    assert paced.line is not None
    # No jitter: what is left is the smallest change worth a line, 1 ppm, and 30 s of it.
    assert abs(paced.line.rate_ppb - ppm * 1000) <= 1_000
    assert abs(paced.rate_ppb - ppm * 1000) <= 100
    assert abs(distance(paced, heard, 400)) <= 50_000


def test_a_new_line_meets_the_old_one_to_the_nanosecond_and_its_rate_moves_gently() -> None:
    paced = pacer()
    lines = [ShowLine(BEGINS, START), *play(paced, music(500), 0, 300)]
    assert len(lines) > 50
    for old, new in pairwise(lines):
        assert new.position == old.position_at(new.leader_at)
        assert new.leader_at - old.leader_at >= SECOND
        assert abs(new.rate_ppb - old.rate_ppb) <= 10_000


def test_a_longer_interval_takes_fewer_and_no_steeper_changes() -> None:
    paced = Pacer(PacerSettings(interval_ns=4 * SECOND))
    paced.begin(ShowLine(BEGINS, START))
    lines = [ShowLine(BEGINS, START), *play(paced, music(500), 0, 400)]
    for old, new in pairwise(lines):
        assert new.leader_at - old.leader_at >= 4 * SECOND
        assert abs(new.rate_ppb - old.rate_ppb) <= 40_000
    assert abs(distance(paced, music(500), 400)) <= MILLISECOND


def test_music_that_starts_late_is_caught_up_with_and_not_overshot() -> None:
    paced, heard = pacer(), music(0, -100 * MILLISECOND)
    overshot = 0
    for second in range(300):
        play(paced, heard, second, second + 1)
        overshot = max(overshot, distance(paced, heard, second + 1))
    # Double the braking curve's own time, 2 · sqrt(distance / slope) = 200 s, leaves nothing to see.
    assert abs(distance(paced, heard, 300)) <= MILLISECOND
    assert overshot <= MILLISECOND


def test_the_lines_rate_keeps_its_limit_however_far_off_the_music_is() -> None:
    lines = play(pacer(), music(900, 200 * MILLISECOND), 0, 300)
    assert max(abs(line.rate_ppb) for line in lines) == RATE_LIMIT_PPB


def test_a_gap_in_the_reports_goes_on_at_the_learnt_rate() -> None:
    paced, heard = pacer(), music(500)
    play(paced, heard, 0, 400)
    for second in range(400, 460):
        paced.amend(after(second))
    assert abs(distance(paced, heard, 460)) <= 60_000


def test_reports_out_of_order_or_from_before_the_line_count_for_nothing() -> None:
    paced = pacer()
    assert paced.report(ShowPosition(0), 0, after(-1)) is None
    paced.report(ShowPosition(5 * SECOND), 0, after(5))
    deviation = paced.deviation_ns
    for position in range(3):
        assert paced.report(ShowPosition(position), 0, after(4 + position / 10)) is None
    assert paced.deviation_ns == deviation


def test_a_single_stray_report_is_nearly_ignored() -> None:
    paced, heard = pacer(), music()
    play(paced, heard, 0, 120)
    paced.report(ShowPosition(heard(after(120)) + 200 * MILLISECOND), 0, after(120))
    play(paced, heard, 120.25, 180)
    assert abs(distance(paced, heard, 180)) <= MILLISECOND


def test_music_that_moved_a_little_is_believed_and_followed() -> None:
    paced = pacer()
    play(paced, music(50), 0, 200)
    moved = music(50, 100 * MILLISECOND)
    play(paced, moved, 200, 500)
    assert paced.jumped is None
    assert abs(distance(paced, moved, 500)) <= MILLISECOND
    assert abs(paced.rate_ppb - 50_000) <= 2_000


@pytest.mark.parametrize("ahead_ms", [-5_000, -251, 251, 60_000])
def test_a_seek_is_told_once_and_not_chased(ahead_ms: int) -> None:
    paced = pacer()
    play(paced, music(), 0, 100)
    line = paced.line
    told: list[Jumped | None] = []
    for index in range(40):
        now = after(100 + index / 4)
        told.append(paced.report(music(0, ahead_ms * MILLISECOND)(now), 0, now))
        assert paced.amend(now) is None
    heard = music(0, ahead_ms * MILLISECOND)(after(100.5))
    jump = Jumped(after(100.5), heard, ahead_ms * MILLISECOND, MusicChange.SOUGHT)
    assert told == [None, None, jump] + [None] * 37
    assert paced.jumped == jump
    assert paced.line == line


@pytest.mark.parametrize(("speed", "what"), [(0.4, MusicChange.PAUSED), (0.6, MusicChange.SOUGHT)])
def test_music_that_moves_by_less_than_half_the_time_stands(speed: float, what: MusicChange) -> None:
    paced = pacer()
    play(paced, music(), 0, 10)
    told = [
        paced.report(ShowPosition(round((20 + speed * index / 10) * SECOND)), 0, after(10 + index / 10))
        for index in range(8)
    ]
    assert next(one.what for one in told if one is not None) is what


def test_a_pause_is_told_as_music_that_stands() -> None:
    paced = pacer()
    play(paced, music(200), 0, 300, step=0.05)
    rate = paced.rate_ppb
    stood = music(200)(after(300))
    told = [paced.report(stood, 0, after(300 + index / 20)) for index in range(40)]
    (jump,) = [one for one in told if one is not None]
    # Noticed after a quarter of a second, by then a hair over 250 ms of music; sure half a second later.
    assert jump.at == after(300.75)
    assert jump.what is MusicChange.PAUSED
    assert jump.position == stood
    # The few reports before it was noticed have not spoilt what was learnt.
    assert abs(paced.rate_ppb - rate) <= 5_000


def test_pause_resume_and_seek_are_told_apart_each_time() -> None:
    paced = pacer()
    play(paced, music(500), 0, 300)
    position, told = music(500)(after(300)), []
    # Every second: it stands for 10 s, goes on for 10 minutes, goes elsewhere for 10 s, stands there, is sought while
    # it stands, and goes on.
    doing = [("stands", 10), ("moves", 600), ("jumps", 0), ("moves", 10), ("stands", 10), ("jumps", 0), ("stands", 10)]
    second = 300
    for what, lasts in [*doing, ("moves", 10)]:
        position = ShowPosition(position + (60 * SECOND if what == "jumps" else 0))
        for _ in range(lasts):
            second += 1
            position = ShowPosition(position + (SECOND + SECOND // 2000 if what == "moves" else 0))
            told.append(paced.report(position, 0, after(second)))
    assert [jump.what.value for jump in told if jump is not None] == [
        "paused",
        "resumed",
        "sought",
        "paused",
        "paused",
        "resumed",
    ]


def test_strays_to_both_sides_and_a_few_to_one_are_no_jump() -> None:
    paced = pacer()
    play(paced, music(), 0, 100)
    for index in range(40):
        ahead_ns = (SECOND, SECOND, -SECOND, -SECOND)[index % 4]
        now = after(100 + index / 2)
        assert paced.report(ShowPosition(music()(now) + ahead_ns), 0, now) is None
    for index in range(20):
        now = after(121 + index / 10)
        ahead_ns = 0 if index % 3 == 2 else SECOND
        assert paced.report(ShowPosition(music()(now) + ahead_ns), 0, now) is None
    assert abs(distance(paced, music(), 123)) <= 30_000


def test_music_that_is_far_off_from_the_beginning_has_jumped() -> None:
    paced = pacer()
    assert [paced.report(music(0, SECOND)(after(second)), 0, after(second)) is None for second in range(3)] == [
        True,
        True,
        False,
    ]


def test_pacing_goes_on_with_a_new_line_and_the_rate_already_learnt() -> None:
    paced = pacer()
    play(paced, music(300), 0, 300)
    sought = music(300, 30 * SECOND)
    for index in range(5):
        paced.report(sought(after(300 + index)), 0, after(300 + index))
    assert paced.amend(after(305)) is None
    assert abs(paced.rate_ppb - 300_000) <= 1_000
    paced.begin(ShowLine(after(305), sought(after(305)), paced.rate_ppb))
    assert paced.jumped is None
    play(paced, sought, 305, 365)
    assert abs(distance(paced, sought, 365)) <= 100_000


def test_a_learnt_rate_is_not_given_up_for_the_first_reports_of_a_new_show() -> None:
    paced = pacer()
    play(paced, music(300), 0, 300)
    paced.begin(ShowLine(after(300), music(300)(after(300)), paced.rate_ppb))
    for index in range(10):
        now = after(300 + index)
        ahead_ns = MILLISECOND if index >= 5 else -MILLISECOND
        paced.report(ShowPosition(music(300)(now) + ahead_ns), 0, now)
    # Taken at their word they say 240 ppm more.
    assert abs(paced.rate_ppb - 300_000) <= 10_000


@pytest.mark.parametrize("latency_ns", [-1, 10 * SECOND + 1])
def test_a_latency_that_is_none_is_refused(latency_ns: int) -> None:
    with pytest.raises(ConfigurationError, match="latency_ns"):
        pacer().report(START, latency_ns, after(1))


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("interval_ns", 49 * MILLISECOND),
        ("interval_ns", 10 * SECOND + 1),
        ("slope_ppb", 99),
        ("slope_ppb", 100_001),
        ("jump_ns", 49 * MILLISECOND),
        ("jump_ns", 61 * SECOND),
        ("jitter_ns", 99_999),
        ("jitter_ns", 101 * MILLISECOND),
        ("jitter_ns", 0.5),
    ],
)
def test_settings_outside_their_range_are_refused(field: str, value: int) -> None:
    with pytest.raises(ConfigurationError, match=field):
        PacerSettings(**{field: value})


def test_the_learnt_rate_is_one_a_line_may_have() -> None:
    paced = pacer()
    play(paced, music(5_000), 0, 40)
    assert abs(paced.rate_ppb) <= RATE_LIMIT_PPB < 5_000 * BILLION // 10**6
