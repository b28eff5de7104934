"""The walls between rooms, proven on every import of every module."""

from __future__ import annotations

import ast
import subprocess
import sys
import tomllib
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest
import rooms

import leadlight

ROOT = Path(__file__).resolve().parents[2]


FOLDERS: dict[str, Path] = rooms.PACKAGES
PLACES = [(package, room.replace("/", ".")) for package in FOLDERS for room in rooms.ORDER[package]]
"""Every room of both packages, in order."""
WORLDLY = {"asyncio", "socket", "time", "random", "os", "threading", "selectors", "subprocess"}
OUTSIDE_THE_LIBRARY = {"leadlight_sim", "numpy", "scipy", "matplotlib", "pydantic", "rich", "jinja2", "distributed"}


def name_of(package: str, path: Path) -> str:
    parts = (package, *path.relative_to(FOLDERS[package]).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {
    name_of(package, path): path for package, folder in FOLDERS.items() for path in sorted(folder.rglob("*.py"))
}
LIBRARY = [name for name in MODULES if name.partition(".")[0] == "leadlight"]


def place_of(module: str) -> int | None:
    """The room that a module lies in, by its number in ``PLACES``; ``None`` for a file at a package's root."""
    within = [number for number, place in enumerate(PLACES) if f"{module}.".startswith(".".join(place) + ".")]
    return max(within, key=lambda number: len(PLACES[number][1])) if within else None


def is_core(module: str) -> bool:
    number = place_of(module)
    if number is None:
        return module.removeprefix("leadlight.") in rooms.ROOT_WORDS
    package, room = PLACES[number]
    return package == "leadlight" and room in rooms.CORE


CORE = [name for name in LIBRARY if is_core(name)]


@cache
def imports_of(name: str) -> frozenset[tuple[str, str]]:
    """Every import of ours and of others, wherever in the text it stands: module and name, which may be empty."""
    found: set[tuple[str, str]] = set()
    for node in ast.walk(ast.parse(MODULES[name].read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update((alias.name, "") for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name} imports relatively: say whole names"
            assert node.module is not None
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                found.add((inner, "") if inner in MODULES else (node.module, alias.name))
    return frozenset(found)


@pytest.fixture(scope="module", autouse=True)
def _all_are_read() -> None:
    for name in MODULES:
        imports_of(name)


def modules_of_ours(name: str) -> set[str]:
    return {module for module, _ in imports_of(name) if module in MODULES}


def roots(name: str) -> set[str]:
    return {module.partition(".")[0] for module, _ in imports_of(name)}


def test_every_folder_with_modules_is_a_room_and_every_room_is_a_folder() -> None:
    folders = {
        f"{package}.{'.'.join(path.parent.relative_to(folder).parts)}"
        for package, folder in FOLDERS.items()
        for path in folder.rglob("*.py")
        if path.parent != folder
    }
    assert folders == {".".join(place) for place in PLACES}


def test_the_roots_hold_words_alone() -> None:
    at_the_root = {name.removeprefix("leadlight.") for name in LIBRARY if place_of(name) is None}
    assert at_the_root == {*rooms.ROOT_WORDS, "leadlight", "__main__"}
    of_the_simulator = [name for name in MODULES if name not in LIBRARY and place_of(name) is None]
    assert of_the_simulator == ["leadlight_sim"]


@pytest.mark.parametrize(("package", "room"), PLACES)
def test_a_room_says_in_one_sentence_what_it_is_for(package: str, room: str) -> None:
    said = rooms.purpose(package, room.replace(".", "/"))
    assert said.endswith(".")
    assert len(said.split()) <= 30


@pytest.mark.slow
def test_a_room_imports_only_rooms_above_it() -> None:
    below = [
        f"{name} imports {other}"
        for name in MODULES
        for other in modules_of_ours(name)
        if (here := place_of(name)) is not None and (there := place_of(other)) is not None and there > here
    ]
    assert below == []


@pytest.mark.parametrize("name", [f"leadlight.{word}" for word in rooms.ROOT_WORDS])
def test_the_words_at_the_root_need_no_room(name: str) -> None:
    assert {other for other in modules_of_ours(name) if place_of(other) is not None} == set()


def test_nothing_outside_a_room_imports_its_underscore_names() -> None:
    private = [
        f"{name} imports {module}.{imported}"
        for name in MODULES
        for module, imported in imports_of(name)
        if module in MODULES
        and place_of(module) != place_of(name)
        and any(part.startswith("_") and not part.startswith("__") for part in (*module.split("."), imported))
    ]
    assert private == []


def test_what_is_taken_from_another_room_is_what_that_room_offers() -> None:
    # Modules that load a drawing library, and single commands, are asked for by name, so that nothing loads them early.
    withheld = []
    for name in MODULES:
        for module, imported in imports_of(name):
            there = place_of(module)
            if there is None or there == place_of(name) or module not in MODULES:
                continue
            is_face = MODULES[module].name == "__init__.py"
            if not is_face and module not in ASKED_FOR_BY_NAME and not module.startswith("leadlight_sim.commands."):
                withheld.append(f"{name} imports {module}.{imported}")
    assert withheld == []


ASKED_FOR_BY_NAME = {
    "leadlight_sim.tune.figure",
    "leadlight_sim.tune.page",
    "leadlight_sim.compare.page",
    "leadlight_sim.compare.figure",
    "leadlight_sim.live.view",
    "leadlight_sim.budget.page",
}


@pytest.mark.parametrize(("package", "room"), PLACES)
def test_a_room_offers_what_it_imports_and_nothing_else(package: str, room: str) -> None:
    name = f"{package}.{room}"
    docstring, *rest = ast.parse(MODULES[name].read_text(encoding="utf-8")).body
    assert isinstance(docstring, ast.Expr)
    imports = [node for node in rest if isinstance(node, ast.ImportFrom)]
    if name in rooms.FACES:
        imported = {alias.asname or alias.name for node in imports for alias in node.names}
        assert imported == set(rooms.offered(name))
    else:
        assert imports == rest


def test_mypy_is_told_of_every_room_that_it_offers_what_it_imports() -> None:
    overrides = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["mypy"]["overrides"]
    told = [name for override in overrides if override.get("implicit_reexport") for name in override["module"]]
    assert told == [name for place in PLACES if (name := ".".join(place)) not in rooms.FACES]


def test_no_core_module_touches_the_world() -> None:
    assert {name: found for name in CORE if (found := roots(name) & WORLDLY)} == {}


def test_no_core_module_imports_the_shell() -> None:
    assert {name: found for name in CORE if (found := modules_of_ours(name) - set(CORE))} == {}


def test_only_net_and_commands_touch_sockets_and_timers() -> None:
    quiet = [name for name in LIBRARY if ".net" not in name and ".commands" not in name]
    assert {name: found for name in quiet if (found := roots(name) & (WORLDLY - {"os"}))} == {}


def test_no_library_module_imports_the_simulator_or_its_tools() -> None:
    assert {name: found for name in LIBRARY if (found := roots(name) & OUTSIDE_THE_LIBRARY)} == {}


def test_the_walk_sees_the_whole_core() -> None:
    assert {"leadlight.units", "leadlight.wire.codec", "leadlight.follower.follower"} <= set(CORE)
    assert "leadlight.clock.edge_filter" in modules_of_ours("leadlight.clock.tracker")


def test_the_walk_would_find_a_forbidden_import() -> None:
    assert "asyncio" in roots("leadlight.net.driver")
    assert place_of("leadlight_sim.air.choice.presets") == PLACES.index(("leadlight_sim", "air.choice"))


def test_there_is_no_import_cycle() -> None:
    graph = {name: modules_of_ours(name) - {name} for name in MODULES}
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        pytest.fail(f"import cycle: {' -> '.join(error.args[1])}")


@pytest.mark.slow
def test_importing_the_library_loads_none_of_what_a_board_lacks() -> None:
    lacking = {"matplotlib", "numpy", "asyncio", "leadlight_sim"}
    code = f"import leadlight, sys; print(*sorted({lacking} & set(sys.modules)))"
    environment = {"PYTHONPATH": str(Path(leadlight.__file__).parents[1])}
    run = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
    assert run.stdout.strip() == ""
