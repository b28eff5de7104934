"""What happens to a leader and its network on a real kernel, in network namespaces: no frame of a follower is wrong."""

from __future__ import annotations

import json
import os
import queue
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import pytest

from leadlight.cue import show_key
from leadlight.recording import Recording, read_recording

TOOLS = Path(__file__).parents[1] / "tools"
PATIENCE_SECONDS = 20
PORT = 62_409

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux" or shutil.which("ip") is None, reason="no network namespaces"),
]


def ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True, text=True, timeout=PATIENCE_SECONDS)


class Program:
    """A program in a namespace, and what it prints."""

    def __init__(self, host: str, words: list[str], environment: dict[str, str]) -> None:
        self.process = subprocess.Popen(
            ["ip", "netns", "exec", host, sys.executable, *words],
            env=environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        self.told: list[dict[str, Any]] = []
        self._lines: queue.Queue[str | None] = queue.Queue()
        assert self.process.stdout is not None
        self._reading = threading.Thread(target=self._read, args=(self.process.stdout,), daemon=True)
        self._reading.start()

    def _read(self, stream: IO[str]) -> None:
        with stream:
            for line in stream:
                self._lines.put(line)
        self._lines.put(None)

    def wait_for(self, wanted: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        while True:
            try:
                line = self._lines.get(timeout=PATIENCE_SECONDS)
            except queue.Empty:
                line = None
            if line is None:
                pytest.fail(f"it did not come; told: {[one.get('event') for one in self.told]}")
            self.told.append(json.loads(line))
            if wanted(self.told[-1]):
                return self.told[-1]

    def wait_for_event(self, *names: str) -> dict[str, Any]:
        return self.wait_for(lambda told: told.get("event") in names)

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        self._reading.join()


class Garden:
    """Hosts on one switch, each a namespace with an ``eth0``."""

    def __init__(self, name: str, folder: Path, family: str = "4") -> None:
        self._hub = f"{name}-hub"
        self._name = name
        self._folder = folder
        self._family = family
        self.hosts: list[str] = []
        self.programs: list[Program] = []
        ip("netns", "add", self._hub)
        self.hosts.append(self._hub)
        ip("-n", self._hub, "link", "add", "br0", "type", "bridge", "mcast_snooping", "0")
        ip("-n", self._hub, "link", "set", "br0", "up")

    def host(self, number: int) -> str:
        host = f"{self._name}-{number}"
        ip("netns", "add", host)
        self.hosts.append(host)
        ip("-n", host, "link", "set", "lo", "up")
        return host

    def plug(self, host: str, number: int) -> None:
        ip("-n", self._hub, "link", "add", f"p{number}", "type", "veth", "peer", "name", "eth0", "netns", host)
        ip("-n", self._hub, "link", "set", f"p{number}", "master", "br0", "up")
        if self._family == "4":
            subprocess.run(
                ["ip", "netns", "exec", host, "sh", "-c", "echo 1 > /proc/sys/net/ipv6/conf/eth0/disable_ipv6"],
                check=False,
            )
            ip("-n", host, "addr", "add", f"10.77.0.{number}/24", "dev", "eth0")
        else:
            subprocess.run(
                ["ip", "netns", "exec", host, "sh", "-c", "echo 0 > /proc/sys/net/ipv6/conf/eth0/accept_dad"],
                check=False,
            )
        ip("-n", host, "link", "set", "eth0", "up")

    def unplug(self, number: int) -> None:
        ip("-n", self._hub, "link", "del", f"p{number}")

    def run(self, host: str, *words: str) -> Program:
        environment = os.environ | {"XDG_RUNTIME_DIR": str(self._folder)}
        program = Program(host, list(words), environment)
        self.programs.append(program)
        return program

    def lead(self, host: str, *options: str, name: str = "boathouse") -> Program:
        place = ["--group", "lake", "--interface", "eth0", "--name", name, "--json-lines"]
        timing = ["--interval", "0.1", "--lead-time", "1"]
        return self.run(host, "-m", "leadlight", "lead", *place, *timing, *options)

    def watch(self, host: str) -> Program:
        return self.run(host, str(TOOLS / "watch_frames.py"), "lake", str(PORT), "eth0")

    def close(self) -> None:
        for program in self.programs:
            program.kill()
        for host in self.hosts:
            subprocess.run(["ip", "netns", "del", host], check=False, capture_output=True)


@contextmanager
def made_garden(folder: Path, family: str) -> Iterator[Garden]:
    if os.geteuid() != 0:
        pytest.skip("network namespaces need root")
    try:
        made = Garden(f"ll{os.getpid()}", folder, family)
    except (OSError, subprocess.SubprocessError) as error:
        pytest.skip(f"no network namespaces: {error}")
    try:
        yield made
    finally:
        made.close()


@pytest.fixture
def garden(tmp_path: Path) -> Iterator[Garden]:
    with made_garden(tmp_path, "4") as made:
        yield made


@pytest.fixture
def garden_v6(tmp_path: Path) -> Iterator[Garden]:
    if not Path("/proc/net/if_inet6").exists():
        pytest.skip("no IPv6 here")
    with made_garden(tmp_path, "6") as made:
        yield made


SHOW = ["--show", "Tidefall", "--show-at", "+1"]


def two(garden: Garden) -> tuple[str, str]:
    boathouse, jetty = garden.host(1), garden.host(2)
    garden.plug(boathouse, 1)
    garden.plug(jetty, 2)
    return boathouse, jetty


def begin(garden: Garden, boathouse: str, jetty: str, *options: str) -> tuple[Program, Program]:
    """A leader and a watcher that shows its frames."""
    watcher = garden.watch(jetty)
    leader = garden.lead(boathouse, *SHOW, *options)
    watcher.wait_for(lambda told: told.get("event") == "CueAdopted" and "ROLLING" in told["told"].upper())
    watcher.wait_for_event("LockAcquired") if not any(
        told.get("event") == "LockAcquired" for told in watcher.told
    ) else None
    return leader, watcher


def no_frame_was_wrong(watcher: Program, at_least: int = 100) -> None:
    watcher.process.terminate()
    told = watcher.wait_for(lambda told: "looked" in told)
    assert told["looked"] >= at_least
    assert (told["wrong"], told["dark"]) == (0, 0), [one.get("told") for one in watcher.told]


def test_a_leader_that_is_killed_and_started_again_leads_on(garden: Garden) -> None:
    boathouse, jetty = two(garden)
    leader, watcher = begin(garden, boathouse, jetty)
    leader.wait_for_event("CueTookEffect")
    go_on_for(0.6)
    leader.kill()
    again = garden.lead(boathouse, *SHOW)
    again.wait_for_event("CueTakenUp")
    watcher.wait_for_event("LeaderRestarted")
    go_on_for(1.2)
    no_frame_was_wrong(watcher)


def test_a_standby_takes_over_from_a_leader_that_is_killed(garden: Garden) -> None:
    boathouse, jetty = two(garden)
    gatehouse = garden.host(3)
    garden.plug(gatehouse, 3)
    leader, watcher = begin(garden, boathouse, jetty)
    standby = garden.lead(gatehouse, "--rank", "1", name="gatehouse")
    standby.wait_for(lambda told: told.get("event") == "RoleChanged" and told["role"] == "standby")
    go_on_for(1.2)
    leader.kill()
    standby.wait_for(lambda told: told.get("event") == "RoleChanged" and told["role"] == "leading")
    watcher.wait_for_event("LeaderChanged")
    again = garden.lead(boathouse, *SHOW)
    again.wait_for(lambda told: told.get("event") == "RoleChanged" and told["role"] == "standby")
    go_on_for(1.2)
    no_frame_was_wrong(watcher)


@pytest.mark.thorough
def test_a_program_with_the_music_that_is_killed_and_started_again_leads_on(garden: Garden) -> None:
    boathouse, jetty = two(garden)
    words = [str(TOOLS / "embedded_leader.py"), "lake", str(PORT), "eth0", f"{show_key('Tidefall'):016x}"]
    watcher = garden.watch(jetty)
    leader = garden.run(boathouse, *words)
    watcher.wait_for(lambda told: told.get("event") == "CueAdopted" and "ROLLING" in told["told"].upper())
    go_on_for(0.6)
    leader.kill()
    garden.run(boathouse, *words)
    watcher.wait_for_event("LeaderRestarted")
    go_on_for(1.2)
    no_frame_was_wrong(watcher)


@pytest.mark.thorough
def test_a_leader_whose_address_changes_is_followed_on(garden: Garden) -> None:
    boathouse, jetty = two(garden)
    leader, watcher = begin(garden, boathouse, jetty)
    go_on_for(0.6)
    ip("-n", boathouse, "addr", "del", "10.77.0.1/24", "dev", "eth0")
    leader.wait_for_event("NetworkLost")
    ip("-n", boathouse, "addr", "add", "10.77.0.99/24", "dev", "eth0")
    assert leader.wait_for_event("NetworkFound")["address"] == "10.77.0.99"
    watcher.wait_for_event("LeaderReturned")
    go_on_for(1.2)
    no_frame_was_wrong(watcher)


@pytest.mark.thorough
def test_an_interface_that_is_removed_and_made_again_is_taken_up_again(garden: Garden) -> None:
    boathouse, jetty = two(garden)
    leader, watcher = begin(garden, boathouse, jetty)
    go_on_for(0.6)
    garden.unplug(1)
    leader.wait_for_event("NetworkLost")
    garden.plug(boathouse, 1)
    leader.wait_for_event("NetworkFound")
    watcher.wait_for_event("LeaderReturned")
    garden.unplug(2)
    watcher.wait_for_event("NetworkLost")
    garden.plug(jetty, 2)
    watcher.wait_for_event("LeaderReturned")
    go_on_for(0.6)
    no_frame_was_wrong(watcher)


def test_a_leader_and_a_follower_wait_for_their_network(garden: Garden) -> None:
    boathouse, jetty = garden.host(1), garden.host(2)
    watcher = garden.watch(jetty)
    leader = garden.lead(boathouse, *SHOW)
    assert "no interface 'eth0'" in leader.wait_for_event("NetworkLost")["reason"]
    watcher.wait_for_event("NetworkLost")
    garden.plug(boathouse, 1)
    garden.plug(jetty, 2)
    watcher.wait_for(lambda told: told.get("event") == "CueAdopted" and "ROLLING" in told["told"].upper())
    no_frame_was_wrong(watcher, at_least=0)


@pytest.mark.thorough
def test_a_leader_whose_link_is_down_for_twenty_seconds_is_followed_on(garden: Garden) -> None:
    boathouse, jetty = two(garden)
    _, watcher = begin(garden, boathouse, jetty)
    go_on_for(0.6)
    ip("-n", boathouse, "link", "set", "eth0", "down")
    watcher.wait_for_event("LeaderLost")
    go_on_for(21)
    ip("-n", boathouse, "link", "set", "eth0", "up")
    watcher.wait_for_event("LeaderReturned")
    go_on_for(1.2)
    no_frame_was_wrong(watcher)


def go_on_for(seconds: float) -> None:
    """Let a running show be watched for so long: what is tested is that nothing happens."""
    threading.Event().wait(seconds)


def test_a_leader_and_a_follower_meet_where_there_is_ipv6_alone(garden_v6: Garden) -> None:
    boathouse, jetty = two(garden_v6)
    _, watcher = begin(garden_v6, boathouse, jetty)
    go_on_for(1)
    no_frame_was_wrong(watcher, at_least=50)


def test_an_interface_with_both_families_uses_ipv4_unless_it_is_told_otherwise(garden_v6: Garden) -> None:
    boathouse, jetty = two(garden_v6)
    for number, host in enumerate((boathouse, jetty), start=1):
        ip("-n", host, "addr", "add", f"10.77.0.{number}/24", "dev", "eth0")
    code = (
        "from leadlight.net.sockets import GroupSockets\n"
        "for version in (None, 6, 4):\n"
        "    with GroupSockets('lake', interface='eth0', ip_version=version) as sockets:\n"
        "        print(sockets.leaves_from, sockets.group_destination[0])\n"
    )
    words = ["ip", "netns", "exec", boathouse, sys.executable, "-c", code]
    said = subprocess.run(words, check=True, capture_output=True, text=True, timeout=PATIENCE_SECONDS).stdout
    either, six, four = said.splitlines()
    assert either == four
    assert four.startswith("10.77.0.1 239.19")
    assert six.startswith("fe80::")
    assert " ff12::" in six


@pytest.mark.thorough
def test_by_ipv6_a_leader_is_asked_for_copies_at_its_link_local_address(garden_v6: Garden) -> None:
    boathouse, jetty = two(garden_v6)
    told = subprocess.run(
        ["ip", "-n", boathouse, "-6", "-o", "addr", "show", "dev", "eth0"], check=True, capture_output=True, text=True
    ).stdout
    address = told.split("inet6 ")[1].partition("/")[0]
    garden_v6.lead(boathouse, *SHOW, "--delivery", "copies", "--own-port", "62500")
    place = ["--group", "lake", "--interface", "eth0", "--name", "jetty", "--json-lines", "--show", "Tidefall"]
    leader = ["--leader", f"[{address}%eth0]:62500"]
    # Its name of the interface is looked up by whoever runs there, so the command is started in its own namespace.
    follower = garden_v6.run(jetty, "-m", "leadlight", "follow", *place, *leader)
    follower.wait_for(lambda told: told.get("event") == "CueAdopted" and told["cue"]["state"] == "rolling")


def record(garden: Garden, folder: Path, recorder: str, hosts: dict[str, str], *options: str) -> Recording:
    """A second of what the network does between a recorder and hosts that answer, by their labels."""
    begin = [sys.executable, "-m", "leadlight", "record", "--group", "lake", "--interface", "eth0"]
    answering = [
        subprocess.Popen(["ip", "netns", "exec", host, *begin, "--answer", "--name", label], stdout=subprocess.DEVNULL)
        for label, host in hosts.items()
    ]
    try:
        file = folder / "site.recording"
        words = ["--output", str(file), "--for", "1s", "--every", "100ms", "--hosts", str(len(hosts)), *options]
        subprocess.run(
            ["ip", "netns", "exec", recorder, *begin, *words], check=True, capture_output=True, timeout=PATIENCE_SECONDS
        )
    finally:
        for process in answering:
            process.kill()
            process.wait()
    return read_recording(file)


@pytest.mark.thorough
def test_a_network_is_recorded_and_of_a_host_that_no_group_reaches_as_well(garden: Garden, tmp_path: Path) -> None:
    boathouse, jetty = two(garden)
    ferry = garden.host(3)
    garden.plug(ferry, 3)
    hub = boathouse.removesuffix("1") + "hub"
    subprocess.run(["ip", "netns", "exec", hub, "bridge", "link", "set", "dev", "p3", "mcast_flood", "off"], check=True)
    found = record(garden, tmp_path, boathouse, {"jetty": jetty, "ferry": ferry}, "--host", "10.77.0.3")
    assert {host.label for host in found.hosts} == {"jetty", "ferry"}
    assert len(found.group_known_to("ferry")) == len(found.group_known_to("jetty")) >= 8
    assert {label for probe in found.group for label in probe.heard} == {"jetty"}
    for label in ("jetty", "ferry"):
        assert all(probe.came_at is not None for probe in found.probes_known_to(label))


@pytest.mark.thorough
def test_a_network_of_ipv6_alone_is_recorded(garden_v6: Garden, tmp_path: Path) -> None:
    boathouse, jetty = two(garden_v6)
    found = record(garden_v6, tmp_path, boathouse, {"jetty": jetty})
    assert all("jetty" in probe.heard for probe in found.group_known_to("jetty"))
    assert all(probe.came_at is not None for probe in found.probes_known_to("jetty"))
