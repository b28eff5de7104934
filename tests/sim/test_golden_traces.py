"""Golden traces: every kind of air and evening still comes to what it came to, from the sources and compiled."""

from __future__ import annotations

from pathlib import Path

import golden_traces as golden
import pytest

TOOL = Path(__file__).parents[1] / "tools" / "golden_traces.py"


@pytest.mark.parametrize("name", golden.CASES)
def test_an_evening_leaves_the_trace_that_is_kept(name: str) -> None:
    told = "what happens, or what is drawn, has changed: if that was meant, say so and run tests/tools/golden_traces.py"
    assert golden.trace_of(name) == golden.kept()[name], told


def test_every_case_is_kept_and_no_two_are_alike() -> None:
    assert list(golden.kept()) == list(golden.CASES)
    assert len(set(golden.kept().values())) == len(golden.CASES)
