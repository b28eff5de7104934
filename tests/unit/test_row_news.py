from __future__ import annotations

from leadlight.commands.row_news import LINE_EVERY_NS, LINES_AT_ONCE, RowNews
from leadlight.units import SECOND, LocalInstant

NOW = LocalInstant(100 * SECOND)
HEADER = ("piece", "clock", "bound")


def test_only_rows_that_changed_are_told() -> None:
    news = RowNews(HEADER, stable=[1])
    told = news.lines([("jetty", "acquiring", "-"), ("willow", "locked", "1 ms")], NOW)
    assert told == ["jetty: clock acquiring, bound -", "willow: clock locked, bound 1 ms"]
    told = news.lines([("jetty", "locked", "2 ms"), ("willow", "locked", "3 ms")], NOW)
    assert told == ["jetty: clock locked, bound 2 ms"]


def test_a_row_that_goes_back_and_forth_is_told_ever_more_seldom() -> None:
    news = RowNews(HEADER, stable=[1])
    lines = []
    for second in range(600):
        clock = "locked" if second // 5 % 2 else "acquiring"  # as that of two boards with one name
        rows = [("jetty", clock, "1 ms"), ("willow", "locked", "1 ms")]
        lines += news.lines(rows, LocalInstant(NOW + second * SECOND))
    assert lines.count("willow: clock locked, bound 1 ms") == 1
    # Those at once, and then one in each of nine minutes after the first.
    assert len(lines) - 1 == LINES_AT_ONCE + 600 * SECOND // LINE_EVERY_NS - 1


def test_what_changed_while_it_was_not_told_is_told_in_the_end() -> None:
    news = RowNews(HEADER, stable=[1])
    told = [news.lines([("jetty", f"state {count}", "1 ms")], NOW) for count in range(LINES_AT_ONCE + 1)]
    assert told[-1] == []
    late = news.lines([("jetty", f"state {LINES_AT_ONCE}", "1 ms")], LocalInstant(NOW + LINE_EVERY_NS))
    assert late == [f"jetty: clock state {LINES_AT_ONCE}, bound 1 ms"]
