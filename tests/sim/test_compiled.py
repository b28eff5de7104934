"""A compiled library is the same library: what it rehearses comes to the same datagrams and the same figures.

Only where the tests run on a compiled distribution; the sources are then run beside it, in a process of their own.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from leadlight.commands.compiled import IS_COMPILED

pytestmark = pytest.mark.skipif(not IS_COMPILED, reason="the library runs from its sources")

ROOT = Path(__file__).parents[2]


def rehearse(words: list[str], folder: Path, *, from_sources: bool) -> dict[str, Any]:
    """Return a rehearsal's figures, but for how long it took."""
    figures = folder / f"{'sources' if from_sources else 'compiled'}.json"
    paths = [str(ROOT / "protocol"), str(ROOT / "sim")] if from_sources else [path for path in sys.path if path]
    subprocess.run(
        [sys.executable, "-m", "leadlight", "rehearse", "--quiet", "--json", str(figures), *words],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        stdout=subprocess.DEVNULL,
        timeout=300,
        check=True,
    )
    found: dict[str, Any] = json.loads(figures.read_text(encoding="utf-8"))
    found.pop("wall_s", None)
    return found


@pytest.mark.slow
@pytest.mark.parametrize(
    "words",
    [
        ["--seed", "1"],
        ["--seed", "2", "--set", "air.preset=busy"],
        ["--seed", "3", "--set", "air.preset=dozing", "--set", "leader.interval_s=0.5"],
        ["--seed", "4", "--duration", "90", "--set", "air.fidelity=contended"],
        ["--seed", "5", "--drill", "standby"],
        ["--seed", "6", "--drill", "clash"],
        ["--seed", "7", "--drill", "suspended"],
    ],
    ids=" ".join,
)
def test_it_rehearses_to_the_same_figures(words: list[str], tmp_path: Path) -> None:
    assert rehearse(words, tmp_path, from_sources=False) == rehearse(words, tmp_path, from_sources=True)
