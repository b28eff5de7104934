"""The way from nothing to a tuned setting on one's own network, walked by the commands that an owner would type.

Four hosts, each a network namespace of this machine, on an access point that a process plays: it carries every frame
between them as a modelled air does, in real time, losses and holds included; on this one visitors' phones doze. Three
hosts run `leadlight record --answer` and the fourth `leadlight record`; then `fit`, `tune` on three boards and two
minutes of show, and `rehearse`. Needs root, for the namespaces.

Each step is told as it ends, and a step that fails ends it with code 1. Prints one line of JSON last: the seconds that
each step and all together took. Run with ``python tests/bench/own_network.py``, where `leadlight` is installed;
``--quick`` records for 15 s in the place of 60 s and tunes for 15 s. ``--folder`` keeps what the commands write.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import selectors
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from leadlight.recording import read_recording
from leadlight_sim.air.choice import preset
from leadlight_sim.air.sampled import SampledAir
from leadlight_sim.kernel import Kernel, Stream, Streams, TrueInstant

AIR: Final = "dozing"
HOSTS: Final = ("boathouse", "jetty", "willow", "ferry")
POLL_SECONDS: Final = 0.0003
ETHERNET_BYTES: Final = 14
IPV4, UDP = b"\x08\x00", 17
ALL_PROTOCOLS: Final = 0x0003
OUTGOING: Final = 4  # packet(7): PACKET_OUTGOING, what this machine sends itself
SHOW: Final = """\
name = "three boards"
[run]
duration_s = 120
settle_s = 10
[leader]
name = "boathouse"
wired = true
[[followers]]
name = "jetty"
pixels = 540
[[followers]]
name = "willow"
pixels = 540
[[followers]]
name = "ferry"
pixels = 540
[[shows]]
id = "embers"
duration_s = 100
[[cues]]
at_s = 15
show = "embers"
"""


# -- the access point --------------------------------------------------------------------------------------------------


class Port:
    """One host's end of the modelled air: frames come in from its link, and go out to it when the air delivers them."""

    def __init__(self, name: str, wired: bool) -> None:
        self.name = name
        self.wired = wired
        self.link = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(ALL_PROTOCOLS))
        self.link.bind((name, 0))
        self.link.setblocking(False)

    def receive_delay_ns(self, _stream: Stream) -> int:
        """The kernel of this machine adds its own."""
        return 0

    def receive(self, data: bytes, _sender: str, _arrived_at: TrueInstant) -> None:
        """Put a frame on the link."""
        with contextlib.suppress(OSError):
            self.link.send(data)

    def frames(self) -> Iterator[bytes]:
        """Yield what the host has sent."""
        while True:
            try:
                data, address = self.link.recvfrom(2048)
            except BlockingIOError:
                return
            if address[2] != OUTGOING:
                yield data


class Frame(bytes):
    """A whole frame, of which the air sees the datagram's length alone, as in a rehearsal."""

    def __len__(self) -> int:
        return max(1, super().__len__() - ETHERNET_BYTES - 28)


def is_datagram(frame: bytes) -> bool:
    """Whether it goes through the air: UDP over IPv4. What else hosts say to each other is passed on at once."""
    return frame[12:14] == IPV4 and frame[23] == UDP


def without_checksum(frame: bytes) -> bytes:
    """A link of this kind leaves the checksum to hardware that there is not; 0 says that there is none (RFC 768)."""
    at = ETHERNET_BYTES + 4 * (frame[ETHERNET_BYTES] & 0x0F) + 6
    return frame[:at] + bytes(2) + frame[at + 2 :]


def play_access_point(names: list[str]) -> None:
    """Carry frames between links until killed; the first is on the cable."""
    kernel = Kernel()
    air = SampledAir(kernel, Streams(7), preset(AIR))
    ports = [Port(name, wired=number == 0) for number, name in enumerate(names)]
    for port in ports:
        air.attach(port)
    owners: dict[bytes, str] = {}
    begin = time.monotonic_ns()
    with selectors.DefaultSelector() as links:
        for port in ports:
            links.register(port.link, selectors.EVENT_READ, port)
        while True:
            ready = links.select(POLL_SECONDS if kernel.pending else None)
            kernel.run_until(TrueInstant(time.monotonic_ns() - begin))
            for key, _ in ready:
                port = key.data
                for frame in port.frames():
                    owners[frame[6:12]] = port.name
                    if is_datagram(frame):
                        is_to_group = bool(frame[0] & 1)
                        destination = None if is_to_group else owners.get(frame[:6], "nobody")
                        air.send(port.name, Frame(without_checksum(frame)), destination)
                    else:
                        for other in ports:
                            if other is not port:
                                other.receive(frame, port.name, kernel.now)


# -- the site ----------------------------------------------------------------------------------------------------------


def ip(*words: str) -> None:
    """Run ``ip``; what it says goes to the error output if it fails."""
    subprocess.run(["ip", *words], check=True)


