"""What followers hold by a manifest, what they see, and how they are reached, as the leader hears of it."""

from __future__ import annotations

import asyncio
import socket
from pathlib import Path
from typing import Any, TypeVar

import pytest

from leadlight.commands.telling import ROSTER_HEADER, leader_rows
from leadlight.evening.manifest import Manifest
from leadlight.events import (
    CopiesBegun,
    CueTookEffect,
    FollowerJoined,
    LockAcquired,
    SecondSourceReported,
    ShowIncomplete,
    ShowRefused,
)
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.settings import LeaderSettings
from leadlight.net.endpoint import Endpoint, FollowerEndpoint, LeaderEndpoint
from leadlight.storage.parts import build_manifest, check_parts
from leadlight.terms import CueState, Delivery
from leadlight.units import MILLISECOND

INTERFACE = "127.0.0.1"
PATIENCE_SECONDS = 10
"""For a busy machine; healthy runs need a tenth of it."""
LEAD_TIME_NS = 1000 * MILLISECOND
"""A follower says within 0.2 s of an announcement whether it holds the show; the rest is for a busy machine."""

pytestmark = pytest.mark.slow

Wanted = TypeVar("Wanted")


async def wait_for(node: Endpoint[Any, Any], wanted: type[Wanted]) -> Wanted:
    async def search() -> Wanted:
        async for event in node.events():
            if isinstance(event, wanted):
                return event
        raise AssertionError(f"the node ended without {wanted.__name__}")

    return await asyncio.wait_for(search(), PATIENCE_SECONDS)


@pytest.fixture
def season(tmp_path: Path) -> tuple[Manifest, Path]:
    """A manifest of two shows, and a folder in which the jetty's part of one of them has been spoilt since."""
    for show in ("Tidefall", "Embers"):
        folder = tmp_path / show
        folder.mkdir()
        (folder / "show.toml").write_text("frame_rate = [40, 1]\nframe_count = 400\n", encoding="utf-8")
        (folder / "jetty.frames").write_bytes(b"frames")
    manifest = build_manifest(tmp_path)
    (tmp_path / "Embers" / "jetty.frames").write_bytes(b"framed")
    return manifest, tmp_path


def boathouse(group: str, port: int, own_port: int = 0, **settings: Any) -> LeaderEndpoint:
    plain: dict[str, Any] = {"interval_ns": 50 * MILLISECOND, "lead_time_ns": LEAD_TIME_NS, "listen_intervals": 0}
    return LeaderEndpoint(
        LeaderSettings("boathouse", **(plain | settings)),
        group=group,
        port=port,
        interface=INTERFACE,
        own_port=own_port,
    )


def jetty(group: str, port: int, season: tuple[Manifest, Path]) -> FollowerEndpoint:
    manifest, folder = season
    return FollowerEndpoint(
        FollowerSettings("jetty"),
        group=group,
        port=port,
        interface=INTERFACE,
        shows=manifest.library(check_parts(manifest, folder, "jetty")),
    )


def row(node: LeaderEndpoint, manifest: Manifest) -> dict[str, str]:
    shows = {entry.key: entry.show for entry in manifest.shows}
    (cells,) = leader_rows(node.leader, node.clock(), shows)
    return dict(zip(ROSTER_HEADER, cells, strict=True))


async def test_a_show_that_a_follower_has_in_another_edition_is_refused(
    group: str, port: int, season: tuple[Manifest, Path]
) -> None:
    keys = season[0].keys()
    async with boathouse(group, port, refuse_incomplete=True) as desk, jetty(group, port, season) as piece:
        await wait_for(desk, FollowerJoined)
        await wait_for(piece, LockAcquired)
        desk.roll(keys["Embers"])
        refused = await wait_for(desk, ShowRefused)
        assert refused.names == ("jetty",)
        effect = await wait_for(desk, CueTookEffect)
        assert effect.cue.state is CueState.DARK
        desk.roll(keys["Tidefall"])
        effect = await wait_for(desk, CueTookEffect)
        assert (effect.cue.state, effect.cue.show) == (CueState.ROLLING, keys["Tidefall"])


async def test_by_default_it_is_only_warned_of(group: str, port: int, season: tuple[Manifest, Path]) -> None:
    async with boathouse(group, port) as desk, jetty(group, port, season) as piece:
        await wait_for(desk, FollowerJoined)
        await wait_for(piece, LockAcquired)
        desk.roll(season[0].keys()["Embers"])
        assert (await wait_for(desk, ShowIncomplete)).names == ("jetty",)
        assert desk.leader.cue.state is CueState.ROLLING
        told = row(desk, season[0])
        assert (told["content"], told["trouble"]) == ("other edition", "other edition")


async def test_live_data_that_a_player_sees_is_told_to_the_leader(
    group: str, port: int, season: tuple[Manifest, Path]
) -> None:
    async with boathouse(group, port) as desk, jetty(group, port, season) as piece:
        await wait_for(desk, FollowerJoined)
        piece.note_frame_shown(0)  # dark: nothing is due, so nothing is late
        piece.note_late_frame()
        piece.note_live_data()
        assert (await wait_for(desk, SecondSourceReported)).name == "jetty"
        told = row(desk, season[0])
        assert (told["trouble"], told["late"], told["sent to"]) == ("live data as well", "1", "group")


async def test_a_leader_that_sends_nothing_to_the_group_can_be_asked_at_its_own_port(
    group: str, port: int, season: tuple[Manifest, Path]
) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind((INTERFACE, 0))
        own_port = probe.getsockname()[1]
    async with (
        boathouse(group, port, own_port, delivery=Delivery.COPIES) as desk,
        jetty(group, port, season) as piece,
    ):
        piece.ask_leader(INTERFACE, own_port)
        await wait_for(desk, CopiesBegun)
        await wait_for(piece, LockAcquired)
        await wait_for(desk, FollowerJoined)
        assert row(desk, season[0])["sent to"] == "copies"
