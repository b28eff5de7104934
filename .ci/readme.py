"""What is executable in README.md, and the figures of sim/RESULTS.md, so that what is run and what is read agree.

    python3 .ci/readme.py line run              print the line under the mark `<!-- line: run -->`
    python3 .ci/readme.py code example          print the Python under the mark `<!-- code: example -->`
    python3 .ci/readme.py figures               measure every row of the tables of figures anew, and print them
    python3 .ci/readme.py figures --write       the same, and put tables and picture into the repository
    python3 .ci/readme.py figures compare       only those whose command has this word in it, and no picture

A row has its command in its second cell. A whole table that one command gives stands between `<!-- table: COMMAND -->`
and `<!-- end of table -->`. The first two need nothing but Python; the others need the simulator.
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
TABLE = re.compile(
    r"^<!-- table: leadlight (?P<command>[^\n]+) -->\n(?P<body>.*?)^<!-- end of table -->$", re.MULTILINE | re.DOTALL
)
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


class Table(NamedTuple):
    """One table that a command gives whole: the words after `leadlight`, and the text between its two marks."""

    command: str
    body: str


def tables(text: str) -> list[Table]:
    """Return the tables that a command gives whole."""
    return [Table(match["command"], match["body"]) for match in TABLE.finditer(text)]


def carried_out(command: str) -> dict[str, Any]:
    """Carry out ``leadlight`` with these words and return what it writes as JSON."""
    from leadlight_sim.commands import cli

    name, *words = shlex.split(command)
    if name not in ("rehearse", "tune", "compare"):
        raise LookupError(f"only rehearsals, sweeps and comparisons can be measured, not {command!r}")
    parser = argparse.ArgumentParser()
    asked = getattr(cli, name)
    asked.add_arguments(parser)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "figures.json"
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            asked.run(parser.parse_args([*words, "--json", str(file)]))
        return dict(json.loads(file.read_text(encoding="utf-8")))


def measure(command: str) -> Rehearsed | Tuned:
    """Carry out a row's command and return its figures; it must be `rehearse` or `tune`."""
    if command.startswith("compare"):
        raise LookupError(f"a comparison gives a table, not a row: {command!r}")
    found = carried_out(command)
    return _rehearsed(found) if command.startswith("rehearse") else _tuned(found)


def table_of(command: str, found: dict[str, Any] | None = None) -> str:
    """Return the text of a table: its command, and what that gives, or what it gave."""
    found = carried_out(command) if found is None else found
    lines = compared_lines(found) if command.startswith("compare") else swept_lines(found)
    head, *rest = [f"| {' | '.join(cells)} |" for cells in lines]
    return "\n".join([f"`leadlight {command}`:", "", head, "|---" * len(lines[0]) + "|", *rest, ""])


def swept_lines(found: dict[str, Any]) -> list[list[str]]:
    """Return every candidate of a sweep, the cheapest first; what is recommended in bold."""
    lines = [["setting", "share of airtime", "missed a target, exploring", "tested"]]
    for each in found["candidates"]:
        explored = each["explored"]
        tested = each["standing"] if ":" in each["standing"] else "–"
        name = f"**{each['name']}**" if each["settings"] == found["recommended"] else each["name"]
        airtime = f"{each['airtime_share']:.2%}".replace("%", " %")
        lines.append([name, airtime, f"{explored['missed']} of {explored['evenings']}", tested])
    return lines


def compared_lines(found: dict[str, Any]) -> list[list[str]]:
    """Return every variant's medians, and of every pair the differences: those that are real in bold."""
    from leadlight_sim.drills import DRILL_MEASURES
    from leadlight_sim.measures import MEASURES

    measures: list[Any] = [*DRILL_MEASURES, *MEASURES]
    told = {measure.key: measure for measure in measures}
    pairs = found["pairs"]
    differs = [{key for key, each in pair["differences"].items() if each["median"] or each["real"]} for pair in pairs]
    keys = [key for key in pairs[0]["differences"] if any(key in found for found in differs)]
    medians = {}
    for pair in pairs:
        for side in ("first", "second"):
            medians[pair[side]] = [pair["differences"][key][side] for key in keys]
    lines = [["median of evenings", *(told[key].titled for key in keys)]]
    for name, values in medians.items():
        cells = ["never" if value is None else told[key].number(value) for key, value in zip(keys, values, strict=True)]
        lines.append([_short(name), *cells])
    for pair in pairs:
        cells = []
        for key in keys:
            each = pair["differences"][key]
            low, middle, high = (_signed(told[key], each[name]) for name in ("low", "median", "high"))
            cells.append(f"**{middle}** ({low} to {high})" if each["real"] else middle)
        lines.append([f"{_short(pair['second'])} less {_short(pair['first'])}", *cells])
    return lines


def _short(name: str) -> str:
    """Return a variant's name: a single setting's value, else all of it."""
    return name.partition("=")[2] if name.count("=") == 1 else name


def _signed(measure: Any, value: float | None) -> str:
    if value is None:
        return "unbounded"
    return f"{'+' if value > 0 else '−' if value < 0 else ''}{measure.number(abs(value))}"


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


def measured_text(text: str, word: str = "") -> str:
    """Return a page's text with every row and table measured anew, or those whose command has ``word`` in it."""

    def whole(match: re.Match[str]) -> str:
        if word not in match["command"]:
            return match[0]
        return f"<!-- table: leadlight {match['command']} -->\n{table_of(match['command'])}<!-- end of table -->"

    def anew(match: re.Match[str]) -> str:
        if word not in match["command"]:
            return match[0]
        cells = " | ".join(measure(match["command"]).cells())
        return f"| {match['what']} | `leadlight {match['command']}` | {cells} |"

    return TABLE.sub(whole, ROW.sub(anew, text))


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
    parser.add_argument("name", nargs="?", help="of the mark; for `figures` a word of the command")
    parser.add_argument("--write", action="store_true", help="with `figures`: put tables and picture in place")
    arguments = parser.parse_args()
    text = README.read_text(encoding="utf-8")
    if arguments.what == "figures":
        word = arguments.name or ""
        measured = measured_text(RESULTS.read_text(encoding="utf-8"), word)
        if arguments.write:
            RESULTS.write_text(measured, encoding="utf-8")
            if not word:
                draw()
        found = [match for pattern in (ROW, TABLE) for match in pattern.finditer(measured) if word in match["command"]]
        sys.stdout.writelines(f"{match[0]}\n" for match in found)
    elif arguments.name is None:
        parser.error(f"`{arguments.what}` needs the name of a mark")
    elif arguments.what == "line":
        print(line(arguments.name, text))
    else:
        print(block("code", arguments.name, text), end="")


if __name__ == "__main__":
    main()
