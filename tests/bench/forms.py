"""How fast an evening is rehearsed from the sources and compiled, bare and scored: five runs of each, in turn.

The evening is that of ``evening.py``: four simulated hours of 32 followers. Every run is a process of its own, and its
seconds are that process's processor time, from the description of the evening to its figures; forms take turns, so that
what else the machine does meets all of them alike. Told are the median and the spread, the slowest and the fastest run,
in times real time, and what ran them. The traces of all forms must be one.

``--compiled FOLDER`` is where the compiled form lies (DEVELOPERS.md says how to make one). ``--against FOLDER`` takes
another checkout along, such as an earlier commit's, and tells the ratio to it. ``--write`` puts the table into
sim/RESULTS.md. ``--quick`` simulates ten minutes, twice: with it nothing is written.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
BEGIN, END = "<!-- speed: made by tests/bench/forms.py -->", "<!-- end of speed -->"
EVENING_S, QUICK_S = 4 * 3600, 600
RUNS, QUICK_RUNS = 5, 2

ONE_RUN = """
import json, sys
import evening
described = evening.evening(evening.FOLLOWERS, int(sys.argv[1]))
bare_s, world = evening.run(described, scored=False)
trace = world.trace.hexdigest()
del world
scored_s, world = evening.run(described, scored=True)
assert world.trace.hexdigest() == trace, "scoring changed the run"
print(json.dumps({"bare_s": bare_s, "scored_s": scored_s, "trace": trace, "compiled": evening.IS_COMPILED}))
"""


def run_once(packages: list[Path], benches: Path, duration_s: int) -> dict[str, Any]:
    """Return the seconds of one run of each kind, in a process of its own."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(map(str, [*packages, benches]))}
    words = [sys.executable, "-c", ONE_RUN, str(duration_s)]
    done = subprocess.run(words, env=environment, stdout=subprocess.PIPE, text=True, check=True)
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def spread(seconds: list[float], duration_s: int) -> str:
    """Return the median and the spread in times real time."""
    times = sorted(duration_s / each for each in seconds)
    return f"{statistics.median(times):,.0f} ({times[0]:,.0f} to {times[-1]:,.0f})"


def machine() -> str:
    """Return what ran it."""
    about = Path("/proc/cpuinfo")
    lines = about.read_text(encoding="utf-8").splitlines() if about.exists() else []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    load = f", load {os.getloadavg()[0]:.1f} when it began" if hasattr(os, "getloadavg") else ""
    processor = names[0] if names else platform.machine()
    return f"Python {platform.python_version()}, {processor}, {os.cpu_count()} cores{load}"


def main() -> None:
    """Time all forms in turn, and tell the figures."""
    parser = argparse.ArgumentParser(description="Time an evening from the sources and compiled.")
    parser.add_argument("--compiled", type=Path, metavar="FOLDER", help="where the compiled form lies")
    parser.add_argument("--against", type=Path, metavar="FOLDER", help="another checkout, to compare with")
    parser.add_argument("--write", action="store_true", help="put the table into sim/RESULTS.md")
    parser.add_argument("--quick", action="store_true", help="ten minutes, twice, of the sources")
    arguments = parser.parse_args()
    duration_s, runs = (QUICK_S, QUICK_RUNS) if arguments.quick else (EVENING_S, RUNS)
    benches = ROOT / "tests" / "bench"
    forms = {"sources": ([ROOT / "protocol", ROOT / "sim"], benches)}
    if arguments.compiled is not None:
        forms["compiled"] = ([arguments.compiled], benches)
    if arguments.against is not None:
        other = arguments.against
        forms["against"] = ([other / "protocol", other / "sim"], other / "tests" / "bench")
    told_by = machine()
    found: dict[str, list[dict[str, Any]]] = {name: [] for name in forms}
    for _ in range(runs):
        for name, (packages, bench) in forms.items():
            found[name].append(run_once(packages, bench, duration_s))
    for name, each in found.items():
        assert all(run["compiled"] is (name == "compiled") for run in each if name != "against"), name
    assert len({run["trace"] for name, each in found.items() for run in each if name != "against"}) == 1
    rows = ["| form | bare | scored every 0.25 s | scored over bare |", "|---|---|---|---|"]
    figures: dict[str, Any] = {"runs": runs, "evening_s": duration_s}
    for name, each in found.items():
        bare, scored = ([run[kind] for run in each] for kind in ("bare_s", "scored_s"))
        ratio = statistics.median(run["scored_s"] / run["bare_s"] for run in each)
        rows.append(f"| {name} | {spread(bare, duration_s)} | {spread(scored, duration_s)} | {ratio:.2f} |")
        figures[f"{name}_times_real_time"] = round(duration_s / statistics.median(bare), 1)
        figures[f"{name}_times_real_time_scored"] = round(duration_s / statistics.median(scored), 1)
        figures[f"{name}_scored_over_bare"] = round(ratio, 3)
        if "against" in found and name != "against":
            pairs = zip(found["against"], each, strict=True)
            figures[f"{name}_times_as_fast_as_against"] = round(
                statistics.median(before["bare_s"] / after["bare_s"] for before, after in pairs), 2
            )
    table = "\n".join(rows)
    print(f"{duration_s / 3600:.2f} h of 32 followers, {runs} runs of each in turn; {told_by}\n\n{table}\n")
    if arguments.write and not arguments.quick:
        page = ROOT / "sim" / "RESULTS.md"
        text = page.read_text(encoding="utf-8")
        before, _, rest = text.partition(BEGIN)
        _, _, after = rest.partition(END)
        note = f"{runs} runs of each in turn. {told_by}."
        page.write_text(f"{before}{BEGIN}\n\n{table}\n\n{note}\n\n{END}{after}", encoding="utf-8")
    print(json.dumps(figures))


if __name__ == "__main__":
    main()
