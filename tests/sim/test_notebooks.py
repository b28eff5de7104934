"""Every lesson runs from a clean kernel, for whatever a reader tries, and its prose says what was computed beside it.

README's line runs lessons in a hurry (``QUICK``), but for the three that take longest; the thorough run executes them
all in full and compares the prose.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import nbformat
import pytest
from nbclient import NotebookClient

FOLDER = Path(__file__).parents[2] / "notebooks"
LESSONS = sorted(FOLDER.glob("*.ipynb"))
PATIENCE_SECONDS: Final = 300
"""For one cell, on a machine that does much else."""
EXERCISES: Final = 3

each_lesson = pytest.mark.parametrize("lesson", LESSONS, ids=lambda path: path.stem)


def read(lesson: Path) -> Any:
    return nbformat.read(lesson, as_version=4)  # type: ignore[no-untyped-call]


def code_of(notebook: Any) -> str:
    return "\n".join(cell.source for cell in notebook.cells if cell.cell_type == "code")


def prose_of(notebook: Any) -> str:
    return "\n".join(cell.source for cell in notebook.cells if cell.cell_type == "markdown")


def changed(notebook: Any, values: Sequence[tuple[str, str]]) -> None:
    """Do what a reader does: write other values into the lines that set these variables."""
    for name, value in values:
        for cell in notebook.cells:
            if cell.cell_type == "code":
                cell.source, found = re.subn(rf"(?m)^{name} = [^#\n]*", f"{name} = {value}  ", cell.source, count=1)
                if found:
                    break
        else:
            raise AssertionError(f"no cell sets {name}")


def run(lesson: Path, values: Sequence[tuple[str, str]], claims: str = "", path: Sequence[Path] = ()) -> Any:
    """Execute a lesson in a kernel of its own, with other values, and return it with its outputs.

    ``claims`` is code that runs after its last cell; modules are looked for in ``path`` first.
    """
    notebook = read(lesson)
    changed(notebook, values)
    if claims:
        notebook.cells.append(nbformat.v4.new_code_cell(claims))  # type: ignore[no-untyped-call]
    client = NotebookClient(
        notebook, timeout=PATIENCE_SECONDS, kernel_name="python3", resources={"metadata": {"path": str(FOLDER)}}
    )
    # The kernel starts in another folder, where a relative PYTHONPATH would name nothing.
    places = [*map(str, path), *map(os.path.abspath, filter(None, sys.path))]
    client.execute(env=os.environ | {"PYTHONPATH": os.pathsep.join(places)})
    return notebook


SLIDERS: Final = Path(__file__).parents[1] / "tools" / "sliders"
"""Holds a stand-in for ipywidgets, whose sliders are moved to both ends at once."""


def outputs(notebook: Any) -> Iterator[Any]:
    for cell in notebook.cells:
        if cell.cell_type == "code":
            yield from cell.outputs


def pictures(notebook: Any) -> int:
    return sum("image/png" in output.get("data", {}) for output in outputs(notebook))


def printed(cells: Sequence[Any]) -> str:
    return "".join(
        output.text
        for cell in cells
        if cell.cell_type == "code"
        for output in cell.outputs
        if output.output_type == "stream" and output.name == "stdout"
    )


# -- the form of a lesson --------------------------------------------------------------------------------------------


def test_lessons_are_numbered_in_order() -> None:
    assert [lesson.name[:3] for lesson in LESSONS] == [f"{number:02}-" for number in range(1, 1 + len(CHANGED))]


@each_lesson
def test_a_lesson_is_stored_as_it_was_written(lesson: Path) -> None:
    notebook = read(lesson)
    nbformat.validate(notebook)
    for cell in notebook.cells:
        if cell.cell_type == "code":
            assert cell.outputs == []
            assert cell.execution_count is None


@each_lesson
def test_a_lesson_starts_no_loop_of_its_own(lesson: Path) -> None:
    # A notebook runs inside a loop already, so this would fail on every reader's screen.
    assert "asyncio.run(" not in code_of(read(lesson))


@each_lesson
def test_a_lesson_has_one_question_one_thing_to_change_a_prediction_and_three_exercises(lesson: Path) -> None:
    notebook = read(lesson)
    title, *headings = re.findall(r"(?m)^#{1,2} (.+)$", prose_of(notebook))
    assert title.endswith("?")
    parts = [re.sub(r"^\d+\. ", "", heading) for heading in headings]
    assert parts[:2] == ["The one thing to change", "Predict"]
    assert parts[-3:] == ["Exercises", "Answers", "What to take along"]
    assert "QUICK = False" in code_of(notebook)
    (exercises,) = (cell.source for cell in notebook.cells if re.match(r"## \d+\. Exercises", cell.source))
    assert [int(number) for number in re.findall(r"(?m)^(\d+)\. \*\*", exercises)] == list(range(1, EXERCISES + 1))
    assert "*Words of this lesson:*" in notebook.cells[-1].source


# -- what a lesson shows ---------------------------------------------------------------------------------------------


CHANGED: Final = {
    "01": "INTERVAL_S",
    "02": "PIXELS",
    "03": "LATE_MS",
    "04": "BOARDS",
    "05": "UNFAIR_MS",
    "06": "SHARE",
    "07": "BREAKS_AT_S",
    "08": "RECORDED_S",
}
"""The one thing to change, by lesson."""
IN_A_HURRY: Final = "in a hurry"
AS_DELIVERED: Final = "as delivered"
QUICK: Final = tuple(lesson for lesson in LESSONS if lesson.stem[:2] not in ("06", "07", "08"))
"""Lessons that take little time in a hurry; the others sweep many evenings even then."""
READERS: Final = (IN_A_HURRY, AS_DELIVERED, "-7", "10**9", "'a lot'")
"""Those who change nothing, and those who change the one thing to this."""


@pytest.mark.slow
@pytest.mark.filterwarnings("default")  # those of the tools that run notebooks are not ours
@pytest.mark.thorough_except(reader=IN_A_HURRY, lesson=QUICK)
@pytest.mark.parametrize("reader", READERS)
@each_lesson
def test_a_lesson_shows_what_it_says_from_a_clean_kernel_whatever_a_reader_tries(lesson: Path, reader: str) -> None:
    number = lesson.stem[:2]
    hurry = [("QUICK", "True")]
    if reader == AS_DELIVERED:
        notebook = run(lesson, [], claims=CLAIMS[number], path=[SLIDERS])
        assert list(unproven(notebook)) == []
        assert "was slid to both ends" in printed(notebook.cells)
    elif reader == IN_A_HURRY:
        notebook = run(lesson, hurry)
    else:
        notebook = run(lesson, [*hurry, (CHANGED[number], reader)])
        assert "goes on with" in printed(notebook.cells)
    assert pictures(notebook) >= 1
    text = printed(notebook.cells)
    assert not re.search(r"\bnan\b", text), "something was shown of nothing"
    for exercise in range(1, EXERCISES + 1):
        answers = re.findall(rf"(?m)^Answer {exercise}\b(.*)", text)
        assert answers, f"no answer {exercise} was computed"
        assert all(re.search(r"\d", answer) for answer in answers)


# -- what its prose says ---------------------------------------------------------------------------------------------

UNITS: Final = ("ms", "µs", "s", "min", "ppm", "%")
NOT_MEASURED: Final = (
    r"```.*?```",
    r"(?m)^    [^\n]*$",  # what to type
    r"`[^`]*`",
    r"\$\$.*?\$\$",
    r"\$[^$\n]*\$",
    r"(?m)^#+ [^\n]*$",
    r"(?m)^\d+\. ",
    r"\*Time: about [^*]*\*",
    r"\b\d+:\d\d:\d\d\.\d+",
    r"\b[Ll]essons? \d\d(?:(?:,| and) \d\d)*",
    r"\b(?:exercise|[Ss]ection|[Aa]nswer)s? \d",
    r"\b(?:RFC|IEEE|ANSI|ITU-[TR]|SMPTE) [A-Z]?\d[\d.]*",
    r"\b(?:[A-Z]\. [A-Z]\w+(?:,| and)? ?)+,? \d{4}",  # a source, with its year
)
NUMBER: Final = rf"(?<![\w.])(-?\d+(?:\.\d+)?)(?: ?({'|'.join(UNITS)})(?!\w))?"
WORDS: Final = (
    r"(?:two|three|four|five|six|seven|eight|nine|ten|\w+teen|\w+ty|hundred|half an?|(?:third|fifth) of an?|dozens?) "
    r"(?:milliseconds?|seconds?|minutes?|hours?|frames?|percent)\b"
)


class Said(NamedTuple):
    number: str
    unit: str


def said_in(text: str) -> list[Said]:
    """Return the numbers that a text states, but for names of standards, headings and what is to be typed."""
    for pattern in NOT_MEASURED:
        text = re.sub(pattern, " ", text, flags=re.DOTALL)
    return [Said(number, unit) for number, unit in re.findall(NUMBER, text)]


def shown_in(cells: Sequence[Any]) -> set[tuple[float, str]]:
    """Return the numbers that code printed, with their units, and those that it sets, with the units of its names."""
    found = {(float(number), unit) for number, unit in re.findall(NUMBER, printed(cells))}
    for cell in cells:
        if cell.cell_type != "code":
            continue
        for line in cell.source.splitlines():
            names = {word.rsplit("_", 1)[-1].lower() for word in re.findall(r"[A-Za-z]\w*", line)}
            for number, unit in re.findall(NUMBER, line):
                found |= {(float(number), each) for each in {"", unit, *(names & set(UNITS))}}
    return found | {(value, "") for value, _ in found}


def is_shown(said: Said, shown: set[tuple[float, str]]) -> bool:
    digits = len(said.number.partition(".")[2])
    return any(unit == said.unit and round(abs(value), digits) == abs(float(said.number)) for value, unit in shown)


def sections(notebook: Any) -> list[list[Any]]:
    """Return a lesson's cells by its second-level headings; the first section is what stands before them."""
    found: list[list[Any]] = [[]]
    for cell in notebook.cells:
        if cell.cell_type == "markdown" and re.match(r"## ", cell.source):
            found.append([])
        found[-1].append(cell)
    return found


