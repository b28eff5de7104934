from __future__ import annotations

from io import StringIO

from leadlight.commands.live_table import LINE_EVERY_NS, LINES_AT_ONCE, LiveTable, columns

from leadlight.units import SECOND, LocalInstant

NOW = LocalInstant(100 * SECOND)
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
    table.show([("jetty", "locked", "1 ms")], stable=[1], now=NOW)
    table.show([("jetty", "locked", "2 ms")], stable=[1], now=NOW)
    first, second = stream.getvalue().split("\x1b[2F\x1b[J")
    assert first == "piece  clock   bound\njetty  locked   1 ms\n"
    assert second == "piece  clock   bound\njetty  locked   2 ms\n"


def test_a_note_takes_the_place_of_the_table_and_stays() -> None:
    stream = StringIO()
    table = LiveTable(stream, HEADER, in_place=True)
    table.show([], stable=[1], now=NOW, heading="one leader")
    table.note("jetty joined")
    table.show([], stable=[1], now=NOW)
    assert stream.getvalue() == ("one leader\npiece  clock  bound\n\x1b[2F\x1b[Jjetty joined\npiece  clock  bound\n")


def test_without_a_screen_only_what_changed_is_written() -> None:
    stream = StringIO()
    table = LiveTable(stream, HEADER)
    table.show([("jetty", "acquiring", "-"), ("willow", "locked", "1 ms")], stable=[1], now=NOW)
    table.show([("jetty", "locked", "2 ms"), ("willow", "locked", "3 ms")], stable=[1], now=NOW)
    assert stream.getvalue().splitlines() == [
        "jetty: clock acquiring, bound -",
        "willow: clock locked, bound 1 ms",
        "jetty: clock locked, bound 2 ms",
    ]


def test_without_a_screen_a_row_that_goes_back_and_forth_is_told_ever_more_seldom() -> None:
    stream = StringIO()
    table = LiveTable(stream, HEADER)
    for second in range(600):
        clock = "locked" if second // 5 % 2 else "acquiring"  # as that of two boards with one name
        table.show([("jetty", clock, "1 ms"), ("willow", "locked", "1 ms")], [1], LocalInstant(NOW + second * SECOND))
    lines = stream.getvalue().splitlines()
    assert lines.count("willow: clock locked, bound 1 ms") == 1
    # Those at once, and then one in each of nine minutes after the first.
    assert len(lines) - 1 == LINES_AT_ONCE + 600 * SECOND // LINE_EVERY_NS - 1


def test_what_changed_while_it_was_not_told_is_told_in_the_end() -> None:
    stream = StringIO()
    table = LiveTable(stream, HEADER)
    for count in range(LINES_AT_ONCE + 1):
        table.show([("jetty", f"state {count}", "1 ms")], [1], NOW)
    assert f"state {LINES_AT_ONCE}" not in stream.getvalue()
    table.show([("jetty", f"state {LINES_AT_ONCE}", "1 ms")], [1], LocalInstant(NOW + LINE_EVERY_NS))
    assert stream.getvalue().splitlines()[-1] == f"jetty: clock state {LINES_AT_ONCE}, bound 1 ms"
