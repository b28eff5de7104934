"""The rooms of both packages as they are: every module, below everything that imports it, and its first sentence.

    python3 .ci/rooms.py              print the two listings
    python3 .ci/rooms.py --write      put them into DEVELOPERS.md

Needs nothing but Python. A folder is one room: it stands where it can be read after all that it imports.
"""

from __future__ import annotations

import argparse
import ast
import re
import sys
from graphlib import TopologicalSorter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
DEVELOPERS = ROOT / "DEVELOPERS.md"
PACKAGES = {"leadlight": ROOT / "protocol" / "leadlight", "leadlight_sim": ROOT / "sim" / "leadlight_sim"}


def listing(package: str) -> str:
    """Return one package's listing as a Markdown table."""
    folder = PACKAGES[package]
    files = {_name(path.relative_to(folder)): path for path in sorted(folder.rglob("*.py"))}
    files.pop("", None)  # the package's own __init__ names what it offers; it has no place of its own
    needs = {name: _imports(path, package, set(files)) - {name} for name, path in files.items()}
    rooms: dict[str, set[str]] = {}
    for name, others in needs.items():
        rooms.setdefault(_room(name), set()).update(_room(other) for other in others if _room(other) != _room(name))
    lines = ["| module | job |", "|---|---|"]
    for room in _bottom_to_top(rooms):
        inside = {name: others for name, others in needs.items() if _room(name) == room}
        # A folder's own __init__ is its front door: it is read first, whatever it imports.
        door = [name for name in inside if name == room and len(inside) > 1]
        rest = {name: others & inside.keys() for name, others in inside.items() if name not in door}
        for name in (*door, *_bottom_to_top(rest)):
            shown = f"{name}/" if name in door else name
            lines.append(f"| `{shown}` | {_first_sentence(files[name])} |")
    return "\n".join(lines) + "\n"


def _name(relative: Path) -> str:
    parts = relative.with_suffix("").parts
    return "/".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _room(name: str) -> str:
    return name.partition("/")[0]


def _imports(path: Path, package: str, names: set[str]) -> set[str]:
    """Return the modules of the same package that a file imports, wherever in its text."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        modules = []
        if isinstance(node, ast.ImportFrom) and node.module is not None:
            modules = [f"{node.module}.{alias.name}" for alias in node.names] + [node.module]
        elif isinstance(node, ast.Import):
            modules = [alias.name for alias in node.names]
        for module in modules:
            if module.startswith(f"{package}."):
                found.add(module.removeprefix(f"{package}.").replace(".", "/"))
    return found & names


def _bottom_to_top(needs: dict[str, set[str]]) -> list[str]:
    """Return names so that each stands after what it needs: by height, then by name."""
    height: dict[str, int] = {}
    for name in TopologicalSorter(needs).static_order():
        height[name] = 1 + max((height[other] for other in needs.get(name, ())), default=0)
    return sorted(height, key=lambda name: (height[name], name))


def _first_sentence(path: Path) -> str:
    text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    paragraph = " ".join(text.partition("\n\n")[0].split())
    return re.split(r"(?<=\.)\s", paragraph, maxsplit=1)[0].replace("|", r"\|")


def renewed(text: str) -> str:
    """Return DEVELOPERS.md's text with both listings as the code has them now."""
    for package in PACKAGES:
        begin, end = f"<!-- rooms: {package} -->\n", "<!-- end of rooms -->\n"
        before, found, rest = text.partition(begin)
        _, closed, after = rest.partition(end)
        if not found or not closed:
            raise LookupError(f"DEVELOPERS.md has no place for the rooms of {package}")
        text = f"{before}{begin}\n{listing(package)}\n{end}{after}"
    return text


def main() -> None:
    """Print the listings, or put them in place."""
    parser = argparse.ArgumentParser(description="List every module of both packages, bottom to top.")
    parser.add_argument("--write", action="store_true", help="into DEVELOPERS.md")
    if parser.parse_args().write:
        DEVELOPERS.write_text(renewed(DEVELOPERS.read_text(encoding="utf-8")), encoding="utf-8")
    else:
        sys.stdout.writelines(f"{package}\n\n{listing(package)}\n" for package in PACKAGES)


if __name__ == "__main__":
    main()
