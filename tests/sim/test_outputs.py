"""Outputs that count by a crystal of their own, and output ticks that run free of show time."""

from __future__ import annotations

import math
from random import Random
from typing import Any

import numpy as np
import pytest

from leadlight.cue import FrameRate
from leadlight.playback.output_clock import OutputClock
from leadlight.playback.playhead import Playhead, Stretch
from leadlight.units import MILLISECOND, SECOND, LocalInstant, ShowPosition
from leadlight_sim.hosts.oscillator import Oscillator, OscillatorSettings
from leadlight_sim.kernel import Streams
from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.world.assembly import World

# -- an output whose second is another ---------------------------------------------------------------------------------

HOUR_S = 3600
REPORT_EVERY_NS = SECOND // 2
BLOCK_NS = 10 * MILLISECOND
"""The device counts in blocks: what it tells is late by anything up to one, here taken as plus or minus half."""
ROLLS_AT_S = 30


def one_board(duration_s: int, **changes: Any) -> Scenario:
    table: dict[str, Any] = {
        "name": "an output of its own",
        "run": {"duration_s": duration_s, "settle_s": 10},
        "leader": {"interval_s": 1.0},
        "followers": [{"name": "organ", "pixels": 100, "output_latency_ms": 0.0}],
        "air": {"preset": "idle", "dropouts": {"mean_loss_fraction": 0.0}},
        "shows": [{"id": "long", "duration_s": duration_s, "frame_rate": [40, 1]}],
        "cues": [{"at_s": ROLLS_AT_S, "show": "long"}],
    }
    return check_scenario(table | changes, "a test")


