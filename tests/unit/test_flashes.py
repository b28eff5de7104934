from __future__ import annotations

import numpy as np
import pytest

from leadlight.cue import FrameRate
from leadlight_sim.measures.flashes import (
    AddedFlashes,
    Change,
    added_flashes,
    changes,
    flashes,
    most_in_a_second,
    trial_content,
    worst_viewpoint,
)
from leadlight_sim.measures.scores import Floats

FORTY = FrameRate(40)


def series(*levels: float) -> tuple[Floats, Floats]:
    """A tenth of a second a level."""
    return np.arange(len(levels)) / 10, np.array(levels)


def light(*spans: tuple[float, float], seconds: float = 4.0, level: float = 1.0, base: float = 0.0) -> Floats:
    """Luminance at a hundred instants a second: ``level`` within the spans, ``base`` elsewhere."""
    times = clock(seconds)
    out = np.full(len(times), base)
    for begin, end in spans:
        out[(times >= begin - 1e-9) & (times < end - 1e-9)] = level
    return out


def clock(seconds: float = 4.0) -> Floats:
    return np.arange(round(seconds * 100)) / 100


# -- counting ------------------------------------------------------------------------------------------------------


def test_a_tenth_of_the_maximum_is_a_change_and_less_is_none() -> None:
    assert changes(*series(0.2, 0.3, 0.2)) == [Change(0.1, 1), Change(0.2, -1)]
    assert changes(*series(0.2, 0.299, 0.2)) == []


def test_bright_states_on_both_sides_make_no_change() -> None:
    # WCAG 2.3.1: the darker of the two is below 0.80.
    assert changes(*series(0.80, 1.0, 0.80, 1.0)) == []
    assert changes(*series(0.79, 1.0, 0.79)) == [Change(0.1, 1), Change(0.2, -1)]


def test_a_slow_fade_counts_once_when_it_has_gone_a_tenth() -> None:
    assert changes(*series(0.0, 0.05, 0.11, 0.12, 0.5, 0.9)) == [Change(0.2, 1)]


def test_a_small_wavering_on_a_fade_is_no_change_of_direction() -> None:
    assert changes(*series(0.0, 0.3, 0.25, 0.6, 0.55, 0.9)) == [Change(0.1, 1)]


def test_a_fall_is_measured_from_the_highest_level_reached() -> None:
    assert changes(*series(0.0, 0.3, 0.35, 0.26, 0.25)) == [Change(0.1, 1), Change(0.4, -1)]


def test_nothing_and_stillness_have_no_changes() -> None:
    assert changes(*series()) == []
    assert changes(*series(0.5, 0.5)) == []


def test_a_flash_is_two_opposing_changes_and_no_change_is_in_two() -> None:
    up, down = Change(0.0, 1), Change(0.2, -1)
    assert flashes([up]) == []
    assert flashes([up, down]) == [0.2]
    assert flashes([up, down, Change(0.4, 1)]) == [0.2]
    assert flashes([up, down, Change(0.4, 1), Change(0.6, -1)]) == [0.2, 0.6]


def test_opposing_changes_more_than_a_second_apart_are_no_flash() -> None:
    assert flashes([Change(0.0, 1), Change(1.0, -1)]) == [1.0]
    assert flashes([Change(0.0, 1), Change(1.01, -1)]) == []
    # The second of a pair that is too far apart may begin another.
    assert flashes([Change(0.0, 1), Change(1.5, -1), Change(2.0, 1)]) == [2.0]


def test_the_fullest_second_is_found_wherever_it_begins() -> None:
    assert most_in_a_second([]) == 0
    assert most_in_a_second([0.9, 1.1, 1.3, 1.85, 2.5]) == 4
    assert most_in_a_second([0.0, 1.0, 2.0]) == 1


# -- what timing adds ------------------------------------------------------------------------------------------------


def added(shown: Floats, authored: Floats) -> AddedFlashes:
    return added_flashes("here", clock(len(shown) / 100), shown, authored)


