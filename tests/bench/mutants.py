"""How many small faults, put into the core at random, the quick unit and property tests notice.

First everything is run once to learn which tests reach which line, and how long they take. Then a sample of mutants,
drawn by ``--seed`` from all that the library cosmic-ray can make of the core's rooms, is tried one by one in a copy of
the tree. Each is judged by the tests that reach its line, those of the closest files first and the quickest first: it
is noticed by the first that fails, and survives if none does within ``--seconds`` of them, so that the share noticed
is never told too high. A mutant inside an annotation changes nothing that runs, and is not drawn. Survivors are printed
with what was changed; some of them are no fault at all, which only a reader can tell.

    pip install cosmic-ray coverage
    python tests/bench/mutants.py --count 300 --seed 1 --results mutants.jsonl

A run that was ended goes on where it was with the same results file, and one that was stopped for a while loses
nothing. Prints one line of JSON last. Needs Linux.
"""

from __future__ import annotations

import argparse
import ast
import difflib
import importlib
import json
import os
import pickle
import re
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Generator, Iterator
from functools import cached_property
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import pytest

ROOT = Path(__file__).resolve().parents[2]
ROOMS = ("leader", "clock", "playback", "follower")
TESTS = ("tests/unit", "tests/property")
LINE = ["-q", "-m", "not thorough and not slow", "-p", "no:cacheprovider", "--cpu-limit=0"]
LIBRARIES = ("hypothesis.strategies", "jinja2", "numpy", "pydantic", "rich.progress")
SECONDS = "seconds.json"
STAGES = ((3, 0.1), (15, 0.3), (None, 1.0))
"""Most mutants are noticed by the tests of a few files, and to collect all of them takes longer than to run these: how
many of the closest files are asked in turn, and for which share of the time in all."""

HANGS_S = 30
"""A mutant whose tests use this much processor time more than twice what they need hangs, and has been noticed. So
has one whose tests are seen asleep for twice as long. Both are counted while they run, not from when they were begun:
this bench can be stopped, and shares its processors."""

MEMORY_BYTES = 4 << 30
"""A mutant that collects without end must not take the machine with it."""


class Mutant(NamedTuple):
    """One change that can be made: in which file and where, by which operator, and at which of its places there."""

    path: str
    first: int
    column: int
    last: int
    operator: str
    occurrence: int


