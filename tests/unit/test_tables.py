from __future__ import annotations

import pytest

from leadlight.commands.tables import apart, columns, cut, display_width, fitted

HEADER = ("piece", "clock", "bound")


def test_columns_are_as_wide_as_their_widest_cell_and_numbers_stand_right() -> None:
    assert columns(HEADER, [("jetty", "locked", "1.5 ms"), ("reed beds", "holdover", "12 ms")]) == [
        "piece      clock      bound",
        "jetty      locked    1.5 ms",
        "reed beds  holdover   12 ms",
    ]


def test_a_table_without_rows_is_its_header() -> None:
    assert columns(HEADER, []) == ["piece  clock  bound"]


WIDE = ("jetty", "locked", "1.5 ms")


def test_columns_are_given_up_in_order_until_the_others_fit() -> None:
    usual = ("", "acquiring", "")
    assert fitted(HEADER, [WIDE], 80, ("clock", "bound"), usual) == [
        "piece  clock       bound",
        "jetty  locked     1.5 ms",
    ]
    assert fitted(HEADER, [WIDE], 23, ("clock", "bound"), usual) == ["piece   bound", "jetty  1.5 ms"]
    assert fitted(HEADER, [WIDE], 12, ("clock", "bound"), usual) == ["piece", "jetty"]
    assert fitted(HEADER, [WIDE], 4, ("clock", "bound"), usual) == ["pie…", "jet…"]


@pytest.mark.parametrize("width", range(5, 40))
def test_no_line_of_a_fitted_table_is_wider_than_the_screen(width: int) -> None:
    rows = [WIDE, ("reed beds", "holdover", "12 ms"), ("水辺の提灯", "locked", "1 ms")]
    assert max(map(display_width, fitted(HEADER, rows, width, ("clock", "bound"), ("", "", "")))) <= width


def test_wide_letters_take_two_columns_and_combined_ones_none() -> None:
    assert display_width("jetty") == 5
    assert display_width("提灯") == 4
    assert display_width("e\N{COMBINING ACUTE ACCENT}tang") == 5
    assert cut("提灯の道", 6) == "提灯…"
    assert cut("提灯の道", 8) == "提灯の道"


def test_a_line_has_its_two_ends_apart_and_keeps_the_right_one() -> None:
    assert apart("left", "right", 12) == "left   right"
    assert apart("a long left", "right", 12) == "a lo…  right"
