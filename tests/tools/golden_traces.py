"""Golden traces: what half a minute of each kind of air and evening came to, kept in `tests/golden_traces.toml`.

    python tests/tools/golden_traces.py            say which traces are no longer what is kept
    python tests/tools/golden_traces.py --write    keep what they are now

A change that is to make nothing but speed leaves every trace as it is, from the sources and compiled. One that changes
what happens, or what is drawn, changes traces: it says so in its message and in the change log, and keeps them anew.
"""

from __future__ import annotations

import argparse
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.world.assembly import World

KEPT: Final = Path(__file__).parents[1] / "golden_traces.toml"

_PRESETS: Final = ("idle", "busy", "dozing", "model-a", "model-b", "model-c", "model-d")
_POWER_CUT: Final = {"kind": "power-cut", "follower": "willow", "at_s": 12.0, "for_s": 3.0}

CASES: Final[dict[str, dict[str, Any]]] = {
    **{preset: {"air": {"preset": preset}} for preset in _PRESETS},
    # Calm for a minute or so before it is congested.
    "model-e": {"air": {"preset": "model-e"}, "run": {"duration_s": 120.0}},
    **{
        f"contended {preset}": {"air": {"preset": preset, "fidelity": "contended"}}
        for preset in ("idle", "busy", "dozing")
    },
    "wired leader": {"leader": {"wired": True}},
    "copies": {"leader": {"delivery": "copies"}, "air": {"client_isolation": True}},
    "keyed": {"keyed": True},
    "busy boards": {"boards": {"machine": "busy"}},
    "leader reboots": {"faults": [{"kind": "leader-reboot", "at_s": 15.0, "for_s": 4.0}, _POWER_CUT]},
    "standby takes over": {
        "standbys": [{"name": "mill", "rank": 1}],
        "faults": [{"kind": "leader-reboot", "at_s": 14.0, "for_s": 12.0}],
    },
    "packets go wrong": {
        "faults": [
            {"kind": "loss-spell", "loss_fraction": 0.3, "at_s": 8.0, "for_s": 10.0},
            {"kind": "corruption", "at_s": 10.0, "for_s": 10.0},
            {"kind": "reordering", "at_s": 12.0, "for_s": 10.0},
        ],
    },
}
"""By name, what sets the case apart from the plain one; its tables are put into that one's."""


def scenario(name: str) -> Scenario:
    """Return the evening of one case."""
    table: dict[str, Any] = {
        "name": "Golden",
        "run": {"duration_s": 30.0, "seed": 21, "settle_s": 5.0},
        "leader": {"name": "boathouse", "interval_s": 0.5},
        "followers": [{"name": each, "pixels": 100} for each in ("jetty", "willow", "ferry", "mill wheel")],
        "air": {"preset": "idle"},
        "shows": [{"id": "tidefall", "duration_s": 192.0}],
        "cues": [{"at_s": 5.0, "show": "tidefall"}, {"at_s": 20.0, "state": "dark"}],
    }
    for key, value in CASES[name].items():
        table[key] = table.get(key, {}) | value if isinstance(value, dict) else value
    return check_scenario(table, name)


def trace_of(name: str) -> str:
    """Return the trace of one case."""
    world = World(scenario(name))
    world.run_to(world.end)
    return world.trace.hexdigest()


def kept() -> dict[str, str]:
    """Return the traces that are kept, by name of case."""
    return dict(tomllib.loads(KEPT.read_text(encoding="utf-8")))


def changed() -> Iterator[tuple[str, str]]:
    """Yield the cases whose trace is not what is kept, and what it is."""
    former = kept() if KEPT.exists() else {}
    for name in CASES:
        trace = trace_of(name)
        if former.get(name) != trace:
            yield name, trace


def main() -> None:
    """Say which traces have changed, and keep them if asked to."""
    parser = argparse.ArgumentParser(description="Compare the golden traces with what is kept.")
    parser.add_argument("--write", action="store_true", help="keep the traces as they are now")
    is_to_write = parser.parse_args().write
    now = dict(changed())
    for name in now:
        print(f"{name}: changed")
    if is_to_write:
        former = kept() if KEPT.exists() else {}
        lines = [f'"{name}" = "{now.get(name) or former[name]}"\n' for name in CASES]
        KEPT.write_text("# Written by tests/tools/golden_traces.py.\n" + "".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
