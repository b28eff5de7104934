"""Scenario files: found, read and checked."""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.scenario.problems import ScenarioError

SHIPPED_DEFAULT = "quarry-lake"
FILE_MAXIMUM_BYTES = 4 << 20
_BARE_KEY = re.compile("[A-Za-z0-9_-]+")
"""A thousand followers with every key written out take less than a tenth of this."""


def load_scenario(path: str | Path) -> Scenario:
    """Return the scenario in the TOML file at ``path``. Raises ``ScenarioError`` that lists every problem."""
    return _parse(_read(path), str(path))


def _read(path: str | Path) -> bytes:
    try:
        with Path(path).open("rb") as file:
            return file.read(FILE_MAXIMUM_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise ScenarioError(f"{path}: cannot be read: {reason}") from error


def shipped_scenarios() -> list[str]:
    """Return the names of the scenarios that come with the simulator, in order."""
    folder = files("leadlight_sim.scenario").joinpath("shipped")
    return sorted(entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml"))


def load_shipped(name: str = SHIPPED_DEFAULT) -> Scenario:
    """Return a scenario that comes with the simulator; a name it lacks raises ``ScenarioError``."""
    if name not in shipped_scenarios():
        raise ScenarioError(_no_such_scenario(name))
    data = files("leadlight_sim.scenario").joinpath("shipped").joinpath(f"{name}.toml").read_bytes()
    return _parse(data, f"{name}.toml")


def resolve_scenario(text: str | None) -> Scenario:
    """Return the scenario a person asked for: a shipped name, a file's path, or nothing for Quarry Lake."""
    if text is None or text in shipped_scenarios():
        return load_shipped(text or SHIPPED_DEFAULT)
    if not Path(text).exists():
        raise ScenarioError(_no_such_scenario(text))
    return load_scenario(text)


def with_air(scenario: Scenario, path: str | Path) -> Scenario:
    """Return a checked copy on the air that `leadlight fit` wrote to the file at ``path``, instead of its own.

    The access point keeps its name, for faults are at it. Raises ``ScenarioError``.
    """
    table = _table(_read(path), str(path))
    air = table.get("air")
    if set(table) != {"air"} or not isinstance(air, dict) or "fitted" not in air:
        raise ScenarioError(f"{path}: not the air of a recording; allowed: what `leadlight fit --output` wrote")
    own = {"name": scenario.air.name, "preset": "idle", "client_isolation": scenario.air.client_isolation}
    return scenario.with_changes({"air": own | air}, source=str(path))


def _no_such_scenario(name: str) -> str:
    known = shipped_scenarios()
    near = difflib.get_close_matches(Path(name).name.removesuffix(".toml"), known, n=1, cutoff=0.4)
    hint = f"; did you mean {near[0]}?" if near else ""
    return f"{name}: neither a file nor a shipped scenario; shipped: {', '.join(known)}{hint}"


def _parse(data: bytes, source: str) -> Scenario:
    return check_scenario(_table(data, source), source)


def _table(data: bytes, source: str) -> dict[str, Any]:
    if len(data) > FILE_MAXIMUM_BYTES:
        raise ScenarioError(f"{source}: too long; allowed: {FILE_MAXIMUM_BYTES} bytes")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line, column = _place_after(data[: error.start].decode("utf-8", "replace"))
        raise ScenarioError(f"{source}: line {line}, column {column}: not UTF-8 text") from error
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        told = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", str(error), re.DOTALL)
        reason = told[1] if told else str(error).removesuffix(" (at end of document)")
        line, column = (int(told[2]), int(told[3])) if told else _place_after(text)
        raise ScenarioError(f"{source}: line {line}, column {column}: not TOML: {reason}") from error
    except (ValueError, RecursionError) as error:
        # A whole number of thousands of digits, or brackets nested as deep.
        raise ScenarioError(f"{source}: not TOML that can be read: {error}") from error


def _place_after(text: str) -> tuple[int, int]:
    return text.count("\n") + 1, len(text) - text.rfind("\n")


def as_toml(scenario: Scenario) -> str:
    """Return the text of a scenario file that says what this one says, without what it left out."""
    table = scenario.model_dump(mode="json", exclude_unset=True, exclude_none=True)
    return "".join(_lines_of((), table)).lstrip("\n")


def _lines_of(path: tuple[str, ...], table: dict[str, Any]) -> Iterator[str]:
    inner = {key: value for key, value in table.items() if isinstance(value, dict) or _is_list_of_tables(value)}
    for key, value in table.items():
        if key not in inner:
            yield f"{_key_text(key)} = {_value_text(value)}\n"
    for key, value in inner.items():
        name = ".".join(map(_key_text, (*path, key)))
        for one in value if isinstance(value, list) else [value]:
            yield f"\n[[{name}]]\n" if isinstance(value, list) else f"\n[{name}]\n"
            yield from _lines_of((*path, key), one)


def _key_text(key: str) -> str:
    """Return a key as TOML takes it: the name of a piece may hold anything, and is quoted then."""
    return key if _BARE_KEY.fullmatch(key) else _value_text(key)


def _is_list_of_tables(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(one, dict) for one in value)


def _value_text(value: object) -> str:
    if isinstance(value, list):
        return f"[{', '.join(map(_value_text, value))}]"
    # What JSON says of texts, numbers and truths, TOML says too; but for one character, which it wants written out.
    return json.dumps(value, ensure_ascii=False, allow_nan=False).replace("\x7f", "\\u007f")
