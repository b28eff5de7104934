"""The commands that the simulator adds to `leadlight`."""

from __future__ import annotations

from leadlight_sim.rehearse_command import RehearseCommand
from leadlight_sim.tune_command import TuneCommand

rehearse = RehearseCommand()
tune = TuneCommand()
