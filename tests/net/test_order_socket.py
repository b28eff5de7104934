"""Orders over the real socket of a real leader, and on its terminal."""

from __future__ import annotations

import asyncio
import json
import os
import pty
import re
import select
import signal
import socket
import subprocess
import sys
import tempfile
import termios
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from leadlight import SECOND, FollowerSettings
from leadlight.commands import cli
from leadlight.commands.orders import OrderSocket, ask, sockets_here
from leadlight.net import FollowerEndpoint

PATIENCE_SECONDS = 15
USER = 65_534

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="Unix sockets and users as Linux has them"),
]


@pytest.fixture
def environment() -> Iterator[dict[str, str]]:
    # Short, since a socket's name may have a hundred characters, and those of tests' own folders have more.
    with tempfile.TemporaryDirectory(prefix="run") as folder:
        yield os.environ | {"XDG_RUNTIME_DIR": folder}


def lead_words(group: str, port: int, *options: str) -> list[str]:
    place = ["--group", group, "--port", str(port), "--interface", "127.0.0.1"]
    return [sys.executable, "-m", "leadlight", "lead", *place, "--name", "boathouse", "--listen", "0", *options]


@contextmanager
def running(words: list[str], environment: dict[str, str], **more: Any) -> Iterator[subprocess.Popen[bytes]]:
    with subprocess.Popen(words, env=environment, stderr=subprocess.DEVNULL, **more) as process:
        try:
            yield process
        finally:
            process.kill()


def socket_of(environment: dict[str, str], count: int = 1) -> Path:
    """The leader's socket, once it answers."""
    folder = Path(environment["XDG_RUNTIME_DIR"]) / "leadlight"
    until = time.monotonic() + PATIENCE_SECONDS
    while time.monotonic() < until:
        found = [path for path in folder.glob("*.orders") if ask(path, {"order": "status"}) is not None]
        if len(found) == count:
            return found[0]
        time.sleep(0.01)
    pytest.fail("no order socket")


class Told(NamedTuple):
    code: int
    out: str
    error: str


