"""Which tests run when, and what one may cost: a pytest plugin that tests/conftest.py puts in place.

Cases of a study: ``thorough_except(seed=1, preset=("idle", "busy"))`` marks as `thorough` every case of a parametrized
test but those whose parameters have these values.

``examples(10, 500)`` says how many a costly property gets in README's line and in the thorough run.

Cost: a test that is marked neither `slow` nor `thorough` fails if its own call takes more than half a second of this
process's processor time. Waiting costs none, nor does what other processes do, nor do fixtures. What Python's garbage
collector takes is left out, for it clears up after whoever ran before; so is a run that is traced or profiled.
A machine that is always slower gives ``--cpu-limit`` more, or 0 for no limit.
"""

from __future__ import annotations

import gc
import os
import sys
import time
from collections.abc import Generator
from typing import Any

import pytest

CPU_LIMIT_S = 0.5
EXEMPT = ("slow", "thorough")
ALL_COLLECTED = pytest.StashKey[list[pytest.Item]]()
"""What was collected, before any of it was left out by its marks."""


def examples(line: int, thorough: int) -> int:
    """Return how many examples a property gets of which one costs much: in README's line, and in the thorough run.

    Whoever looks further, by the profile ``nightly``, looks at four times as many.
    """
    profile = os.environ.get("HYPOTHESIS_PROFILE", "line")
    return {"line": line, "thorough": thorough}.get(profile, 4 * thorough)


class _Collector:
    """How much processor time the garbage collector has taken."""

    def __init__(self) -> None:
        self.spent_s = 0.0
        self._begun_at = 0.0
        gc.callbacks.append(self)

    def __call__(self, phase: str, _info: dict[str, int]) -> None:
        if phase == "start":
            self._begun_at = time.process_time()
        else:
            self.spent_s += time.process_time() - self._begun_at


_collector = _Collector()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the limit, for machines slower than those the tests were marked on."""
    parser.addoption(
        "--cpu-limit",
        type=float,
        default=CPU_LIMIT_S,
        metavar="SECONDS",
        help="processor time that a test marked neither slow nor thorough may take; 0: as much as it likes "
        "(default: %(default)s)",
    )


def pytest_itemcollected(item: pytest.Item) -> None:
    """Mark a study's cases, all but those that its marker names."""
    for mark in item.iter_markers("thorough_except"):
        cases = getattr(item, "callspec", None)
        parameters: dict[str, Any] = cases.params if cases else {}
        if not mark.kwargs or not mark.kwargs.keys() <= parameters.keys():
            raise pytest.UsageError(f"{item.nodeid}: thorough_except names {list(mark.kwargs)} of {list(parameters)}")
        kept = all(
            parameters[name] in (value if isinstance(value, tuple) else (value,)) for name, value in mark.kwargs.items()
        )
        if not kept:
            item.add_marker("thorough")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Remember what there is before marks leave some of it out."""
    config.stash[ALL_COLLECTED] = list(items)


def studies_without_a_case(config: pytest.Config) -> list[str]:
    """Return parametrized tests and files of which every case is thorough, so that README's line runs none."""
    cases: dict[str, bool] = {}
    for item in config.stash[ALL_COLLECTED]:
        runs = item.get_closest_marker("thorough") is None
        name, _, case = item.nodeid.partition("[")
        for study in (name, name.partition("::")[0]) if case else (name.partition("::")[0],):
            cases[study] = cases.get(study, False) or runs
    return [study for study, has_one in cases.items() if not has_one]


def pytest_collection_finish() -> None:
    """Take what there is now, modules for the most part, out of the garbage collector's rounds."""
    gc.collect()
    gc.freeze()


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None, Any, Any]:
    """Fail a test that passed but costs more than an unmarked one may."""
    limit_s = float(item.config.getoption("--cpu-limit"))
    is_free = not limit_s or sys.gettrace() or sys.getprofile() or any(map(item.get_closest_marker, EXEMPT))
    began_s = time.process_time() - _collector.spent_s
    result = yield
    spent_s = time.process_time() - _collector.spent_s - began_s
    if spent_s > limit_s and not is_free:
        pytest.fail(
            f"took {spent_s:.2f} s of processor time by itself, and a test that is not marked may take {limit_s:g} s: "
            f"do less in it, share in a fixture what others need too, or mark it slow "
            f"(--cpu-limit={2 * limit_s:g} on a machine that is always so slow)",
            pytrace=False,
        )
    return result
