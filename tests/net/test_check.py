"""The whole command on loopback: a go where all is well, a no-go for each thing that is not."""

from __future__ import annotations

import asyncio
import json
import os
import select
import signal
import socket
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest

from leadlight.commands import cli
from leadlight.cue import START, Cue, FrameRate, ShowLine
from leadlight.entropy import identity
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.settings import LeaderSettings
from leadlight.net import host_facts
from leadlight.net.sockets import GroupSockets
from leadlight.net.thread import FollowerThread, LeaderThread
from leadlight.playback.content import StoredShow
from leadlight.storage.files import write_manifest
from leadlight.storage.parts import build_manifest
from leadlight.terms import CueState, Delivery
from leadlight.units import MILLISECOND, SECOND, LeaderInstant
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon
from leadlight.wire.tags import KeyRing
from leadlight_sim.scenario.model import check_scenario

pytestmark = pytest.mark.slow

INTERFACE = "127.0.0.1"
SHOW = StoredShow("Tidefall", FrameRate(40), 4000)
INTERVAL_NS = 50 * MILLISECOND

Capture = pytest.CaptureFixture[str]


class Site:
    """A group on loopback, and the command run on it."""

    def __init__(self, group: str, port: int, folder: Path, capture: Capture) -> None:
        self.group = group
        self.port = port
        self.folder = folder
        self.place: dict[str, Any] = {"group": group, "port": port, "interface": INTERFACE}
        self._capture = capture
        self._running = ExitStack()

    def __enter__(self) -> Site:
        return self

    def __exit__(self, *_: object) -> None:
        self._running.close()

    def lead(
        self, name: str = "boathouse", keys: KeyRing | None = None, own_port: int = 0, **settings: Any
    ) -> LeaderThread:
        plain: dict[str, Any] = {"interval_ns": INTERVAL_NS, "listen_intervals": 0, "lead_time_ns": 0}
        node = LeaderThread(LeaderSettings(name, **(plain | settings)), keys=keys, own_port=own_port, **self.place)
        return self._running.enter_context(node)

    def follow(self, name: str, keys: KeyRing | None = None, shows: tuple[StoredShow, ...] = ()) -> FollowerThread:
        node = FollowerThread(FollowerSettings(name), keys=keys, shows=shows, **self.place)
        return self._running.enter_context(node)

    def words(self, *options: str) -> list[str]:
        place = ["--group", self.group, "--port", str(self.port), "--interface", INTERFACE]
        return ["check", *place, *options]

    def check(self, *options: str) -> tuple[int, dict[str, Any], str]:
        """Return the exit code, the findings by key, and what was printed."""
        file = self.folder / "check.json"
        code = cli.main(self.words("--json", str(file), *options))
        document = json.loads(file.read_text(encoding="utf-8"))
        assert document["verdict"] == ("no-go" if code else "go")
        return code, {one["key"]: one for one in document["findings"]}, self._capture.readouterr().out


