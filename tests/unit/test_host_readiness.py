from __future__ import annotations

import datetime
from dataclasses import replace
from typing import Any

import pytest

from leadlight.evening.manifest import PartFound
from leadlight.readiness.findings import Finding, Verdict
from leadlight.readiness.host import (
    RELEASE_YEAR,
    HostFacts,
    KeyFacts,
    judge_content,
    judge_host,
    judge_key_file,
)
from leadlight.readiness.waking import TOLD_APART_NS, WAKES_LATE_NS, WAKES_TOO_LATE_NS, in_light, scenario_line
from leadlight.terms import ContentState
from leadlight.units import MILLISECOND

NOON = datetime.datetime(RELEASE_YEAR, 12, 1, 12, tzinfo=datetime.UTC)

SOUND = HostFacts(
    interface="wlan0",
    address="10.0.0.7",
    is_named=True,
    is_loopback=False,
    is_fit=True,
    alternatives=(),
    multicast_trouble=None,
    buffer_bytes=262_144,
    buffer_wanted_bytes=262_144,
    is_stamped=True,
    wakes_ns=(1 * MILLISECOND, 2 * MILLISECOND, 3 * MILLISECOND),
    is_wireless=True,
    saves_power=False,
    wall_now=NOON,
)


def found(key: str, *, leads: bool = False, **changes: Any) -> Finding:
    (finding,) = [one for one in judge_host(replace(SOUND, **changes), leads=leads) if one.key == key]
    return finding


def test_a_sound_host_is_a_go_in_everything() -> None:
    findings = judge_host(SOUND, leads=True)
    assert [(one.key, one.found, one.verdict) for one in findings] == [
        ("multicast", "this host hears what it sends to the group", Verdict.GO),
        ("interface", "wlan0, 10.0.0.7, as named; no other would do", Verdict.GO),
        ("receive_buffer", "256 KiB granted, 256 KiB asked for", Verdict.GO),
        ("arrival_stamps", "the kernel says when a datagram came", Verdict.GO),
        ("timer", "wakes 2 ms late, 3 ms in 95 of 100, 3 ms at worst of 3", Verdict.GO),
        ("radio", "Wi-Fi, awake all the time", Verdict.GO),
        ("wall_clock", f"{RELEASE_YEAR}-12-01 12:00:00 by this host, UTC+0000", Verdict.GO),
    ]


def test_multicast_that_does_not_work_is_a_no_go_with_what_the_error_advises() -> None:
    finding = found("multicast", multicast_trouble="cannot send to the group: no route; name an interface")
    assert (finding.verdict, finding.found) == (Verdict.NO_GO, "cannot send to the group: no route")
    assert finding.to_do == "name an interface"
    assert finding.values == {"works": False}


def test_multicast_that_is_sent_and_not_heard_is_a_no_go_with_another_way() -> None:
    finding = found("multicast", multicast_trouble="sends to the group on wlan0, but does not hear it")
    assert finding.verdict is Verdict.NO_GO
    assert "--delivery" in finding.to_do


@pytest.mark.parametrize(
    ("changes", "said", "verdict"),
    [
        ({"alternatives": ("eth0",)}, "wlan0, 10.0.0.7, as named; eth0 would do too", Verdict.GO),
        (
            {"alternatives": ("eth0", "tun0"), "is_named": False},
            "wlan0, 10.0.0.7, by the system's routes; eth0, tun0 would do too",
            Verdict.LOOK,
        ),
        ({"is_named": False}, "wlan0, 10.0.0.7, by the system's routes; no other would do", Verdict.GO),
        ({"alternatives": None}, "wlan0, 10.0.0.7, as named; others: not told here", Verdict.GO),
        (
            {"is_fit": False, "alternatives": ("eth0",)},
            "wlan0, 10.0.0.7, as named: down, not connected, or unable to carry groups",
            Verdict.NO_GO,
        ),
        (
            {"interface": "10.0.0.7", "alternatives": None, "is_fit": None},
            "10.0.0.7, as named; others: not told here",
            Verdict.GO,
        ),
        (
            {"interface": "lo", "address": "127.0.0.1", "is_loopback": True, "is_fit": False},
            "lo, 127.0.0.1, as named: it reaches this host alone",
            Verdict.LOOK,
        ),
    ],
)
def test_an_interface_is_judged_by_whether_it_is_fit_and_whether_another_could_be_taken(
    changes: dict[str, Any], said: str, verdict: Verdict
) -> None:
    finding = found("interface", **changes)
    assert (finding.found, finding.verdict) == (said, verdict)
    assert ("--interface" in finding.to_do) == (verdict is not Verdict.GO)


