"""The command `fit`: a recording of a network made into an air, which `rehearse` and `tune` take."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

# The rest is imported where it is used: a list of commands must not wait for the simulator to load.
if TYPE_CHECKING:
    from leadlight_sim.fitting import Fit, Goodness
    from leadlight_sim.recording import Observed


class FitCommand:
    """Makes a recording into an air."""

    summary = "make a recording of your own network into an air, and say how good it is"

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        parser.add_argument(
            "recording",
            type=Path,
            metavar="RECORDING",
            help="what `leadlight record` wrote; or a CSV or JSON table: at_s with up_ms, down_ms, group_ms or "
            "round_trip_ms; or sent_ns, heard_ns, answered_ns, received_ns",
        )
        parser.add_argument(
            "--output", type=Path, metavar="FILE", help="write the air, for --air of rehearse and tune, as TOML"
        )
        parser.add_argument("--report", type=Path, metavar="FILE", help="write a page with drawings, as HTML")

    def run(self, arguments: argparse.Namespace) -> int:
        """Fit, judge, tell and return 0; raise ``LeadlightError``."""
        from leadlight.storage import check_outputs, write_file
        from leadlight_sim.fitting import assumed, check_observed, fit, judge_fit, page, to_toml
        from leadlight_sim.recording import read_observed

        check_outputs({"--output": arguments.output, "--report": arguments.report})
        observed = read_observed(arguments.recording)
        warnings = check_observed(observed)
        found = fit(observed)
        judged = judge_fit(found, observed)
        _tell(observed, found, judged, warnings, sys.stdout)
        # Told before it is written: a full disk must not cost the answer.
        sys.stdout.flush()
        if arguments.report is not None:
            text = page(found, observed, judged, warnings)
            write_file(text, arguments.report, "--report")
            sys.stdout.write(f"Written: {arguments.report}\n")
        if arguments.output is not None:
            write_file(to_toml(found, observed, assumed(found, observed)), arguments.output, "--output")
            sys.stdout.write(
                f"Written: {arguments.output}\nRehearse on it: leadlight rehearse --air {arguments.output}\n"
            )
        return 0


def _tell(observed: Observed, found: Fit, judged: Goodness, warnings: list[str], stream: TextIO) -> None:
    from leadlight_sim.fitting import assumed, findings, headline, longer, sheets, span_words, steadiness
    from leadlight_sim.telling import console_of, print_sheet, wrapped

    console = console_of(stream)
    width = console.width
    hosts = f"{len(observed.hosts)} host{'s' if len(observed.hosts) != 1 else ''}"
    when = f", {observed.begun_at:%Y-%m-%d %H:%M} UTC" if observed.begun_at is not None else ""
    stream.write(
        f"{observed.source}: {span_words(observed.length_ns / 1e9)}, {hosts}, {found.packets} packets{when}\n\n"
    )

    def told(title: str, lines: list[str]) -> None:
        if lines:
            stream.write(f"{title}\n")
            stream.writelines(wrapped(line, width, "  ", "  ") for line in lines)
            stream.write("\n")

    told("Not recorded, and therefore assumed:", assumed(found, observed))
    told("Look out:", warnings)
    told("Found:", findings(found, observed))
    for sheet in sheets(judged, observed):
        print_sheet(console, sheet)
        stream.write("\n")
    _, words = headline(judged, observed)
    told(words, [steadiness(judged), longer(judged, observed)])
