"""The world: a scenario made into leader, followers, air and faults in the kernel, and the truth about them."""

from leadlight_sim.world.assembly import RECOVERIES, World, extra_loss, make_host, make_oscillator
from leadlight_sim.world.injected_faults import InjectedFaults
from leadlight_sim.world.nodes import CLOCK_AT_BOOT_NS, FollowerNode, LeaderNode
from leadlight_sim.world.orders import Obeyed
from leadlight_sim.world.packets import GROUP
from leadlight_sim.world.truth import PlannedCue
