"""The light as good as the clock: what the way of waking a player is worth in the shipped scenario."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from leadlight_sim.measures.rehearsal import Rehearsal, rehearse
from leadlight_sim.scenario.files import load_shipped

pytestmark = pytest.mark.slow


@cache
def lake(*changes: tuple[str, str]) -> Rehearsal:
    return rehearse(load_shipped().with_changes(dict(changes)))


def worst_p95_ms(rehearsal: Rehearsal) -> float:
    return max(score.light_ms.p95 for score in rehearsal.scores.followers)


def test_the_default_board_lights_within_half_a_millisecond_and_nearly_every_frame_within_two() -> None:
    scores = lake().scores
    assert worst_p95_ms(lake()) <= 0.5
    lights = np.concatenate([np.abs(score.lights[scores.settled]) for score in scores.followers])
    lit = lights[~np.isnan(lights)]
    assert len(lit) > 10_000
    assert float(np.mean(lit <= 2.0)) >= 0.999


def test_with_kernel_stamps_and_a_spin_it_lights_within_a_quarter_of_a_millisecond() -> None:
    assert worst_p95_ms(lake(("boards.stamps", "kernel"), ("boards.waking", "spin"))) <= 0.25


@pytest.mark.thorough
def test_the_gain_over_a_rounded_timer_is_waking_alone_for_every_packet_is_the_same() -> None:
    older = lake(("boards.waking", "rounded-timer"))
    assert older.trace_hash == lake().trace_hash
    assert worst_p95_ms(older) > 5 * worst_p95_ms(lake())
