from __future__ import annotations

from leadlight.playback.fader import RETURN_FADE_NS, STOP_FADE_NS, Fader
from leadlight.units import MILLISECOND, SECOND, LocalInstant


def at(milliseconds: int) -> LocalInstant:
    return LocalInstant(milliseconds * MILLISECOND)


def test_a_fade_is_a_straight_line_between_its_ends() -> None:
    fader = Fader(1.0)
    fader.fade(0.0, at(1_000), STOP_FADE_NS)
    assert [fader.level_at(at(t)) for t in (900, 1_000, 1_250, 1_500, 2_000, 9_000)] == [1, 1, 0.75, 0.5, 0, 0]
    assert fader.target == 0.0
    assert fader.done_at() == 2 * SECOND


def test_a_fade_that_turns_round_starts_from_where_the_level_is() -> None:
    fader = Fader(1.0)
    fader.fade(0.0, at(0), STOP_FADE_NS)
    fader.fade(1.0, at(600), RETURN_FADE_NS)
    assert fader.level_at(at(600)) == 0.4
    assert fader.level_at(at(850)) == 0.7
    assert fader.level_at(at(1_100)) == 1.0


def test_a_fade_in_no_time_is_a_change_at_once() -> None:
    fader = Fader(0.0)
    fader.fade(1.0, at(5), 0)
    assert fader.level_at(at(5)) == 1.0