def unproven(notebook: Any) -> Iterator[str]:
    """Yield each number of the prose that nothing beside it computed or set: in its own section or next to it.

    What is set in the first section holds everywhere; how a lesson opens and what it ends in may rest on all of it.
    """
    parts = sections(notebook)
    for place, part in enumerate(parts):
        at_an_end = place in (0, len(parts) - 1)
        beside = parts if at_an_end else [parts[1], *parts[max(0, place - 1) : place + 2]]
        shown = shown_in([cell for each in beside for cell in each])
        for cell in part:
            if cell.cell_type == "markdown":
                for said in said_in(cell.source):
                    if not is_shown(said, shown):
                        yield f"{said.number} {said.unit} in {cell.source[:40]!r}"


@each_lesson
def test_what_is_measured_is_written_in_digits_so_that_it_can_be_compared(lesson: Path) -> None:
    for part in sections(read(lesson)):
        if re.search(r"^## (?:\d+\. )?(?:Predict|Exercises)", part[0].source):
            continue  # guesses, and what to try
        for cell in part:
            if cell.cell_type == "markdown":
                assert re.findall(WORDS, cell.source) == [], cell.source[:40]


def test_numbers_of_a_text_are_compared_with_their_units() -> None:
    text = "After 2.5 s it is 30 ms off (RFC 5905), see lessons 03 and 05. `SEED = 9`\n1. It ran 4 times at 20:15:07.0."
    assert said_in(text) == [Said("2.5", "s"), Said("30", "ms"), Said("4", "")]
    cell = nbformat.v4.new_code_cell("WAIT_S = 2.5")  # type: ignore[no-untyped-call]
    cell.outputs = [nbformat.v4.new_output("stream", text="off by 30.2 ms\n")]  # type: ignore[no-untyped-call]
    shown = shown_in([cell])
    assert is_shown(Said("2.5", "s"), shown)
    assert is_shown(Said("30", "ms"), shown)
    assert not is_shown(Said("30", "µs"), shown)
    assert not is_shown(Said("4", ""), shown)


