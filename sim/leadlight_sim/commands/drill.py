"""What `rehearse --drill` prints and writes: a table of drills, or one of recoveries over all of them."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TextIO

from markupsafe import Markup

from leadlight.storage import write_file
from leadlight_sim.commands.outputs import write_json
from leadlight_sim.drills import (
    DEFAULT_RECOVERY,
    RECOVERIES,
    Drill,
    DrillResult,
    drills_named,
    evening_of,
    limits_told,
    run_drill,
)
from leadlight_sim.scenario import Scenario
from leadlight_sim.telling import NOTHING, Heading, as_ms, as_typed, console_of, print_table, progress, wrapped

WORST_NOTE = "Worst: the piece the crowd noticed most; error to other show are that piece's."
EVENINGS_NOTE = (
    "Of several evenings a row has the one whose worst piece was noticed most, its seed, the most flashes of any, and "
    "in how many all stayed within the limits."
)
OVERALL_NOTE = "Each figure is the worst of any drill and piece, but jumps and flashes in all, which are sums."
DIMMED_NOTE = "Dimmed: lit below what was authored, in a fade; its frames are counted as right or wrong all the same."
NOTES = (
    "Error: the largest of what it showed, from the break on; a player that wakes late for a frame adds its lateness.",
    "Wrong: lit and more than half a frame off. Dark: with power, and dark although the show rolled.",
    "Back: from the fault's end until its playhead was within half a frame for good. Jumps: by more than two frames, "
    "or backwards.",
    "Freeze: the longest on one frame, beyond that frame's own time. Other show: how long it showed one.",
    "Flashes added: as shown less as pieces in perfect step would with the same power and the same boards suspended, "
    "the fullest second and in all, from the viewpoint with most of them; in the manner of WCAG 2.3.1, trial content. "
    "No conformance is claimed.",
)
UNMARKED_NOTE = "Unmarked: the blended one, of players that mark no frames as dark or unchanging."


def run_drills(arguments: argparse.Namespace, scenario: Scenario, seed: int, command: str) -> bool:
    """Run what `--drill` names, tell it, and write `--json` and `--report`; return whether all stayed within limits.

    With `--compare-recoveries` only the default way of removing an error is judged.
    """
    by_label = {drill.label: drill for asked in arguments.drill for drill in drills_named(asked, scenario)}
    drills = list(by_label.values())
    recoveries = tuple(RECOVERIES) if arguments.compare_recoveries else (DEFAULT_RECOVERY,)
    results: list[DrillResult] = []
    seeds = range(seed, seed + (arguments.evenings or 1))
    runs = [(recovery, drill, seed) for recovery in recoveries for drill in drills for seed in seeds]
    interrupted = False
    with progress(f"drilling {scenario.name}", sys.stderr, arguments.quiet) as tell:
        try:
            for number, (recovery, drill, evening) in enumerate(runs):
                results.append(run_drill(drill, scenario, evening, recovery, _part(tell, number, len(runs))))
        except KeyboardInterrupt:
            interrupted = True
    judged = [result for result in results if result.recovery == DEFAULT_RECOVERY]
    good = not interrupted and not any(result.troubles for result in judged)
    about = _about(drills, seeds)
    if not arguments.quiet:
        _tell(scenario, about, results, arguments.compare_recoveries, sys.stdout)
    headline = _headline(judged, interrupted, len(runs) - len(results))
    sys.stdout.write(f"{headline}\n")
    sys.stdout.flush()
    written = []
    if arguments.json is not None:
        figures = {"scenario": scenario.name, "scenario_digest": scenario.digest(), "seed": seed}
        write_json(figures | {"drills": [result.to_json() for result in results]}, arguments.json, command)
        written.append(arguments.json)
    if arguments.report is not None:
        timelines = [] if arguments.compare_recoveries else _timelines(by_label, scenario, results, arguments.quiet)
        page = _page(timelines, scenario, about, results, arguments.compare_recoveries, good, headline, command)
        write_file(page, arguments.report, "--report")
        written.append(arguments.report)
    if not arguments.quiet:
        sys.stdout.writelines(f"Written: {path}\n" for path in written)
        sys.stdout.write(f"Reproduce: {as_typed(command)}\n")
    if interrupted:
        raise KeyboardInterrupt
    return good


def _part(tell: Any, number: int, count: int) -> Any:
    return None if tell is None else lambda share: tell((number + share) / count)


def _headline(judged: Sequence[DrillResult], interrupted: bool, missing: int) -> str:
    if interrupted:
        return f"Interrupted; {missing} drills were not run."
    failed = sum(1 for result in judged if result.troubles)
    if not failed:
        many = len(judged) > 1
        return f"All {len(judged)} drills stayed within their limits." if many else "It stayed within its limits."
    return f"{failed} of {len(judged)} drills went beyond their limits."


def _tell(scenario: Scenario, about: str, results: Sequence[DrillResult], compared: bool, stream: TextIO) -> None:
    console = console_of(stream)
    console.print(f"{scenario.name}: {about}", markup=False)
    print_table(console, *_table(results, compared), GIVEN_UP_FIRST)
    stream.writelines(wrapped(line, console.width, "  ", "  ") for line in _remarks(results))
    for heading, lines in _notes(scenario, results, compared):
        stream.write(f"{heading}:\n")
        stream.writelines(wrapped(line, console.width, "  ", "  ") for line in lines)


def _about(drills: Sequence[Drill], seeds: Sequence[int]) -> str:
    instants = sorted({drill.at_s for drill in drills})
    when = f"at {instants[0]:g} s" if len(instants) == 1 else f"between {instants[0]:g} and {instants[-1]:g} s"
    which = f"seed {seeds[0]}" if len(seeds) == 1 else f"seeds {seeds[0]} to {seeds[-1]}"
    return f"one show rolls, something breaks {when}; {which}"


def _table(results: Sequence[DrillResult], compared: bool) -> tuple[Sequence[Heading], Sequence[Sequence[str]]]:
    if compared:
        return _COMPARED, [_compared_row(name, results) for name in _recoveries_of(results)]
    groups = _by_label(results)
    columns = _OF_EVENINGS if any(len(own) > 1 for own in groups) else _DRILLED
    return columns, [_drilled_row(own) for own in groups]


def _by_label(results: Sequence[DrillResult]) -> Sequence[Sequence[DrillResult]]:
    by_label: dict[str, list[DrillResult]] = {}
    for result in results:
        by_label.setdefault(result.label, []).append(result)
    return list(by_label.values())


def _shown_of(results: Sequence[DrillResult]) -> DrillResult:
    """Return the evening that a drill's row is about: that whose worst piece was noticed most."""
    return max(results, key=lambda each: each.worst.noticed)