def test_a_smaller_buffer_than_was_asked_for_is_to_look_at() -> None:
    assert found("receive_buffer", buffer_bytes=262_144).verdict is Verdict.GO
    finding = found("receive_buffer", buffer_bytes=262_143)
    assert finding.verdict is Verdict.LOOK
    assert "net.core.rmem_max" in finding.to_do
    assert finding.values == {"bytes": 262_143, "wanted_bytes": 262_144}


def test_a_kernel_that_does_not_stamp_is_to_look_at() -> None:
    finding = found("arrival_stamps", is_stamped=False)
    assert (finding.verdict, finding.values) == (Verdict.LOOK, {"stamped": False})


def test_what_could_not_be_tried_is_not_told_of() -> None:
    facts = replace(SOUND, buffer_bytes=None, is_stamped=None, multicast_trouble="no network; connect it")
    keys = [one.key for one in judge_host(facts, leads=False)]
    assert keys == ["multicast", "interface", "timer", "radio", "wall_clock"]


@pytest.mark.parametrize(
    ("wakes_ns", "verdict"),
    [
        ([TOLD_APART_NS], Verdict.GO),
        ([0] * 19 + [WAKES_LATE_NS], Verdict.GO),
        ([0] * 18 + [TOLD_APART_NS + 1] * 2, Verdict.LOOK),
        ([0, 0, WAKES_LATE_NS + 1], Verdict.LOOK),
        ([WAKES_TOO_LATE_NS] * 3, Verdict.LOOK),
        ([0, WAKES_TOO_LATE_NS + 1, WAKES_TOO_LATE_NS + 1], Verdict.NO_GO),
        ([0, 0, WAKES_TOO_LATE_NS + 1, WAKES_TOO_LATE_NS + 1], Verdict.LOOK),
    ],
)
def test_a_timer_is_judged_by_half_a_frame_at_worst_a_frame_in_the_middle_and_by_what_is_seen(
    wakes_ns: list[int], verdict: Verdict
) -> None:
    finding = found("timer", wakes_ns=tuple(wakes_ns))
    assert finding.verdict is verdict
    assert finding.values["worst_ns"] == max(wakes_ns)
    assert finding.values["count"] == len(wakes_ns)


@pytest.mark.parametrize(
    ("wireless", "saves_power", "said", "verdict"),
    [
        (True, True, "Wi-Fi, and it saves power", Verdict.LOOK),
        (True, False, "Wi-Fi, awake all the time", Verdict.GO),
        (True, None, "Wi-Fi; whether it saves power: not told here", Verdict.GO),
        (False, None, "no Wi-Fi", Verdict.GO),
        (None, None, "Wi-Fi or not: not told here", Verdict.GO),
    ],
)
def test_what_the_system_does_not_say_of_the_radio_is_never_guessed(
    wireless: bool | None, saves_power: bool | None, said: str, verdict: Verdict
) -> None:
    finding = found("radio", is_wireless=wireless, saves_power=saves_power)
    assert (finding.found, finding.verdict) == (said, verdict)
    unknown = {"signal_dbm": None, "rate_bps": None}
    assert finding.values == {"wireless": wireless, "saves_power": saves_power, **unknown}


