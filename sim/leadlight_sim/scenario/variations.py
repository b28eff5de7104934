"""Variations: one key of a scenario set to another value."""

from __future__ import annotations

import difflib
import re
import tomllib
from typing import Any

from leadlight_sim.scenario.problems import ScenarioError


def change_from_text(text: str) -> tuple[str, object]:
    """Return the key and value of ``KEY=VALUE`` for ``with_changes``. A value that is not TOML is text."""
    key, equals, value = text.partition("=")
    if not equals or not key.strip():
        raise ScenarioError(f"{text}: allowed: KEY=VALUE, such as leader.interval_s=0.5")
    try:
        parsed = tomllib.loads(f"value = {value}")
    except ValueError:
        parsed = {}
    return key.strip(), parsed["value"] if len(parsed) == 1 else value.strip()


def set_key(table: dict[str, Any], key: str, value: object) -> str | None:
    """Set one dotted key of a scenario's table in place; return what is wrong with the key, or ``None``."""
    if not re.fullmatch(r"[\w-]+(\[[^\[\]]+\])?(\.[\w-]+(\[[^\[\]]+\])?)*", key):
        return f"{key}: not a key; allowed: such as leader.interval_s, followers[0].trim_ms or air.preset"
    at: Any = {"": table}
    step: Any = ""
    for name, entry in re.findall(r"([\w-]+)(?:\[([^\[\]]+)\])?(?:\.|$)", key):
        at, step = _inside(at, step), name
        if not isinstance(at, dict):
            return f"{key}: {name} is not inside a table"
        if entry:
            at = at.get(name)
            called = [str(one.get("name", one.get("id"))) for one in at] if isinstance(at, list) else []
            step = int(entry) if entry.isdecimal() else called.index(entry) if entry in called else len(called)
            if step >= len(called):
                near = difflib.get_close_matches(entry, called, n=1)
                hint = f"; did you mean {near[0]}?" if near else ""
                return f"{key}: there is no [{entry}]; allowed: a name, or a number below {len(called)}{hint}"
    if value is None and isinstance(at, dict):
        at.pop(step, None)
    else:
        at[step] = value
    return None


def _inside(at: Any, step: Any) -> Any:
    # A table that the file left out starts empty.
    return at.setdefault(step, {}) if isinstance(at, dict) else at[step]
