"""The walls between rooms, proven on the direct imports of every module."""

from __future__ import annotations

import ast
import subprocess
import sys
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

import leadlight

PACKAGE = Path(leadlight.__file__).parent
SHELL = (
    "leadlight.net",
    "leadlight.files",
    "leadlight.cli",
    "leadlight.key_command",
    "leadlight.manifest_command",
    "leadlight.order_command",
    "leadlight.decode_command",
    "leadlight.live_table",
    "leadlight.__main__",
)
"""What touches the world; everything else is core."""
OUTSIDE_THE_CORE = {"asyncio", "socket", "time", "random", "os"}
OUTSIDE_THE_LIBRARY = {"leadlight_sim", "numpy", "matplotlib"}


def name_of(path: Path) -> str:
    parts = ("leadlight", *path.relative_to(PACKAGE).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {name_of(path): path for path in sorted(PACKAGE.rglob("*.py"))}
CORE = [name for name in MODULES if not any(name == room or name.startswith(room + ".") for room in SHELL)]


def imports_of(name: str) -> set[str]:
    """Every module that `name` imports, wherever in its text the import stands."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(MODULES[name].read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name} imports relatively: say whole names"
            assert node.module is not None
            # `from leadlight import events` imports a module; `from leadlight.units import SECOND` a name in one.
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                found.add(inner if inner in MODULES else node.module)
    return found


def roots(names: set[str]) -> set[str]:
    return {name.partition(".")[0] for name in names}


def test_the_walk_sees_the_whole_core() -> None:
    assert {"leadlight.wire", "leadlight.follower", "leadlight.leader", "leadlight.clock.edge_filter"} <= set(CORE)
    assert "leadlight.clock.edge_filter" in imports_of("leadlight.clock.tracker")


def test_the_walk_would_find_a_forbidden_import() -> None:
    assert "asyncio" in roots(imports_of("leadlight.net.driver") | imports_of("leadlight.net.endpoint"))


@pytest.mark.parametrize("name", CORE)
def test_no_core_module_touches_the_world(name: str) -> None:
    assert not roots(imports_of(name)) & OUTSIDE_THE_CORE


@pytest.mark.parametrize("name", CORE)
def test_no_core_module_imports_the_shell(name: str) -> None:
    assert not {other for other in imports_of(name) if other in MODULES and other not in CORE}


@pytest.mark.parametrize("name", MODULES)
def test_no_library_module_imports_the_simulator_or_its_tools(name: str) -> None:
    assert not roots(imports_of(name)) & OUTSIDE_THE_LIBRARY


def test_there_is_no_import_cycle() -> None:
    graph = {name: {other for other in imports_of(name) if other in MODULES} for name in MODULES}
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        pytest.fail(f"import cycle: {' -> '.join(error.args[1])}")


@pytest.mark.slow
def test_importing_the_library_loads_none_of_what_a_board_lacks() -> None:
    lacking = {"matplotlib", "numpy", "asyncio", "leadlight_sim"}
    code = f"import leadlight, sys; print(*sorted({lacking} & set(sys.modules)))"
    environment = {"PYTHONPATH": str(PACKAGE.parent)}
    run = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
    assert run.stdout.strip() == ""