def test_a_weak_signal_is_something_to_look_at() -> None:
    told: dict[str, Any] = {"is_wireless": True, "saves_power": False, "rate_bps": 54_000_000}
    strong = found("radio", signal_dbm=-60, **told)
    said = "Wi-Fi, heard at -60 dBm, sends at 54 Mbit/s, awake all the time"
    assert (strong.found, strong.verdict) == (said, Verdict.GO)
    weak = found("radio", signal_dbm=-80, **told)
    assert weak.verdict is Verdict.LOOK
    assert weak.to_do.startswith("bring it or its aerial nearer")


def test_a_clock_from_before_the_release_matters_to_whoever_leads_and_is_told_to_who_follows() -> None:
    year = datetime.datetime(RELEASE_YEAR, 1, 1, tzinfo=datetime.UTC)
    assert found("wall_clock", wall_now=year).verdict is Verdict.GO
    stale = year - datetime.timedelta(seconds=1)
    assert found("wall_clock", wall_now=stale).verdict is Verdict.LOOK
    finding = found("wall_clock", wall_now=stale, leads=True)
    assert finding.verdict is Verdict.NO_GO
    assert finding.found == f"{RELEASE_YEAR - 1}-12-31 23:59:59 by this host, UTC+0000: before this release was made"


def test_a_key_file_is_told_of_and_the_key_never() -> None:
    assert judge_key_file(None).verdict is Verdict.LOOK
    assert judge_key_file(KeyFacts("group.key", 1, is_open_to_others=False)) == Finding(
        "key_file",
        "key file",
        "group.key: 1 key, for its owner alone",
        values={"keys": 1, "open_to_others": False},
    )
    finding = judge_key_file(KeyFacts("group.key", 2, is_open_to_others=True))
    assert finding.verdict is Verdict.NO_GO
    assert finding.found == "group.key: 2 keys, and others than its owner may use it"
    assert "chmod 600 group.key" in finding.to_do


def test_parts_that_are_missing_or_differ_are_a_no_go_and_named() -> None:
    held = {"Tidefall": PartFound(ContentState.PRESENT), "Embers": PartFound(ContentState.PRESENT)}
    finding = judge_content(held, "jetty")
    assert (finding.verdict, finding.found) == (Verdict.GO, "all 2 parts of jetty are as the manifest lists them")
    cut_off, missing = PartFound(ContentState.OTHER_EDITION, -3), PartFound(ContentState.MISSING)
    finding = judge_content(held | {"Embers": cut_off, "Lull": missing}, "jetty")
    assert (finding.verdict, finding.found) == (Verdict.NO_GO, "jetty: Embers 3 bytes shorter, Lull missing")
    assert finding.values["shows"] == {"Tidefall": "present", "Embers": "other edition", "Lull": "missing"}


def test_a_recording_is_told_by_way_of_waiting_with_what_it_means_in_light_and_a_scenarios_line() -> None:
    thousand = [50_000] * 500 + [100_000] * 450 + [200_000] * 40 + [900_000] * 9 + [4 * MILLISECOND]
    recorded = {"rounded-timer": [800_000], "exact-timer": thousand, "spin": [3_000]}
    assert in_light(recorded, False) == [
        "how late a player is woken, by what it waits with (p50, p95, p99, p99.9):",
        "  rounded-timer  800 µs, 800 µs, 800 µs, 800 µs",
        "  exact-timer    50 µs, 100 µs, 200 µs, 900 µs",
        "  spin           3 µs, 3 µs, 3 µs, 3 µs",
        "in light: beside another such host within 100 µs for 95 of 100 frames, which nobody sees; neighbours are told "
        "apart from 5 ms on",
        'for a scenario: host = { stamps = "program", waking = "exact-timer", wakes_late_us = [50, 100, 200, 900] }',
    ]
    # Where the kernel stamps, the library spins.
    assert scenario_line(recorded, True) == (
        'host = { stamps = "kernel", waking = "spin", wakes_late_us = [3, 3, 3, 3] }'
    )
    finding = found("timer", recorded_ns={"rounded-timer": (7,), "exact-timer": (8,), "spin": (9,)})
    assert finding.values["recorded_ns"]["spin"] == [9, 9, 9, 9]
    assert str(finding.values["scenario"]).startswith("host = {")
