"""How many small faults, put into the core at random, the unit and property tests notice.

First everything is run once to learn which tests reach which line. Then a sample of mutants, drawn by ``--seed`` from
all that the library cosmic-ray can make of the core's rooms, is tried one by one in a copy of the tree: each is judged
by the tests that reach its line, and survives if all of them pass. A mutant inside an annotation changes nothing that
runs, and is not drawn. Survivors are printed with what was changed; some of them are no fault at all, which only a
reader can tell.

    pip install cosmic-ray pytest-cov
    python tests/bench/mutants.py --count 300 --seed 1 --results mutants.jsonl

A run that was ended goes on where it was with the same results file. Prints one line of JSON last.
"""

from __future__ import annotations

import argparse
import ast
import difflib
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[2]
ROOMS = ("leader", "clock", "playback", "follower")
TESTS = ("tests/unit", "tests/property")
LINE = ["-q", "-m", "not thorough", "-p", "no:cacheprovider", "--cpu-limit=0"]
PATIENCE_S = 120.0
"""A mutant whose tests take longer hangs, and has been noticed."""


class Mutant(NamedTuple):
    """One change that can be made: in which file and where, by which operator, and at which of its places there."""

    path: str
    first: int
    column: int
    last: int
    operator: str
    occurrence: int


def annotated(source: str) -> set[int]:
    """Return the lines on which an annotation stands. A mutant that begins on one may be inside it."""
    lines: set[int] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            lines |= set(range(node.lineno, node.body[0].lineno))
        elif isinstance(node, ast.AnnAssign) and node.value is None:
            lines |= set(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    return lines


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
                    if first not in skipped:
                        yield Mutant(str(path.relative_to(ROOT)), first, column, last, name, occurrence)


def draw(everything: list[Mutant], count: int, random: Random) -> list[Mutant]:
    """Return so many, each of another place: a product can be changed in eleven ways, and a comparison in three."""
    places: dict[tuple[str, int, int], list[Mutant]] = {}
    for mutant in everything:
        places.setdefault(mutant[:3], []).append(mutant)
    return [random.choice(places[place]) for place in random.sample(sorted(places), min(count, len(places)))]


def reach(place: Path) -> dict[tuple[str, int], set[str]]:
    """Run every test once in ``place``; return which of them reach each line of the rooms."""
    command = [sys.executable, "-m", "pytest", *LINE, *TESTS, "--cov=protocol/leadlight", "--cov-context=test"]
    subprocess.run([*command, "--cov-report="], cwd=place, check=True, stdout=subprocess.DEVNULL)
    reached: dict[tuple[str, int], set[str]] = {}
    from coverage.numbits import numbits_to_nums

    with sqlite3.connect(place / ".coverage") as data:
        rows = data.execute(
            "select file.path, context.context, line_bits.numbits from line_bits"
            " join file on file.id = line_bits.file_id join context on context.id = line_bits.context_id"
        )
        for path, context, bits in rows:
            test = context.rpartition("|")[0]
            if test:
                for line in numbits_to_nums(bits):
                    reached.setdefault((str(Path(path).relative_to(place)), line), set()).add(test)
    return reached


def judge(place: Path, mutant: Mutant, tests: set[str]) -> dict[str, Any]:
    """Return what became of one mutant."""
    from cosmic_ray.mutating import mutate_code
    from cosmic_ray.plugins import get_operator

    file = place / mutant.path
    source = file.read_text(encoding="utf-8")
    changed = mutate_code(source, get_operator(mutant.operator)(), mutant.occurrence)
    lines = difflib.unified_diff(source.splitlines(), changed.splitlines(), lineterm="", n=0)
    told = mutant._asdict() | {"change": [line for line in lines if line[:3] not in ("---", "+++")]}
    if not tests:
        return told | {"outcome": "survived", "tests": 0}
    file.write_text(changed, encoding="utf-8")
    try:
        # By file, for a list of thousands of tests is longer than a command may be; those that do not reach it go by.
        chosen = place / "chosen.txt"
        chosen.write_text("\n".join(sorted(tests)), encoding="utf-8")
        command = [sys.executable, "-m", "pytest", *LINE, "-x", f"@{chosen}"]
        ended = subprocess.run(
            command, cwd=place, timeout=PATIENCE_S, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False
        )
        outcome = {0: "survived", 1: "noticed"}.get(ended.returncode, "noticed at import")
    except subprocess.TimeoutExpired:
        outcome = "noticed by time"
    finally:
        file.write_text(source, encoding="utf-8")
    return told | {"outcome": outcome, "tests": len(tests)}


def main() -> int:
    """Draw, try and tell."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--count", type=int, default=300, help="mutants tried (default: %(default)s)")
    parser.add_argument("--seed", type=int, default=1, help="which are drawn (default: %(default)s)")
    parser.add_argument("--results", type=Path, help="file to which each result is appended, and which is gone on with")
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
        os.environ["PYTHONPATH"] = f"{place / 'protocol'}:{place / 'sim'}"
        os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
        reached = reach(place)
        for number, mutant in enumerate(drawn[len(results) :], len(results) + 1):
            lines = range(mutant.first, mutant.last + 1)
            tests = set().union(*(reached.get((mutant.path, line), set()) for line in lines))
            result = judge(place, mutant, tests)
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
