"""An output that stalls, refuses or goes away holds up no datagram, and the command ends when it is told to."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import pty
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import pytest

from leadlight.leader.settings import LeaderSettings
from leadlight.net.endpoint import LeaderEndpoint
from leadlight.net.sockets import GroupSockets
from leadlight.units import MILLISECOND, SECOND
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon

INTERFACE = "127.0.0.1"
INTERVAL_NS = 100 * MILLISECOND
PATIENCE_SECONDS = 10
WATCHED_SECONDS = 1.2
XOFF = b"\x13"

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="pseudo-terminals and /dev/full as Linux has them"),
]

Stall = Callable[[], None]


class Place(NamedTuple):
    """Where the command's output goes: ``stdin`` and ``output`` are its descriptors; ``stall`` makes it useless."""

    output: int
    stall: Stall
    stdin: int = subprocess.DEVNULL
    through: tuple[str, ...] = ()


def fill(descriptor: int) -> None:
    """Write until nothing more goes in, as where nobody reads."""
    flags = fcntl.fcntl(descriptor, fcntl.F_GETFL)
    fcntl.fcntl(descriptor, fcntl.F_SETFL, flags | os.O_NONBLOCK)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(descriptor, b"." * 1024)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(descriptor, b".")
    fcntl.fcntl(descriptor, fcntl.F_SETFL, flags)


@contextlib.contextmanager
def unread_terminal() -> Iterator[Place]:
    ours, theirs = pty.openpty()
    fill(theirs)
    yield Place(theirs, lambda: None)
    os.close(ours)
    os.close(theirs)


@contextlib.contextmanager
def stopped_terminal() -> Iterator[Place]:
    ours, theirs = pty.openpty()

    def stop() -> None:
        os.write(ours, XOFF)

    yield Place(theirs, stop)
    os.close(ours)
    os.close(theirs)


@contextlib.contextmanager
def full_disk() -> Iterator[Place]:
    with Path("/dev/full").open("wb") as full:
        yield Place(full.fileno(), lambda: None)


@contextlib.contextmanager
def closed_pipe() -> Iterator[Place]:
    reading, writing = os.pipe()
    yield Place(writing, lambda: os.close(reading))
    os.close(writing)


@contextlib.contextmanager
def unread_pipe() -> Iterator[Place]:
    reading, writing = os.pipe()
    fill(writing)
    yield Place(writing, lambda: None)
    os.close(reading)
    os.close(writing)


@contextlib.contextmanager
def closed_terminal() -> Iterator[Place]:
    if shutil.which("setsid") is None:
        pytest.skip("no setsid, to give the command a terminal of its own")
    ours, theirs = pty.openpty()
    # It hangs up whoever has it as the terminal of its session.
    yield Place(theirs, lambda: os.close(ours), theirs, ("setsid", "--ctty"))
    os.close(theirs)


PLACES = [unread_terminal, stopped_terminal, full_disk, closed_pipe, unread_pipe, closed_terminal]


@contextlib.contextmanager
def running(place: Place, *words: str) -> Iterator[subprocess.Popen[bytes]]:
    command = [*place.through, sys.executable, "-m", "leadlight", *words]
    with subprocess.Popen(command, stdin=place.stdin, stdout=place.output, stderr=place.output) as process:
        try:
            yield process
        finally:
            process.kill()  # the block ends only once the command has


def where(group: str, port: int) -> list[str]:
    return ["--group", group, "--port", str(port), "--interface", INTERFACE]


def ends_when_told(process: subprocess.Popen[bytes]) -> bool:
    """Return whether SIGTERM ends it cleanly, within the second that an end waits for an output, and one more."""
    told_at = time.monotonic()
    process.send_signal(signal.SIGTERM)
    return process.wait(PATIENCE_SECONDS) == 0 and time.monotonic() - told_at < 2


def beacons_leave_in_time(place: Place, words: list[str], group: str, port: int) -> bool:
    """Run a leader, let its output stall, and see that its beacons go on and that it ends when it is told to."""
    codec = Codec(group)
    sockets = GroupSockets(group, port=port, interface=INTERFACE)
    hearing = sockets.shared
    assert isinstance(hearing, socket.socket)
    hearing.settimeout(PATIENCE_SECONDS)

    def sent_at() -> int:
        message = codec.decode(hearing.recv(2048))
        assert isinstance(message, Beacon)
        return message.sent_at

    with running(place, *words) as process:
        since = sent_at()
        place.stall()
        sent = [since]
        while sent[-1] - since < WATCHED_SECONDS * SECOND:
            sent.append(sent_at())
        # Each leaves within an interval of its time, so no two that follow each other are further apart.
        assert max(later - earlier for earlier, later in pairwise(sent)) <= 2 * INTERVAL_NS
        assert process.poll() is None
        assert ends_when_told(process)
    sockets.close()
    return True


@pytest.mark.thorough_except(output=stopped_terminal)
@pytest.mark.parametrize("output", PLACES)
def test_no_output_holds_up_a_leader_s_beacons_or_its_end(
    output: Callable[[], contextlib.AbstractContextManager[Place]], group: str, port: int
) -> None:
    words = ["--name", "boathouse", "--interval", "0.1", "--listen", "0", "--show", "Tidefall"]
    with output() as place:
        assert beacons_leave_in_time(place, ["lead", *where(group, port), *words], group, port)


@pytest.mark.thorough_except(is_full=False)
@pytest.mark.parametrize("is_full", [True, False], ids=["full disk", "disk that hangs"])
def test_no_log_book_holds_up_a_leader_s_beacons_or_its_end(
    is_full: bool, group: str, port: int, tmp_path: Path
) -> None:
    book = Path("/dev/full") if is_full else tmp_path / "nobody reads it"
    if not is_full:
        os.mkfifo(book)  # to open it waits for a reader
    words = ["--name", "boathouse", "--interval", "0.1", "--listen", "0", "--log-book", str(book)]
    with Path(os.devnull).open("wb") as nowhere:
        place = Place(nowhere.fileno(), lambda: None)
        assert beacons_leave_in_time(place, ["lead", *where(group, port), *words], group, port)


@pytest.mark.thorough_except(output=unread_pipe)
@pytest.mark.parametrize("output", PLACES)
async def test_no_output_holds_up_what_a_follower_sends_or_its_end(
    output: Callable[[], contextlib.AbstractContextManager[Place]], group: str, port: int
) -> None:
    settings = LeaderSettings("boathouse", interval_ns=INTERVAL_NS, listen_intervals=0)
    leading = LeaderEndpoint(settings, group=group, port=port, interface=INTERFACE)
    with output() as place:
        async with leading as node:
            with running(place, "follow", *where(group, port), "--name", "jetty") as process:

                async def until(condition: Callable[[], bool]) -> None:
                    async with asyncio.timeout(PATIENCE_SECONDS):
                        while not condition():
                            await asyncio.sleep(0.01)

                await until(lambda: any(entry.tally is not None for entry in node.leader.roster))
                place.stall()
                stalled_at = node.clock()
                (jetty,) = node.leader.roster
                heard = [jetty.heard_at]
                while heard[-1] - stalled_at < WATCHED_SECONDS * SECOND:
                    await until(lambda: jetty.heard_at > heard[-1])
                    heard.append(jetty.heard_at)
                # Alone in its group it reports at every beacon.
                assert max(later - earlier for earlier, later in pairwise(heard)) <= 3 * INTERVAL_NS
                assert process.poll() is None
                assert await asyncio.to_thread(ends_when_told, process)
