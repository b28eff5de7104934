"""The command `rehearse`: one run, its table, its verdict, and the report."""

from __future__ import annotations

import argparse
import json
import shlex
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from leadlight.commands import check_apart, check_company
from leadlight.errors import ConfigurationError
from leadlight_sim.commands.outputs import add_output_options, as_json
from leadlight_sim.commands.scenario_options import (
    add_change_options,
    add_scenario,
    change_words,
    changed,
    on_recorded_air,
)

# The rest is imported where it is used: a list of commands must not wait for the simulator to load.
if TYPE_CHECKING:
    from leadlight_sim.live import LiveRun
    from leadlight_sim.measures import Rehearsal, Verdict
    from leadlight_sim.scenario import Scenario

EXIT_MISSED = 1
EVENINGS_MAXIMUM = 1000
SEED_MAXIMUM = 2**63 - 1


class RehearseCommand:
    """Runs a scenario once and says what the crowd will see."""

    summary = "run a light show on a modelled network and say what the crowd will see"

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        from leadlight_sim.drills import DRILL_SUMMARIES, GRAMMAR, GRAMMAR_TOLD

        add_scenario(parser)
        parser.add_argument("--seed", type=int, metavar="N", help="another evening: a random seed (the scenario's own)")
        add_change_options(parser)
        parser.add_argument("--duration", metavar="TIME", help="only the beginning of the scenario: 100, 90s, 5min")
        parser.add_argument(
            "--drill", action="append", default=[], metavar=GRAMMAR,
            help="break one thing and tell what the crowd sees; may be given again; all: one after another",
        )  # fmt: skip
        parser.formatter_class = argparse.RawDescriptionHelpFormatter
        listed = "".join(f"\n  {name:14} {summary}" for name, summary in DRILL_SUMMARIES.items())
        parser.epilog = f"drills:{listed}\n\n{GRAMMAR_TOLD}"
        parser.add_argument(
            "--compare-recoveries",
            action="store_true",
            help="with --drill: the same with every way of removing an error",
        )
        parser.add_argument(
            "--evenings", type=int, metavar="N",
            help="with --drill: each on so many evenings, their seeds counted up, in one table (1)",
        )  # fmt: skip
        parser.add_argument(
            "--live", action="store_true", help="send the pixels live as well, 20 s over the same air, and compare"
        )
        add_output_options(parser, "write a page with drawings or drills, as HTML")
        parser.add_argument("--picture", type=Path, metavar="FILE", help="draw the distance over time, as PNG")
        parser.add_argument("--strict", action="store_true", help="exit with 1 if a target is missed")
        parser.add_argument("--quiet", action="store_true", help="print the verdict's headline only")

    def run(self, arguments: argparse.Namespace) -> int:
        """Rehearse, tell and return 0, or with ``--strict`` 1 for a missed target; raise ``LeadlightError``."""
        from leadlight.storage import check_outputs
        from leadlight_sim.commands.beginning import beginning_of, left_out
        from leadlight_sim.measures import judge, rehearse
        from leadlight_sim.telling import as_typed, progress, wrapped

        _check_drill(arguments)
        scenario = whole = _scenario(arguments)
        if arguments.duration is not None:
            scenario = beginning_of(whole, arguments.duration)
        seed = _seed(arguments, scenario)
        if arguments.picture is not None and arguments.picture.suffix.lower() != ".png":
            raise ConfigurationError("--picture", str(arguments.picture), "a name that ends in .png")
        check_outputs({"--report": arguments.report, "--picture": arguments.picture, "--json": arguments.json})
        command = _reproduce(arguments, seed)
        if arguments.drill:
            from leadlight_sim.commands.drill import run_drills

            good = run_drills(arguments, scenario, seed, command)
            return EXIT_MISSED if arguments.strict and not good else 0
        with progress(f"rehearsing {scenario.name}", sys.stderr, arguments.quiet) as tell:
            rehearsal = rehearse(scenario, seed, tell, timeline=bool(arguments.report or arguments.json))
            live = _live_runs(scenario, seed) if arguments.live else []
        verdict = judge(rehearsal)
        if arguments.quiet:
            sys.stdout.write(f"{verdict.headline}\n")
        else:
            _tell(rehearsal, verdict, sys.stdout)
            missing = left_out(whole, scenario)
            if missing is not None:
                sys.stdout.write(wrapped(missing))
            _tell_live(rehearsal, live, sys.stdout)
        # Told before it is written: a full disk must not cost the answer.
        sys.stdout.flush()
        written = _write(arguments, rehearsal, live, command)
        if not arguments.quiet:
            lines = [f"Written: {path}" for path in written]
            lines += [f"Reproduce: {as_typed(command)}", f"Trace hash: {rehearsal.trace_hash}"]
            sys.stdout.write("\n".join(lines) + "\n")
        return EXIT_MISSED if arguments.strict and not verdict.good else 0


