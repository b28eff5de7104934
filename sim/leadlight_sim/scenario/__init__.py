"""Scenarios: what a rehearsal is about, read from files, checked, varied and named by their content."""

from leadlight_sim.scenario.faults import (
    AccessPointReboot,
    BoardSuspended,
    ClashingLeader,
    Fault,
    LeaderLost,
    LeaderReboot,
    LiveData,
    LossSpell,
    PowerCut,
    Radar,
    Roam,
    SplitNetwork,
    over_at_s,
    title_of,
)
from leadlight_sim.scenario.files import load_scenario, load_shipped, resolve_scenario
from leadlight_sim.scenario.hosts import Host
from leadlight_sim.scenario.model import Clocks, CueEntry, Follower, Leader, Scenario, Standby
from leadlight_sim.scenario.network import (
    AccessPoint,
    Air,
    Neighbour,
    OnOffNeighbour,
    PoissonNeighbour,
    SaturatedNeighbour,
)
from leadlight_sim.scenario.problems import ScenarioError
from leadlight_sim.scenario.variations import change_from_text

__all__ = [
    "AccessPoint",
    "AccessPointReboot",
    "Air",
    "BoardSuspended",
    "ClashingLeader",
    "Clocks",
    "CueEntry",
    "Fault",
    "Follower",
    "Host",
    "Leader",
    "LeaderLost",
    "LeaderReboot",
    "LiveData",
    "LossSpell",
    "Neighbour",
    "OnOffNeighbour",
    "PoissonNeighbour",
    "PowerCut",
    "Radar",
    "Roam",
    "SaturatedNeighbour",
    "Scenario",
    "ScenarioError",
    "SplitNetwork",
    "Standby",
    "change_from_text",
    "load_scenario",
    "load_shipped",
    "over_at_s",
    "resolve_scenario",
    "title_of",
]
