"""What marks cost that went another way than they should, and whether they are found .

Run with ``PYTHONPATH=protocol:sim python tests/bench/path_asymmetry.py``: three seeds of a quarter of an hour, five
minutes on two cores; ``--quick`` makes one short run of each. ``clock.py`` puts the table into ``sim/CLOCK.md``. The
last line printed is JSON.
"""

from __future__ import annotations

import argparse
import json
import os

from leadlight_sim.world.path_asymmetry import DURATION_S, SEEDS, outcomes, section


def main() -> None:
    """Run, and print the table and the JSON line."""
    parser = argparse.ArgumentParser(description="Send marks astray and see what it costs.")
    parser.add_argument("--quick", action="store_true", help="one short run of each")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    asked = parser.parse_args()
    found = outcomes(*((1, 300) if asked.quick else (SEEDS, DURATION_S)), asked.workers)
    print("\n".join(section(found)))
    print(
        json.dumps({f"{model}, {asymmetry.told}": outcome._asdict() for (model, asymmetry), outcome in found.items()})
    )


if __name__ == "__main__":
    main()