@pytest.fixture
def tell(
    environment: dict[str, str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Told]:
    """The command `tell`, run here."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", environment["XDG_RUNTIME_DIR"])

    def run(*words: str) -> Told:
        return Told(cli.main(["tell", *words]), *capsys.readouterr())

    return run


def test_a_leader_is_told_and_answers_when_it_takes_effect(
    group: str, port: int, environment: dict[str, str], tell: Callable[..., Told]
) -> None:
    with running(lead_words(group, port), environment, stdout=subprocess.DEVNULL) as leading:
        path = socket_of(environment)
        assert path.stat().st_mode & 0o777 == 0o600
        assert path.parent.stat().st_mode & 0o777 == 0o700
        told = tell("--group", group, "roll", "Night", "Ferry", "--at", "0:10")
        assert told.code == 0
        assert re.fullmatch(r"Night Ferry rolls from 0:00:10 in 2\.0 s, at \d\d:\d\d:\d\d\n", told.out)
        refused = tell("--group", group, "pause", "--json")
        assert json.loads(refused.out)["accepted"]  # by then it rolls
        other = tell("--group", "another", "dark")
        assert other.error.startswith("leadlight: no leader of another takes")
        leading.terminate()
        assert leading.wait(PATIENCE_SECONDS) == 0
        assert not path.exists()
    gone = tell("--group", group, "dark")
    assert gone.code == 2
    assert gone.error.startswith(f"leadlight: no leader of {group} takes orders on this host")


def test_a_socket_that_was_left_behind_is_replaced_and_one_in_use_is_not(
    group: str, port: int, environment: dict[str, str], tell: Callable[..., Told]
) -> None:
    quiet = {"stdout": subprocess.DEVNULL}
    with running(lead_words(group, port), environment, **quiet) as leading:
        path = socket_of(environment)
        leading.send_signal(signal.SIGKILL)
        leading.wait()
        assert path.exists()
    assert list(sockets_here(group)) == [path]
    with (
        running(lead_words(group, port), environment, **quiet),
        running(lead_words(f"{group} b", port), environment, **quiet),
    ):
        socket_of(environment, count=2)
        with pytest.raises(Exception, match="another leader of"):
            OrderSocket()._listen(group)
        several = tell("status")
        assert several.code == 2
        assert f"{group}, {group} b" in several.error


@pytest.mark.skipif(os.geteuid() != 0, reason="becoming another user needs to be root")
def test_another_user_is_refused(group: str, port: int, environment: dict[str, str]) -> None:
    with (
        tempfile.TemporaryDirectory(prefix="leadlight-orders-") as folder,
        running(lead_words(group, port), environment | {"XDG_RUNTIME_DIR": folder}, stdout=subprocess.DEVNULL),
    ):
        environment |= {"XDG_RUNTIME_DIR": folder}
        path = socket_of(environment)
        # Even where the folder and the socket are open to all, its owner is who may order.
        for opened in (path, path.parent, path.parent.parent):
            opened.chmod(0o777)
        code = (
            "import os, socket, sys\n"
            f"os.setuid({USER})\n"
            "asking = socket.socket(socket.AF_UNIX)\n"
            f"asking.connect({str(path)!r})\n"
            "try:\n"
            "    asking.sendall(b'{\"order\": \"stop\"}\\n')\n"
            "except BrokenPipeError:\n"
            "    pass  # it was refused before it was heard\n"
            "print(asking.makefile().readline())\n"
        )
        said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=10)
        assert said.returncode == 0, said.stderr
        assert json.loads(said.stdout) == {
            "accepted": False,
            "said": "only the user who runs this leader may give it orders",
        }


def test_a_line_that_is_no_json_is_answered_and_the_leader_goes_on(
    group: str, port: int, environment: dict[str, str]
) -> None:
    with running(lead_words(group, port), environment, stdout=subprocess.DEVNULL):
        path = socket_of(environment)
        for line in (b"pause\n", b'{"order": "pau\n', b"[" * 5_000 + b"\n", b"x" * 20_000 + b"\n"):
            with socket.socket(socket.AF_UNIX) as asking, asking.makefile("rb") as file:
                asking.settimeout(PATIENCE_SECONDS)
                asking.connect(str(path))
                asking.sendall(line)
                assert json.loads(file.readline())["said"].startswith("not a JSON object in a line: "), line[:20]
            answer = ask(path, {"order": "status"})
            assert answer is not None
            assert answer["status"]["group"] == group


def test_words_typed_on_its_terminal_are_orders_and_the_terminal_is_left_as_it_was(
    group: str, port: int, environment: dict[str, str]
) -> None:
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (20, 100))
    before = termios.tcgetattr(theirs)
    terminal = {"stdin": theirs, "stdout": theirs, "start_new_session": True}
    words = lead_words(group, port)
    code = f"import fcntl, os, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); os.execv(sys.executable, {words!r})"
    said = b""

    def read_until(wanted: bytes) -> None:
        nonlocal said
        until = time.monotonic() + PATIENCE_SECONDS
        while wanted not in said:
            if not select.select([ours], [], [], max(until - time.monotonic(), 0))[0]:
                pytest.fail(f"{wanted!r} is not in {said[-500:]!r}")
            said += os.read(ours, 65_536)

    with running([sys.executable, "-c", code], environment, **terminal) as leading:
        read_until(b"order> ")
        os.write(ours, b"roll Embres\x7f\x7f\x7fers")
        read_until(b"order> roll Embers")
        os.write(ours, b"\n")
        read_until(b"ordered roll: Embers rolls in 2.0 s, at ")
        os.write(ours, b"fast\nstatus\n")
        read_until(b"there is no order 'fast'")
        read_until(f"boathouse, leading, {group[:20]}".encode())
        leading.terminate()
        assert leading.wait(PATIENCE_SECONDS) == 0
    assert termios.tcgetattr(theirs) == before
    os.close(ours)
    os.close(theirs)


@pytest.mark.thorough
async def test_orders_are_answered_within_50_ms_while_150_followers_listen(
    group: str, port: int, environment: dict[str, str]
) -> None:
    with running(lead_words(group, port), environment, stdout=subprocess.DEVNULL):
        path = socket_of(environment)
        nodes = [
            FollowerEndpoint(FollowerSettings(f"piece {number}"), group=group, port=port, interface="127.0.0.1")
            for number in range(150)
        ]
        for node in nodes:
            await node.__aenter__()
        try:
            async with asyncio.timeout(60):
                while not all(node.follower.tenure is not None for node in nodes):
                    await asyncio.sleep(0.1)
            # In a process of its own: this one is busy being 150 followers.
            code = (
                "import sys, time\n"
                "from pathlib import Path\n"
                "from leadlight.commands.orders import ask\n"
                "path, took = Path(sys.argv[1]), []\n"
                "for number in range(200):\n"
                "    began = time.perf_counter()\n"
                "    answer = ask(path, {'order': 'roll', 'show': 'Embers'})\n"
                "    took.append(time.perf_counter() - began)\n"
                "    assert answer['accepted']\n"
                "    time.sleep(0.02)\n"
                "print(sorted(took)[190])\n"
            )
            asking = await asyncio.create_subprocess_exec(
                sys.executable, "-c", code, str(path), stdout=asyncio.subprocess.PIPE
            )
            said, _ = await asking.communicate()
            p95_s = float(said)
            print(f"p95 {1000 * p95_s:.2f} ms")
            assert p95_s <= 0.050
            answer = ask(path, {"order": "status"})
            assert answer is not None
            assert answer["status"]["followers"] == len(nodes)
            assert answer["status"]["cue"] is not None
            lead_ns = 2 * SECOND
            assert (ask(path, {"order": "dark"}) or {})["in_ns"] == pytest.approx(lead_ns, abs=SECOND // 20)
        finally:
            for node in nodes:
                await node.__aexit__(None, None, None)
