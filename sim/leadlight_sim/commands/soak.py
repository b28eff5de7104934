"""The command `soak`: random evenings, or one that is given, held against every promise of the protocol."""

from __future__ import annotations

import argparse
import math
import shlex
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from leadlight.commands import EXIT_INTERRUPTED
from leadlight.errors import ConfigurationError
from leadlight_sim.commands.working import jobs_of

# The rest is imported where it is used: a list of commands must not wait for the simulator to load.
if TYPE_CHECKING:
    from leadlight_sim.scenario import Scenario
    from leadlight_sim.soak import Finished, Violation

EXIT_BROKEN = 1


class SoakCommand:
    """Looks for evenings on which a promise of the protocol is broken."""

    summary = "look for an evening on which a promise of the protocol is broken, among random ones or in one given"

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        parser.add_argument(
            "scenario", nargs="?", metavar="SCENARIO", help="hold this one against the promises, by its own seed"
        )
        parser.add_argument("--hours", type=float, default=1.0, metavar="N", help="simulated hours (%(default)s)")
        parser.add_argument("--at-most", metavar="TIME", help="begin no evening after so long, such as 90s or 20min")
        parser.add_argument("--seed", metavar="TEXT", help="another seed, another campaign (the program's own digest)")
        parser.add_argument("--jobs", type=int, metavar="N", help="evenings at a time (as many as there are cores)")
        parser.add_argument("--results", type=Path, metavar="FILE", help="keep what is done here, and go on from it")
        parser.add_argument(
            "--shrink", default="30s", metavar="TIME", help="time for making each broken promise small (%(default)s)"
        )
        parser.add_argument("--found", type=Path, metavar="FOLDER", help="write what breaks a promise there")
        parser.add_argument("--quiet", action="store_true", help="only the outcome")

    def run(self, arguments: argparse.Namespace) -> int:
        """Soak, tell, and return 0, 1 where a promise was broken, or 130; raise ``LeadlightError`` for trouble."""
        from leadlight.commands import duration_ns
        from leadlight.units import SECOND
        from leadlight_sim.scenario import resolve_scenario

        shrink_s = duration_ns("--shrink", arguments.shrink, minimum_ns=0) / SECOND
        if arguments.found is not None and not arguments.found.is_dir():
            raise ConfigurationError("--found", str(arguments.found), "a folder that exists")
        if arguments.scenario is not None:
            return _hold_one(resolve_scenario(arguments.scenario))
        at_most_s = math.inf
        if arguments.at_most is not None:
            at_most_s = duration_ns("--at-most", arguments.at_most, minimum_ns=SECOND) / SECOND
        if not 0 < arguments.hours < math.inf:
            raise ConfigurationError("--hours", arguments.hours, "a number of hours above 0")
        return _soak(arguments, jobs_of(arguments), at_most_s, shrink_s)


def _hold_one(scenario: Scenario) -> int:
    from leadlight_sim.soak import hold

    outcome = hold(scenario)
    for violation in outcome.violations:
        sys.stdout.write(_line_of(violation))
    if not outcome.violations:
        sys.stdout.write(f"{scenario.name}: every promise was kept for {outcome.simulated_s:g} s.\n")
    return EXIT_BROKEN if outcome.violations else 0


def _line_of(violation: Violation) -> str:
    who = f"{violation.node}: " if violation.node else ""
    return f"BROKEN at {violation.at_s:.1f} s: {violation.promise} ({violation.requirements}); {who}{violation.told}\n"


def _soak(arguments: argparse.Namespace, jobs: int, at_most_s: float, shrink_s: float) -> int:
    from leadlight.storage import check_outputs
    from leadlight_sim.soak import Results, program_digest, soak, told

    check_outputs({"--results": arguments.results})
    digest = program_digest()
    campaign = digest if arguments.seed is None else arguments.seed
    results = Results(arguments.results, digest, campaign)
    finished = results.read()
    kept = len(finished)
    began = time.perf_counter()
    wanted_s = arguments.hours * 3600
    simulated_s = sum(one.simulated_s for one in finished)

    def is_enough() -> bool:
        return simulated_s >= wanted_s or time.perf_counter() - began >= at_most_s

    interrupted = False
    evenings = soak(campaign, [one.number for one in finished], jobs, is_enough)
    try:
        with _progress(wanted_s, sys.stderr, arguments.quiet) as tell:
            tell(simulated_s, finished)
            for one in evenings:
                finished.append(one)
                simulated_s += one.simulated_s
                results.append(one)
                tell(simulated_s, finished)
    except KeyboardInterrupt:
        interrupted = True
    finally:
        evenings.close()  # type: ignore[attr-defined]
    if kept and not arguments.quiet:
        sys.stdout.write(f"{kept} evenings were finished before, and are counted in.\n")
    told(finished, jobs, time.perf_counter() - began, sys.stdout)
    if not interrupted:
        _tell_smallest(finished, shrink_s, arguments.found)
    if not arguments.quiet:
        sys.stdout.write(f"Campaign: {campaign}\n")
    broken = any(one.violations for one in finished)
    return EXIT_INTERRUPTED if interrupted else EXIT_BROKEN if broken else 0


def _tell_smallest(finished: Sequence[Finished], shrink_s: float, folder: Path | None) -> None:
    """Make the first evening that broke each promise small, and print it as a scenario with what replays it."""
    from leadlight.storage import write_file
    from leadlight_sim.scenario import as_toml
    from leadlight_sim.soak import random_evening, shrunk
    from leadlight_sim.telling import as_typed

    told: set[str] = set()
    for one in sorted(finished, key=lambda one: (one.simulated_s, one.number)):
        for violation in one.violations:
            if violation.promise in told:
                continue
            told.add(violation.promise)
            smallest = shrunk(random_evening(one.seed), violation.promise, shrink_s)
            name = f"{violation.promise.replace(' ', '-')}.toml"
            path = Path(name) if folder is None else folder / name
            text = f"# {violation.promise} ({violation.requirements})\n{as_toml(smallest)}"
            sys.stdout.write(f"\n{_line_of(violation)}{text}\n")
            if folder is None:
                sys.stdout.write(f"Save it as {path}, and replay it: ")
            else:
                write_file(text, path, "--found")
                sys.stdout.write("Replay it: ")
            sys.stdout.write(f"{as_typed(f'leadlight soak {shlex.quote(str(path))}')}\n")


@contextmanager
def _progress(wanted_s: float, stream: TextIO, quiet: bool) -> Iterator[Callable[[float, Sequence[Finished]], None]]:
    """Give a function to call with the seconds simulated and the evenings finished; nothing where nobody looks."""
    if quiet or not stream.isatty():
        yield lambda _simulated_s, _finished: None
        return
    from leadlight_sim.telling import bar_on

    with bar_on(stream) as bar:
        task = bar.add_task("soaking", total=wanted_s)

        def tell(simulated_s: float, finished: Sequence[Finished]) -> None:
            broken = sum(bool(one.violations) for one in finished)
            said = f"{len(finished)} evenings, {broken} with a promise broken"
            bar.update(task, completed=simulated_s, description=said)

        yield tell
