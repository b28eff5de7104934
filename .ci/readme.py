"""What is executable in README.md, and the figures of sim/RESULTS.md, so that what is run and what is read agree.

    python3 .ci/readme.py line run              print the line under the mark `<!-- line: run -->`
    python3 .ci/readme.py code example          print the Python under the mark `<!-- code: example -->`
    python3 .ci/readme.py figures               measure every row of the tables of figures anew, and print them
    python3 .ci/readme.py figures --write       the same, and put tables and picture into the repository

The first two need nothing but Python; the last two need the simulator.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import re
import shlex
import sys
import tempfile
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
RESULTS = ROOT / "sim" / "RESULTS.md"
PICTURE = ROOT / "sim" / "quarry-lake.png"
ROW = re.compile(r"^\| (?P<what>[^|`]+) \| `leadlight (?P<command>[^`]+)` \|(?P<cells>.*)\|$", re.MULTILINE)
NEVER = "never in step"
NONE = "none"


class Row(NamedTuple):
    """One row of a table of figures: what is said of it, the words after `leadlight`, and the figures as printed."""

    what: str
    command: str
    cells: tuple[str, ...]


class Rehearsed(NamedTuple):
    """What one rehearsal came to; times in ms, of the piece that fared worst in each; ``None`` if never in step."""

    latest_beacon_p95: float | None
    light_p95: float | None
    light_worst: float | None
    clock_p95: float | None
    jumps: int
    airtime_share: float

    def cells(self) -> tuple[str, ...]:
        """Return the figures as the table prints them."""
        return (
            _told(self.latest_beacon_p95),
            _told(self.light_p95),
            _told(self.light_worst),
            _told(self.clock_p95),
            str(self.jumps),
            f"{self.airtime_share:.2%}".replace("%", " %"),
        )


class Tuned(NamedTuple):
    """What one sweep came to: what it recommends, its airtime, and of how many evenings how many missed a target."""

    recommended: str | None
    airtime_share: float
    share: float
    confidence: float
    evenings: int
    missed: int

    def cells(self) -> tuple[str, ...]:
        """Return the figures as the table prints them."""
        if self.recommended is None:
            return NONE, "–", "–"
        airtime = f"{self.airtime_share:.2%}".replace("%", " %")
        promise = f"at most 1 evening in {1 / self.share:g}, {self.confidence * 100:g} % sure"
        return self.recommended, airtime, f"{promise}: {self.missed} of {self.evenings} missed a target"


def block(kind: str, name: str, text: str) -> str:
    """Return the fenced block that follows a mark; raise ``LookupError`` unless there is exactly one."""
    found = re.findall(rf"^<!-- {kind}: {re.escape(name)} -->\n+```\w+\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    if len(found) != 1:
        raise LookupError(f"README.md has {len(found)} blocks marked `{kind}: {name}`, not one")
    return str(found[0])


def line(name: str, text: str) -> str:
    """Return the one shell line under a mark; raise ``LookupError`` if there are more."""
    body = block("line", name, text)
    if body.count("\n") != 1:
        raise LookupError(f"the block marked `line: {name}` has {body.count(chr(10))} lines, not one")
    return body.rstrip("\n")


def rows(text: str) -> list[Row]:
    """Return the rows of the tables of figures."""
    return [
        Row(match["what"], match["command"], tuple(cell.strip() for cell in match["cells"].split("|")))
        for match in ROW.finditer(text)
    ]


def measure(command: str) -> Rehearsed | Tuned:
    """Carry out ``leadlight`` with these words and return its figures; the command must be `rehearse` or `tune`."""
    from leadlight_sim.commands import cli

    name, *words = shlex.split(command)
    if name not in ("rehearse", "tune"):
        raise LookupError(f"only rehearsals and sweeps can be measured, not {command!r}")
    parser = argparse.ArgumentParser()
    asked = cli.rehearse if name == "rehearse" else cli.tune
    asked.add_arguments(parser)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "figures.json"
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            asked.run(parser.parse_args([*words, "--json", str(file)]))
        found = json.loads(file.read_text(encoding="utf-8"))
    return _rehearsed(found) if name == "rehearse" else _tuned(found)


def _rehearsed(found: dict[str, Any]) -> Rehearsed:
    pieces = found["followers"]
    return Rehearsed(
        latest_beacon_p95=_largest(piece["naive_light_ms"]["p95"] for piece in pieces),
        light_p95=_largest(piece["light_ms"]["p95"] for piece in pieces),
        light_worst=_largest(piece["light_ms"]["max"] for piece in pieces),
        clock_p95=_largest(piece["error_ms"]["p95"] for piece in pieces),
        jumps=sum(piece["visible_steps"] for piece in pieces),
        airtime_share=found["airtime_share"],
    )


def _tuned(found: dict[str, Any]) -> Tuned:
    proven = next((test for test in found["tests"] if test["passed"]), None)
    if proven is None:
        return Tuned(None, 0.0, found["share"], found["confidence"], 0, 0)
    taken = next(each for each in found["candidates"] if each["settings"] == proven["settings"])
    made = proven["made"]
    return Tuned(
        taken["name"], taken["airtime_share"], found["share"], found["confidence"], made["evenings"], made["missed"]
    )


def _largest(values: object) -> float | None:
    known = list(values)  # type: ignore[call-overload]
    return None if None in known else max(known)


def _told(milliseconds: float | None) -> str:
    """Return a time in ms with two digits, or whole."""
    if milliseconds is None:
        return NEVER
    digits = 0 if milliseconds >= 9.95 else 1 if milliseconds >= 0.995 else 2
    return f"{milliseconds:.{digits}f} ms"


def measured_text(text: str) -> str:
    """Return a page's text with every row's figures measured anew."""

    def anew(match: re.Match[str]) -> str:
        cells = " | ".join(measure(match["command"]).cells())
        return f"| {match['what']} | `leadlight {match['command']}` | {cells} |"

    return ROW.sub(anew, text)


def draw() -> None:
    """Draw the picture: the shipped scenario, as `leadlight rehearse --picture` does."""
    from leadlight_sim.measures.rehearsal import rehearse
    from leadlight_sim.report.figures import picture
    from leadlight_sim.scenario.files import resolve_scenario

    PICTURE.write_bytes(picture(rehearse(resolve_scenario(None))))


def main() -> None:
    """Print what was asked for."""
    parser = argparse.ArgumentParser(description="Print what is executable in README.md, or measure sim/RESULTS.md.")
    parser.add_argument("what", choices=["line", "code", "figures"])
    parser.add_argument("name", nargs="?", help="of the mark, for `line` and `code`")
    parser.add_argument("--write", action="store_true", help="with `figures`: put tables and picture in place")
    arguments = parser.parse_args()
    text = README.read_text(encoding="utf-8")
    if arguments.what == "figures":
        measured = measured_text(RESULTS.read_text(encoding="utf-8"))
        if arguments.write:
            RESULTS.write_text(measured, encoding="utf-8")
            draw()
        sys.stdout.writelines(f"{match[0]}\n" for match in ROW.finditer(measured))
    elif arguments.name is None:
        parser.error(f"`{arguments.what}` needs the name of a mark")
    elif arguments.what == "line":
        print(line(arguments.name, text))
    else:
        print(block("code", arguments.name, text), end="")


if __name__ == "__main__":
    main()
