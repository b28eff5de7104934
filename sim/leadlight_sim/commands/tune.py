"""The command `tune`: a sweep of settings, its table and figure, and what it proves."""

from __future__ import annotations

import argparse
import shlex
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from leadlight.commands import EXIT_INTERRUPTED, check_apart, duration_ns
from leadlight.units import SECOND
from leadlight_sim.commands.outputs import add_output_options, given_words, write_json
from leadlight_sim.commands.scenario_options import add_change_options, add_scenario, scenario_of, scenario_words
from leadlight_sim.commands.working import (
    EXIT_TERMINATED,
    Terminated,
    add_worker_options,
    ended_by_sigterm,
    workers_of,
)

# The rest is imported where it is used: a list of commands must not wait for the simulator to load.
if TYPE_CHECKING:
    from leadlight_sim.runs import Kept, Nothing
    from leadlight_sim.scenario import Scenario
    from leadlight_sim.tune import Candidate, Choice, Outcome, Question

LINE_EVERY_S = 5.0
"""Where nobody watches a bar, a line of progress comes this often."""
TELLING_S, TELLING_SHARE = 1.0, 0.03
"""Kept of the time that was given, to begin, to end the workers and to tell what was found."""


class TuneCommand:
    """Tries settings in simulation and says which to take, and how sure that is."""

    summary = "try settings on a modelled network and prove which meets every target at the least airtime"

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        add_scenario(parser)
        parser.add_argument(
            "--vary",
            action="append",
            default=[],
            metavar="KEY=V,V,...",
            help="try these values of any key of the scenario, such as leader.lead_time_s=2,5 or boards.waking=spin,"
            "exact-timer; again for every combination with those of another key",
        )
        parser.add_argument(
            "--intervals", metavar="S,S,...",
            help="the same for leader.interval_s; where nothing is varied: 0.1,0.25,0.5,1,2,5",
        )  # fmt: skip
        parser.add_argument("--deliveries", metavar="NAME,NAME,...", help="the same for leader.delivery")
        parser.add_argument(
            "--share", type=float, default=0.05, metavar="SHARE",
            help="in at most this share of evenings may any target be missed (%(default)s)",
        )  # fmt: skip
        parser.add_argument(
            "--confidence", type=float, default=0.95, metavar="SHARE", help="how sure that must be (%(default)s)"
        )
        parser.add_argument(
            "--evenings", type=int, metavar="N",
            help="how many exploration makes of a candidate, with seeds counted up from the scenario's (8)",
        )  # fmt: skip
        parser.add_argument("--time", metavar="TIME", help="end after so long, such as 5min, with what is known")
        add_worker_options(parser)
        parser.add_argument("--results", type=Path, metavar="FILE", help="keep every finished run in a new file")
        parser.add_argument("--resume", type=Path, metavar="FILE", help="take up such a file, and repeat no run of it")
        parser.add_argument("--duration", metavar="TIME", help="only so much of the scenario, such as 100s or 5min")
        add_change_options(
            parser, "change the scenario, such as air.preset=busy or targets.pair_ms=10; may be given again"
        )
        parser.add_argument("--figure", type=Path, metavar="FILE", help="draw the sweep as FILE.png or FILE.svg")
        add_output_options(parser)

    def run(self, arguments: argparse.Namespace) -> int:
        """Sweep, tell and return 0, or 130 or 143 where it was ended early; raise ``LeadlightError`` for trouble."""
        began_at = time.monotonic()
        from leadlight_sim.runs import RunError, in_order
        from leadlight_sim.tune import Sweep, combinations

        question, choices, missing = _checked(arguments)
        until = None
        if arguments.time is not None:
            given_s = duration_ns("--time", arguments.time, minimum_ns=2 * SECOND) / SECOND
            until = began_at + (1 - TELLING_SHARE) * given_s - TELLING_S
        tried = combinations(question.scenario, choices)
        code, trouble = 0, None
        with ExitStack() as stack:
            keeper = stack.enter_context(_keeper(arguments, question.scenario))
            workers = stack.enter_context(workers_of(arguments))
            tell = stack.enter_context(_progress(sys.stderr))
            sweep = Sweep(question, tried, lambda runs: in_order(workers, runs, keeper, until), tell, until)
            try:
                with ended_by_sigterm():
                    sweep.run()
            except Terminated:
                code, sweep.outcome.stopped = EXIT_TERMINATED, "it was asked to end"
            except KeyboardInterrupt:
                code, sweep.outcome.stopped = EXIT_INTERRUPTED, "it was interrupted"
            except RunError as error:
                trouble, sweep.outcome.stopped = error, str(error)
        _tell(arguments, sweep.outcome, missing, time.monotonic() - began_at)
        if trouble is not None:
            raise trouble
        return code


