from __future__ import annotations

import re

import numpy as np
import pytest

from leadlight.cue import FrameRate
from leadlight.errors import ConfigurationError
from leadlight.units import MILLISECOND
from leadlight_sim.live.feed import NEVER, Delivery, LiveRun, PieceFeed, send_live, sentences
from leadlight_sim.live.view import net_shape
from leadlight_sim.scenario.model import Scenario, check_scenario

FRAME_MS = 25


def piece(*delays_ms: tuple[float | None, ...], name: str = "net") -> PieceFeed:
    delays = [[NEVER if ms is None else int(ms * MILLISECOND) for ms in row] for row in delays_ms]
    return PieceFeed(name, 170 * len(delays[0]), FRAME_MS * MILLISECOND, np.array(delays, dtype=np.int64))


def run_of(*pieces: PieceFeed, needed_share: float = 0.2, over_capacity: bool = False) -> LiveRun:
    return LiveRun(Delivery.UNICAST, 1, FrameRate(40), 1.0, pieces, needed_share, needed_share, over_capacity)


@pytest.mark.parametrize(
    ("delays", "kind"),
    [
        ((1, 2), "whole"),
        ((25, 25), "whole"),
        ((1, 25.001), "torn"),
        ((1, None), "torn"),
        ((30, None), "torn"),
        ((26, 4000), "late"),
        ((None, None), "missing"),
    ],
)
def test_a_frame_is_of_one_kind_by_when_its_packets_come(delays: tuple[float | None, ...], kind: str) -> None:
    kinds = {name: getattr(piece(delays), name) for name in ("whole", "torn", "late", "missing")}
    assert kinds == {name: float(name == kind) for name in kinds}


def test_a_piece_shows_the_newest_of_what_has_come_when_the_next_frame_begins() -> None:
    feed = piece((1, 1), (1, 30), (1, None), (60, 5))
    # Packet 1 of frame 1 is there in time for the end of frame 2; packet 0 of frame 3 is not there by the end.
    assert feed.shown().tolist() == [[0, 0], [1, 0], [2, 1], [2, 3]]
    assert feed.mixed == 0.75


def test_a_packet_that_is_overtaken_by_a_newer_frame_is_passed_over() -> None:
    assert piece((70,), (30,), (1,), (1,)).shown().tolist() == [[NEVER], [NEVER], [2], [3]]


def test_a_piece_of_one_packet_is_never_torn_nor_mixed() -> None:
    feed = piece((1,), (30,), (None,), (1,))
    assert (feed.whole, feed.torn, feed.late, feed.missing, feed.mixed) == (0.5, 0.0, 0.25, 0.25, 0.0)


def test_the_worst_piece_has_fewest_whole_frames_and_of_those_most_missing_then_most_torn_ones() -> None:
    late, torn, missing = (piece(row, name="x") for row in ((30, 30), (30, None), (None, None)))
    assert run_of(piece((1, 1), name="good"), late, torn).worst is torn
    assert run_of(torn, missing, late).worst is missing


def test_what_a_summary_tells_adds_up_whatever_rounding_does() -> None:
    run = run_of(piece((1, 1), (1, None), (30, 30)), piece((1, 1), (1, None), (None, None)))
    first, _, *_ = sentences(run, stored_share=0.01)
    assert first == (
        "Sent live by unicast for 1 s, of all frames are 33.3 % whole, 33.3 % torn, 16.7 % late, 16.7 % missing."
    )
    assert sum(share for _, share in run.kinds) == pytest.approx(1)
    third = piece(*[(1, 1)] * 2, (1, None), (30, 30), (None, None), (None, None))
    second = sentences(run_of(third), stored_share=0.01)[1]
    told = [float(part) for part in re.findall(r"(\d+\.\d) %", second)]
    assert told == pytest.approx([33.3, 16.7, 16.7, 33.3], abs=0.1)
    assert sum(told) == pytest.approx(100)


def test_what_is_told_has_the_figures_in_it() -> None:
    run = run_of(piece((1, 1), (1, None), (1, 1), (1, 1)), needed_share=2.4, over_capacity=True)
    assert sentences(run, stored_share=0.01) == [
        "Sent live by unicast for 1 s, of all frames are 75.0 % whole, 25.0 % torn, 0.0 % late, 0.0 % missing.",
        "Worst is net: 75.0 % whole, 25.0 % torn, 0.0 % late, 0.0 % missing.",
        "It needs 240 % of the radio's time for 80 packets a second: 240 times as much as the timing of stored shows.",
        "That is more than the radio can carry beside its neighbours: what is told here is how it fails.",
    ]
    assert run.to_json(0.01)["times_the_stored_airtime"] == pytest.approx(240)


