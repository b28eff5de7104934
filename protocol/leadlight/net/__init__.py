"""Real sockets under the core: endpoints, threads, time stamps, waking on time; but for the commands the only room with
asyncio, socket or time."""

from leadlight.net.clock import LocalClock
from leadlight.net.driver import DatagramCounts
from leadlight.net.endpoint import Endpoint, FollowerEndpoint, LeaderEndpoint
from leadlight.net.families import group_address
from leadlight.net.host_facts import measure_host
from leadlight.net.machine import MACHINE
from leadlight.net.node import FollowerNode, LeaderNode, Node
from leadlight.net.pixel_port import PixelPort
from leadlight.net.recorder import PROBE_PORT, ProbePlace, load_percent, run_answerer, run_prober
from leadlight.net.sockets import DEFAULT_PORT, EXPEDITED, check_port, check_ports
from leadlight.net.thread import EndpointThread, FollowerThread, LeaderThread
from leadlight.net.timers import ExactTimer
from leadlight.net.waking import LoopWaker, Waker, WakingSettings
from leadlight.readiness import HostFacts, PixelFacts

__all__ = [
    "DEFAULT_PORT",
    "EXPEDITED",
    "MACHINE",
    "PROBE_PORT",
    "DatagramCounts",
    "Endpoint",
    "EndpointThread",
    "ExactTimer",
    "FollowerEndpoint",
    "FollowerNode",
    "FollowerThread",
    "HostFacts",
    "LeaderEndpoint",
    "LeaderNode",
    "LeaderThread",
    "LocalClock",
    "LoopWaker",
    "Node",
    "PixelFacts",
    "PixelPort",
    "ProbePlace",
    "Waker",
    "WakingSettings",
    "check_port",
    "check_ports",
    "group_address",
    "load_percent",
    "measure_host",
    "run_answerer",
    "run_prober",
]