# Each holds a lesson to what its prose says in words: run after its last cell, as delivered.
CLAIMS: Final = {
    "01": """
assert 25 < latest_ms < 205 and leadlight_ms < 1      # "lateness is the trouble"; "the scale is quite another one"
assert latest_gap_ms < 1 and latest_gap_max_ms > 50   # "mostly the two lines lie on each other", until one misses
assert last_ms < 0.2
""",
    "02": """
assert piece.missing == 0 and piece.torn > 0.1        # hardly anything is lost, and it tears
assert own_luck < piece.whole                         # packets of one frame share their luck
assert one.torn == 0                                  # one packet cannot be of two frames
assert steps[-1][1].needed_share > 0.95 and steps[-2][1].pieces[0].whole > 0.75  # it breaks at once
""",
    "03": """
ends = {name: values[-1] - DRIFT_MS_PER_S * (PACKETS - 1) for name, values in followed(20.0).items()}
assert ends["Ann: the average"] > 10 and ends["Ben: the smallest"] < -3 and abs(ends["Cleo: the line"]) < 1
assert 1.5 < usual_ms(40, "Cleo: the line") / usual_ms(20, "Cleo: the line") < 3  # twice as late, twice as wrong
assert abs(off_ms) < 3
""",
    "04": """
assert scatter_ms > 100 * private_ms                  # the rows are level
(alone, helped), _, _ = told(5, "dozing")
assert alone > 5 * with_middle and with_middle > helped  # each help brings them closer
""",
    "05": """
assert proof_wrong == 0                               # the black line never leaves the proof
fair, unfair = counted(0.0, range(1, 6)), counted(10.0, range(1, 6))
assert fair[3] == unfair[3] == 0 and fair[4] == 0 and unfair[4] > 0.5  # a judgement fails with its assumption
assert fair[0] > 2 * fair[1]
""",
    "06": """
assert outcome.proven is not None and outcome.proven.candidate is advice.candidate
assert any(each.seen.missed for each in outcome.candidates)  # long intervals miss
assert (fewest == 0).mean() > 0.5
""",
    "07": """
assert dark_at_s > HOLDS_FOR_S and 2 < took_s < 12 and out_s < 20
assert gap_ms(told["holdover"], 540) < 25             # less than a frame after nine minutes
assert gap_ms(told["takeover"], 540) < gap_ms(told["holdover"], 540) / 5
""",
    "08": """
assert advice.candidate is not None and on_network <= EVENINGS / 4  # what was chosen on the model holds on the network
assert max(model_ms, network_ms) < 12.5 / 5           # far below half a frame
assert naive_ms > 150 and ours_ms < 12.5 / 5          # what visitors do to the latest beacon, and not to Leadlight
""",
}
