"""What the lessons share: whatever a reader tries is taken or moved, and told."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

import pytest

from leadlight_sim.lessons import apart, one_of, slide, within

STAND_IN = Path(__file__).parents[1] / "tools" / "sliders"


def test_a_number_that_a_lesson_takes_is_taken_without_a_word(capsys: pytest.CaptureFixture[str]) -> None:
    assert within("BOARDS", 5, 1, 12) == 5
    assert within("LATE_MS", 20, 0.1, 500.0) == 20.0
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(
    ("value", "taken"),
    [(-7, 1), (10**9, 12), (2.6, 3), ("a lot", 1), (None, 1), (float("nan"), 1), (float("inf"), 12), ([5], 1)],
)
def test_any_other_value_is_moved_to_the_nearest_and_told(
    value: object, taken: int, capsys: pytest.CaptureFixture[str]
) -> None:
    found = within("BOARDS", value, 1, 12)
    assert found == taken
    assert isinstance(found, int)
    assert f"takes 1 to 12, and goes on with {taken}." in capsys.readouterr().out


@pytest.mark.parametrize("value", ["Busy", 3, None, ["idle"]])
def test_a_word_that_a_lesson_does_not_know_becomes_the_first(
    value: object, capsys: pytest.CaptureFixture[str]
) -> None:
    assert one_of("NETWORK", "busy", ("idle", "busy")) == "busy"
    assert one_of("NETWORK", value, ("idle", "busy")) == "idle"
    assert "takes idle, busy, and goes on with idle." in capsys.readouterr().out


def test_where_there_is_no_slider_it_is_said_how_to_get_one(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "ipywidgets", None)
    slide(print, "boards", at=5, least=1, most=12, step=1)
    assert "pip install ipywidgets" in capsys.readouterr().out


def test_a_slider_calls_what_draws_with_its_own_argument(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(STAND_IN)
    drawn = []

    def draw(boards: int, more: int = 0) -> None:
        drawn.append((boards, more))

    slide(draw, "how many boards", at=5, least=1, most=12, step=1)
    monkeypatch.delitem(sys.modules, "ipywidgets")
    assert drawn == [(1, 0), (12, 0)]


async def test_what_may_not_run_inside_a_loop_runs_apart() -> None:
    assert await asyncio.sleep(0, result=True)
    assert apart(lambda number, more: asyncio.run(asyncio.sleep(0, number + more)), 2, more=3) == 5
    with pytest.raises(ZeroDivisionError):
        apart(lambda: 1 // 0)
