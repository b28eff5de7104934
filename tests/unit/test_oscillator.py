"""Oscillators: exact in both directions, the same whatever is asked first, and as far out as their settings say."""

from __future__ import annotations

import math
import sys
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leadlight.errors import ConfigurationError, LeadlightError
from leadlight.units import HOUR, SECOND, LocalInstant
from leadlight_sim.hosts.oscillator import HORIZON_S, Oscillator, OscillatorSettings
from leadlight_sim.kernel import Stream, Streams
from leadlight_sim.kernel.kernel import TrueInstant

crystals = st.builds(
    OscillatorSettings,
    offset_ns=st.integers(-(10**15), 10**15),
    frequency_ppm=st.floats(-1000, 1000),
    wander_ppm=st.sampled_from([0.0, 0.05, 10.0]),
    warm_up_ppm=st.sampled_from([0.0, 11.0, -1000.0]),
    cooling_ppm=st.sampled_from([0.0, 5.0, -1000.0]),
    resolution_ns=st.sampled_from([1, 7, 1000, 15_625_000]),
    segment_ns=st.sampled_from([SECOND // 10, SECOND, 4 * SECOND - 1]),
)
starts = st.sampled_from([0, 1, 5 * SECOND + 3])
# Everywhere, and close to where segments meet.
moments = st.one_of(
    st.integers(0, 40 * SECOND),
    st.builds(lambda tenths, off: max(0, tenths * (SECOND // 10) + off), st.integers(0, 400), st.integers(-3, 3)),
)


def make(crystal: OscillatorSettings, started_at: int = 0, seed: int = 1) -> Oscillator:
    return Oscillator(crystal, Streams(seed).stream("oscillator", "jetty"), TrueInstant(started_at))


def check_first(clock: Oscillator, local: int) -> None:
    true = clock.true_at(LocalInstant(local))
    assert clock.local_at(true) >= local
    if true > clock.started_at:
        assert clock.local_at(TrueInstant(true - 1)) < local


@settings(deadline=None)
@given(crystals, starts, moments)
def test_true_at_is_the_first_instant_at_which_the_clock_shows_that_much(
    crystal: OscillatorSettings, started_at: int, elapsed: int
) -> None:
    check_first(make(crystal, started_at), crystal.offset_ns + elapsed)
    clock = make(crystal, started_at)
    shown = clock.local_at(TrueInstant(started_at + elapsed))
    assert clock.true_at(shown) <= started_at + elapsed
    for local in range(shown - 2, shown + 3):
        check_first(clock, local)


@settings(deadline=None)
@given(crystals, starts, moments)
def test_a_clock_never_goes_back_and_steps_by_at_most_two(
    crystal: OscillatorSettings, started_at: int, elapsed: int
) -> None:
    clock = make(crystal, started_at)
    shown = [clock.local_at(TrueInstant(started_at + elapsed + step)) for step in range(12)]
    steps = [after - before for before, after in pairwise(shown)]
    if crystal.resolution_ns == 1:
        assert set(steps) <= {0, 1, 2}
        assert all(after > before for before, after in zip(shown, shown[3:], strict=False))
    else:
        assert set(steps) <= {0, crystal.resolution_ns}
        assert all(reading % crystal.resolution_ns == 0 for reading in shown)


@settings(deadline=None)
@given(st.floats(0, 1000), starts, moments)
def test_a_fast_clock_shows_more_after_every_nanosecond(ppm: float, started_at: int, elapsed: int) -> None:
    clock = make(OscillatorSettings(frequency_ppm=ppm), started_at)
    shown = [clock.local_at(TrueInstant(started_at + elapsed + step)) for step in range(4)]
    assert len(set(shown)) == 4


@settings(deadline=None)
@given(crystals, starts, st.lists(st.tuples(st.booleans(), moments), min_size=2, max_size=8))
def test_answers_do_not_depend_on_what_was_asked_before(
    crystal: OscillatorSettings, started_at: int, questions: list[tuple[bool, int]]
) -> None:
    def ask(clock: Oscillator, inverse: bool, elapsed: int) -> int:
        if inverse:
            return clock.true_at(LocalInstant(crystal.offset_ns + elapsed))
        return clock.local_at(TrueInstant(started_at + elapsed))

    forwards, backwards = make(crystal, started_at), make(crystal, started_at)
    first = [ask(forwards, *question) for question in questions]
    assert [ask(backwards, *question) for question in reversed(questions)] == first[::-1]
    assert [ask(make(crystal, started_at), *question) for question in questions] == first


def test_a_perfect_clock_shows_true_time_since_its_start() -> None:
    clock = make(OscillatorSettings(offset_ns=5), started_at=100)
    assert clock.local_at(TrueInstant(100)) == 5
    assert clock.local_at(TrueInstant(100 + 3 * HOUR + 1)) == 5 + 3 * HOUR + 1
    assert clock.true_at(LocalInstant(5 + 3 * HOUR + 1)) == 100 + 3 * HOUR + 1


@pytest.mark.parametrize(("ppm", "gained_ns"), [(1000, 3_600_000_000), (-1000, -3_600_000_000), (20, 72_000_000)])
def test_a_constant_error_adds_up_to_the_nanosecond(ppm: float, gained_ns: int) -> None:
    clock = make(OscillatorSettings(frequency_ppm=ppm))
    assert clock.local_at(TrueInstant(HOUR)) == HOUR + gained_ns
    assert clock.true_at(LocalInstant(HOUR + gained_ns)) == HOUR
    assert clock.frequency_ppm_at(TrueInstant(HOUR)) == ppm


def test_before_it_has_shown_an_instant_the_first_one_is_the_start() -> None:
    clock = make(OscillatorSettings(offset_ns=50), started_at=7)
    assert [clock.true_at(LocalInstant(local)) for local in (-(10**18), 49, 50, 51)] == [7, 7, 7, 8]


def test_readings_come_in_whole_steps_and_the_inverse_waits_for_the_step() -> None:
    clock = make(OscillatorSettings(resolution_ns=1000))
    assert [clock.local_at(TrueInstant(true)) for true in (0, 999, 1000, 1999)] == [0, 0, 1000, 1000]
    assert [clock.true_at(LocalInstant(local)) for local in (1, 1000, 1001)] == [1000, 1000, 2000]


def test_a_reading_first_shown_at_the_end_of_a_segment_is_found_there_from_the_next_one_too() -> None:
    # At 1000.000001 ppm slow the clock stands still over the last nanosecond of its first second.
    clock = make(
        OscillatorSettings(
            frequency_ppm=-1000.0, cooling_ppm=-1e-6, cooling_from_s=-2.0, cooling_over_s=1.0, segment_ns=SECOND
        )
    )
    shown = clock.local_at(TrueInstant(SECOND - 1))
    assert clock.local_at(TrueInstant(SECOND)) == shown
    assert clock.true_at(shown) == SECOND - 1


def test_cooling_is_a_ramp_in_true_time_that_stays() -> None:
    crystal = OscillatorSettings(cooling_ppm=4.0, cooling_from_s=100.0, cooling_over_s=200.0, segment_ns=2 * SECOND)
    clock = make(crystal)
    # The middle of the segment that begins at 198 s is 199 s: 99 of 200 s into the ramp.
    asked = [0, 98, 198, 302, 5000]
    expected = [0.0, 0.0, 4.0 * 99 / 200, 4.0, 4.0]
    assert [clock.frequency_ppm_at(TrueInstant(second * SECOND)) for second in asked] == expected
    late = make(crystal, started_at=198 * SECOND)
    assert late.frequency_ppm_at(TrueInstant(198 * SECOND)) == 4.0 * 99 / 200


def test_warm_up_starts_with_the_clock_and_what_it_costs_is_the_integral_of_its_decay() -> None:
    clock = make(OscillatorSettings(warm_up_ppm=11.0, warm_up_s=600.0), started_at=300 * SECOND)
    gained = clock.local_at(TrueInstant(300 * SECOND + HOUR)) - HOUR
    exact = 11e-6 * 600.0 * (1.0 - math.exp(-6.0)) * SECOND
    # 900 segments, each rounded down by under 1 ns and by 0.5 parts per trillion of 4 s; the midpoint rule's own
    # error is (4/600)²/24 of the whole.
    assert gained == pytest.approx(exact, abs=900 * (1.0 + 0.002) + exact * (4 / 600) ** 2 / 24)


@pytest.mark.slow
def test_the_random_walk_spreads_by_the_square_root_of_time_whatever_the_segments() -> None:
    clocks = 400
    for segment_ns in (SECOND, 4 * SECOND):
        crystal = OscillatorSettings(wander_ppm=0.05, segment_ns=segment_ns)
        ends = [make(crystal, seed=seed).frequency_ppm_at(TrueInstant(400 * SECOND)) for seed in range(clocks)]
        spread = math.sqrt(sum(end * end for end in ends) / clocks)
        # sqrt(400 s)·0.05 = 1 ppm; a spread from n normals is known to 1/sqrt(2n), and four of those are allowed.
        assert spread == pytest.approx(1.0, rel=4.0 / math.sqrt(2 * clocks))


@pytest.mark.interpreted
def test_the_stream_is_drawn_once_a_segment_and_only_if_the_clock_wanders() -> None:
    class Counting(Stream):
        __slots__ = ("draws",)

        def normal(self, mean: float = 0.0, deviation: float = 1.0) -> float:
            self.draws = getattr(self, "draws", 0) + 1
            return super().normal(mean, deviation)

    wandering, still = Counting(1), Counting(1)
    Oscillator(OscillatorSettings(wander_ppm=1.0), wandering).local_at(TrueInstant(40 * SECOND))
    Oscillator(OscillatorSettings(), still).local_at(TrueInstant(40 * SECOND))
    assert wandering.draws == 10
    assert not hasattr(still, "draws")


def test_an_instant_before_the_start_or_absurdly_late_is_refused() -> None:
    clock = make(OscillatorSettings(), started_at=10)
    with pytest.raises(LeadlightError, match="started at 10 ns was asked for 9 ns"):
        clock.local_at(TrueInstant(9))
    with pytest.raises(LeadlightError, match="100 days"):
        clock.local_at(TrueInstant(11 + HORIZON_S * SECOND))
    with pytest.raises(LeadlightError, match="100 days"):
        clock.true_at(LocalInstant(1 << 62))
    assert clock.local_at(TrueInstant(10)) == 0


@pytest.mark.slow
def test_twelve_hours_cost_a_clock_twelve_bytes_a_segment() -> None:
    clock = make(OscillatorSettings(wander_ppm=0.05))
    clock.local_at(TrueInstant(12 * HOUR))
    segments = 12 * HOUR // (4 * SECOND) + 1
    held = sys.getsizeof(clock._starts) + sys.getsizeof(clock._frequencies)
    # An array grows ahead by a sixteenth at most, and has a header.
    assert held <= 12 * segments * 17 / 16 + 512
    assert len(clock._frequencies) == segments


@pytest.mark.parametrize(
    ("field", "value"),
    [
        pytest.param("offset_ns", 1.5, marks=pytest.mark.interpreted),
        ("offset_ns", 1 << 63),
        ("frequency_ppm", 1000.1),
        ("frequency_ppm", math.nan),
        ("wander_ppm", -0.1),
        ("wander_ppm", math.nan),
        ("warm_up_ppm", math.inf),
        ("warm_up_s", 0.0),
        ("cooling_ppm", -1001.0),
        ("cooling_from_s", math.inf),
        ("cooling_over_s", -1.0),
        ("resolution_ns", 0),
        ("segment_ns", 1000),
    ],
)
def test_settings_that_no_crystal_has_are_refused_by_name(field: str, value: Any) -> None:
    with pytest.raises(ConfigurationError) as refusal:
        OscillatorSettings(**{field: value})
    assert refusal.value.field == field
