from __future__ import annotations

from io import StringIO

from leadlight.live_table import LiveTable, columns

HEADER = ("piece", "clock", "bound")


def test_columns_are_as_wide_as_their_widest_cell_and_numbers_stand_right() -> None:
    assert columns(HEADER, [("jetty", "locked", "1.5 ms"), ("reed beds", "holdover", "12 ms")]) == [
        "piece      clock      bound",
        "jetty      locked    1.5 ms",
        "reed beds  holdover   12 ms",
    ]


def test_a_table_without_rows_is_its_header() -> None:
    assert columns(HEADER, []) == ["piece  clock  bound"]


def test_on_a_terminal_the_table_is_drawn_over_the_last_one() -> None:
    stream = StringIO()
    table = LiveTable(stream, HEADER, in_place=True)
    table.show([("jetty", "locked", "1 ms")], stable=[1])
    table.show([("jetty", "locked", "2 ms")], stable=[1])
    first, second = stream.getvalue().split("\x1b[2F\x1b[J")
    assert first == "piece  clock   bound\njetty  locked   1 ms\n"
    assert second == "piece  clock   bound\njetty  locked   2 ms\n"


def test_a_note_takes_the_place_of_the_table_and_stays() -> None:
    stream = StringIO()
    table = LiveTable(stream, HEADER, in_place=True)
    table.show([], stable=[1], heading="one leader")
    table.note("jetty joined")
    table.show([], stable=[1])
    assert stream.getvalue() == ("one leader\npiece  clock  bound\n\x1b[2F\x1b[Jjetty joined\npiece  clock  bound\n")


def test_without_a_screen_only_what_changed_is_written() -> None:
    stream = StringIO()
    table = LiveTable(stream, HEADER)
    table.show([("jetty", "acquiring", "-"), ("willow", "locked", "1 ms")], stable=[1])
    table.show([("jetty", "locked", "2 ms"), ("willow", "locked", "3 ms")], stable=[1])
    assert stream.getvalue().splitlines() == [
        "jetty: clock acquiring, bound -",
        "willow: clock locked, bound 1 ms",
        "jetty: clock locked, bound 2 ms",
    ]
