"""The evening page: how large it is, what it adds to the rehearsal that it shows, and how fast a browser opens it.

Sizes: the shipped scenario, four hours of 32 pieces, and 12 minutes of 300 pieces. The cost is processor time, of
rehearsals with and without a timeline and a page in turn, in one process that has loaded everything before. Opening is
from the order to go to the file until every drawing is drawn, median of five, in Debian's chromium; left out where
there is none.

Prints one line of JSON last; returns 1 where a size or the time to open is beyond its limit. ``--quick`` takes the
shipped scenario, and a few minutes of many pieces.
"""

from __future__ import annotations

import argparse
import json
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from leadlight_sim.measures import Rehearsal, rehearse
from leadlight_sim.report import page
from leadlight_sim.scenario import Scenario, check_scenario, load_shipped

SHIPPED_BYTES: Final = 1_500_000
LARGE_BYTES: Final = 6_000_000
OPENED_WITHIN_S: Final = 2.0
OPENINGS: Final = 5


def large(pieces: int, duration_s: float) -> Scenario:
    """Return an evening of shows of ten minutes, with a power cut and a leader that restarts."""
    cues = [{"at_s": at_s, "show": "tidefall"} for at_s in range(65, int(duration_s) - 10, 620)]
    table: dict[str, Any] = {
        "name": f"{pieces} pieces",
        "run": {"duration_s": duration_s, "settle_s": 60, "seed": 3},
        "followers": [{"name": f"piece {number}", "pixels": 100 + 37 * (number % 40)} for number in range(pieces)],
        "air": {"preset": "dozing"},
        "shows": [{"id": "tidefall", "duration_s": 600}],
        "cues": cues,
        "faults": [
            {"kind": "power-cut", "follower": "piece 3", "at_s": 0.4 * duration_s, "for_s": 25},
            {"kind": "leader-reboot", "at_s": 0.7 * duration_s, "for_s": 20},
        ],
    }
    return check_scenario(table, table["name"])


def taken(work: Callable[[], Any]) -> tuple[Any, float]:
    """Return what some work gives and the processor time that it took, in s."""
    began = time.process_time()
    found = work()
    return found, time.process_time() - began


def measured(scenario: Scenario, rounds: int) -> tuple[str, dict[str, Any]]:
    """Return a scenario's page, and its size and cost."""
    plain, more = [], []
    text = ""
    for _ in range(rounds):
        plain.append(taken(lambda: rehearse(scenario))[1])
        rehearsal, simulating = taken(lambda: rehearse(scenario, timeline=True))
        text, drawing = taken(lambda found=rehearsal: page_of(found))  # type: ignore[misc]
        more.append((simulating, drawing))
    added = min(sum(one) for one in more) / min(plain) - 1
    drawing = min(one for _, one in more)
    told = {"bytes": len(text.encode()), "rehearsal_s": round(min(plain), 2), "page_s": round(drawing, 2)}
    return text, told | {"added_share": round(added, 3)}


def page_of(rehearsal: Rehearsal) -> str:
    """Return the page of a rehearsal."""
    return page(rehearsal, "leadlight rehearse")


def opened_s(text: str) -> float | None:
    """Return how long a browser takes to open a page until all is drawn; ``None`` without a browser."""
    found = shutil.which("chromium")
    if found is None:
        return None
    from playwright.sync_api import sync_playwright

    times = []
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as tools:
        path = Path(folder) / "evening.html"
        path.write_text(text, encoding="utf-8")
        browser = tools.chromium.launch(executable_path=found, args=["--no-sandbox"])
        for _ in range(OPENINGS):
            tab = browser.new_page()
            began = time.perf_counter()
            tab.goto(path.as_uri())
            tab.wait_for_selector("html[data-ready=true]", state="attached", timeout=60_000)
            times.append(time.perf_counter() - began)
            tab.close()
        browser.close()
    return statistics.median(times)


def main() -> int:
    """Run everything; return 1 if a limit was passed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    page(rehearse(load_shipped(), timeline=True))  # so that nothing is loaded while it is measured
    cases = {"shipped": (load_shipped(), SHIPPED_BYTES, 3)}
    cases["300 pieces"] = (large(300, 90 if quick else 720), LARGE_BYTES, 1)
    cases["32 pieces"] = (large(32, 300 if quick else 14_400), LARGE_BYTES, 1)
    found: dict[str, dict[str, Any]] = {}
    beyond = []
    for name, (scenario, limit, rounds) in cases.items():
        text, told = measured(scenario, rounds)
        seconds = opened_s(text)
        found[name] = told | {"opened_s": None if seconds is None else round(seconds, 2)}
        print(f"{name:<12} {json.dumps(found[name])}", flush=True)
        if told["bytes"] > limit:
            beyond.append(f"{name}: {told['bytes']} bytes, {limit} allowed")
        if name == "shipped" and seconds is not None and seconds > OPENED_WITHIN_S:
            beyond.append(f"{name}: opened in {seconds:.2f} s, {OPENED_WITHIN_S:g} allowed")
    for trouble in beyond:
        print(f"BEYOND: {trouble}")
    print(json.dumps({"quick": quick, "pages": found, "beyond": beyond}))
    return 1 if beyond else 0


if __name__ == "__main__":
    sys.exit(main())
