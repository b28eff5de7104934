"""The figures of the standards and systems that the air is modelled on, restated from their sources."""

from __future__ import annotations

from leadlight.units import MICROSECOND, MILLISECOND, SECOND
from leadlight_sim.air import access_point, timing
from leadlight_sim.air.contended import contention, neighbours
from leadlight_sim.air.contended import settings as contended_settings
from leadlight_sim.air.contended.access_rules import AccessRules
from leadlight_sim.air.contended.rates import fallback_chain
from leadlight_sim.air.timing import Band, Radio


def test_slots_and_spaces_are_those_of_ieee_802_11() -> None:
    # Band, long slot: slot, SIFS, DIFS, EIFS in µs (clauses 17.4.4, 18.3.4 and 19.8.4; EIFS by clause 9.3.7).
    table = {
        (Band.GHZ_5, False): (9, 16, 34, 94),
        (Band.GHZ_2_4, False): (9, 10, 28, 342),
        (Band.GHZ_2_4, True): (20, 10, 50, 364),
    }
    for (band, long_slot), row in table.items():
        radio = Radio(band, long_slot=long_slot)
        spaces = (radio.slot_ns, radio.sifs_ns, radio.difs_ns, radio.eifs_ns)
        assert spaces == tuple(figure * MICROSECOND for figure in row)


def test_windows_are_15_to_1023_slots_and_31_where_slots_are_long() -> None:
    assert [Radio().cw_min, Radio(long_slot=True).cw_min, timing.CW_MAX] == [15, 31, 1023]
    assert AccessRules.of(Radio()).window_bits == (4, 5, 6, 7, 8, 9, 10)


def test_rates_and_bits_per_symbol_are_those_of_the_standard() -> None:
    assert timing.OFDM_RATES_MBPS == (6.0, 9.0, 12.0, 18.0, 24.0, 36.0, 48.0, 54.0)
    assert timing.DSSS_RATES_MBPS == (1.0, 2.0, 5.5, 11.0)
    assert timing.HT20_BITS_PER_SYMBOL == (26, 52, 78, 104, 156, 208, 234, 260)


def test_frame_fields_add_up() -> None:
    # MAC header 24, CCMP 16, LLC/SNAP 8, IPv4 20, UDP 8, FCS 4; QoS control 2 more.
    assert timing.GROUP_OVERHEAD_BYTES == 24 + 16 + 8 + 20 + 8 + 4
    assert timing.UNICAST_OVERHEAD_BYTES == timing.GROUP_OVERHEAD_BYTES + 2
    assert timing.ACK_BYTES == 14


def test_a_beacon_interval_is_100_time_units_of_1024_microseconds() -> None:
    assert access_point.TIME_UNIT_NS == 1024 * MICROSECOND
    assert access_point.BEACON_INTERVAL_NS == 102_400 * MICROSECOND
    assert access_point.CLOCK_ERROR_LIMIT_PPB == 20_000


def test_queues_and_limits_are_those_of_linux() -> None:
    # mac80211: AP_MAX_BC_BUFFER, STA_MAX_TX_BUFFER, dynamic power save; dot11ShortRetryLimit; txqueuelen.
    assert contended_settings.GROUP_QUEUE_FRAMES == access_point.GroupHold().queue_frames == 128
    assert contended_settings.STATION_QUEUE_FRAMES == 64
    assert contended_settings.SLEEP_AFTER_NS == 100 * MILLISECOND
    assert contention.RETRY_LIMIT == sum(step.tries for step in fallback_chain(7)) == 7
    assert neighbours.NEIGHBOUR_QUEUE_FRAMES == 1000


def test_a_membership_lasts_two_queries_and_a_response() -> None:
    # RFC 3376 sections 8.1 to 8.4: robustness 2, query interval 125 s, response interval 10 s.
    assert contended_settings.MEMBERSHIP_LIFETIME_NS == (2 * 125 + 10) * SECOND
