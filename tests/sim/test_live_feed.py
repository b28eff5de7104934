"""Quarry Lake stored and sent live through the same air."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest

from leadlight_sim.air.timing import Radio
from leadlight_sim.live.feed import NEVER, Delivery, LiveRun, send_live
from leadlight_sim.live.view import live_view
from leadlight_sim.measures.rehearsal import Rehearsal, rehearse
from leadlight_sim.report.document import page
from leadlight_sim.scenario.files import load_shipped
from leadlight_sim.scenario.model import Scenario

PACKETS = 4 + 8 + 12 + 6 + 26 + 5 + 3 + 9
"""A frame's packets of the eight pieces: each piece's pixels by 170, rounded up."""
FRAMES_PER_S = 40

pytestmark = pytest.mark.slow


@cache
def lake(preset: str, fidelity: str = "contended", wired: bool = False, duration_s: int = 80) -> Scenario:
    changes = {
        "air.preset": preset,
        "air.fidelity": fidelity,
        "leader.wired": wired,
        "run.settle_s": 20.0,
        "faults": [],
    }
    return load_shipped().cut_to(duration_s).with_changes(changes)


@cache
def live(preset: str, delivery: Delivery, fidelity: str = "contended", wired: bool = False) -> LiveRun:
    return send_live(lake(preset, fidelity, wired), delivery=delivery, duration_s=10)


@cache
def stored(preset: str, wired: bool = False) -> Rehearsal:
    # Soundings are many in the first three minutes; an evening has one such beginning, and is longer.
    return rehearse(lake(preset, wired=wired, duration_s=300))


@pytest.mark.thorough_except(preset="idle")
@pytest.mark.parametrize("fidelity", ["sampled", "contended"])
@pytest.mark.parametrize("delivery", Delivery)
@pytest.mark.parametrize("preset", ["idle", "busy"])
def test_it_cannot_be_sent_live_and_that_is_told(preset: str, delivery: Delivery, fidelity: str) -> None:
    run = live(preset, delivery, fidelity)
    assert run.packets_per_s == PACKETS * FRAMES_PER_S
    assert run.over_capacity
    assert run.to_json(0.01)["over_capacity"] is True
    assert run.whole < 0.05
    for piece in run.pieces:
        assert piece.whole + piece.torn + piece.late + piece.missing == pytest.approx(1.0)


@pytest.mark.thorough_except(preset="idle")
@pytest.mark.parametrize("preset", ["idle", "busy"])
def test_stored_it_can_be_shown_over_the_same_air(preset: str) -> None:
    rehearsal = stored(preset)
    assert not rehearsal.over_capacity
    # Half a frame, which is what the scenario asks for.
    assert all(score.error_ms.p95 < 12.5 for score in rehearsal.scores.followers)


def test_its_radio_time_is_what_the_duration_formulas_say() -> None:
    radio = Radio()
    once, twice = live("idle", Delivery.UNICAST, wired=True), live("idle", Delivery.UNICAST)
    assert once.needed_share == pytest.approx(PACKETS * FRAMES_PER_S * radio.unicast_ns(638) * 1e-9)
    assert twice.needed_share == pytest.approx(2 * once.needed_share)
    group = live("idle", Delivery.MULTICAST, wired=True)
    assert group.needed_share == pytest.approx(PACKETS * FRAMES_PER_S * radio.group_ns(638) * 1e-9)


@pytest.mark.thorough_except(preset="idle")
@pytest.mark.parametrize("preset", ["idle", "busy"])
@pytest.mark.parametrize("delivery", Delivery)
def test_live_needs_more_than_a_hundred_times_the_radio_time_of_stored(preset: str, delivery: Delivery) -> None:
    times = live(preset, delivery).times_the_stored(stored(preset).scores.airtime_share)
    assert times is not None
    assert times > 100


def test_from_a_cable_part_of_it_gets_through_and_the_largest_piece_is_torn() -> None:
    run = live("idle", Delivery.UNICAST, wired=True)
    net = next(piece for piece in run.pieces if piece.name == "cliff net")
    # 118 % of the radio's time: the access point serves pieces in turn, so that small ones get theirs in most frames
    # and the largest never gets all of its 26.
    assert net.packets == 26
    assert net.whole == 0.0
    assert net.torn > 0.9
    assert net.mixed > 0.9
    assert max(piece.whole for piece in run.pieces) > 0.5


def test_neighbours_leave_less_of_it_whole() -> None:
    idle, busy = live("idle", Delivery.UNICAST, wired=True), live("busy", Delivery.UNICAST, wired=True)
    assert busy.whole < idle.whole


@pytest.mark.thorough
def test_the_net_is_drawn_both_ways() -> None:
    runs = [live("idle", delivery, wired=True) for delivery in Delivery]
    drawing = live_view(runs, stored("idle", wired=True))
    assert "cliff net, 108 columns of 40 pixels" in drawing.svg
    assert "stored, with Leadlight: one frame" in drawing.svg
    assert "sent live by unicast: parts" in drawing.svg
    assert "Sent live by multicast" in drawing.caption
    assert "shows parts of different frames at the end of" in drawing.caption
    # Two nets of 4,320 pixels must not weigh megabytes.
    assert len(drawing.svg) < 400_000
    text = page(stored("idle", wired=True), "", runs)
    assert drawing.title in text
    assert drawing.title not in page(stored("idle", wired=True))


def test_of_a_feed_that_never_comes_it_says_that_the_piece_stays_black() -> None:
    whole = live("idle", Delivery.UNICAST, wired=True)
    nothing = dataclasses.replace(
        whole,
        pieces=tuple(
            dataclasses.replace(piece, delays_ns=np.full_like(piece.delays_ns, NEVER)) for piece in whole.pieces
        ),
    )
    drawing = live_view([nothing], stored("idle"))
    assert "sent live by unicast: nothing has come" in drawing.svg
    assert "nothing of cliff net comes at all: it stays black." in drawing.caption
    assert "Look whether" not in drawing.caption
    # The other way is drawn where more comes by it.
    assert "sent live by unicast: parts" in live_view([nothing, whole], stored("idle")).svg
