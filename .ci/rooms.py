"""The rooms of both packages: their order, and what each is for, in the words of its own ``__init__``.

    python3 .ci/rooms.py              print the two listings
    python3 .ci/rooms.py --write      put them into DEVELOPERS.md, and the public names into protocol/PUBLIC.md

Needs nothing but Python. A room imports only rooms above it in its list, as
``tests/unit/test_architecture.py`` sees.
"""

from __future__ import annotations

import argparse
import ast
import re
import sys
from pathlib import Path
from typing import Final

ROOT = Path(__file__).resolve().parents[1]
DEVELOPERS = ROOT / "DEVELOPERS.md"
PUBLIC = ROOT / "protocol" / "PUBLIC.md"
PACKAGES = {"leadlight": ROOT / "protocol" / "leadlight", "leadlight_sim": ROOT / "sim" / "leadlight_sim"}

ROOT_WORDS: Final = ("terms", "errors", "units", "cue", "events", "entropy", "addresses")
"""Files at the library's root: the words that everything else is said in."""
ORDER: Final = {
    "leadlight": (
        "wire",
        "clock",
        "playback",
        "follower",
        "leader",
        "evening",
        "storage",
        "readiness",
        "recording",
        "dissect",
        "net",
        "commands/orders",
        "commands",
    ),
    "leadlight_sim": (
        "kernel",
        "scenario",
        "air",
        "air/sampled",
        "air/contended",
        "air/choice",
        "hosts",
        "baselines",
        "world",
        "recording",
        "telling",
        "drawing",
        "fitting",
        "sampling",
        "timeline",
        "measures",
        "runs",
        "testing",
        "live",
        "drills",
        "soak",
        "tune",
        "compare",
        "budget",
        "report",
        "lessons",
        "commands",
    ),
}
"""Every room, from the one that needs no other to the one that none needs."""
CORE: Final = ("wire", "clock", "playback", "follower", "leader")
"""With the root's words: no input or output, no clock and no chance of its own."""


def listing(package: str) -> str:
    """Return one package's rooms as a Markdown table."""
    lines = ["| room | what it is for |", "|---|---|"]
    if package == "leadlight":
        words = ", ".join(f"`{word}`" for word in ROOT_WORDS)
        lines.append(f"| {words} (files at the root) | The words that everything else is said in. |")
    lines += [f"| `{room}/` | {purpose(package, room)} |" for room in ORDER[package]]
    return "\n".join(lines) + "\n"


def purpose(package: str, room: str) -> str:
    """Return the first sentence of a room's ``__init__``."""
    text = ast.get_docstring(ast.parse((PACKAGES[package] / room / "__init__.py").read_text(encoding="utf-8"))) or ""
    paragraph = " ".join(text.partition("\n\n")[0].split())
    return re.split(r"(?<=\.)\s", paragraph, maxsplit=1)[0].replace("|", r"\|")


FACES: Final = (
    "leadlight",
    "leadlight.units",
    "leadlight.events",
    "leadlight.errors",
    "leadlight.net",
    "leadlight.recording",
    "leadlight_sim",
    "leadlight_sim.testing",
)
"""What a player, a tool or a test imports from; everything else may change without a word."""


def offered(face: str) -> list[str]:
    """Return the names in a public module's ``__all__``."""
    package, *rest = face.split(".")
    place = PACKAGES[package].joinpath(*rest)
    file = place / "__init__.py" if place.is_dir() else place.with_suffix(".py")
    for node in ast.parse(file.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name) and node.targets[0].id == "__all__":
            return list(ast.literal_eval(node.value))
    raise LookupError(f"{face} has no __all__")


def face_listing() -> str:
    """Return the public names of both packages as a Markdown table."""
    lines = ["| import from | names |", "|---|---|"]
    lines += [f"| `{face}` | {', '.join(f'`{name}`' for name in offered(face))} |" for face in FACES]
    return "\n".join(lines) + "\n"


def renewed(text: str) -> str:
    """Return the text of DEVELOPERS.md or PUBLIC.md with those of its listings that it has, as the code has them now.

    Raises ``LookupError`` for a text with none.
    """
    made = {(f"<!-- rooms: {package} -->\n", "<!-- end of rooms -->\n"): listing(package) for package in PACKAGES}
    made["<!-- the public face -->\n", "<!-- end of the public face -->\n"] = face_listing()
    found_any = False
    for (begin, end), lines in made.items():
        before, found, rest = text.partition(begin)
        _, closed, after = rest.partition(end)
        if found and closed:
            text = f"{before}{begin}\n{lines}\n{end}{after}"
            found_any = True
    if not found_any:
        raise LookupError("there is no place for a listing")
    return text


def main() -> None:
    """Print the listings, or put them in place."""
    parser = argparse.ArgumentParser(description="List every room of both packages, bottom to top.")
    parser.add_argument("--write", action="store_true", help="into the two pages")
    if parser.parse_args().write:
        for page in (DEVELOPERS, PUBLIC):
            page.write_text(renewed(page.read_text(encoding="utf-8")), encoding="utf-8")
    else:
        sys.stdout.writelines(f"{package}\n\n{listing(package)}\n" for package in PACKAGES)


if __name__ == "__main__":
    main()
