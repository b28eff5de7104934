"""Every lesson runs from a clean kernel, and says what its prose says it says."""

from __future__ import annotations

import os
import re
import sys
from functools import cache
from pathlib import Path
from typing import Any

import nbformat
import pytest
from nbclient import NotebookClient

FOLDER = Path(__file__).parents[2] / "notebooks"
LESSONS = sorted(FOLDER.glob("*.ipynb"))
PATIENCE_SECONDS = 60


def read(lesson: Path) -> Any:
    return nbformat.read(lesson, as_version=4)  # type: ignore[no-untyped-call]


def code_of(notebook: Any) -> str:
    return "\n".join(cell.source for cell in notebook.cells if cell.cell_type == "code")


@cache
def run(lesson: Path) -> list[Any]:
    """Execute a lesson in a kernel of its own, once, and return every output."""
    notebook = read(lesson)
    client = NotebookClient(
        notebook, timeout=PATIENCE_SECONDS, kernel_name="python3", resources={"metadata": {"path": str(FOLDER)}}
    )
    # The kernel starts in another folder, where a relative PYTHONPATH would name nothing.
    client.execute(env=os.environ | {"PYTHONPATH": os.pathsep.join(map(os.path.abspath, filter(None, sys.path)))})
    return [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]


def pictures(outputs: list[Any]) -> int:
    return sum("image/png" in output.get("data", {}) for output in outputs)


def printed(outputs: list[Any]) -> str:
    return "".join(output.text for output in outputs if output.output_type == "stream" and output.name == "stdout")


def test_there_are_lessons() -> None:
    assert LESSONS


@pytest.mark.parametrize("lesson", LESSONS, ids=lambda path: path.stem)
def test_a_lesson_is_stored_as_it_was_written(lesson: Path) -> None:
    notebook = read(lesson)
    nbformat.validate(notebook)
    for cell in notebook.cells:
        if cell.cell_type == "code":
            assert cell.outputs == []
            assert cell.execution_count is None


@pytest.mark.parametrize("lesson", LESSONS, ids=lambda path: path.stem)
def test_a_lesson_starts_no_loop_of_its_own(lesson: Path) -> None:
    # A notebook runs inside a loop already, so this would fail on every reader's screen.
    assert "asyncio.run(" not in code_of(read(lesson))


@pytest.mark.slow
@pytest.mark.filterwarnings("default")  # those of the tools that run notebooks are not ours
@pytest.mark.parametrize("lesson", LESSONS, ids=lambda path: path.stem)
def test_a_lesson_runs_from_a_clean_kernel_and_draws(lesson: Path) -> None:
    assert pictures(run(lesson)) >= 1


def summary(text: str) -> dict[tuple[str, str], tuple[float, float, float]]:
    """Read the first lesson's table: what stays within for half and for 95 % of the time, and the furthest, in ms."""
    table = {}
    for line in text.splitlines():
        for method in ("latest beacon", "Leadlight"):
            if line.startswith(method):
                *what, half, usual, furthest = line.removeprefix(method).split()
                table[method, " ".join(what)] = (float(half), float(usual), float(furthest))
    return table


@pytest.mark.slow
@pytest.mark.filterwarnings("default")
def test_the_first_lesson_shows_what_its_prose_says() -> None:
    text = printed(run(FOLDER / "01-what-now-means.ipynb"))
    table = summary(text)
    assert len(table) == 6
    frame_ms = 25.0
    for board in ("left", "right"):
        # "Lateness is the problem": several frames by the latest beacon, a small part of one with the follower.
        assert table["latest beacon", board][1] > 2 * frame_ms
        assert table["Leadlight", board][1] < frame_ms / 5
    # "Equally late is still together", until one of them misses a beacon.
    half, usual, furthest = table["latest beacon", "between the two"]
    assert half < frame_ms / 10
    assert usual > frame_ms
    assert furthest > 2 * frame_ms
    assert table["Leadlight", "between the two"][1] < frame_ms / 5
    # "Both lines fall to within a fifth of a millisecond and stay."
    at_last = re.search(r"boards are within ([\d.]+) ms of the leader", text)
    assert at_last is not None
    assert float(at_last[1]) < 0.2
