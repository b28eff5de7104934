from __future__ import annotations

import contextlib
import json
import signal
import socket
import subprocess
import sys
from typing import Any

import pytest

from leadlight.commands import cli
from leadlight.commands import follow as commands
from leadlight.leader.beacon_times import GOODBYE_BURST_NS
from leadlight.net.sockets import GroupSockets
from leadlight.wire.codec import Codec

pytestmark = pytest.mark.slow


def command(name: str, group: str, port: int, *options: str) -> list[str]:
    place = ["--group", group, "--port", str(port), "--interface", "127.0.0.1"]
    return [sys.executable, "-m", "leadlight", name, *place, *options]


def test_a_follower_tells_the_whole_story_as_json_lines(group: str, port: int) -> None:
    show = ["--show", "Tidefall", "--duration", "0.5"]
    timing = ["--interval", "0.1", "--lead-time", "1"]
    lead = command("lead", group, port, "--name", "boathouse", *timing, *show, "--for", "60")
    follow = command("follow", group, port, "--name", "jetty", *show, "--json-lines", "--for", "30")
    told: list[dict[str, Any]] = []
    with subprocess.Popen(lead) as leading, subprocess.Popen(follow, stdout=subprocess.PIPE, text=True) as following:
        try:
            assert following.stdout is not None
            for line in following.stdout:
                told.append(json.loads(line))
                if told[-1]["event"] == "CueAdopted" and told[-1]["cue"]["state"] == "dark":
                    break
        finally:
            following.kill()
            leading.kill()
    assert [event["event"] for event in told[:2]] == ["LeaderFound", "LockAcquired"]
    states = [event["cue"]["state"] for event in told if event["event"] == "CueAdopted"]
    assert states == ["rolling", "dark"]


@pytest.mark.skipif(sys.platform == "win32", reason="interrupts are delivered otherwise there")
@pytest.mark.parametrize("name", ["lead", "follow"])
def test_an_interrupt_ends_a_command_cleanly(name: str, group: str, port: int) -> None:
    with subprocess.Popen(
        command(name, group, port, "--name", "jetty"), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as running:
        assert running.stderr is not None
        running.stderr.readline()  # that the group has no key: from here on it runs
        running.send_signal(signal.SIGINT)
        try:
            _, said = running.communicate(timeout=10)
        finally:
            running.kill()  # the block ends only once the command has
    assert running.returncode == 130
    assert said == ""


@pytest.mark.skipif(sys.platform == "win32", reason="a process is ended otherwise there")
@pytest.mark.parametrize(("number", "exit_code"), [(signal.SIGTERM, 0), (signal.SIGINT, 130), (signal.SIGHUP, 129)])
def test_a_command_that_is_told_to_end_says_goodbye(
    number: signal.Signals, exit_code: int, group: str, port: int
) -> None:
    codec = Codec(group)
    sockets = GroupSockets(group, port=port, interface="127.0.0.1")
    hearing = sockets.shared
    assert isinstance(hearing, socket.socket)
    hearing.settimeout(10)
    words = ["--name", "boathouse", "--interval", "0.1", "--listen", "0", "--end-on-hangup"]
    with subprocess.Popen(command("lead", group, port, *words), stdout=subprocess.DEVNULL) as running:
        try:
            assert codec.decode(hearing.recv(2048)).goodbye is False  # type: ignore[union-attr]
            running.send_signal(number)
            assert running.wait(10) == exit_code
        finally:
            running.kill()
    hearing.settimeout(0.2)
    heard = []
    with contextlib.suppress(TimeoutError):
        while True:
            heard.append(codec.decode(hearing.recv(2048)).goodbye)  # type: ignore[union-attr]
    sockets.close()
    assert heard[-len(GOODBYE_BURST_NS) :] == [True] * len(GOODBYE_BURST_NS)
    assert True not in heard[: -len(GOODBYE_BURST_NS)]


def test_a_follower_whose_leader_does_not_answer_says_so(
    group: str, port: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(commands, "UNHEARD_AFTER_SECONDS", 0.05)
    place = ["--group", group, "--port", str(port), "--interface", "127.0.0.1"]
    leader = "127.0.0.1:9"  # RFC 863: whatever is there does not answer
    assert cli.main(["follow", *place, "--name", "jetty", "--leader", leader, "--for", "500ms"]) == 0
    assert f"no answer from {leader}: does a leader of {group} run there" in capsys.readouterr().out