def test_what_is_shown_as_authored_adds_nothing() -> None:
    authored = light((0.5, 0.7), (1.5, 1.7), (2.5, 2.7))
    assert added(authored, authored) == AddedFlashes("here", 0, 0, 1, 1)


def test_content_that_comes_late_is_moved_not_added() -> None:
    authored = light((0.5, 0.7), (1.5, 1.7), (2.5, 2.7))
    late = light((0.9, 1.1), (1.9, 2.1), (2.9, 3.1))
    assert added(late, authored) == AddedFlashes("here", 0, 0, 1, 1)


def test_a_cut_to_black_and_back_in_steady_light_adds_one() -> None:
    assert added(light((0, 2), (2.3, 4)), light((0, 4))) == AddedFlashes("here", 1, 1, 1, 0)


def test_a_blackout_of_more_than_a_second_is_no_flash() -> None:
    assert added(light((0, 1), (2.5, 4)), light((0, 4))) == AddedFlashes("here", 0, 0, 0, 0)


def test_a_flash_left_out_does_not_make_up_for_one_put_in_elsewhere() -> None:
    authored = light((0.5, 0.7), (6, 10), seconds=10)
    shown = light((6, 8), (8.2, 10), seconds=10)
    assert added(shown, authored) == AddedFlashes("here", 1, 1, 1, 1)


def test_hunting_across_an_edge_is_counted_at_its_rate() -> None:
    authored = light((1, 4))
    hunting = light(*[(1 + step / 5, 1.1 + step / 5) for step in range(6)], (2.2, 4))
    found = added(hunting, authored)
    assert (found.in_a_second, found.total) == (5, 6)
    assert found.is_too_many


def test_content_that_flashes_too_often_by_itself_is_not_blamed_on_timing() -> None:
    authored = light(*[(step / 5, step / 5 + 0.1) for step in range(20)])
    found = added(authored, authored)
    assert found.shown_in_a_second > 3
    assert (found.in_a_second, found.total, found.is_too_many) == (0, 0, False)


def test_two_pieces_out_of_step_flash_twice_as_often_where_both_are_seen() -> None:
    times = clock(6)
    pulses = light(*[(second, second + 0.2) for second in range(6)], seconds=6, level=0.8)
    halfway = light(*[(second + 0.5, second + 0.7) for second in range(6)], seconds=6, level=0.8)
    authored = np.array([pulses, pulses])
    shown = np.array([pulses, halfway])
    apart = worst_viewpoint({"left": [0], "right": [1]}, times, shown, authored)
    assert (apart.in_a_second, apart.total) == (0, 0)
    together = worst_viewpoint({"left": [0], "both": [0, 1], "right": [1]}, times, shown, authored)
    assert (together.viewpoint, together.in_a_second) == ("both", 1)
    assert together.total == 6


# -- content to count on ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pieces", [1, 2, 8, 30])
def test_trial_content_flashes_itself_never_more_than_twice_a_second(pieces: int) -> None:
    times = np.arange(4_000) / 40
    parts = np.array([trial_content(4_000, FORTY, piece, pieces) for piece in range(pieces)])
    assert parts.min() == 0.0
    assert parts.max() == 0.9
    for seen in (*parts, parts.mean(axis=0)):
        most = most_in_a_second(flashes(changes(times, seen)))
        assert 1 <= most <= 2


def test_a_chase_keeps_its_light_as_a_whole_so_that_one_late_piece_is_a_gap_in_it() -> None:
    parts = np.array([trial_content(800, FORTY, piece, 8) for piece in range(8)])
    chase = slice(9 * 40, 15 * 40)
    assert np.ptp(parts[:, chase].mean(axis=0)) == pytest.approx(0.0)
    late = parts.copy()
    late[3] = np.roll(parts[3], 2)
    found = added_flashes("all", np.arange(800) / 40, late.mean(axis=0), parts.mean(axis=0))
    assert found.in_a_second >= 1