def _check_drill(arguments: argparse.Namespace) -> None:
    if not arguments.drill:
        only = {"--compare-recoveries": arguments.compare_recoveries, "--evenings": arguments.evenings is not None}
        check_company(only, "--drill", False)
        return
    from leadlight_sim.drills import drills_named

    for asked in arguments.drill:
        drills_named(asked)
    if arguments.evenings is not None and not 1 <= arguments.evenings <= EVENINGS_MAXIMUM:
        raise ConfigurationError("--evenings", arguments.evenings, f"1 to {EVENINGS_MAXIMUM}")
    check_apart("--drill", {"--live": arguments.live})
    check_apart("--drill", {"--picture": arguments.picture is not None}, "--report tells what a drill found")


def _scenario(arguments: argparse.Namespace) -> Scenario:
    from leadlight_sim.scenario import ScenarioError, resolve_scenario

    scenario = on_recorded_air(resolve_scenario(arguments.scenario), arguments)
    try:
        return changed(scenario, arguments)
    except ScenarioError as error:
        if not any(change.startswith("run.duration_s=") for change in arguments.changes):
            raise
        hint = "a shorter run of the same scenario: --duration leaves out cues and faults that begin after its end"
        raise ScenarioError(*error.args, hint) from None


def _seed(arguments: argparse.Namespace, scenario: Scenario) -> int:
    seed: int = scenario.run.seed if arguments.seed is None else arguments.seed
    if not 0 <= seed <= SEED_MAXIMUM:
        raise ConfigurationError("--seed", seed, f"a whole number from 0 to {SEED_MAXIMUM}")
    return seed


def _reproduce(arguments: argparse.Namespace, seed: int) -> str:
    words = ["leadlight", "rehearse"]
    if arguments.scenario is not None:
        words.append(arguments.scenario)
    words += ["--seed", str(seed)]
    words += change_words(arguments)
    if arguments.duration is not None:
        words += ["--duration", arguments.duration]
    for asked in arguments.drill:
        words += ["--drill", asked]
    if arguments.evenings is not None:
        words += ["--evenings", str(arguments.evenings)]
    if arguments.compare_recoveries:
        words.append("--compare-recoveries")
    if arguments.live:
        words.append("--live")
    return shlex.join(words)


def _tell(rehearsal: Rehearsal, verdict: Verdict, stream: TextIO) -> None:
    from rich.text import Text

    from leadlight_sim.measures import COLUMNS, GIVEN_UP_FIRST, rows
    from leadlight_sim.telling import Heading, console_of, print_table, wrapped

    console = console_of(stream)
    speed = rehearsal.simulated_s / max(rehearsal.wall_s, 1e-9)
    head = f"{rehearsal.scenario.name}: {rehearsal.simulated_s:g} s, seed {rehearsal.seed}"
    console.print(Text(f"{head} (in {rehearsal.wall_s:.1f} s, {speed:,.0f} times as fast as the show)"))
    columns = [column for column in COLUMNS if not column.page_only]
    headings = [Heading("\n".join(column.heading_lines), column.is_number) for column in columns]
    print_table(console, headings, rows(rehearsal.scores.followers, columns), GIVEN_UP_FIRST)
    console.print(Text(verdict.headline, style="bold green" if verdict.good else "bold red"))
    stream.writelines(wrapped(sentence, console.width, "  ", "  ") for sentence in verdict.sentences)
    stream.write("\n")


def _live_runs(scenario: Scenario, seed: int) -> Sequence[LiveRun]:
    from leadlight_sim.live import Delivery, send_live

    return [send_live(scenario, seed, delivery) for delivery in Delivery]


def _tell_live(rehearsal: Rehearsal, live: Sequence[LiveRun], stream: TextIO) -> None:
    from leadlight_sim.live import sentences
    from leadlight_sim.telling import console_of, wrapped

    width = console_of(stream).width
    for run in live:
        stream.writelines(wrapped(said, width, "  ", "  ") for said in sentences(run, rehearsal.scores.airtime_share))
        stream.write("\n")


def _write(
    arguments: argparse.Namespace, rehearsal: Rehearsal, live: Sequence[LiveRun], command: str
) -> Sequence[Path]:
    from leadlight.storage import write_file

    written = []
    if arguments.json is not None:
        figures = rehearsal.to_json() | {"reproduce": command}
        if live:
            figures["live"] = [run.to_json(rehearsal.scores.airtime_share) for run in live]
        write_file(_as_text(figures), arguments.json, "--json")
        written.append(arguments.json)
    if arguments.report is not None:
        from leadlight_sim.report import page

        write_file(page(rehearsal, command, live), arguments.report, "--report")
        written.append(arguments.report)
    if arguments.picture is not None:
        from leadlight_sim.report import picture

        write_file(picture(rehearsal), arguments.picture, "--picture")
        written.append(arguments.picture)
    return written


def _as_text(figures: dict[str, Any]) -> str:
    # A line each for people, but for the timeline's hundred thousands of numbers.
    timeline = figures.pop("timeline", None)
    text = as_json(figures)
    if timeline is not None:
        values = json.dumps(timeline, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
        text = f'{text.rstrip().removesuffix("}").rstrip()},\n  "timeline": {values}\n}}\n'
    return text
