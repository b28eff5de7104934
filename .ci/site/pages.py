"""The pages of the site that nobody writes: the public names, the commands' own help, and the examples."""

from __future__ import annotations

import ast
import importlib
import inspect
import os
import subprocess
import sys
from collections.abc import Iterable, Iterator
from functools import cache
from importlib.util import module_from_spec, spec_from_file_location
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("protocol/leadlight", "sim/leadlight_sim")
HELP_COLUMNS = 88


def write_pages(stage: Path) -> None:
    """Write them all into the folder of pages."""
    (stage / "api").mkdir()
    faces = list(_script("rooms").FACES)
    told: dict[str, str] = {}
    for face in faces:
        (stage / "api" / f"{face}.rst").write_text("\n".join(_face(face, told)), encoding="utf-8")
    listing = "\n".join(["Public names", "============", "", ".. toctree::", "", *(f"   {face}" for face in faces), ""])
    (stage / "api" / "index.rst").write_text(listing, encoding="utf-8")
    (stage / "commands.md").write_text("\n".join(_commands()), encoding="utf-8")
    (stage / "examples.md").write_text("\n".join(_examples()), encoding="utf-8")


def _face(face: str, told: dict[str, str]) -> Iterator[str]:
    """Yield a page of the names that a public module offers, from the docstrings; ``told`` says which are on a page."""
    module = importlib.import_module(face)
    yield from (face, "=" * len(face), "", *(inspect.getdoc(module) or "").splitlines(), "")
    names = [name for name in _script("rooms").offered(face) if not name.startswith("__")]
    for name in names:
        if name in told:
            yield f"``{name}`` is described with :doc:`{told[name]}`.\n"
    for name in sorted(set(names) - told.keys(), key=_classes_last(module)):
        told[name] = face
        offered: Any = getattr(module, name)
        if inspect.isclass(offered):
            yield f".. autoclass:: {face}.{name}\n   :members:\n   :undoc-members:\n   :show-inheritance:\n"
        elif inspect.isroutine(offered):
            yield f".. autofunction:: {face}.{name}\n"
        else:
            yield from _datum(face, name, offered)


def _datum(face: str, name: str, offered: object) -> Iterator[str]:
    """Yield what is no class and no function: with the words that stand below it where it is assigned, if any do."""
    yield f".. py:data:: {face}.{name}"
    if isinstance(offered, int | str) or offered is None:
        yield f"   :value: {offered!r}"
    yield from ("", *(f"   {line}" for line in words_below().get(name, "").splitlines()), "")


@cache
def words_below() -> dict[str, str]:
    """Return the text that stands below an assignment at the top of any module of ours, by what is assigned."""
    found: dict[str, str] = {}
    for path in (path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))):
        body = ast.parse(path.read_text(encoding="utf-8")).body
        for node, below in pairwise(body):
            target = node.targets[0] if isinstance(node, ast.Assign) else getattr(node, "target", None)
            if isinstance(target, ast.Name) and isinstance(below, ast.Expr) and isinstance(below.value, ast.Constant):
                found.setdefault(target.id, inspect.cleandoc(str(below.value.value)))
    return found


def _classes_last(module: ModuleType) -> Any:
    return lambda name: (inspect.isclass(getattr(module, name)), name)


def _commands() -> Iterator[str]:
    """Yield what each command says of itself."""
    yield from ("# Commands", "", "What each says of itself with `--help`.", "")
    for words in ([], *([name] for name in command_names())):
        yield from (f"## leadlight {' '.join(words)}".rstrip(), "", "```text", _help(words), "```", "")
        for below in {"manifest": ("build", "check"), "order": ("preview",)}.get(" ".join(words), ()):
            yield from (f"### leadlight {words[0]} {below}", "", "```text", _help([*words, below]), "```", "")


def command_names() -> list[str]:
    """Return the names of all commands, those of the simulator too."""
    from leadlight.commands.cli import added_commands, own_commands

    return sorted({*own_commands(), *added_commands()})


def _help(words: Iterable[str]) -> str:
    asked = [sys.executable, "-m", "leadlight", *words, "--help"]
    place = os.environ | {"COLUMNS": str(HELP_COLUMNS)}
    return subprocess.run(asked, capture_output=True, text=True, check=True, env=place).stdout.rstrip()


def _examples() -> Iterator[str]:
    """Yield every example, whole."""
    yield from ("# Examples", "", "Players, a leader and services to copy, from `protocol/examples`.", "")
    for path in sorted((ROOT / "protocol" / "examples").iterdir()):
        language = {".py": "python", ".service": "ini"}.get(path.suffix)
        if language is not None:
            yield from (f"## {path.name}", "", f"```{language}", path.read_text(encoding="utf-8").rstrip(), "```", "")


def _script(name: str) -> ModuleType:
    specification = spec_from_file_location(name, ROOT / ".ci" / f"{name}.py")
    assert specification is not None
    assert specification.loader is not None
    module = module_from_spec(specification)
    specification.loader.exec_module(module)
    return module
