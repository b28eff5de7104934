"""The command `compare`: scenarios or variants of one, on the same evenings."""

from __future__ import annotations

import argparse
import functools
import shlex
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from leadlight.errors import ConfigurationError, UsageError
from leadlight_sim.commands.outputs import add_output_options, given_words, write_json
from leadlight_sim.commands.scenario_options import add_change_options, change_words, changed, on_recorded_air
from leadlight_sim.commands.working import add_worker_options, ended_by_sigterm, workers_of

# The rest is imported where it is used: a list of commands must not wait for the simulator to load.
if TYPE_CHECKING:
    from leadlight_sim.compare import Comparison, Variant
    from leadlight_sim.measures import Figures
    from leadlight_sim.runs import Run
    from leadlight_sim.scenario import Scenario


class CompareCommand:
    """Sets scenarios side by side and says which of their differences are real."""

    summary = "set scenarios or settings side by side on the same evenings and say which differences are real"

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        parser.add_argument(
            "variants",
            nargs="*",
            metavar="SCENARIO|KEY=VALUE",
            help="two or more: a scenario file or shipped name, or settings that change the first scenario (else "
            'quarry-lake), such as leader.interval_s=2 or "leader.interval_s=2 leader.delivery=copies"',
        )
        parser.add_argument("--evenings", type=int, metavar="N", help="how many, their seeds counted up (20)")
        parser.add_argument("--drill", metavar="NAME", help="on a drill instead, as rehearse --drill has it; or all")
        parser.add_argument("--duration", metavar="TIME", help="only so much of each scenario, such as 100s or 5min")
        add_change_options(parser, "change all of them")
        add_worker_options(parser)
        parser.add_argument("--figure", type=Path, metavar="FILE", help="draw the differences as FILE.png or FILE.svg")
        add_output_options(parser)

    def run(self, arguments: argparse.Namespace) -> int:
        """Compare, tell and return 0; raise ``LeadlightError`` for trouble."""
        from leadlight.storage import check_outputs
        from leadlight_sim.compare import EVENINGS, EVENINGS_MAXIMUM, compared
        from leadlight_sim.drawing import check_chart
        from leadlight_sim.drills import DRILL_MEASURES, drills_named
        from leadlight_sim.measures import MEASURES, limits_of
        from leadlight_sim.runs import Run, in_order, rehearsed
        from leadlight_sim.telling import progress

        evenings = EVENINGS if arguments.evenings is None else arguments.evenings
        if not 2 <= evenings <= EVENINGS_MAXIMUM:
            raise ConfigurationError("--evenings", evenings, f"2 to {EVENINGS_MAXIMUM}")
        check_chart("--figure", arguments.figure)
        check_outputs({"--figure": arguments.figure, "--report": arguments.report, "--json": arguments.json})
        variants = _variants(arguments)
        work = rehearsed
        if arguments.drill is not None:
            for each in variants:
                drills_named(arguments.drill, each.scenario)
            work = functools.partial(_drilled, drill=arguments.drill)
        first = variants[0].scenario.run.seed
        found: list[list[Figures]] = [[] for _ in variants]

        def wanted() -> Iterator[Run]:
            digests = [each.scenario.digest() for each in variants]
            for number in range(evenings):
                for each, digest in zip(variants, digests, strict=True):
                    yield Run(digest, each.scenario, first + number)

        with (
            ended_by_sigterm(),
            workers_of(arguments) as workers,
            progress("comparing", sys.stderr, quiet=False) as tell,
        ):
            for number, (_, figures) in enumerate(in_order(workers, wanted(), work=work)):
                found[number % len(variants)].append(figures)
                if tell is not None:
                    tell((number + 1) / (evenings * len(variants)))
        if arguments.drill is not None:
            comparison = compared(variants, found, DRILL_MEASURES)
        else:
            comparison = compared(variants, found, MEASURES, [limits_of(each.scenario) for each in variants])
        _tell(arguments, comparison, evenings)
        return 0


def _drilled(run: Run, drill: str) -> Figures:
    from leadlight_sim.drills import drilled

    return drilled(run.scenario, run.seed, drill)


def _variants(arguments: argparse.Namespace) -> Sequence[Variant]:
    from leadlight_sim.commands.beginning import beginning_of
    from leadlight_sim.compare import Variant
    from leadlight_sim.scenario import ScenarioError, change_from_text, resolve_scenario

    if len(arguments.variants) < 2:
        example = "leadlight compare quarry-lake leader.interval_s=2"
        raise UsageError(f"compare: there must be two or more to set side by side, such as {example}")
    base: Scenario | None = None
    found: list[Variant] = []
    for text in arguments.variants:
        is_change = "=" in text and not Path(text).exists()
        if is_change:
            base = base or on_recorded_air(resolve_scenario(None), arguments)
            scenario = base.with_changes(dict(map(change_from_text, _words(text))), source=text)
        else:
            scenario = on_recorded_air(resolve_scenario(text), arguments)
            base = base or scenario
        scenario = changed(scenario, arguments)
        if arguments.duration is not None:
            scenario = beginning_of(scenario, arguments.duration)
        if any(each.scenario.digest() == scenario.digest() for each in found):
            raise ScenarioError(f"{text}: the same as another that it is set beside")
        found.append(Variant(text, scenario))
    return found


def _words(text: str) -> Sequence[str]:
    """Return the settings in an argument: one, whose value may have blanks, or several."""
    words = text.split(" ")
    joined: list[str] = []
    for word in words:
        if "=" in word or not joined:
            joined.append(word)
        else:
            joined[-1] += f" {word}"
    return joined


def _tell(arguments: argparse.Namespace, found: Comparison, evenings: int) -> None:
    from leadlight.storage import write_file
    from leadlight_sim.compare import print_tables, to_json
    from leadlight_sim.telling import as_typed

    what = "evenings" if arguments.drill is None else f"evenings of drill {arguments.drill}"
    title = f"{len(found.variants)} side by side on {evenings} {what}"
    sys.stdout.write(f"{title}\n")
    print_tables(found, sys.stdout)
    command = _reproduce(arguments)
    sys.stdout.write(f"\nReproduce: {as_typed(command)}\n")
    # Told before it is written: a full disk must not cost the answer.
    sys.stdout.flush()
    if arguments.json is not None:
        write_json(to_json(found), arguments.json, command)
    if arguments.report is not None:
        from leadlight_sim.compare.page import page

        write_file(page(found, title, command), arguments.report, "--report")
    if arguments.figure is not None:
        from leadlight_sim.compare.figure import draw
        from leadlight_sim.drawing import save_chart

        save_chart(draw(found, title), "--figure", arguments.figure)


def _reproduce(arguments: argparse.Namespace) -> str:
    options = given_words(arguments, "evenings", "drill", "duration")
    return shlex.join(["leadlight", "compare", *arguments.variants, *change_words(arguments), *options])
