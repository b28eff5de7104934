"""What rehearsing commands share: a scenario, on a recorded air (``--air``), and with what changed (``--set``)."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from leadlight_sim.scenario import Scenario


def add_scenario(parser: argparse.ArgumentParser) -> None:
    """Declare the scenario, if one is named."""
    parser.add_argument(
        "scenario", nargs="?", metavar="SCENARIO", help="a scenario file or a shipped name (quarry-lake)"
    )


def add_change_options(
    parser: argparse.ArgumentParser,
    changes_help: str = "change the scenario, such as air.preset=busy; may be given again",
) -> None:
    """Declare ``--air`` and ``--set``."""
    parser.add_argument(
        "--air", metavar="FILE", help="on your own network, recorded: what `leadlight fit --output` wrote"
    )
    parser.add_argument("--set", action="append", default=[], dest="changes", metavar="KEY=VALUE", help=changes_help)


def scenario_of(arguments: argparse.Namespace) -> Scenario:
    """Return the scenario that was asked for, on its air and with what is changed. Raises ``ScenarioError``."""
    from leadlight_sim.scenario import resolve_scenario

    return changed(on_recorded_air(resolve_scenario(arguments.scenario), arguments), arguments)


def changed(scenario: Scenario, arguments: argparse.Namespace) -> Scenario:
    """Return the scenario with what ``--set`` changes. Raises ``ScenarioError``."""
    from leadlight_sim.scenario import change_from_text

    return scenario.with_changes(dict(map(change_from_text, arguments.changes))) if arguments.changes else scenario


def on_recorded_air(scenario: Scenario, arguments: argparse.Namespace) -> Scenario:
    """Return the scenario on the recorded air that was asked for, if any. Raises ``ScenarioError``."""
    from leadlight_sim.scenario import with_air

    return scenario if arguments.air is None else with_air(scenario, arguments.air)


def scenario_words(arguments: argparse.Namespace) -> list[str]:
    """Return what names the scenario and changes it as it was given, to any command that takes one."""
    return [*([] if arguments.scenario is None else [arguments.scenario]), *change_words(arguments)]


def change_words(arguments: argparse.Namespace) -> list[str]:
    """Return ``--air`` and ``--set`` as they were given, for the command that repeats a run."""
    air = [] if arguments.air is None else ["--air", arguments.air]
    return [*air, *(word for change in arguments.changes for word in ("--set", change))]