def annotated(source: str) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Return from where to where, in lines and columns, annotations stand, and the heads of functions with them."""
    spans: list[tuple[tuple[int, int], tuple[int, int]]] = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            spans.append(((node.lineno, 0), (node.body[0].lineno, 0)))
        elif isinstance(node, ast.AnnAssign):
            end = node.annotation
            spans.append(((end.lineno, end.col_offset), (end.end_lineno or 0, end.end_col_offset or 0)))
    return spans


def mutants() -> Iterator[Mutant]:
    """Yield every mutant of the rooms, in the order of their files."""
    from cosmic_ray.ast import ast_nodes, get_ast_from_path
    from cosmic_ray.plugins import get_operator, operator_names

    operators = {name: kind() for name in sorted(operator_names()) if not (kind := get_operator(name)).arguments()}
    for room in ROOMS:
        for path in sorted((ROOT / "protocol" / "leadlight" / room).rglob("*.py")):
            skipped = annotated(path.read_text(encoding="utf-8"))
            nodes = list(ast_nodes(get_ast_from_path(path)))
            for name, operator in operators.items():
                places = [place for node in nodes for place in operator.mutation_positions(node)]
                for occurrence, ((first, column), (last, _)) in enumerate(places):
                    if not any(begin <= (first, column) < end for begin, end in skipped):
                        yield Mutant(str(path.relative_to(ROOT)), first, column, last, name, occurrence)


def draw(everything: list[Mutant], count: int, random: Random) -> list[Mutant]:
    """Return so many, each of another place: a product can be changed in eleven ways, and a comparison in three."""
    places: dict[tuple[str, int, int], list[Mutant]] = {}
    for mutant in everything:
        places.setdefault(mutant[:3], []).append(mutant)
    return [random.choice(places[place]) for place in random.sample(sorted(places), min(count, len(places)))]


_seconds: dict[str, float] = {}


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, Any, Any]:
    """As a plugin of pytest, tell coverage which test runs, and see how long it takes."""
    import coverage

    if measured := coverage.Coverage.current():
        measured.switch_context(item.nodeid)
    began_s = time.perf_counter()
    result = yield
    _seconds[item.nodeid] = time.perf_counter() - began_s
    return result


def pytest_sessionfinish() -> None:
    """Leave what was seen."""
    Path(SECONDS).write_text(json.dumps(_seconds), encoding="utf-8")


class Reach:
    """Which tests reach each line, and how long each takes."""

    def __init__(self, place: Path) -> None:
        command = [sys.executable, "-m", "coverage", "run", "--source=protocol/leadlight", "-m", "pytest"]
        subprocess.run([*command, *LINE, *TESTS, "-p", "mutants"], cwd=place, check=True, stdout=subprocess.DEVNULL)
        self.seconds: dict[str, float] = json.loads((place / SECONDS).read_text(encoding="utf-8"))
        self.lines: dict[tuple[str, int], set[str]] = {}
        from coverage.numbits import numbits_to_nums

        with sqlite3.connect(place / ".coverage") as data:
            rows = data.execute(
                "select file.path, context.context, line_bits.numbits from line_bits"
                " join file on file.id = line_bits.file_id join context on context.id = line_bits.context_id"
            )
            for path, test, bits in rows:
                if test:
                    for line in numbits_to_nums(bits):
                        self.lines.setdefault((str(Path(path).relative_to(place)), line), set()).add(test)

    def of(self, place: Path, mutant: Mutant) -> set[str]:
        """Return the tests that can notice this one.

        What is done once, at import, is reached by no test: it is judged by those that reach its file at all, and the
        files that name what its statement defines, and by those that hold the specification's tables beside the code.
        """
        source = (place / mutant.path).read_text(encoding="utf-8")
        statements = [
            node
            for node in ast.walk(ast.parse(source))
            if isinstance(node, ast.stmt) and node.lineno <= mutant.first <= (node.end_lineno or node.lineno)
        ]
        if any(isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) for node in statements):
            lines = range(mutant.first, mutant.last + 1)
            return set().union(*(self.lines.get((mutant.path, line), set()) for line in lines))
        names = {
            name.id
            for node in statements
            for name in ast.walk(node)
            if isinstance(name, ast.Name) and isinstance(name.ctx, ast.Store) and not isinstance(node, ast.ClassDef)
        }
        paths = {mutant.path}
        for path in {path for path, _ in self.lines}:
            if names & set(re.findall(r"\w+", (place / path).read_text(encoding="utf-8"))):
                paths.add(path)
        tables = {test for test in self.seconds if test.startswith("tests/unit/test_specification.py::")}
        return tables.union(*(tests for (path, _), tests in self.lines.items() if path in paths))

    @cached_property
    def _of_files(self) -> dict[str, Counter[str]]:
        reach: dict[str, Counter[str]] = defaultdict(Counter)
        for (path, _), tests in self.lines.items():
            for file in {test.partition("::")[0] for test in tests}:
                reach[file][path] += 1
        return reach

    def closest(self, path: str) -> list[str]:
        """Return the files of tests, first the one of whose reach the largest part lies in this module."""
        reach = self._of_files
        asked = {test.partition("::")[0] for test in self.seconds}
        return sorted(asked, key=lambda file: (-reach[file][path] / max(reach[file].total(), 1), file))


def run(arguments: list[str], place: Path, needed_s: float) -> tuple[int, str]:
    """Return the exit status of a run of pytest and what it said; negative if a limit ended it.

    A fork has imported what tests need of others already: that takes longer than most tests.
    """
    told = place / "told.txt"
    if not (child := os.fork()):
        limit_s = int(HANGS_S + 2 * needed_s)
        resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s))
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
        os.chdir(place)
        sys.path[:0] = os.environ["PYTHONPATH"].split(":")
        os.dup2(os.open(told, os.O_CREAT | os.O_WRONLY | os.O_TRUNC), 1)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
        status = 3
        try:
            status = int(pytest.main(arguments))
            sys.stdout.flush()
        finally:
            os._exit(status)
    slept = 0
    while slept < 20 * HANGS_S:
        time.sleep(0.1)
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            break
        state = Path(f"/proc/{child}/stat").read_text(encoding="utf-8").rpartition(") ")[2][0]
        slept = slept + 1 if state == "S" else 0
    else:
        os.kill(child, signal.SIGKILL)
        status = os.waitpid(child, 0)[1]
    return os.waitstatus_to_exitcode(status), told.read_text(encoding="utf-8") if told.exists() else ""


def judge(place: Path, mutant: Mutant, reach: Reach, seconds: float) -> dict[str, Any]:
    """Return what became of one mutant."""
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator

    file = place / mutant.path
    source = file.read_text(encoding="utf-8")
    was_changed_at = file.stat().st_mtime
    changed = mutate_code(source, get_operator(mutant.operator)(), mutant.occurrence)
    lines = difflib.unified_diff(source.splitlines(), changed.splitlines(), lineterm="", n=0)
    tests = reach.of(place, mutant)
    quickest = sorted(tests, key=lambda test: (reach.seconds[test], test))
    files = reach.closest(mutant.path)
    result = mutant._asdict() | {"change": [line for line in lines if line[:3] not in ("---", "+++")]}
    result |= {"outcome": "survived", "reached_by": len(tests), "tried": 0, "failed": None}
    asked: set[str] = set()
    file.write_text(changed, encoding="utf-8")
    # Python compares whole seconds to see whether what it compiled before is still of this source.
    os.utime(file, (was_changed_at + 2, was_changed_at + 2))
    try:
        for count, share in STAGES:
            chosen, needed_s = [], 0.0
            for test in quickest:
                if test not in asked and test.partition("::")[0] in files[:count]:
                    needed_s += reach.seconds[test]
                    if needed_s > share * seconds:
                        break
                    chosen.append(test)
            if not chosen:
                continue
            asked |= set(chosen)
            # By file, for a list of thousands of tests is longer than a command may be.
            (place / "chosen.txt").write_text("\n".join(chosen), encoding="utf-8")
            arguments = [*LINE, "-x", "--tb=no", "-W", "ignore::pytest.PytestAssertRewriteWarning"]
            status, told = run([*arguments, f"@{place / 'chosen.txt'}"], place, needed_s)
            result["tried"] = len(asked)
            if status:
                result["outcome"] = (
                    "noticed" if status == 1 else "noticed by time" if status < 0 else "noticed at import"
                )
                failed = re.search(r"^(?:FAILED|ERROR) (.*)", told, re.MULTILINE)
                result["failed"] = failed and failed[1]
                break
    finally:
        file.write_text(source, encoding="utf-8")
        os.utime(file, (was_changed_at, was_changed_at))
    return result


def main() -> int:
    """Draw, try and tell."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--count", type=int, default=300, help="mutants tried (default: %(default)s)")
    parser.add_argument("--seed", type=int, default=1, help="which are drawn (default: %(default)s)")
    parser.add_argument("--results", type=Path, help="file to which each result is appended, and which is gone on with")
    parser.add_argument("--seconds", type=float, default=60.0, help="of tests for each one (default: %(default)s)")
    options = parser.parse_args()
    everything = sorted(mutants())
    drawn = draw(everything, options.count, Random(options.seed))
    results: list[dict[str, Any]] = []
    if options.results and options.results.exists():
        results = [json.loads(line) for line in options.results.read_text(encoding="utf-8").splitlines()]
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder).resolve() / "tree"
        left_out = shutil.ignore_patterns(".git", ".venv", ".*_cache", ".hypothesis", "__pycache__")
        shutil.copytree(ROOT, place, ignore=left_out)
        os.environ["PYTHONPATH"] = f"{place / 'protocol'}:{place / 'sim'}:{place / 'tests' / 'bench'}"
        kept = options.results.with_suffix(".reach") if options.results else Path(folder) / "reach"
        if kept.exists():
            reach = pickle.loads(kept.read_bytes())
            subprocess.run(
                [sys.executable, "-m", "pytest", *LINE, *TESTS, "--collect-only", "-q"],
                cwd=place,
                stdout=subprocess.DEVNULL,
                check=True,
            )
        else:
            kept.write_bytes(pickle.dumps(reach := Reach(place)))
        for library in LIBRARIES:
            importlib.import_module(library)
        # What was compiled so far is read again; a mutant leaves nothing.
        os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
        for number, mutant in enumerate(drawn[len(results) :], len(results) + 1):
            result = judge(place, mutant, reach, options.seconds)
            results.append(result)
            if options.results:
                with options.results.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(result) + "\n")
            told = "" if result["outcome"] != "survived" else "\n  " + "\n  ".join(result["change"])
            print(f"{number} {mutant.path}:{mutant.first} {mutant.operator}: {result['outcome']}{told}", flush=True)
    survivors = sum(result["outcome"] == "survived" for result in results)
    print(json.dumps({"possible": len(everything), "tried": len(results), "survived": survivors}))
    return 0


if __name__ == "__main__":
    sys.exit(main())
