"""Evenings by a running order over real sockets. The endpoints' wall clock is made up; the command's is this host's."""

from __future__ import annotations

import asyncio
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

import pytest

from leadlight.commands.order import MANIFEST_FILE
from leadlight.cue import FrameRate
from leadlight.evening.keeper import EveningKeeper
from leadlight.evening.manifest import Manifest, Part, ShowEntry
from leadlight.evening.running_order import parse_running_order
from leadlight.events import CueAdopted, LeaderRestarted, LockAcquired
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.settings import LeaderSettings
from leadlight.net.clock import LocalClock
from leadlight.net.endpoint import Endpoint, FollowerEndpoint, LeaderEndpoint
from leadlight.playback.content import StoredShow
from leadlight.storage.files import write_manifest
from leadlight.terms import ClockState, CueState
from leadlight.units import MICROSECOND, MILLISECOND, SECOND

INTERFACE = "127.0.0.1"
PATIENCE_SECONDS = 10
"""For a busy machine; healthy runs need a tenth of it."""
EMBERS = ShowEntry("Embers", "", FrameRate(40), 600 * 40, {"jetty": Part(3, bytes(16))})
MANIFEST = Manifest((EMBERS,))
ORDER = """
running_order = 1
timezone = "UTC"
[[evenings]]
starts = ["{starts}"]
off = "{off}"
shows = ["Embers"]
"""
DEAD_BAND_NS = 500_000
"""Inside the recovery's dead band nothing is corrected at once."""

pytestmark = pytest.mark.slow

Wanted = TypeVar("Wanted")


async def wait_for(
    node: Endpoint[Any, Any], wanted: type[Wanted], condition: Callable[[Wanted], bool] = lambda _: True
) -> Wanted:
    async def search() -> Wanted:
        async for event in node.events():
            if isinstance(event, wanted) and condition(event):
                return event
        raise AssertionError(f"the node ended without {wanted.__name__}")

    return await asyncio.wait_for(search(), PATIENCE_SECONDS)


def jetty(group: str, port: int) -> FollowerEndpoint:
    return FollowerEndpoint(
        FollowerSettings("jetty"), group=group, port=port, interface=INTERFACE, shows=[EMBERS.stored]
    )


def error_ns(node: FollowerEndpoint, begun_at: int, now: int) -> int:
    position = node.follower.position_at(now)  # type: ignore[arg-type]
    assert position is not None
    return abs(position - (now - begun_at))


