"""The commands that the simulator adds to `leadlight`."""

from __future__ import annotations

from leadlight_sim.commands.budget import BudgetCommand
from leadlight_sim.commands.compare import CompareCommand
from leadlight_sim.commands.fit import FitCommand
from leadlight_sim.commands.rehearse import RehearseCommand
from leadlight_sim.commands.soak import SoakCommand
from leadlight_sim.commands.tune import TuneCommand

budget = BudgetCommand()
compare = CompareCommand()
fit = FitCommand()
rehearse = RehearseCommand()
soak = SoakCommand()
tune = TuneCommand()