class Site:
    """The four hosts and their access point."""

    def __init__(self) -> None:
        self._name = f"own{os.getpid()}"
        self._hub = f"{self._name}-hub"
        self._running: list[subprocess.Popen[Any]] = []

    def __enter__(self) -> Site:
        try:
            self._build()
        except BaseException:
            self.__exit__()
            raise
        return self

    def _build(self) -> None:
        ip("netns", "add", self._hub)
        names = [f"port{number}" for number in range(len(HOSTS))]
        for number, (host, name) in enumerate(zip(HOSTS, names, strict=True), 1):
            place = f"{self._name}-{host}"
            ip("netns", "add", place)
            ip("-n", place, "link", "set", "lo", "up")
            ip("-n", self._hub, "link", "add", name, "type", "veth", "peer", "name", "eth0", "netns", place)
            quiet = "echo 1 > /proc/sys/net/ipv6/conf/{}/disable_ipv6"
            for space, link in ((place, "eth0"), (self._hub, name)):
                self.run_in(space, "sh", "-c", quiet.format(link))
            ip("-n", place, "addr", "add", f"10.78.0.{number}/24", "dev", "eth0")
            ip("-n", place, "link", "set", "eth0", "up")
            ip("-n", self._hub, "link", "set", name, "promisc", "on", "up")
        self.begin_in(self._hub, sys.executable, __file__, "--access-point", *names)

    def __exit__(self, *_: object) -> None:
        for process in self._running:
            process.kill()
            process.wait()
        for place in (self._hub, *(f"{self._name}-{host}" for host in HOSTS)):
            subprocess.run(["ip", "netns", "del", place], check=False, capture_output=True)

    def at(self, host: str) -> str:
        """Return the namespace of a host."""
        return f"{self._name}-{host}"

    def run_in(self, place: str, *words: str) -> None:
        """Run a command there, and fail if it does."""
        subprocess.run(["ip", "netns", "exec", place, *words], check=True)

    def begin_in(self, place: str, *words: str) -> None:
        """Start a program there that ends with the site."""
        self._running.append(subprocess.Popen(["ip", "netns", "exec", place, *words], stdout=subprocess.DEVNULL))


# -- the walk ----------------------------------------------------------------------------------------------------------


def leadlight(*words: str) -> list[str]:
    """Return the words that run a command of the installed library."""
    return [sys.executable, "-m", "leadlight", *words]


def step(name: str, took: dict[str, float], words: list[str]) -> None:
    """Run a command, tell how long it took, and end with code 1 if it fails."""
    print(f"\n--- {name}: leadlight {' '.join(words[words.index('leadlight') + 1 :])}", flush=True)
    begin = time.monotonic()
    code = subprocess.run(words, check=False).returncode
    took[name] = round(time.monotonic() - begin, 1)
    if code:
        sys.exit(f"{name} ended with code {code}")


def walk(folder: Path, seconds: int, tuning: int) -> dict[str, float]:
    """Walk the whole way, and return the seconds that each step took."""
    took: dict[str, float] = {}
    show, recording, air = folder / "show.toml", folder / "site.recording", folder / "site.toml"
    show.write_text(SHOW)
    group = ["--group", "quarry lake", "--interface", "eth0"]
    with Site() as site:
        for host in HOSTS[1:]:
            site.begin_in(site.at(host), *leadlight("record", "--answer", *group, "--name", host))
        words = [
            "record",
            *group,
            "--name",
            HOSTS[0],
            "--hosts",
            "3",
            "--for",
            f"{seconds}s",
            "--output",
            str(recording),
        ]
        step("record", took, ["ip", "netns", "exec", site.at(HOSTS[0]), *leadlight(*words)])
    found = read_recording(recording)
    assert {host.label for host in found.hosts} == set(HOSTS[1:])
    step("fit", took, leadlight("fit", str(recording), "--output", str(air)))
    step("tune", took, leadlight("tune", str(show), "--air", str(air), "--time", f"{tuning}s"))
    step("rehearse", took, leadlight("rehearse", str(show), "--air", str(air)))
    took["all"] = round(sum(took.values()), 1)
    return took


def main() -> None:
    """Walk, or play the access point."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="15 s in the place of 60 s")
    parser.add_argument("--folder", type=Path, help="keep what the commands write there")
    parser.add_argument("--access-point", nargs="+", metavar="LINK", help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.access_point:
        play_access_point(arguments.access_point)
    if sys.platform != "linux" or shutil.which("ip") is None or os.geteuid() != 0:
        print(json.dumps({"skipped": "needs Linux, iproute2 and root"}))
        return
    seconds = 15 if arguments.quick else 60
    with contextlib.ExitStack() as stack:
        folder = arguments.folder or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        folder.mkdir(exist_ok=True)
        took = walk(folder, seconds, seconds)
    print(json.dumps(took))


if __name__ == "__main__":
    main()