class Player:
    """A player on the first board whose output runs on a third clock. Errors are against true time, in ms."""

    def __init__(self, world: World, output_ppm: float, steers: bool = True) -> None:
        self._world = world
        self._node = world.followers[0]
        crystal = OscillatorSettings(frequency_ppm=output_ppm, wander_ppm=0.05)
        self._crystal = Oscillator(crystal, world.streams.stream("output", self._node.name))
        self._jitter = Random(f"{world.seed} blocks")
        self._steers = steers
        self.clock = OutputClock()
        self.times_s: list[float] = []
        self.errors_ms: list[float] = []
        self.rates_ppb: list[int] = []
        self.steps: list[float] = []

    def run(self, from_s: float, to_s: float) -> None:
        at = TrueInstant(round(from_s * SECOND))
        self._world.run_to(at)
        wanted = self._node.follower.position_at(self._node.now)
        assert wanted is not None
        position = float(wanted)  # it begins in its place
        shown = self._crystal.local_at(at)
        while at < to_s * SECOND:
            node = self._node
            wanted = node.follower.position_at(node.now)
            assert wanted is not None
            if self._steers:
                told = ShowPosition(round(position) + self._jitter.randint(-BLOCK_NS // 2, BLOCK_NS // 2))
                steering = self.clock.report(told, wanted, node.now)
                if steering.step_ns:
                    self.steps.append(at / SECOND)
                position += steering.step_ns
                self.rates_ppb.append(steering.rate_ppb)
            _, ideal = self._world.ideal(at)
            self.times_s.append(at / SECOND)
            self.errors_ms.append((position - ideal) / MILLISECOND)
            at = TrueInstant(at + REPORT_EVERY_NS)
            self._world.run_to(at)
            elapsed = self._crystal.local_at(at) - shown
            shown = LocalInstant(shown + elapsed)
            position += elapsed * (1 + self.clock.rate_ppb / 1e9)

    def largest_ms(self, from_s: float, to_s: float = math.inf) -> float:
        return max(abs(error) for at, error in zip(self.times_s, self.errors_ms, strict=True) if from_s <= at <= to_s)


@pytest.mark.slow
@pytest.mark.parametrize("ppm", [1000.0, -1000.0])
def test_an_output_a_thousandth_out_stays_within_a_frame_for_an_hour(ppm: float) -> None:
    end_s = 60 + HOUR_S
    player = Player(World(one_board(end_s + 10), seed=16), ppm)
    player.run(60, end_s)
    assert player.largest_ms(90) < 25
    assert player.steps == []
    assert max(map(abs, player.rates_ppb)) <= 2_000_000
    # The board's own crystal is what it was measured against.
    assert player.clock.stray_ppb == pytest.approx(ppm * 1000, abs=60_000)


@pytest.mark.slow
@pytest.mark.parametrize("ppm", [1000.0, -1000.0])
def test_unsteered_it_would_be_seconds_out(ppm: float) -> None:
    end_s = 60 + HOUR_S
    player = Player(World(one_board(end_s + 10), seed=16), ppm, steers=False)
    player.run(60, end_s)
    # 1000 ppm of 3600 s; its own crystal wanders by tens of milliseconds meanwhile.
    assert player.errors_ms[-1] == pytest.approx(math.copysign(3600, ppm), rel=0.02)


@pytest.mark.slow
@pytest.mark.parametrize("ppm", [1000.0, -1000.0])
def test_ten_seconds_without_beacons_move_it_by_no_more_than_its_jitter(ppm: float) -> None:
    outage = {"kind": "loss-spell", "loss_fraction": 1.0, "at_s": 300, "for_s": 10}
    player = Player(World(one_board(400, faults=[outage]), seed=16), ppm)
    player.run(60, 390)
    before = player.largest_ms(200, 300)
    assert player.largest_ms(300, 320) <= before + 10
    assert player.steps == []


# -- ticks -------------------------------------------------------------------------------------------------------------

BOARDS = 200
FRAMES = 3


def handed_over(frame_rate: FrameRate, board: int) -> list[LocalInstant]:
    """When a board that wakes for each frame shows some of them; boards start asking at instants of their own."""
    playhead = Playhead()
    playhead.start(Stretch(LocalInstant(0), ShowPosition(0), 0))
    now = LocalInstant(SECOND + Random(board).randrange(SECOND // 100))
    first = frame_rate.frame_at(ShowPosition(SECOND)) + 2
    instants: list[LocalInstant] = []
    while len(instants) < FRAMES:
        due = playhead.next_frame_at(now, frame_rate)
        assert due is not None
        now = due
        if playhead.frame_at(now, frame_rate) >= first:
            instants.append(now)
    return instants


def ticked_over(frame_rate: FrameRate, board: int) -> list[LocalInstant]:
    """When a board that looks at a tick of its own shows the same frames: its clock is perfect, its phase is not."""
    playhead = Playhead()
    playhead.start(Stretch(LocalInstant(0), ShowPosition(0), 0))
    period = frame_rate.period_ns
    phase = Streams(1).stream("tick", str(board)).uniform(0.0, period)
    first = frame_rate.frame_at(ShowPosition(SECOND)) + 2
    instants: dict[int, LocalInstant] = {}
    tick = math.floor(SECOND / period)
    while len(instants) < FRAMES + 3:
        now = LocalInstant(round(phase + tick * period))
        instants.setdefault(playhead.frame_at(now, frame_rate), now)
        tick += 1
    return [instants[frame] for frame in range(first, first + FRAMES)]


def differences_ms(instants: list[list[LocalInstant]]) -> np.typing.NDArray[np.float64]:
    boards = np.array(instants, dtype=np.float64) / MILLISECOND
    first, second = np.triu_indices(len(boards), 1)
    return np.abs(boards[first] - boards[second]).ravel()


@pytest.mark.parametrize("fps", [20, 25, 40, 50])
def test_a_free_running_tick_costs_what_random_phases_cost_and_waking_for_frames_costs_nothing(fps: int) -> None:
    rate = FrameRate(fps)
    period_ms = 1000 / fps
    free = differences_ms([ticked_over(rate, board) for board in range(BOARDS)])
    # The difference of two even phases is triangular on plus and minus one period.
    assert free.mean() == pytest.approx(period_ms / 3, rel=0.05)
    assert np.sqrt((free**2).mean()) == pytest.approx(period_ms / math.sqrt(6), rel=0.05)
    assert np.quantile(free, 0.95) == pytest.approx((1 - math.sqrt(0.05)) * period_ms, rel=0.05)
    assert free.max() == pytest.approx(period_ms, rel=0.05)
    locked = differences_ms([handed_over(rate, board) for board in range(BOARDS)])
    assert locked.max() == 0.0
