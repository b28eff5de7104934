"""Airtime, against worked values of the 802.11 duration formulas."""

from __future__ import annotations

from itertools import accumulate

import pytest

from leadlight.errors import ConfigurationError
from leadlight_sim.air.timing import Band, Radio, dsss_frame_ns, ofdm_frame_ns

PAYLOADS = (32, 64, 128, 256, 638, 1024, 1472)


@pytest.mark.parametrize(
    ("radio", "expected_us"),
    [
        (Radio(group_rate_mbps=1.0), (1088, 1344, 1856, 2880, 5936, 9024, 12608)),
        (Radio(group_rate_mbps=2.0), (640, 768, 1024, 1536, 3064, 4608, 6400)),
        (Radio(group_rate_mbps=5.5, short_preamble=True), (259, 306, 399, 585, 1141, 1702, 2354)),
        (Radio(group_rate_mbps=11.0, short_preamble=True), (178, 201, 248, 341, 619, 899, 1225)),
        (Radio(Band.GHZ_5, 6.0), (176, 216, 304, 472, 984, 1496, 2096)),
        (Radio(Band.GHZ_5, 12.0), (100, 120, 164, 248, 504, 760, 1060)),
        (Radio(Band.GHZ_5, 24.0), (60, 72, 92, 136, 264, 392, 540)),
    ],
)
def test_a_group_frame_lasts_what_the_formulas_say(radio: Radio, expected_us: tuple[int, ...]) -> None:
    assert tuple(radio.group_frame_ns(size) for size in PAYLOADS) == tuple(us * 1000 for us in expected_us)


# A mean backoff of 15 or 7 half slots and a half ends on half a microsecond.
@pytest.mark.parametrize(
    ("radio", "expected_us"),
    [
        (Radio(long_slot=True), (1704, 6296, 12968)),
        (Radio(), (1439.5, 6031.5, 12703.5)),
        (Radio(Band.GHZ_5), (317.5, 1085.5, 2197.5)),
        (Radio(Band.GHZ_5, 12.0), (221.5, 605.5, 1161.5)),
        (Radio(Band.GHZ_5, 24.0), (173.5, 365.5, 641.5)),
    ],
)
def test_a_group_frame_costs_its_waits_too(radio: Radio, expected_us: tuple[float, ...]) -> None:
    assert tuple(radio.group_ns(size) for size in (64, 638, 1472)) == tuple(us * 1000 for us in expected_us)


@pytest.mark.parametrize(
    ("mcs", "expected_us"),
    [(0, (381.5, 1089.5, 2113.5)), (3, (229.5, 405.5, 661.5)), (7, (201.5, 273.5, 373.5))],
)
def test_a_unicast_frame_costs_its_waits_and_its_acknowledgement(mcs: int, expected_us: tuple[float, ...]) -> None:
    radio = Radio(Band.GHZ_5, unicast_mcs=mcs)
    assert tuple(radio.unicast_ns(size) for size in (64, 638, 1472)) == tuple(us * 1000 for us in expected_us)


def test_tries_take_longer_as_the_window_doubles_up_to_1023_slots() -> None:
    radio = Radio(Band.GHZ_5, unicast_mcs=7)
    costs_us = [radio.unicast_ns(64, attempt) / 1000 for attempt in range(7)]
    elapsed_us = list(accumulate(costs_us))
    assert elapsed_us == [201.5, 475.0, 892.5, 1598.0, 2879.5, 5313.0, 10050.5]
    assert radio.mean_backoff_ns(6) == radio.mean_backoff_ns(9) == 1023 * 9_000 // 2


@pytest.mark.parametrize(("mcs", "expected_us"), [(0, 44), (1, 32), (2, 32), (3, 28), (7, 28)])
def test_an_acknowledgement_goes_at_the_highest_basic_rate_below_the_data(mcs: int, expected_us: int) -> None:
    assert Radio(Band.GHZ_5, unicast_mcs=mcs).acknowledgement_ns() == expected_us * 1000


def test_ofdm_frames_at_2_4_ghz_are_followed_by_six_microseconds_of_silence() -> None:
    assert ofdm_frame_ns(144, 6.0, Band.GHZ_2_4) - ofdm_frame_ns(144, 6.0, Band.GHZ_5) == 6_000
    narrow, wide = Radio(Band.GHZ_2_4), Radio(Band.GHZ_5)
    assert narrow.unicast_frame_ns(64) - wide.unicast_frame_ns(64) == 6_000


def test_one_megabit_always_has_the_long_preamble() -> None:
    assert dsss_frame_ns(100, 1.0, long_preamble=False) == dsss_frame_ns(100, 1.0, long_preamble=True)
    assert dsss_frame_ns(100, 2.0, long_preamble=True) - dsss_frame_ns(100, 2.0, long_preamble=False) == 96_000


def test_interframe_spaces_are_those_of_the_band() -> None:
    assert Radio(Band.GHZ_5).difs_ns == 34_000
    assert Radio(Band.GHZ_2_4).difs_ns == 28_000
    assert Radio(Band.GHZ_2_4, long_slot=True).difs_ns == 50_000


@pytest.mark.parametrize(
    "settings",
    [
        {"band": Band.GHZ_5, "group_rate_mbps": 1.0},
        {"group_rate_mbps": 7.0},
        {"unicast_mcs": 8},
        {"unicast_mcs": -1},
        {"band": Band.GHZ_5, "long_slot": True},
    ],
)
def test_a_radio_that_cannot_be_is_refused(settings: dict[str, object]) -> None:
    with pytest.raises(ConfigurationError):
        Radio(**settings)  # type: ignore[arg-type]
