"""The commands that the simulator adds to `leadlight`."""

from __future__ import annotations

from leadlight_sim.budget_command import BudgetCommand
from leadlight_sim.fit_command import FitCommand
from leadlight_sim.rehearse_command import RehearseCommand
from leadlight_sim.tune_command import TuneCommand

budget = BudgetCommand()
fit = FitCommand()
rehearse = RehearseCommand()
tune = TuneCommand()