def test_no_ratio_is_told_where_frames_weigh_nothing() -> None:
    run = run_of(piece((1, 1)), needed_share=0.0)
    assert len(sentences(run, stored_share=0.0)) == 2
    assert run.to_json(0.0)["times_the_stored_airtime"] is None


@pytest.mark.parametrize(("pixels", "shape"), [(4320, (108, 40)), (170, (17, 10)), (1, (1, 1)), (509, (37, 14))])
def test_a_net_has_whole_columns_where_its_pixels_allow_it(pixels: int, shape: tuple[int, int]) -> None:
    assert net_shape(pixels) == shape


def quiet(pixels: int = 500, **air: object) -> Scenario:
    """One wired leader, one piece, nobody next door, nothing lost."""
    return check_scenario(
        {
            "name": "quiet",
            "run": {"duration_s": 60, "settle_s": 5},
            "leader": {"wired": True},
            "followers": [{"name": "net", "pixels": pixels, "host": "steady"}],
            "air": {"preset": "idle", "fidelity": "contended", "dropouts": {"mean_loss_fraction": 0.0}} | air,
            "neighbours": [{"kind": "poisson", "load": 0.0}],
            "shows": [{"id": "one", "duration_s": 50}],
            "cues": [{"at_s": 6, "show": "one"}],
        },
        "quiet.toml",
    )


def test_a_radio_that_is_its_own_carries_three_packets_a_frame_whole() -> None:
    run = send_live(quiet(), duration_s=2)
    assert (run.whole, run.over_capacity, run.pieces[0].packets) == (1.0, False, 3)
    assert run.packets_per_s == 120
    # Nothing is tried twice, so that it uses what it needs, but for counts that have run out before a packet comes: of
    # each packet's mean count, 7.5 slots of 9 µs, anything may be saved.
    assert run.airtime_share == pytest.approx(run.needed_share, abs=120 * 7.5 * 9e-6)


def test_a_second_crossing_of_the_radio_is_needed_where_the_leader_has_no_cable() -> None:
    wired = send_live(quiet(), duration_s=1)
    radio = send_live(quiet().with_changes({"leader.wired": False}), duration_s=1)
    assert radio.needed_share == 2 * wired.needed_share


def test_group_packets_at_the_lowest_rate_are_more_than_a_radio_carries_from_seven_packets_a_frame_on() -> None:
    # 1 Mb/s: (638 + 80) · 8 µs + 192 µs + 50 µs and more a packet, 40 times a second: 24 % of the time for each.
    three = send_live(quiet(3 * 170), delivery=Delivery.MULTICAST, duration_s=3)
    seven = send_live(quiet(7 * 170), delivery=Delivery.MULTICAST, duration_s=6)
    assert three.needed_share == pytest.approx(3 * 40 * (5744 + 192 + 28 + 67.5) * 1e-6, rel=1e-3)
    assert not three.over_capacity
    assert seven.needed_share > 1
    assert seven.over_capacity
    assert three.whole > 0.9
    assert seven.whole < 0.1


def test_one_seed_gives_one_outcome() -> None:
    scenario = quiet().with_changes({"air.dropouts.mean_loss_fraction": 0.2})
    first, again, other = (send_live(scenario, seed, duration_s=2) for seed in (3, 3, 4))
    assert np.array_equal(first.pieces[0].delays_ns, again.pieces[0].delays_ns)
    assert not np.array_equal(first.pieces[0].delays_ns, other.pieces[0].delays_ns)


def test_the_fastest_show_is_sent_at_its_own_rate() -> None:
    shows = [
        {"id": "one", "duration_s": 50, "frame_rate": [30000, 1001]},
        {"id": "two", "duration_s": 9, "frame_rate": [25, 1]},
    ]
    run = send_live(quiet().with_changes({"shows": shows}), duration_s=2)
    assert run.frame_rate == FrameRate(30000, 1001)
    assert run.pieces[0].delays_ns.shape == (59, 3)
    assert run.whole == 1.0


@pytest.mark.parametrize("duration_s", [0.5, 601])
def test_a_run_too_short_or_too_long_is_refused(duration_s: float) -> None:
    with pytest.raises(ConfigurationError, match=re.escape(f"duration_s: {duration_s}")):
        send_live(quiet(), duration_s=duration_s)
