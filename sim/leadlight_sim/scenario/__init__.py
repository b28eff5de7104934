"""Scenarios: the files that say what a rehearsal is about, the shipped one among them; read, checked, varied, and named
by their content."""

from leadlight_sim.scenario.faults import (
    AccessPointReboot,
    BoardSuspended,
    ClashingLeader,
    ClockStands,
    ClockStep,
    Corruption,
    Fault,
    HostilePackets,
    LeaderLost,
    LeaderReboot,
    LeaderSuspended,
    LiveData,
    LossSpell,
    PowerCut,
    Radar,
    Reordering,
    Repetition,
    Roam,
    SplitNetwork,
    StandbyReboot,
    over_at_s,
    title_of,
)
from leadlight_sim.scenario.files import as_toml, load_scenario, load_shipped, resolve_scenario, with_air
from leadlight_sim.scenario.hosts import Host
from leadlight_sim.scenario.model import Clocks, CueEntry, Follower, Leader, Scenario, Standby, check_scenario, host_of
from leadlight_sim.scenario.network import (
    AccessPoint,
    Air,
    Neighbour,
    OnOffNeighbour,
    PoissonNeighbour,
    SaturatedNeighbour,
)
from leadlight_sim.scenario.orders import Order
from leadlight_sim.scenario.problems import ScenarioError
from leadlight_sim.scenario.variations import change_from_text
