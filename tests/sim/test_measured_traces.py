"""The clock on measured round trips, where a folder of them is at hand: ``LEADLIGHT_TRACES`` names it.

Each ``*.dat`` file holds five numbers a line: packet number, then client sent, server received, server sent and client
received, in ns of each one's own clock. The public repository swystems/det-bypass (analysis/rpi-tests) has such files:
a small board and a laptop over 5 GHz home Wi-Fi, a thousand a second for ten seconds. The truth is unknown; what can be
asked is that the estimate contradicts no exchange and stays in the middle between the two directions' edges.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pytest

from leadlight.clock import CausalityBound, EdgeFilter, Exchange
from leadlight.units import MICROSECOND, MILLISECOND, SECOND, LeaderInstant, LocalInstant
from leadlight_sim.baselines.lower_hull import hull_below

FOLDER = os.environ.get("LEADLIGHT_TRACES", "")
FILES = sorted(Path(FOLDER).glob("*.dat")) if FOLDER else []
PHASES = 16
"""Which of the exchanges a thinning keeps is chance: so many thinnings are taken, evenly shifted."""

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not FILES, reason="LEADLIGHT_TRACES names no folder of measured round trips"),
]

Floats = npt.NDArray[np.float64]


class Trace(NamedTuple):
    exchanges: list[Exchange]
    middle_at: Floats
    middle: Floats
    """The middle of both directions' envelopes at the exchanges, in ns from the first offset."""
    base: int


def read(path: Path) -> Trace:
    rows = [tuple(map(int, line.split())) for line in path.read_text().splitlines()]
    whole = sorted((row for row in rows if len(row) == 5 and all(row[1:])), key=lambda row: row[4])
    exchanges = [
        Exchange(LocalInstant(sent), LeaderInstant(heard), LeaderInstant(answered), LocalInstant(received))
        for _, sent, heard, answered, received in whole
    ]
    begin, base = exchanges[0].received_at, exchanges[0].received_at - exchanges[0].leader_sent_at
    down = hull_below(
        [(float(one.received_at - begin), float(one.received_at - one.leader_sent_at - base)) for one in exchanges]
    )
    ups = sorted((float(one.sent_at - begin), float(one.leader_received_at - one.sent_at + base)) for one in exchanges)
    up = hull_below(ups)
    at = np.array([float(one.received_at - begin) for one in exchanges])
    below = np.interp(at, *np.array(up).T)
    above = np.interp(at, *np.array(down).T)
    return Trace(exchanges, at, (above - below) / 2, base)


def thinned(trace: Trace, per_second: int, phase: int) -> list[int]:
    """Return the places of the exchanges that a follower would have had, sounding so often a second."""
    step = SECOND / per_second
    due = phase * step / PHASES
    kept = []
    for place, at in enumerate(trace.middle_at):
        if at >= due:
            kept.append(place)
            due += step
    return kept


def wanders(trace: Trace, per_second: int) -> list[float]:
    """Return, for each thinning, the estimate's standard deviation about the middle in ms, first quarter left out."""
    found = []
    for phase in range(PHASES):
        bound = CausalityBound()
        edge = EdgeFilter(bound)
        about: list[float] = []
        for place in thinned(trace, per_second, phase):
            exchange = trace.exchanges[place]
            bound.observe_exchange(exchange)
            edge.observe_exchange(exchange)
            estimate = edge.estimate()
            assert estimate is not None
            offset = estimate.offset_at(exchange.received_at)
            # An exchange's own two proofs; the way up is older by its flight, and 200 ppm of that are allowed.
            slack = round(200e-6 * (exchange.received_at - exchange.sent_at)) + MICROSECOND
            assert exchange.sent_at - exchange.leader_received_at - slack <= offset
            assert offset <= exchange.received_at - exchange.leader_sent_at + 1
            if trace.middle_at[place] > trace.middle_at[-1] / 4:
                about.append((offset - trace.base - trace.middle[place]) / MILLISECOND)
        assert bound.broken == 0
        found.append(float(np.std(about)))
    return found


def wander_ms(path: Path, per_second: int) -> float:
    """Return the rms of the wander over all thinnings."""
    return float(np.sqrt(np.mean(np.square(wanders(read(path), per_second)))))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_four_soundings_a_second_wander_by_a_quarter_of_a_millisecond(path: Path) -> None:
    assert wander_ms(path, 4) <= 0.25


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_twenty_five_a_second_wander_by_half_of_that(path: Path) -> None:
    assert wander_ms(path, 25) <= 0.13


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_twenty_five_a_second_contradict_no_exchange_and_wander_less_than_four(path: Path) -> None:
    assert wander_ms(path, 25) < wander_ms(path, 4)
