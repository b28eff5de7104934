"""The command `tune`: a sweep of beacon intervals and deliveries, its table, figure and recommendation."""

from __future__ import annotations

import argparse
import json
import math
import shlex
import sys
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from leadlight.errors import ConfigurationError, LeadlightError
from leadlight.storage import check_outputs, write_file

# The rest is imported where it is used: a list of commands must not wait for the simulator to load.
if TYPE_CHECKING:
    from leadlight.terms import Delivery
    from leadlight_sim.scenario import Scenario
    from leadlight_sim.tune import FinishedRun, Recommendation, Standing

EXIT_INTERRUPTED = 130  # 128 + SIGINT, as shells report it
DEFAULT_SEEDS = 4

_TARGET_OPTIONS = (
    ("--target-ms", "targets.error_ms"),
    ("--target-pair-ms", "targets.pair_ms"),
    ("--target-join-s", "targets.join_s"),
)


@dataclass(frozen=True, slots=True)
class _Sweep:
    """What was asked for, checked."""

    scenario: Scenario
    intervals_s: tuple[float, ...]
    deliveries: tuple[Delivery, ...]
    seeds: int
    targets: Mapping[str, float]
    reproduce: str
    missing: str | None
    """What the scenario has and the runs do not."""

    @property
    def planned(self) -> int:
        return len(self.intervals_s) * len(self.deliveries) * self.seeds

    @property
    def is_of_several(self) -> bool:
        """Whether several deliveries are tried."""
        return len(self.deliveries) > 1

    @property
    def each(self) -> str:
        """What several seeds are rehearsed of."""
        return "of each combination" if self.is_of_several else "at each interval"


class TuneCommand:
    """Tries beacon intervals and deliveries in simulation and says which to take."""

    summary = "try beacon intervals and deliveries on a modelled network and recommend what meets the targets"

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        parser.add_argument(
            "scenario", nargs="?", metavar="SCENARIO", help="a scenario file or a shipped name (quarry-lake)"
        )
        parser.add_argument(
            "--intervals", metavar="S,S,...", help="beacon intervals to try, in seconds (0.1,0.25,0.5,1,2,5)"
        )
        parser.add_argument(
            "--deliveries",
            action="append",
            metavar="NAME,NAME,...",
            help="deliveries to try at every interval: automatic, group, copies, both (the scenario's alone)",
        )
        parser.add_argument(
            "--seeds",
            type=int,
            default=DEFAULT_SEEDS,
            metavar="N",
            help="runs of each combination, with seeds counted up from the scenario's (%(default)s)",
        )
        parser.add_argument("--jobs", type=int, metavar="N", help="runs at a time (as many as there are cores)")
        parser.add_argument(
            "--duration", metavar="TIME", help="only so much of the scenario, such as 100s or 5min"
        )
        parser.add_argument(
            "--set",
            action="append",
            default=[],
            dest="changes",
            metavar="KEY=VALUE",
            help="change the scenario, such as air.preset=busy; may be given again",
        )
        parser.add_argument("--target-ms", type=float, metavar="MS", help="error to the leader allowed, p95")
        parser.add_argument("--target-pair-ms", type=float, metavar="MS", help="difference of two pieces allowed, p95")
        parser.add_argument("--target-join-s", type=float, metavar="S", help="time to join allowed")
        parser.add_argument("--target-cue-ms", type=float, metavar="MS", help="cue lateness allowed (the scenario's)")
        parser.add_argument(
            "--airtime", type=float, metavar="SHARE", help="share of the channel's time allowed, such as 0.02 (any)"
        )
        parser.add_argument("--figure", type=Path, metavar="FILE", help="draw the sweep as FILE.png or FILE.svg")
        parser.add_argument("--json", type=Path, metavar="FILE", help="write every run and the recommendation")

    def run(self, arguments: argparse.Namespace) -> int:
        """Sweep, tell and return 0, or 130 where the user interrupted; raise ``LeadlightError`` for trouble."""
        from leadlight_sim.tune import SweepError, cores, planned_runs, sweep

        asked = _checked(arguments)
        runs = planned_runs(asked.scenario, asked.intervals_s, asked.deliveries, asked.seeds)
        jobs = cores() if arguments.jobs is None else arguments.jobs
        finished: list[FinishedRun] = []
        interrupted = False
        trouble: LeadlightError | None = None
        results = sweep(runs, jobs)
        try:
            with _progress(len(runs), asked.is_of_several, sys.stderr) as tell:
                for result in results:
                    finished.append(result)
                    tell(result)
        except KeyboardInterrupt:
            interrupted = True
        except SweepError as error:
            trouble = error
        _tell(asked, finished, arguments)
        if trouble is not None:
            raise trouble
        return EXIT_INTERRUPTED if interrupted and len(finished) < len(runs) else 0


