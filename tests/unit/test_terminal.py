from __future__ import annotations

import sys
from pathlib import Path

import pytest

from leadlight_sim.telling.terminal import as_typed

COMMAND = "leadlight rehearse --seed 1"


@pytest.fixture
def program(tmp_path: Path) -> Path:
    file = tmp_path / "a garden" / "leadlight"
    file.parent.mkdir()
    file.touch(mode=0o755)
    return file


def test_a_command_names_the_program_by_its_path_where_the_shell_does_not_find_it(
    program: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    monkeypatch.setattr(sys, "argv", [str(program), "rehearse"])
    assert as_typed(COMMAND) == f"'{program}' rehearse --seed 1"


def test_a_command_is_told_as_it_is_where_the_shell_finds_it_or_another_program_runs(
    program: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(program.parent))
    monkeypatch.setattr(sys, "argv", [str(program), "rehearse"])
    assert as_typed(COMMAND) == COMMAND
    monkeypatch.setenv("PATH", "/nowhere")
    monkeypatch.setattr(sys, "argv", [str(program.with_name("pytest"))])
    assert as_typed(COMMAND) == COMMAND