def _remarks(results: Sequence[DrillResult]) -> Sequence[str]:
    """What the table has no room for, of the default way of removing an error."""
    said = []
    several = len({result.seed for result in results}) > 1
    for result in results:
        if result.recovery != DEFAULT_RECOVERY:
            continue
        which = f"{result.label}, seed {result.seed}" if several else result.label
        said += [f"{which}: {trouble}." for trouble in result.troubles]
        if result.reported:
            said.append(f"{result.label}: the leader was told that two sources drive one piece.")
        if dimmed_s := max(piece.dimmed_s for piece in result.pieces):
            said.append(f"{which}: dimmed in a fade for {_span(dimmed_s)}.")
        if own := max(result.fault_flashes.in_a_second, result.fault_flashes.total):
            flashes = "1 flash more is" if own == 1 else f"{own} flashes more are"
            said.append(f"{result.label}: {flashes} the fault's own, whatever the timing.")
    return list(dict.fromkeys(said))


def _notes(scenario: Scenario, results: Sequence[DrillResult], compared: bool) -> Sequence[tuple[str, Sequence[str]]]:
    """What was broken, what the columns mean, and what is held against it."""
    about = {result.label: f"{result.label}: {result.summary}." for result in results}
    notes = [OVERALL_NOTE, *NOTES, DIMMED_NOTE, UNMARKED_NOTE] if compared else [WORST_NOTE, *NOTES]
    if not compared and len({result.seed for result in results}) > 1:
        notes.insert(1, EVENINGS_NOTE)
    return [("Drills", list(about.values())), ("Columns", notes), ("Judged", limits_told(scenario))]


@dataclass(frozen=True, slots=True)
class Opened:
    """One timeline in the page: by which name it is linked, its title, and the document in its frame."""

    name: str
    title: str
    document: Markup


def _timelines(
    by_label: Mapping[str, Drill], scenario: Scenario, results: Sequence[DrillResult], quiet: bool
) -> Sequence[Opened]:
    """Return a timeline for each row: the same run once more, with all kept that one can move through."""
    from leadlight_sim.report import timeline_page

    groups = _by_label(results)
    opened = []
    with progress("keeping timelines", sys.stderr, quiet) as tell:
        for number, own in enumerate(groups):
            shown = _shown_of(own)
            title = f"{shown.label}: {shown.summary}; seed {shown.seed}"
            kept = evening_of(by_label[shown.label], scenario, shown.seed, shown.recovery)
            # An attribute ends at its quote, and nowhere else.
            document = timeline_page(kept, title).replace("&", "&amp;").replace('"', "&quot;")
            opened.append(Opened(f"timeline-{number + 1}", title, Markup(document)))
            if tell is not None:
                tell((number + 1) / len(groups))
    return opened


