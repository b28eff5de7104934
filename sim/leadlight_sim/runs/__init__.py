"""Runs: many evenings on any executor, in a fixed order, kept in a file as they come and taken up again."""

from leadlight_sim.runs.executing import (
    Finished,
    Run,
    RunError,
    TimeIsUp,
    Workers,
    cores,
    in_order,
    in_process,
    on_cluster,
    on_processes,
    rehearsed,
)
from leadlight_sim.runs.keeping import Kept, KeptError, Nothing
