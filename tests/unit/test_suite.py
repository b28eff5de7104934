"""The tests themselves: README's line and the thorough one run them all, and what costs much is marked."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TOOLS = ROOT / "tests" / "tools"
OPTIONS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["pytest"]["ini_options"]
CI = (ROOT / ".ci" / "run").read_text(encoding="utf-8")

BURN = """
import gc, time
import pytest

def burn(seconds):
    until = time.process_time() + seconds
    while time.process_time() < until:
        pass

"""


def suite(folder: Path, text: str, *options: str) -> str:
    """Run tests of one's own under the plugin, and return what pytest says."""
    markers = "".join(f"    {line}\n" for line in OPTIONS["markers"])
    configuration = f"[pytest]\naddopts = --strict-markers\nmarkers =\n{markers}"
    (folder / "pytest.ini").write_text(configuration, encoding="utf-8")
    (folder / "test_it.py").write_text(BURN + text, encoding="utf-8")
    alone = {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1", "PYTHONPATH": os.pathsep.join([str(TOOLS), *sys.path])}
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "suite", "-p", "no:cacheprovider", *options, str(folder)],
        cwd=folder,
        env=os.environ | alone,
        capture_output=True,
        text=True,
        check=False,
    )
    return ran.stdout + ran.stderr


def said_of(text: str, options: tuple[str, ...], folder: Path) -> str:
    """The last line: how many passed and how many failed."""
    return re.sub(r" in [\d.]+s.*", "", suite(folder, text, *options).splitlines()[-1].strip(" ="))


def test_a_test_that_is_not_marked_fails_beyond_the_limit_and_is_told_what_to_do(tmp_path: Path) -> None:
    said = suite(tmp_path, "def test_x():\n    burn(0.3)\n", "--cpu-limit=0.2")
    assert re.search(r"took 0\.[3-9]\d s of processor time by itself, .* may take 0\.2 s: .* or mark it slow", said)
    assert "1 failed" in said


@pytest.mark.parametrize(
    ("text", "options"),
    [
        ("def test_x():\n    burn(0.1)\n", ("--cpu-limit=0.3",)),
        ("@pytest.mark.slow\ndef test_x():\n    burn(0.1)\n", ("--cpu-limit=0.05",)),
        ("@pytest.mark.thorough\ndef test_x():\n    burn(0.1)\n", ("--cpu-limit=0.05",)),
        ("def test_x():\n    burn(0.1)\n", ("--cpu-limit=0",)),
        # Waiting is not working; a fixture's work is shared; the collector clears up after others.
        ("def test_x():\n    time.sleep(0.2)\n", ("--cpu-limit=0.1",)),
        ("@pytest.fixture\ndef made():\n    burn(0.2)\n\ndef test_x(made):\n    pass\n", ("--cpu-limit=0.1",)),
        (
            "@pytest.fixture\ndef others():\n"
            "    slowly = lambda phase, info: burn(0.2) if phase == 'start' else None\n"
            "    gc.callbacks.append(slowly)\n    yield\n    gc.callbacks.remove(slowly)\n\n"
            "def test_x(others):\n    gc.collect()\n",
            ("--cpu-limit=0.1",),
        ),
    ],
    ids=["little work", "slow", "thorough", "no limit", "waiting", "a fixture's work", "garbage"],
)
def test_what_is_marked_or_not_the_test_s_own_work_may_take_longer(
    text: str, options: tuple[str, ...], tmp_path: Path
) -> None:
    assert said_of(text, options, tmp_path) == "1 passed"


def test_a_test_that_fails_says_why_and_not_how_long_it_took(tmp_path: Path) -> None:
    said = suite(tmp_path, "def test_x():\n    burn(0.2)\n    assert 1 == 2\n", "--cpu-limit=0.1")
    assert "assert 1 == 2" in said
    assert "processor time" not in said


STUDY = """
@pytest.mark.thorough_except(seed=(1, 2), preset="idle")
@pytest.mark.parametrize("seed", range(1, 6))
@pytest.mark.parametrize("preset", ["idle", "busy"])
def test_x(preset, seed):
    pass
"""


@pytest.mark.parametrize(("options", "passed"), [("not thorough", 2), ("thorough", 8), ("", 10)])
def test_a_study_keeps_the_cases_that_its_marker_names(options: str, passed: int, tmp_path: Path) -> None:
    assert said_of(STUDY, ("-m", options), tmp_path).startswith(f"{passed} passed")


def test_a_marker_that_names_no_parameter_is_refused(tmp_path: Path) -> None:
    said = suite(tmp_path, STUDY.replace("seed=(1, 2)", "sede=(1, 2)"))
    assert "thorough_except names ['sede', 'preset'] of ['preset', 'seed']" in said


def test_no_test_is_named_by_an_address_that_differs_from_worker_to_worker(request: pytest.FixtureRequest) -> None:
    plugin = request.config.pluginmanager.get_plugin("suite")
    assert plugin is not None
    collected = request.config.stash[plugin.ALL_COLLECTED]
    assert [item.nodeid for item in collected if " at 0x" in item.nodeid] == []


def test_no_study_is_left_out_of_readme_s_line_altogether(request: pytest.FixtureRequest) -> None:
    plugin = request.config.pluginmanager.get_plugin("suite")
    assert plugin is not None
    assert plugin.studies_without_a_case(request.config) == []


def test_readme_s_line_and_the_thorough_one_run_every_test_between_them() -> None:
    options = OPTIONS["addopts"]
    assert options[options.index("-m") + 1] == "not thorough"
    assert OPTIONS["testpaths"] == ["tests"]
    # Whole: of no folder and leaving nothing out; what fails is run once more, and what that ends with ends .ci/run.
    (line,) = re.findall(r"^\.venv/bin/pytest (.*-m .*)$", CI, re.MULTILINE)
    assert line == "-q -n 2 -m 'thorough or hypothesis' --cpu-limit=0 || again --cpu-limit=0"
    assert "set -euo pipefail" in CI
    assert CI.index("test_line=") < CI.index(line)
