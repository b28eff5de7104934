"""Testing: your own asyncio player on virtual time and virtual sockets, over the modelled air."""

from leadlight_sim.hosts import Host, HostPreset, HostSettings, Lateness, Oscillator, OscillatorSettings
from leadlight_sim.kernel import Stream
from leadlight_sim.testing.loop import Deadlock, VirtualLoop, VirtualLoopError
from leadlight_sim.testing.network import VirtualHost, VirtualNetwork
from leadlight_sim.testing.recording import AirTruth, TrueGroupProbe, TrueHostProbe, VirtualRecording, record_virtually
from leadlight_sim.testing.sockets import Datagram

__all__ = [
    "AirTruth",
    "Datagram",
    "Deadlock",
    "Host",
    "HostPreset",
    "HostSettings",
    "Lateness",
    "Oscillator",
    "OscillatorSettings",
    "Stream",
    "TrueGroupProbe",
    "TrueHostProbe",
    "VirtualHost",
    "VirtualLoop",
    "VirtualLoopError",
    "VirtualNetwork",
    "VirtualRecording",
    "record_virtually",
]