def _checked(arguments: argparse.Namespace) -> _Sweep:
    from leadlight_sim.commands.beginning import beginning_of, left_out
    from leadlight_sim.scenario import change_from_text, resolve_scenario
    from leadlight_sim.tune import DEFAULT_INTERVALS_S, intervals_from_text, targets_of

    scenario = resolve_scenario(arguments.scenario)
    if arguments.changes:
        scenario = scenario.with_changes(dict(map(change_from_text, arguments.changes)))
    missing = None
    if arguments.duration is not None:
        whole, scenario = scenario, beginning_of(scenario, arguments.duration)
        missing = left_out(whole, scenario)
    for option, key in _TARGET_OPTIONS:
        value = getattr(arguments, option.lstrip("-").replace("-", "_"))
        if value is not None:
            scenario = scenario.with_changes({key: value}, source=option)
    _check_files(arguments)
    intervals = DEFAULT_INTERVALS_S if arguments.intervals is None else intervals_from_text(arguments.intervals)
    return _Sweep(
        scenario=scenario,
        intervals_s=intervals,
        deliveries=_deliveries(arguments, scenario),
        seeds=arguments.seeds,
        targets=targets_of(scenario, arguments.airtime, arguments.target_cue_ms),
        reproduce=_reproduce(arguments, intervals),
        missing=missing,
    )


def _deliveries(arguments: argparse.Namespace, scenario: Scenario) -> tuple[Delivery, ...]:
    from leadlight.terms import Delivery
    from leadlight_sim.tune import DELIVERIES_ALLOWED, deliveries_from_text

    given = arguments.deliveries
    if given is None:
        return (Delivery(scenario.leader.delivery),)
    if len(given) > 1:
        # Who says it twice means both, and would miss the first without a word.
        raise ConfigurationError("--deliveries", " and ".join(given), f"given once, {DELIVERIES_ALLOWED}")
    return deliveries_from_text(given[0])


def _check_files(arguments: argparse.Namespace) -> None:
    # Before the work, not after it.
    if arguments.figure is not None and arguments.figure.suffix.lower() not in (".png", ".svg"):
        raise ConfigurationError("--figure", str(arguments.figure), "a name that ends in .png or .svg")
    check_outputs({"--figure": arguments.figure, "--json": arguments.json})


def _reproduce(arguments: argparse.Namespace, intervals_s: Sequence[float]) -> str:
    words = ["leadlight", "tune"]
    if arguments.scenario is not None:
        words.append(arguments.scenario)
    words += ["--intervals", ",".join(f"{each:g}" for each in intervals_s)]
    if arguments.deliveries is not None:
        words += ["--deliveries", *arguments.deliveries]
    words += ["--seeds", str(arguments.seeds)]
    for change in arguments.changes:
        words += ["--set", change]
    if arguments.duration is not None:
        words += ["--duration", arguments.duration]
    for option in (*(option for option, _ in _TARGET_OPTIONS), "--target-cue-ms", "--airtime"):
        value = getattr(arguments, option.lstrip("-").replace("-", "_"))
        if value is not None:
            words += [option, f"{value:.15g}"]
    return shlex.join(words)


# --- Progress ---------------------------------------------------------------------------------------------------------


@contextmanager
def _progress(planned: int, names_deliveries: bool, stream: TextIO) -> Iterator[Callable[[FinishedRun], None]]:
    """Give a function to call with every finished run: a bar on a terminal, a line each elsewhere."""
    done = 0

    def named(result: FinishedRun) -> str:
        figures = result.figures
        delivery = f", delivery {figures.delivery}" if names_deliveries else ""
        return f"{figures.interval_s:g} s{delivery}, seed {figures.seed}"

    def line(result: FinishedRun) -> str:
        from leadlight_sim.tune import MEASURES

        error = MEASURES[0].told(result.figures.error_p95_ms)
        return f"run {done} of {planned}: interval {named(result)}, error p95 {error} ({result.wall_s:.1f} s)"

    if not stream.isatty():

        def tell_line(result: FinishedRun) -> None:
            nonlocal done
            done += 1
            stream.write(line(result) + "\n")
            stream.flush()

        yield tell_line
        return

    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(file=stream),
        transient=True,
    )
    with bar:
        task = bar.add_task("rehearsing", total=planned)

        def tell_bar(result: FinishedRun) -> None:
            bar.update(task, advance=1, description=named(result))

        yield tell_bar


