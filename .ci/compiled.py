"""A build hook that compiles the modules which every packet passes.

    HATCH_BUILD_HOOK_ENABLE_CUSTOM=1 pip install .

It needs a C compiler and Python's headers. The sources are the same: mypyc makes extension modules of those that
``modules`` in pyproject.toml names, and their text stays beside them for tracebacks. An editable install is refused: an
extension module would hide every later change of its source.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

SOURCES = ("protocol/leadlight", "sim/leadlight_sim")


class CompiledModules(BuildHookInterface[Any]):
    """Adds the extension modules to a wheel."""

    PLUGIN_NAME = "custom"

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Compile, and let the wheel say which Python and machine it is for."""
        if version == "editable":
            raise SystemExit("an editable install is not compiled: leave out -e, or HATCH_BUILD_HOOK_ENABLE_CUSTOM")
        self._scratch = TemporaryDirectory()
        folder = Path(self._scratch.name)
        compile_into(folder, Path(self.root), self.config["modules"])
        build_data["pure_python"] = False
        build_data["infer_tag"] = True
        for extension in extensions(folder):
            build_data["force_include"][str(extension)] = str(extension.relative_to(folder))

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:  # noqa: ARG002
        """Clear up."""
        self._scratch.cleanup()


def extensions(folder: Path) -> list[Path]:
    """Return the extension modules below a folder."""
    return sorted(path for suffix in (".so", ".pyd") for path in folder.rglob(f"*{suffix}"))


def compile_into(folder: Path, root: Path, modules: list[str]) -> None:
    """Put both packages into ``folder`` with extension modules beside the sources of ``modules``.

    Raises ``SystemExit`` with the compilers' words if they refuse.
    """
    for source in SOURCES:
        shutil.copytree(root / source, folder / Path(source).name, ignore=shutil.ignore_patterns("__pycache__"))
    # What the packages import is not there where a wheel is built, and the checks of the whole project are made
    # elsewhere. mypyc needs the types of these modules alone.
    (folder / "mypy.ini").write_text("[mypy]\nignore_missing_imports = True\n", encoding="utf-8")
    command = [sys.executable, "-m", "mypyc", "--config-file", "mypy.ini", *modules]
    done = subprocess.run(
        command,
        cwd=folder,
        env={**os.environ, "MYPYPATH": ".", "PYTHONPATH": ""},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    if done.returncode or not extensions(folder):
        raise SystemExit(f"{done.stdout}\nmypyc could not compile: it ended with {done.returncode}")
    shutil.rmtree(folder / "build")
    shutil.rmtree(folder / ".mypy_cache", ignore_errors=True)
    (folder / "mypy.ini").unlink()
