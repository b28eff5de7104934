"""The players in protocol/examples do what they are copied for."""

from __future__ import annotations

import asyncio
import io
import itertools
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import asyncio_player
import audio_leader
import fixed_rate_loop
import pytest

from leadlight import MILLISECOND, FollowerSettings, LeaderSettings
from leadlight.net import FollowerThread, LeaderEndpoint, LeaderThread
from leadlight_sim.testing import VirtualNetwork

EXAMPLES = sorted((Path(__file__).parents[2] / "protocol" / "examples").glob("*.py"))
INTERFACE = "127.0.0.1"
LIMIT_S = 30


def test_there_are_three() -> None:
    assert [path.name for path in EXAMPLES] == ["asyncio_player.py", "audio_leader.py", "fixed_rate_loop.py"]


@pytest.mark.slow
@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_each_is_a_program(path: Path) -> None:
    said = subprocess.run([sys.executable, path, "--help"], capture_output=True, text=True, timeout=LIMIT_S, check=True)
    assert "--group" in said.stdout


def test_the_asyncio_player_shows_frame_after_frame_and_goes_dark_at_a_stop() -> None:
    shown = io.StringIO()

    async def lead() -> None:
        async with LeaderEndpoint(LeaderSettings("boathouse"), group="examples", shows=asyncio_player.SHOWS) as node:
            await asyncio.sleep(5)
            node.roll("tidefall")
            await asyncio.sleep(7)
            node.stop()
            await asyncio.sleep(10)

    with VirtualNetwork(preset="idle", seed=3) as network:
        network.host("boathouse").start(lead())
        jetty = network.host("jetty")
        jetty.start(asyncio_player.play("jetty", "examples", asyncio_player.Output(shown)))
        network.run_for(20)
    lines = shown.getvalue().splitlines()
    # While the light comes in or fades a frame is handed over once more for its level.
    frames = [frame for frame, _ in itertools.groupby(int(line.split()[1]) for line in lines if line != "dark")]
    assert frames == list(range(frames[0], frames[-1] + 1))
    assert len(frames) > 3 * 40
    assert (lines[0], lines[-1]) == ("dark", "dark")
    levels = [float(line.split()[2]) for line in lines if line.startswith("tidefall ")]
    assert max(levels) == 1.0
    assert levels[-1] < 0.2  # a stop fades


@pytest.fixture
def place(group: str) -> dict[str, Any]:
    return {"group": group, "interface": INTERFACE}


@pytest.mark.slow
def test_the_loop_of_a_fixed_rate_draws_every_frame_in_order(
    place: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    settings = LeaderSettings("boathouse", interval_ns=100 * MILLISECOND, lead_time_ns=500 * MILLISECOND)
    with LeaderThread(settings, shows=fixed_rate_loop.SHOWS, **place) as leader:
        while not leader.is_leading:
            time.sleep(0.02)
        leader.roll("tidefall")
        fixed_rate_loop.play("screen", ticks_wanted=270, **place)
    drawn = [line.split() for line in capsys.readouterr().out.splitlines() if line.startswith("tidefall ")]
    frames = [int(words[1]) for words in drawn]
    assert len(frames) > 100
    assert all(after > before for before, after in itertools.pairwise(frames))
    # Half a frame either way is 12.5 ms; the first is told of with what a clock that has just begun is out by.
    assert all(abs(float(words[3])) <= 13 for words in drawn[40:])


@pytest.mark.thorough
def test_lights_follow_what_the_audio_callback_plays(place: dict[str, Any]) -> None:
    reported: list[audio_leader.Heard] = []

    def lead() -> None:
        reported.extend(audio_leader.lead("boathouse", lasts_s=4, **place))

    music = threading.Thread(target=lead)
    with FollowerThread(FollowerSettings("jetty"), shows=[audio_leader.SHOW], **place) as node:
        music.start()
        apart_ms = []
        for due in node.frames():
            if due.frame is None and due.show is not None:
                break
            if due.frame is not None:
                apart_ms.append(node.snapshot().frame_late_ns)
            if not music.is_alive() or len(apart_ms) > 3 * 40:
                break
        at = node.now()
        position = node.ask(lambda follower, now: follower.position_at(now))
    music.join(LIMIT_S)
    assert len(reported) >= 8
    assert len(apart_ms) > 80
    assert position is not None
    # What is lit at one instant is what is heard then: handed over a latency before.
    block = min(reported, key=lambda heard: abs(heard.at - at))
    heard = block.position + (at - block.at) - audio_leader.DEVICE_LATENCY_NS
    assert abs(position - heard) < 50 * MILLISECOND  # blocks of 10 ms, on a machine that others use
