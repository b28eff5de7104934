"""The option ``--air``, which rehearsing commands share: the scenario on an air that was recorded."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from leadlight_sim.scenario import Scenario


def add_air_option(parser: argparse.ArgumentParser) -> None:
    """Declare the option."""
    parser.add_argument(
        "--air", metavar="FILE", help="on your own network, recorded: what `leadlight fit --output` wrote"
    )


def on_recorded_air(scenario: Scenario, arguments: argparse.Namespace) -> Scenario:
    """Return the scenario on the recorded air that was asked for, if any. Raises ``ScenarioError``."""
    from leadlight_sim.scenario import with_air

    return scenario if arguments.air is None else with_air(scenario, arguments.air)


def air_words(arguments: argparse.Namespace) -> list[str]:
    """Return the option as it was given, for the command that repeats a run."""
    return [] if arguments.air is None else ["--air", arguments.air]