def _checked(arguments: argparse.Namespace) -> tuple[Question, list[Choice], str | None]:
    from leadlight.storage import check_outputs
    from leadlight_sim.commands.beginning import beginning_of, left_out
    from leadlight_sim.drawing import check_chart
    from leadlight_sim.tune import DEFAULT_INTERVALS_S, EVENINGS, Choice, Question, check_targets, choice_from_text

    scenario = scenario_of(arguments)
    missing = None
    if arguments.duration is not None:
        whole, scenario = scenario, beginning_of(scenario, arguments.duration)
        missing = left_out(whole, scenario)
    check_targets(scenario)
    check_chart("--figure", arguments.figure)
    check_apart("--resume", {"--results": arguments.resume is not None and arguments.results is not None})
    written = {"--figure": arguments.figure, "--report": arguments.report, "--json": arguments.json}
    check_outputs(written | {"--results": arguments.results})
    choices = [choice_from_text(each) for each in arguments.vary]
    for option, key in (("--intervals", "leader.interval_s"), ("--deliveries", "leader.delivery")):
        given = getattr(arguments, option.removeprefix("--"))
        if given is not None:
            choices.append(choice_from_text(f"{key}={given}", option))
    if not choices:
        choices = [Choice("leader.interval_s", DEFAULT_INTERVALS_S)]
    evenings = EVENINGS if arguments.evenings is None else arguments.evenings
    return Question(scenario, arguments.share, arguments.confidence, evenings), choices, missing


@contextmanager
def _keeper(arguments: argparse.Namespace, scenario: Scenario) -> Iterator[Kept | Nothing]:
    from leadlight_sim.runs import Kept, Nothing

    path = arguments.results or arguments.resume
    if path is None:
        yield Nothing()
        return
    resumes = arguments.resume is not None
    with Kept(path, scenario.digest(), resumes, "--resume" if resumes else "--results") as kept:
        yield kept


# --- Progress ---------------------------------------------------------------------------------------------------------


@contextmanager
def _progress(stream: TextIO) -> Iterator[Callable[[Outcome], None]]:
    """Give a function to call with what is known: a bar on a terminal, a line now and then elsewhere."""
    began_at = told_at = time.monotonic()

    def words(outcome: Outcome) -> str:
        in_play = len(outcome.in_play)
        what = "proving" if outcome.tests else "exploring"
        return f"{what}: {outcome.runs} runs done, {in_play} candidate{'' if in_play == 1 else 's'} left"

    if not stream.isatty():

        def tell_line(outcome: Outcome) -> None:
            nonlocal told_at
            now = time.monotonic()
            if now - told_at >= LINE_EVERY_S:
                told_at = now
                left_s = (now - began_at) / max(outcome.runs, 1) * outcome.runs_left()
                stream.write(f"{words(outcome)}, about {left_s:.0f} s to go\n")
                stream.flush()

        yield tell_line
        return

    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(file=stream), transient=True) as bar:
        task = bar.add_task("exploring", total=None)

        def tell_bar(outcome: Outcome) -> None:
            total = outcome.runs + outcome.runs_left()
            bar.update(task, completed=outcome.runs, total=total, description=words(outcome))

        yield tell_bar


# --- Telling ----------------------------------------------------------------------------------------------------------


def _tell(arguments: argparse.Namespace, outcome: Outcome, missing: str | None, took_s: float) -> None:
    from leadlight.storage import write_file
    from leadlight_sim.telling import as_typed, wrapped
    from leadlight_sim.tune import advise, print_table, to_json

    advice = advise(outcome, shlex.join(["leadlight", "rehearse", *scenario_words(arguments)]))
    scenario = outcome.question.scenario
    length_s = scenario.run.duration_s
    sys.stdout.write(f"{scenario.name}: {length_s:g} s an evening, {outcome.runs} runs in {took_s:.0f} s\n")
    if missing is not None:
        sys.stdout.write(wrapped(missing))
    print_table(outcome, sys.stdout)
    sys.stdout.write(f"\n{advice.headline}\n")
    for sentence in advice.sentences:
        # What is to be pasted stays in one line.
        is_line = sentence.startswith("To ")
        sys.stdout.write(f"  {sentence}\n" if is_line else wrapped(sentence, indent="  ", more="  "))
    warnings = _warnings(outcome, advice.candidate)
    for warning in warnings:
        sys.stdout.write(wrapped(f"Warning: {warning}", more="  "))
    command = _reproduce(arguments)
    sys.stdout.write(f"\nReproduce: {as_typed(command)}\nScenario digest: {scenario.digest()}\n")
    # Told before it is written: a full disk must not cost the answer.
    sys.stdout.flush()
    if arguments.json is not None:
        write_json(to_json(outcome, advice) | {"warnings": warnings}, arguments.json, command)
    if arguments.report is not None:
        from leadlight_sim.tune.page import page

        write_file(page(outcome, advice, warnings, command), arguments.report, "--report")
    if arguments.figure is not None and any(each.seen.evenings for each in outcome.candidates):
        from leadlight_sim.drawing import save_chart
        from leadlight_sim.tune.figure import draw

        save_chart(draw(outcome, advice), "--figure", arguments.figure)


def _warnings(outcome: Outcome, taken: Candidate | None) -> list[str]:
    """What does not go together in candidates, but for the one that is taken, whose advice says so itself."""
    others = [each for each in outcome.candidates if each is not taken]
    return list(dict.fromkeys(warning for each in others for warning in each.contradictions()))


def _reproduce(arguments: argparse.Namespace) -> str:
    words = ["leadlight", "tune", *scenario_words(arguments)]
    for value in arguments.vary:
        words += ["--vary", value]
    words += given_words(arguments, "intervals", "deliveries", "evenings", "time", "duration")
    for name, default in (("share", 0.05), ("confidence", 0.95)):
        if getattr(arguments, name) != default:
            words += [f"--{name}", f"{getattr(arguments, name):.15g}"]
    return shlex.join(words)
