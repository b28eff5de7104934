"""Screens of a leader and a follower, compared with texts in `screens`: `python tests/unit/test_screens.py` writes
them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from typing import Any

import pytest

from leadlight.commands.tables import display_width
from leadlight.commands.troubles import health
from leadlight.commands.views import FollowerView, LeaderView, View
from leadlight.cue import Cue, FrameRate, ShowLine, dark_cue, show_key
from leadlight.follower.follower import Follower
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.leader import Leader
from leadlight.leader.settings import LeaderSettings
from leadlight.playback.content import StoredShow
from leadlight.terms import ClockState, ContentState, CueState
from leadlight.units import MILLISECOND, MINUTE, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Tally

SCREENS = Path(__file__).parent / "screens"
NOW = LocalInstant(1000 * SECOND)
WALL_NOW = datetime(2026, 12, 4, 17, 3, 21, tzinfo=UTC)
TIDEFALL = show_key("Tidefall")
NIGHT_FERRY = show_key("Night Ferry")
SHOWS = {TIDEFALL: "Tidefall", NIGHT_FERRY: "Night Ferry"}
LENGTHS = {TIDEFALL: 192 * SECOND}
PLACES = ["jetty", "reed beds", "willow", "cliff net", *(f"lantern {count:02}" for count in range(1, 27))]
WIDTHS = [60, 80, 200]
COUNTS = [4, 30]


def leading(count: int, *, rows_late: int = 0) -> tuple[Leader, list[str]]:
    """Return a leader with ``count`` boards: one not heard for 17 s, one of another edition; one was never heard."""
    leader = Leader(LeaderSettings("boathouse", listen_intervals=0), Codec("quarry lake"), Random(1), NOW)
    began_at = LeaderInstant(NOW - 83 * SECOND)
    leader.resume_line(Cue(TIDEFALL, CueState.ROLLING, ShowLine(began_at, ShowPosition(0))), NOW)
    leader.schedule(dark_cue(LeaderInstant(began_at + 192 * SECOND)))
    leader.schedule(Cue(NIGHT_FERRY, CueState.ROLLING, ShowLine(LeaderInstant(NOW + 3 * MINUTE), ShowPosition(0))))
    for number, name in enumerate(PLACES[:count], start=1):
        heard_at = LocalInstant(NOW - (17 if name == "willow" else number % 4) * SECOND)
        entry, _ = leader.roster.hear(number, ("127.0.0.1", 5000 + number), heard_at)
        entry.tallied_at = heard_at
        entry.tally = Tally(
            follower=number,
            instance=1,
            serial=1,
            tenure=1,
            turn=None,
            clock=ClockState.LOCKED,
            cue_state=CueState.ROLLING,
            bound_ns=(300 + 10 * number) * 1000,
            beacon_loss_permille=number,
            content=ContentState.OTHER_EDITION if name == "cliff net" else ContentState.PRESENT,
            radio=None,
            show=TIDEFALL,
            frame=3320,
            late_frames=rows_late,
            live_data=False,
            unverified=False,
            name=name,
        )
    return leader, [*PLACES[:count], "ferry"]


def leader_screen(count: int, size: tuple[int, int]) -> list[str]:
    leader, expected = leading(count)
    view = LeaderView(leader, "quarry lake", SHOWS, LENGTHS, expected)
    return list(view.picture(NOW, WALL_NOW, size).lines)


def follower_screen(size: tuple[int, int]) -> list[str]:
    held = StoredShow("Tidefall", FrameRate(40), 192 * 40)
    follower = Follower(FollowerSettings("jetty"), Codec("quarry lake"), Random(1), [held])
    follower.note_live_data(NOW)
    view = FollowerView(follower, "quarry lake", SHOWS, LENGTHS)
    return list(view.picture(NOW, WALL_NOW, size).lines)


def screens() -> dict[str, list[str]]:
    sizes = [(width, 24) for width in WIDTHS]
    made = {f"leader-{count}-boards-{size[0]}": leader_screen(count, size) for count in COUNTS for size in sizes}
    made["leader-30-boards-10-rows"] = leader_screen(30, (80, 10))
    made["follower-60"] = follower_screen((60, 24))
    return made


@pytest.mark.parametrize("name", screens())
def test_a_screen_is_what_it_was(name: str) -> None:
    assert "\n".join(screens()[name]) + "\n" == (SCREENS / f"{name}.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize("count", [0, 1, 4, 30])
@pytest.mark.parametrize("size", [(width, rows) for width in (60, 61, 79, 80, 132, 200) for rows in (10, 11, 24, 50)])
def test_a_screen_fits_and_leaves_room_for_the_cursor(count: int, size: tuple[int, int]) -> None:
    lines = leader_screen(count, size)
    columns, rows = size
    assert max(map(display_width, lines)) <= columns
    assert len(lines) <= rows - 1
    # Whatever the size, how many are well, what is in force and what comes, and who is in trouble.
    said = "\n".join(lines)
    assert f" of {count + 1} well" in lines[0]
    assert "Tidefall at 0:01:23" in said
    assert "next: dark at 17:05:10" in said
    assert "! not heard yet: ferry" in said
    if count > 3:
        assert "! not heard: willow for 17 s" in said
        assert "other edition" in said or "kinds of trouble" in said


@pytest.mark.parametrize("size", [(60, 10), (80, 24), (200, 50)])
def test_screens_of_a_standby_and_of_a_follower_that_plays_say_what_they_know(
    size: tuple[int, int], make_hall: Callable[..., Any]
) -> None:
    codec, held = Codec("quarry lake"), StoredShow("Tidefall", FrameRate(40), 192 * 40)
    hall = make_hall(codec)
    for name, patience in (("boathouse", 0), ("ticket hut", 7)):
        settings = LeaderSettings(name, rank=min(patience, 1), listen_intervals=patience)
        hall.add(name, lambda now, s=settings: Leader(s, codec, Random(1), now, [held]))
    hall.add("jetty", lambda _: Follower(FollowerSettings("jetty"), codec, Random(2), [held]))
    hall.nodes["boathouse"].core.roll(TIDEFALL, hall.local("boathouse"))
    hall.run(30.5)
    views: dict[str, View] = {
        "standby": LeaderView(hall.nodes["ticket hut"].core, "quarry lake", SHOWS, LENGTHS, ["ferry"]),
        "locked": FollowerView(hall.nodes["jetty"].core, "quarry lake", SHOWS, LENGTHS),
    }
    for state, view in views.items():
        lines = view.picture(hall.local("jetty"), WALL_NOW, size).lines
        assert lines[0].endswith(f" {state}")
        assert "rolling Tidefall at 0:00:28, 0:02:44 to go" in lines[1]
        assert not any(line.startswith("!") for line in lines)
        assert max(map(display_width, lines)) <= size[0]
        assert len(lines) < size[1]


def test_a_board_is_in_trouble_once_it_misses_three_of_its_reports() -> None:
    leader, expected = leading(1)
    expected.remove("ferry")
    (jetty,) = leader.roster
    for silent_ns, well in [(15 * SECOND, 1), (15 * SECOND + MILLISECOND, 0)]:
        jetty.heard_at = LocalInstant(NOW - silent_ns)
        found = health(leader, NOW, expected)
        assert (found.well, found.expected) == (well, 1)
    ((what, names, _),) = found.troubles
    assert (what, names) == ("not heard", ("jetty for 15 s",))


def test_a_stop_that_is_not_confirmed_comes_first() -> None:
    leader, expected = leading(4)
    leader.stop(NOW)
    first = health(leader, NOW, expected).troubles[0]
    assert first.what == "stop not confirmed"
    assert first.names == ("cliff net", "jetty", "reed beds", "willow")


if __name__ == "__main__":
    SCREENS.mkdir(exist_ok=True)
    for screen, text in screens().items():
        (SCREENS / f"{screen}.txt").write_text("\n".join(text) + "\n", encoding="utf-8")
