from __future__ import annotations

from leadlight.commands.spool import CHARACTERS_KEPT, Picture, Spool

SIZE = (80, 24)
UP_2, CLEAR_ALL, LINE_END, CLEAR_BELOW = "\x1b[2F", "\x1b[H\x1b[J", "\x1b[K\n", "\x1b[J"


def spool() -> Spool:
    return Spool(lambda lost: f"{lost} lost")


def shown(*lines: str, size: tuple[int, int] = SIZE) -> Picture:
    return Picture(lines, size)


def written(spool: Spool) -> str:
    text = spool.take()
    spool.note_written()
    return text


def test_lines_are_written_in_their_order_and_then_nothing_is() -> None:
    waiting = spool()
    waiting.add("one")
    waiting.add("two\nthree")
    assert written(waiting) == "one\ntwo\nthree\n"
    assert waiting.take() == ""


def test_a_picture_is_drawn_over_the_one_before_and_leaves_nothing_of_it() -> None:
    waiting = spool()
    waiting.draw(shown("a long table", "jetty"))
    assert written(waiting) == f"a long table{LINE_END}jetty{LINE_END}{CLEAR_BELOW}"
    waiting.draw(shown("short"))
    assert written(waiting) == f"{UP_2}short{LINE_END}{CLEAR_BELOW}"


def test_a_line_takes_the_place_of_the_picture_which_stands_below_it_again() -> None:
    waiting = spool()
    waiting.draw(shown("table", "jetty"))
    written(waiting)
    waiting.add("jetty joined")
    assert written(waiting) == f"{UP_2}jetty joined{LINE_END}table{LINE_END}jetty{LINE_END}{CLEAR_BELOW}"


def test_of_pictures_only_the_newest_waits() -> None:
    waiting = spool()
    for count in range(1000):
        waiting.draw(shown(f"picture {count}"))
    assert written(waiting) == f"picture 999{LINE_END}{CLEAR_BELOW}"
    assert waiting.take() == ""


def test_on_a_screen_of_another_size_everything_is_drawn_anew() -> None:
    waiting = spool()
    waiting.draw(shown("table", "jetty"))
    written(waiting)
    waiting.draw(shown("table", size=(60, 24)))
    assert written(waiting) == f"{CLEAR_ALL}table{LINE_END}{CLEAR_BELOW}"


def test_the_oldest_lines_are_let_go_counted_and_told_of_once() -> None:
    waiting = spool()
    line = "." * 1023
    for _ in range(CHARACTERS_KEPT // 1023 + 3):
        waiting.add(line)
    assert waiting.lost == 3
    assert written(waiting).splitlines()[:2] == ["3 lost", line]
    assert waiting.lost == 0
    assert "lost" not in written(waiting)


def test_what_an_output_refuses_waits_again_in_its_order() -> None:
    waiting = spool()
    waiting.add("one")
    waiting.add("two")
    waiting.take()
    waiting.note_failed(0)
    waiting.add("three")
    assert written(waiting) == "one\ntwo\nthree\n"


def test_a_line_that_was_written_in_part_is_written_anew_on_a_line_of_its_own() -> None:
    waiting = spool()
    waiting.add("one")
    waiting.add("two")
    waiting.take()
    waiting.note_failed(len("one\ntw"))
    waiting.take()
    waiting.note_failed(0)  # still full, and still half a line there
    assert written(waiting) == "\ntwo\n"


def test_a_line_that_was_written_whole_is_not_written_again() -> None:
    waiting = spool()
    waiting.add("one")
    waiting.add("two")
    waiting.take()
    waiting.note_failed(len("one\n"))
    assert written(waiting) == "two\n"


def test_a_picture_that_was_written_in_part_is_drawn_on_an_empty_screen() -> None:
    waiting = spool()
    waiting.draw(shown("table", "jetty"))
    waiting.take()
    waiting.note_failed(3)
    assert written(waiting) == f"{CLEAR_ALL}table{LINE_END}jetty{LINE_END}{CLEAR_BELOW}"


def test_a_picture_that_was_broken_by_a_line_is_drawn_again_though_no_newer_one_and_no_line_waits() -> None:
    waiting = spool()
    waiting.draw(shown("jetty"))
    written(waiting)
    waiting.add("")
    waiting.take()
    waiting.note_failed(len(f"\x1b[1F{LINE_END}j"))
    assert written(waiting) == f"{CLEAR_ALL}jetty{LINE_END}{CLEAR_BELOW}"
    assert waiting.take() == ""


def test_how_many_were_lost_is_told_by_the_last_count_if_it_could_not_be_told_before() -> None:
    waiting = spool()
    half = "." * (CHARACTERS_KEPT // 2)
    for _ in range(3):
        waiting.add(half)
    assert waiting.take().startswith("1 lost\n")
    waiting.note_failed(0)
    waiting.add(half)
    assert written(waiting).startswith(f"2 lost\n{half}\n")
    assert waiting.lost == 0


def test_how_many_were_lost_is_told_once_though_the_rest_fails() -> None:
    waiting = spool()
    half = "." * (CHARACTERS_KEPT // 2)
    for _ in range(3):
        waiting.add(half)
    waiting.take()
    waiting.note_failed(len("1 lost\n"))
    assert written(waiting) == f"{half}\n"
