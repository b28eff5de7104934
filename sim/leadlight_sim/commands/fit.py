"""The command `fit`: recorded delays made into a part of a scenario's file, which `rehearse` and `tune` accept."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

# The rest is imported where it is used: a list of commands must not wait for the simulator to load.
if TYPE_CHECKING:
    from leadlight_sim.air.choice import Fit, FittedLevel

BURST_MINIMUM_S = 0.001


class FitCommand:
    """Makes recorded delays into an air."""

    summary = "make recorded delays (CSV or JSON) into the air of a scenario"

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        parser.add_argument(
            "recording",
            type=Path,
            metavar="RECORDING",
            help="a CSV or JSON file: at_s with up_ms, down_ms, group_ms or round_trip_ms; or sent_ns, heard_ns, "
            "answered_ns, received_ns",
        )
        parser.add_argument(
            "--output", type=Path, metavar="FILE", help="write the scenario's [air.fitted] and [air.dropouts]"
        )

    def run(self, arguments: argparse.Namespace) -> int:
        """Fit, tell and return 0; raise ``LeadlightError``."""
        from leadlight.storage import check_outputs, write_file
        from leadlight_sim.air.choice import fit
        from leadlight_sim.recording import read_recording

        check_outputs({"--output": arguments.output})
        samples = read_recording(arguments.recording)
        found = fit(samples)
        sys.stdout.write(describe(found))
        if arguments.output is not None:
            write_file(to_toml(found, arguments.recording.name), arguments.output, "--output")
            sys.stdout.write(f"Written: {arguments.output}\nPut it into a scenario's file, below its [air].\n")
        return 0


def describe(found: Fit) -> str:
    """Return what was found, in lines."""
    seconds = len(found.windows) * found.window_ns / 1e9
    lines = [
        f"{found.samples} packets in {seconds:.1f} s; windows of {found.window_ns / 1e6:g} ms, "
        f"{len(found.levels)} levels of load",
        f"Lost: {found.loss_fraction:.2%}" + (f", {found.mean_burst_s:.3g} s at a time" if found.loss_fraction else ""),
        "Delays in ms        least  middle    most",
    ]
    for number, level in enumerate(found.levels):
        for name, distribution in (("up", level.up_us), ("down", level.down_us), ("group", level.group_us)):
            low, middle, high = (distribution[place] / 1000 for place in (0, len(distribution) // 2, -1))
            lines.append(f"  level {chr(ord('a') + number)}, {name:<5}  {low:8.3f}{middle:8.3f}{high:8.3f}")
    return "\n".join(lines) + "\n"


def to_toml(found: Fit, source: str) -> str:
    """Return the parts of a scenario's file that hold what was found in ``source``."""
    parts = [f"# Fitted to {source!r}: {found.samples} packets."]
    if found.loss_fraction:
        # One that lost nearly all is beyond what a rehearsal can be of.
        loss, burst_s = min(found.loss_fraction, 0.95), max(found.mean_burst_s, BURST_MINIMUM_S)
        parts += ["[air.dropouts]", f"mean_loss_fraction = {loss:.6g}", f"mean_burst_s = {burst_s:.6g}", ""]
    else:
        parts += ["[air.dropouts]", "mean_loss_fraction = 0.0", ""]
    parts += ["[air.fitted]", f"window_ms = {found.window_ns / 1e6:.6f}", f'windows = "{found.windows}"', ""]
    for level in found.levels:
        parts += ["[[air.fitted.levels]]", *_distributions(level), ""]
    return "\n".join(parts)


def _distributions(level: FittedLevel) -> list[str]:
    distributions = (("up_us", level.up_us), ("down_us", level.down_us), ("group_us", level.group_us))
    return [f"{name} = {list(distribution)}" for name, distribution in distributions]