async def test_a_leader_that_is_restarted_in_the_middle_of_a_show_resumes_its_line(group: str, port: int) -> None:
    clock = LocalClock()
    started_at = clock()
    begins = datetime(2026, 12, 4, 17, tzinfo=UTC)
    under_way = timedelta(seconds=100)

    def wall_at(now: int) -> datetime:
        return begins + under_way + timedelta(microseconds=(now - started_at) // MICROSECOND)

    begun_at = started_at - 100 * SECOND
    order = parse_running_order(ORDER.format(starts="17:00", off="22:00"), MANIFEST.lengths())

    def boathouse() -> LeaderEndpoint:
        settings = LeaderSettings("boathouse", interval_ns=50 * MILLISECOND, listen_intervals=3)
        node = LeaderEndpoint(settings, group=group, port=port, interface=INTERFACE, clock=clock)
        now = clock()
        EveningKeeper(order, MANIFEST.keys(), MANIFEST.lengths(), node.leader).renew(wall_at(now), now)
        return node

    async with jetty(group, port) as piece:
        async with boathouse():
            await wait_for(piece, CueAdopted, lambda event: event.cue.state is CueState.ROLLING)
            frame = piece.frame_now()
            assert frame is not None
            assert frame >= 100 * 40
        async with boathouse():
            await wait_for(piece, LeaderRestarted)
            lock = await wait_for(piece, LockAcquired)
            assert piece.follower.cue.state is CueState.ROLLING
            # The wall clock is told to the microsecond. What the lock finds is slewed away, at a fiftieth of its size.
            allowed_ns = DEAD_BAND_NS + lock.bound_ns + MICROSECOND
            patience_until = piece.clock() + 2 * SECOND
            while error_ns(piece, begun_at, piece.clock()) > allowed_ns and piece.clock() < patience_until:
                await asyncio.sleep(0.02)
            assert error_ns(piece, begun_at, piece.clock()) <= allowed_ns


async def test_the_command_leads_an_evening_from_the_middle_of_a_show(group: str, port: int, tmp_path: Path) -> None:
    wall_now = datetime.now(UTC).replace(microsecond=0)
    begins = wall_now - timedelta(seconds=20)
    order = tmp_path / "order.toml"
    off = begins + timedelta(hours=1)
    order.write_text(ORDER.format(starts=f"{begins:%H:%M:%S}", off=f"{off:%H:%M:%S}"), encoding="utf-8")
    write_manifest(MANIFEST, tmp_path / MANIFEST_FILE)
    words = ["lead", "--name", "boathouse", "--group", group, "--port", str(port), "--interface", INTERFACE]
    words += ["--interval", "0.1", "--listen", "3", "--running-order", str(order), "--json-lines", "--for", "60"]
    leading = subprocess.Popen(
        [sys.executable, "-m", "leadlight", *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        async with jetty(group, port) as piece:
            adopted = await wait_for(piece, CueAdopted, lambda event: event.cue.state is CueState.ROLLING)
            assert adopted.cue.show == EMBERS.key
            wall, now = datetime.now(UTC), piece.clock()
            position = piece.follower.position_at(now)
            assert position is not None
            assert piece.snapshot().clock is ClockState.LOCKED
            expected_ns = (wall - begins) // timedelta(microseconds=1) * MICROSECOND
            # Two pairs of readings of both clocks, here and in the command, each within a turn of the scheduler.
            assert abs(position - expected_ns) < 20 * MILLISECOND
    finally:
        leading.kill()
        leading.wait()


def begun_at(node: FollowerEndpoint) -> int:
    """Return when the show began by the line in force, on the leader's clock: this host's."""
    line = node.follower.cue.line
    return line.leader_at - line.position


@pytest.mark.thorough
async def test_a_leader_that_is_killed_and_started_again_takes_its_one_show_up_where_it_is(
    group: str, port: int
) -> None:
    begins = datetime.now().astimezone() + timedelta(seconds=5)
    words = ["lead", "--name", "boathouse", "--group", group, "--port", str(port), "--interface", INTERFACE]
    words += ["--interval", "0.1", "--listen", "3", "--resume-within", "0"]
    words += ["--show", "Embers", "--show-at", f"{begins:%H:%M:%S}"]

    @contextmanager
    def boathouse() -> Iterator[subprocess.Popen[str]]:
        with subprocess.Popen(
            [sys.executable, "-m", "leadlight", *words], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        ) as leading:
            try:
                yield leading
            finally:
                leading.kill()

    held = StoredShow("Embers", FrameRate(40), 600 * 40)
    async with FollowerEndpoint(
        FollowerSettings("jetty"), group=group, port=port, interface=INTERFACE, shows=[held]
    ) as piece:
        with boathouse() as leading:
            assert leading.stdout is not None
            await wait_for(piece, CueAdopted, lambda event: event.cue.state is CueState.ROLLING)
            began_at = begun_at(piece)
            leading.kill()
            assert f"Embers begins at {begins:%H:%M:%S}, in " in leading.stdout.read()
        with boathouse() as leading:
            assert leading.stdout is not None
            await wait_for(piece, LeaderRestarted)
            await wait_for(piece, LockAcquired)
            assert piece.follower.cue.state is CueState.ROLLING
            assert piece.frame_now() is not None
            # Two pairs of readings of both clocks in the command, each within a turn of the scheduler.
            assert abs(begun_at(piece) - began_at) < 20 * MILLISECOND
            leading.kill()
            # By what it kept, or where it was killed before that was written, by the words.
            said = leading.stdout.read()
            assert "started again, it leads on with what it led" in said or (
                f"Embers began at {begins:%H:%M:%S} and resumes at 0:00:" in said
            )