@pytest.fixture
def site(group: str, port: int, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> Iterator[Site]:
    # As many as the judging needs; how late a timer wakes on a test machine is nobody's concern here.
    monkeypatch.setattr(host_facts, "WAKES", 3)
    with Site(group, port, tmp_path, capsys) as here:
        yield here


def key_file(folder: Path, digit: str = "5") -> tuple[str, KeyRing]:
    path = folder / f"group{digit}.key"
    path.write_text(digit * 64, encoding="ascii")
    path.chmod(0o600)
    return str(path), KeyRing({1: bytes.fromhex(digit * 64)})


def verdicts(findings: dict[str, Any]) -> dict[str, str]:
    return {key: one["verdict"] for key, one in findings.items()}


def test_with_a_leader_and_another_follower_it_is_a_go_and_says_what_was_found(site: Site) -> None:
    path, keys = key_file(site.folder)
    site.lead(keys=keys)
    site.follow("jetty", keys, (SHOW,))
    code, findings, said = site.check(
        "--key-file", path, "--listen", "2s", "--expect", "jetty", "--expect", "boathouse", "--name", "willow"
    )
    assert code == 0
    # A busy machine may wake late, and a loopback interface is always to look at.
    told = {key: one for key, one in verdicts(findings).items() if key not in ("timer", "interface", "wall_clock")}
    assert set(told.values()) == {"go"}
    assert {"multicast", "key_file", "key", "leader", "beacons", "lateness", "soundings", "clock"} <= set(told)
    (leader,) = findings["leader"]["values"]["leaders"]
    assert (leader["name"], leader["rank"], leader["interval_ns"]) == ("boathouse", 0, INTERVAL_NS)
    assert findings["followers"]["values"]["heard"] == ["jetty"]
    assert findings["clock"]["values"]["state"] == "locked"
    assert findings["beacons"]["values"]["arrived"] > 20
    assert findings["soundings"]["values"]["answered"] > 4
    assert said.splitlines()[-1].startswith("go; look: ")
    assert "boathouse at 127.0.0.1, rank 0" in said


def test_where_nobody_is_heard_it_is_a_no_go_unless_no_leader_is_expected(site: Site) -> None:
    code, findings, said = site.check("--listen", "300ms", "--expect", "jetty")
    assert code == 1
    assert {key for key, one in verdicts(findings).items() if one == "no-go"} == {"leader", "expected"}
    assert said.splitlines()[-1].startswith("no-go: leader, expected names")
    code, findings, _ = site.check("--listen", "300ms", "--no-leader")
    assert (code, findings["leader"]["verdict"]) == (0, "go")


@pytest.mark.parametrize("own", ["another", "none", "one too many"])
def test_a_key_that_is_not_the_groups_is_a_no_go(site: Site, own: str) -> None:
    path, keys = key_file(site.folder)
    other, _ = key_file(site.folder, "6")
    site.lead(keys=None if own == "one too many" else keys)
    options = {"another": ["--key-file", other], "none": [], "one too many": ["--key-file", path]}[own]
    code, findings, _ = site.check("--listen", "500ms", *options)
    assert code == 1
    assert {key for key, one in verdicts(findings).items() if one == "no-go"} == {"leader", "key"}
    counts = findings["key"]["values"]
    assert (counts["untagged"] > 0, counts["tag_does_not_fit"] > 0) == (own == "one too many", own != "one too many")
    assert counts["places"] == [INTERFACE]


@pytest.mark.skipif(os.name != "posix", reason="this system's files have no owners and groups")
def test_a_key_that_others_may_read_is_a_no_go_and_still_used(site: Site) -> None:
    path, keys = key_file(site.folder)
    Path(path).chmod(0o644)
    site.lead(keys=keys)
    code, findings, _ = site.check("--listen", "1s", "--key-file", path)
    assert (code, findings["key_file"]["verdict"], findings["key"]["verdict"]) == (1, "no-go", "go")


def test_an_expected_name_that_is_not_heard_is_a_no_go(site: Site) -> None:
    site.lead()
    site.follow("jetty", shows=(SHOW,))
    code, findings, _ = site.check("--listen", "1s", "--expect", "jetty", "--expect", "ferry")
    assert code == 1
    assert findings["expected"]["values"]["missing"] == ["ferry"]


@contextmanager
def second_leader(site: Site) -> Iterator[None]:
    """A leader that hears nobody, as where the network keeps it from the first one; begins once that one leads."""
    codec = Codec(site.group)
    cue = Cue(0, CueState.DARK, ShowLine(LeaderInstant(0), START))
    ends = threading.Event()

    def lead(sockets: GroupSockets) -> None:
        serial = 0
        select.select([sockets.shared], [], [], 10)
        while not ends.wait(INTERVAL_NS / SECOND):
            serial += 1
            now = LeaderInstant(time.monotonic_ns())
            order = identity("gatehouse"), 3
            beacon = Beacon(*order, 77, 78, serial, now, INTERVAL_NS, 60, 0, None, None, cue, None, (), None, 0, ())
            sockets.own.sendto(codec.encode(beacon), sockets.group_destination)

    with GroupSockets(site.group, port=site.port, interface=INTERFACE) as sockets:
        leading = threading.Thread(target=lead, args=(sockets,))
        leading.start()
        try:
            yield
        finally:
            ends.set()
            leading.join()


def test_two_leaders_at_once_are_a_no_go_and_both_are_named(site: Site) -> None:
    site.lead(listen_intervals=1)  # one that leads at once would defer to another for a while
    with second_leader(site):
        code, findings, _ = site.check("--listen", "1s", "--expect", "boathouse", "--expect", "gatehouse")
    assert code == 1
    assert findings["leader"]["values"]["at_once"] is True
    assert [leader["name"] for leader in findings["leader"]["values"]["leaders"]] == ["boathouse", "gatehouse"]
    assert findings["leader"]["found"].startswith("2 at once: ")


def test_two_boards_of_one_name_and_one_that_lacks_the_show_are_a_no_go(site: Site) -> None:
    desk = site.lead()
    site.follow("willow", shows=(SHOW,))
    site.follow("willow", shows=(SHOW,))
    site.follow("jetty")
    desk.roll(SHOW.key)
    code, findings, _ = site.check("--listen", "2s")
    assert code == 1
    assert findings["cloned"]["values"]["names"] == ["willow"]
    assert findings["lacking"]["values"]["names"] == ["jetty"]


def test_parts_that_differ_are_a_no_go(site: Site) -> None:
    season = site.folder / "season"
    for show in ("Tidefall", "Embers"):
        (season / show).mkdir(parents=True)
        (season / show / "show.toml").write_text("frame_rate = [40, 1]\nframe_count = 400\n", encoding="utf-8")
        (season / show / "jetty.frames").write_bytes(b"frames")
    manifest = str(site.folder / "season.json")
    write_manifest(build_manifest(season), manifest)
    by = ["--manifest", manifest, "--content", str(season), "--name", "jetty", "--listen", "0"]
    code, findings, said = site.check(*by)
    assert (code, findings["content"]["verdict"]) == (0, "go")
    assert "not looked at: the group" in said
    (season / "Embers" / "jetty.frames").write_bytes(b"framed")
    code, findings, _ = site.check(*by)
    assert (code, findings["content"]["values"]["shows"]) == (1, {"Embers": "other edition", "Tidefall": "present"})


def test_a_leader_that_sends_copies_alone_is_asked_where_it_is(site: Site) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind((INTERFACE, 0))
        own_port = probe.getsockname()[1]
    site.lead(own_port=own_port, delivery=Delivery.COPIES)
    code, findings, _ = site.check("--listen", "1s", "--leader", f"{INTERFACE}:{own_port}")
    assert (code, findings["beacons"]["verdict"], findings["clock"]["verdict"]) == (0, "look", "go")
    assert findings["beacons"]["values"]["copies"] > 4


@pytest.mark.skipif(sys.platform == "win32", reason="interrupts are delivered otherwise there")
def test_an_interrupt_ends_the_listening_and_what_was_heard_is_told(site: Site) -> None:
    site.lead()
    file = site.folder / "check.json"
    command = [sys.executable, "-m", "leadlight", *site.words("--listen", "60s", "--json", str(file))]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as running:
        try:
            asyncio.run(joined(site))
            running.send_signal(signal.SIGINT)
            said, troubles = running.communicate(timeout=10)
        finally:
            running.kill()
    assert (running.returncode, troubles) == (130, "")
    assert "the group for longer: interrupted" in said
    assert "boathouse" not in said  # nobody said its name
    assert json.loads(file.read_text(encoding="utf-8"))["listened_ns"] < 60 * SECOND


async def joined(site: Site) -> None:
    """Wait until the check asks the leader: until one of its Tallies is heard by the group."""
    loop = asyncio.get_running_loop()
    with GroupSockets(site.group, port=site.port, interface=INTERFACE) as sockets:
        async with asyncio.timeout(20):
            while b"check " not in (await loop.sock_recvfrom(sockets.shared, 2048))[0]:
                pass


CANNOT_UNSHARE = subprocess.run(["unshare", "-rn", "true"], capture_output=True, check=False).returncode != 0


@pytest.mark.skipif(CANNOT_UNSHARE, reason="network namespaces are not permitted here")
def test_without_any_network_it_is_a_no_go_that_says_what_to_do() -> None:
    command = ["unshare", "-rn", sys.executable, "-m", "leadlight", "check", "--group", "quarry lake"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=30)
    assert (done.returncode, done.stderr) == (1, "")
    assert "name an interface" in done.stdout
    assert "the group, which cannot be listened to" in done.stdout


def test_an_interface_that_is_not_there_is_a_no_go(site: Site) -> None:
    code, findings, _ = site.check("--interface", "no-such-card")
    assert (code, findings["multicast"]["verdict"]) == (1, "no-go")
    assert findings["multicast"]["to_do"].startswith("name one that this host has: ")


def test_how_late_it_wakes_a_player_is_recorded_for_a_scenario(site: Site) -> None:
    _, findings, printed = site.check("--listen", "0", "--no-leader", "--waking", "1s")
    (line,) = [line for line in printed.splitlines() if line.startswith("for a scenario: ")]
    described = tomllib.loads(line.removeprefix("for a scenario: "))["host"]
    host = check_scenario(
        {
            "name": "Here",
            "run": {"duration_s": 10, "settle_s": 1},
            "followers": [{"name": "jetty", "pixels": 100, "host": described}],
            "shows": [{"id": "tidefall", "duration_s": 60}],
            "cues": [{"at_s": 1, "show": "tidefall"}],
        },
        "here.toml",
    ).followers[0].host
    assert host is not None
    assert host.wakes_late_us is not None
    recorded = findings["timer"]["values"]["recorded_ns"]
    assert list(recorded) == ["rounded-timer", "exact-timer", "spin"]
    assert [round(late / 1000) for late in recorded[host.waking]] == list(host.wakes_late_us)