# --- Telling ----------------------------------------------------------------------------------------------------------


def _tell(asked: _Sweep, finished: Sequence[FinishedRun], arguments: argparse.Namespace) -> None:
    from leadlight_sim.telling import as_typed
    from leadlight_sim.tune import beat_of, print_tables, recommend, standings

    found = standings((result.figures for result in finished), asked.targets)
    is_partial = len(finished) < asked.planned
    advice = recommend(found, asked.targets) if not is_partial else None
    beats = [beat.told() for interval in asked.intervals_s if (beat := beat_of(interval)) is not None]
    first = asked.scenario.run.seed
    seeds = f"seed {first}" if asked.seeds == 1 else f"seeds {first} to {first + asked.seeds - 1}"
    lines = [f"{asked.scenario.name}: {asked.scenario.run.duration_s:g} s a run, {seeds}"]
    if is_partial:
        lines.append(f"PARTIAL: {len(finished)} of {asked.planned} runs were finished.")
    if asked.missing is not None:
        lines.append(asked.missing)
    sys.stdout.write("\n".join(lines) + "\n")
    if found:
        print_tables(found, asked.targets, asked.seeds, asked.is_of_several, sys.stdout)
    if advice is not None:
        paragraphs = [
            advice.headline,
            *(textwrap.fill(each, 100, initial_indent="  ", subsequent_indent="    ") for each in advice.sentences),
        ]
        sys.stdout.write("\n".join(paragraphs) + "\n")
    else:
        sys.stdout.write("No recommendation is made from a part of the runs.\n")
    for warning in beats:
        sys.stdout.write(textwrap.fill(f"Warning: {warning}", 100, subsequent_indent="  ") + "\n")
    sys.stdout.write(f"\nReproduce: {as_typed(asked.reproduce)}\nScenario digest: {asked.scenario.digest()}\n")
    sys.stdout.flush()
    if arguments.json is not None:
        _write_json(arguments.json, asked, found, advice, beats, is_partial)
    if arguments.figure is not None and found:
        _write_figure(arguments.figure, asked, found, advice, len(finished))


def _write_json(
    path: Path,
    asked: _Sweep,
    found: Sequence[Standing],
    advice: Recommendation | None,
    beats: Sequence[str],
    is_partial: bool,
) -> None:
    from leadlight_sim.tune import MEASURES

    def plain(value: Any) -> Any:
        return None if isinstance(value, float) and not math.isfinite(value) else value

    document = {
        "scenario": asked.scenario.name,
        "scenario_digest": asked.scenario.digest(),
        "reproduce": asked.reproduce,
        "seeds": [asked.scenario.run.seed + number for number in range(asked.seeds)],
        "intervals_s": list(asked.intervals_s),
        "deliveries": list(asked.deliveries),
        "targets": dict(asked.targets),
        "partial": is_partial,
        "intervals": [
            {
                "interval_s": standing.interval_s,
                "delivery": standing.delivery,
                "meets_targets": not standing.shortfalls,
                "misses": [shortfall.measure.key for shortfall in standing.shortfalls],
                "over_seeds": {
                    measure.key: {name: plain(value) for name, value in asdict(spread).items()}
                    for measure in MEASURES
                    if (spread := standing.spread(measure)) is not None
                },
                "runs": [{name: plain(value) for name, value in asdict(run).items()} for run in standing.runs],
            }
            for standing in found
        ],
        "recommendation": None if advice is None else asdict(advice),
        "warnings": list(beats),
    }
    write_file(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n", path, "--json")


def _write_figure(
    path: Path, asked: _Sweep, found: Sequence[Standing], advice: Recommendation | None, finished: int
) -> None:
    from leadlight_sim.tune.figure import draw, save

    several = asked.is_of_several
    if advice is None:
        outcome = f"partial: {finished} of {asked.planned} runs were finished; no recommendation"
    elif not advice.meets_targets:
        nearest = f"delivery {advice.delivery} at {advice.interval_s:g} s" if several else f"{advice.interval_s:g} s"
        outcome = f"{advice.headline} Nearest: {nearest}."
    else:
        mark = "(framed, ringed)" if several else "(green band), the longest that meets every target"
        outcome = f"{advice.headline.removesuffix('.')} {mark}"
    runs = f"{asked.seeds} run{'s' if asked.seeds > 1 else ''} of {asked.scenario.run.duration_s:g} s {asked.each}"
    save(draw(found, asked.targets, asked.scenario.name, f"{outcome}. {runs}.".replace("..", "."), advice), path)
