"""Hosts: crystals that drift, and programs that wake late."""

from leadlight_sim.hosts.host import Host
from leadlight_sim.hosts.lateness import Lateness
from leadlight_sim.hosts.oscillator import TRILLION, Oscillator, OscillatorSettings
from leadlight_sim.hosts.scheduling import HostPreset, HostSettings, settings_of
