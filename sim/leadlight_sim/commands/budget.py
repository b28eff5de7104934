"""The command `budget`: what each cause costs the crowd of a scenario, by short rehearsals."""

from __future__ import annotations

import argparse
import math
import shlex
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from leadlight.errors import ConfigurationError
from leadlight_sim.commands.outputs import add_output_options, write_json
from leadlight_sim.commands.scenario_options import add_change_options, add_scenario, scenario_of, scenario_words
from leadlight_sim.commands.working import jobs_of

# The rest is imported where it is used: a list of commands must not wait for the simulator to load.
if TYPE_CHECKING:
    from leadlight_sim.budget import Budget
    from leadlight_sim.scenario import Scenario


class BudgetCommand:
    """Says what makes pieces differ, by cause, and what else the clock has no say in."""

    summary = (
        "measure what removing each cause would gain, and reckon sound over the audience, holdover, storage, airtime"
    )

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        add_scenario(parser)
        add_change_options(parser)
        parser.add_argument(
            "--audience", metavar="NEAR,FAR", help="metres from the loudspeaker (the scenario's [site], else 5,21)"
        )
        parser.add_argument("--temperature", type=float, metavar="C", help="of the air (the scenario's, else 5)")
        parser.add_argument(
            "--pattern-speed", type=float, metavar="PX/S", help="of the fastest pattern (the scenario's, else 90)"
        )
        parser.add_argument(
            "--seeds", type=int, metavar="N", help="rehearse so many evenings, each with and without each cause (8)"
        )
        parser.add_argument("--jobs", type=int, metavar="N", help="so many at a time (as many as there are cores)")
        parser.add_argument(
            "--copy-rate", type=float, metavar="MBIT/S", help="of copying a show, in megabits a second (18)"
        )
        add_output_options(parser)

    def run(self, arguments: argparse.Namespace) -> int:
        """Measure, tell and return 0; raise ``LeadlightError``."""
        from leadlight.storage import check_outputs
        from leadlight_sim.budget import COPY_MBPS, SEEDS, budget, measure
        from leadlight_sim.telling import as_typed, progress

        scenario = _scenario(arguments)
        check_outputs({"--report": arguments.report, "--json": arguments.json})
        seeds = SEEDS if arguments.seeds is None else arguments.seeds
        rate = COPY_MBPS if arguments.copy_rate is None else arguments.copy_rate
        if not 0 < rate < math.inf:
            raise ConfigurationError("--copy-rate", rate, "a number of Mb/s above 0")
        with progress(f"rehearsing {scenario.name}", sys.stderr, quiet=False) as tell:
            measured = measure(scenario, seeds, jobs_of(arguments), tell)
        found = budget(scenario, measured, rate)
        command = _reproduce(arguments)
        _tell(found, sys.stdout)
        # Told before it is written: a full disk must not cost the answer.
        sys.stdout.flush()
        for path in _write(arguments, found, command):
            sys.stdout.write(f"Written: {path}\n")
        sys.stdout.write(f"Reproduce: {as_typed(command)}\n")
        return 0


def _scenario(arguments: argparse.Namespace) -> Scenario:
    scenario = scenario_of(arguments)
    if arguments.audience is not None:
        near_m, far_m = _two_numbers("--audience", arguments.audience)
        if near_m > far_m:
            raise ConfigurationError("--audience", arguments.audience, "the nearer distance first")
        ends = {"site.audience_near_m": near_m, "site.audience_far_m": far_m}
        scenario = _changed(scenario, "--audience", ends)
    if arguments.temperature is not None:
        scenario = _changed(scenario, "--temperature", {"site.temperature_c": arguments.temperature})
    if arguments.pattern_speed is not None:
        scenario = _changed(scenario, "--pattern-speed", {"site.pattern_px_per_s": arguments.pattern_speed})
    return scenario


def _changed(scenario: Scenario, option: str, changes: Mapping[str, object]) -> Scenario:
    """Return the scenario with what an option says; what is wrong there is told by the option and not by its keys."""
    from leadlight_sim.scenario import ScenarioError

    try:
        return scenario.with_changes(changes, source=option)
    except ScenarioError as error:
        lines = list(map(str, error.args))
        for key in changes:
            lines = [line.replace(f"{option}: {key}: ", f"{option}: ") for line in lines]
        raise ScenarioError(*lines) from None


def _two_numbers(option: str, text: str) -> tuple[float, float]:
    try:
        first, second = (float(part) for part in text.split(","))
    except ValueError:
        raise ConfigurationError(option, text, "two numbers with a comma between, such as 5,21") from None
    return first, second


def _reproduce(arguments: argparse.Namespace) -> str:
    words = ["leadlight", "budget", *scenario_words(arguments)]
    for option in ("--audience", "--temperature", "--pattern-speed", "--seeds", "--copy-rate"):
        value = getattr(arguments, option.lstrip("-").replace("-", "_"))
        if value is not None:
            # Joined, since a value may begin with a minus.
            words.append(f"{option}={value if isinstance(value, str) else f'{value:.15g}'}")
    return shlex.join(words)


def _tell(found: Budget, stream: TextIO) -> None:
    from rich.text import Text

    from leadlight_sim.budget import NOT_HERE, assumed, headline, sentences, sheets
    from leadlight_sim.telling import console_of, print_sheet

    console = console_of(stream)
    good, words = headline(found)
    console.print(Text(f"{found.scenario.name}: timing budget"))
    console.print(Text(words, style="bold green" if good else "bold red"))
    for sentence in sentences(found):
        console.print(Text(f"  {sentence}"))
    for sheet in sheets(found):
        console.print()
        print_sheet(console, sheet)
    console.print()
    for line in (*assumed(found), *NOT_HERE):
        console.print(Text(line))
    console.print()


def _write(arguments: argparse.Namespace, found: Budget, command: str) -> list[Path]:
    from leadlight.storage import write_file

    written = []
    if arguments.json is not None:
        from leadlight_sim.budget import to_json

        write_json(to_json(found), arguments.json, command)
        written.append(arguments.json)
    if arguments.report is not None:
        from leadlight_sim.budget.page import page

        write_file(page(found, command), arguments.report, "--report")
        written.append(arguments.report)
    return written