def _page(
    timelines: Sequence[Opened],
    scenario: Scenario,
    about: str,
    results: Sequence[DrillResult],
    compared: bool,
    good: bool,
    headline: str,
    command: str,
) -> str:
    from leadlight_sim.drawing import rendered

    columns, rows = _table(results, compared)
    return rendered(
        "drills.html.j2",
        scenario=scenario,
        good=good,
        headline=headline,
        about=about[0].upper() + about[1:],
        columns=[(each.text.replace("\n", " "), "right" if each.is_number else "left") for each in columns],
        rows=rows,
        timelines=timelines,
        remarks=_remarks(results),
        notes=_notes(scenario, results, compared),
        digest=scenario.digest(),
        command=command,
    )


_LAST = [Heading("jumps"), Heading("freeze"), Heading("other\nshow"), Heading("flashes\nadded")]
_DRILLED: Sequence[Heading] = (
    *(Heading("drill", is_number=False), Heading("worst", is_number=False)),
    *map(Heading, ("error", "wrong", "dark", "back")), *_LAST, Heading("within\nlimits", is_number=False),
)  # fmt: skip
_OF_EVENINGS: Sequence[Heading] = (*_DRILLED[:2], Heading("seed"), *_DRILLED[2:])
_COMPARED: Sequence[Heading] = (
    Heading("recovery", is_number=False), *map(Heading, ("error", "wrong", "dark", "dimmed", "back")), *_LAST,
    Heading("beyond limits", is_number=False, folds=True),
)  # fmt: skip
GIVEN_UP_FIRST = ("freeze", "jumps", "flashes added")


def _drilled_row(results: Sequence[DrillResult]) -> Sequence[str]:
    """A drill's row; of several evenings, that of the one whose worst piece was noticed most."""
    result = _shown_of(results)
    worst = result.worst
    flashes = max((each.flashes.in_a_second, each.flashes.total) for each in results)
    within = sum(not each.troubles for each in results)
    return (
        result.label,
        worst.name,
        *([str(result.seed)] if len(results) > 1 else []),
        as_ms(worst.error_ms),
        _span(worst.wrong_s),
        _span(worst.dark_s),
        "never" if worst.back_after_s is None else _span(worst.back_after_s),
        str(worst.jumps),
        _span(worst.freeze_s),
        _span(worst.other_show_s),
        f"{flashes[0]}/s, {flashes[1]}",
        f"{within} of {len(results)}" if len(results) > 1 else "yes" if within else "no",
    )


def _recoveries_of(results: Sequence[DrillResult]) -> Sequence[str]:
    return list(dict.fromkeys(result.recovery for result in results))


def _compared_row(name: str, results: Sequence[DrillResult]) -> Sequence[str]:
    """The worst of any drill and piece, but for boards that were suspended: those no recovery can help."""
    own = [result for result in results if result.recovery == name]
    pieces = [piece for result in own for piece in result.pieces if result.drill != "suspended" or len(own) == 1]
    backs = [piece.back_after_s for piece in pieces]
    never = any(back is None for back in backs)
    return (
        name,
        as_ms(max((piece.error_ms for piece in pieces if not math.isnan(piece.error_ms)), default=math.nan)),
        _span(max((piece.wrong_s for piece in pieces), default=0.0)),
        _span(max((piece.dark_s for piece in pieces), default=0.0)),
        _span(max((piece.dimmed_s for piece in pieces), default=0.0)),
        "never" if never else _span(max((back for back in backs if back is not None), default=0.0)),
        str(sum(piece.jumps for piece in pieces)),
        _span(max((piece.freeze_s for piece in pieces), default=0.0)),
        _span(max((piece.other_show_s for piece in pieces), default=0.0)),
        f"{max(result.flashes.in_a_second for result in own)}/s, {sum(result.flashes.total for result in own)}",
        ", ".join(result.drill for result in own if result.troubles) or "none",
    )


def _span(value_s: float) -> str:
    return NOTHING if value_s == 0 else f"{value_s:.2f} s" if value_s < 10 else f"{value_s:.0f} s"
