"""Every setting refuses what it cannot be where it is made, and says which and what is allowed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from random import Random
from typing import Any

import pytest

from leadlight import (
    Codec,
    Delivery,
    Follower,
    FollowerSettings,
    FrameRate,
    KeyRing,
    LeaderSettings,
    OnMusicLost,
    StoredShow,
)
from leadlight.clock import ClockSettings
from leadlight.errors import ConfigurationError
from leadlight.leader.pacing import PacerSettings
from leadlight.playback.content import Library
from leadlight.playback.output_clock import OutputClockSettings
from leadlight.playback.recovery import BlendedRecovery, HoldRecovery, SlewOnlyRecovery, StepOnlyRecovery
from leadlight.playback.stills import Still
from leadlight.units import MILLISECOND, SECOND

TIDEFALL = StoredShow("tidefall", FrameRate(40), 7680)
MAKERS: list[Callable[..., Any]] = [
    lambda **changes: FollowerSettings("jetty", **changes),
    lambda **changes: LeaderSettings("boathouse", **changes),
    ClockSettings,
    OutputClockSettings,
    PacerSettings,
    BlendedRecovery,
    HoldRecovery,
    SlewOnlyRecovery,
    StepOnlyRecovery,
]
WHOLE = [
    (make, field.name, getattr(make(), field.name))
    for make in MAKERS
    for field in fields(make())
    if type(getattr(make(), field.name)) is int
]


def test_there_is_much_to_check() -> None:
    assert len(WHOLE) > 30


@pytest.mark.parametrize(("make", "name", "value"), WHOLE, ids=lambda value: value if isinstance(value, str) else "")
def test_a_fraction_of_a_whole_number_is_refused_by_name(make: Callable[..., Any], name: str, value: int) -> None:
    with pytest.raises(ConfigurationError, match=f"^{name}: .*whole number") as refused:
        make(**{name: value + 0.5})
    assert refused.value.value == value + 0.5
    with pytest.raises(ConfigurationError, match=f"^{name}: .*whole number"):
        make(**{name: float(value)})


LEADER, FOLLOWER = MAKERS[1], MAKERS[0]
LIMITS: list[tuple[Callable[..., Any], str, int, int | None]] = [
    (LEADER, "interval_ns", 50 * MILLISECOND, 10 * SECOND),
    (LEADER, "rank", 0, 127),
    (LEADER, "lead_time_ns", 0, 60 * SECOND),
    (LEADER, "sounding_budget", 0, 255),
    (LEADER, "group_size", 0, 65_535),
    (LEADER, "listen_intervals", 0, 1_000),
    (LEADER, "roster_limit", 1, 65_535),
    (LEADER, "copies_limit", 1, 65_535),
    (FOLLOWER, "latency_ns", 0, SECOND),
    (FOLLOWER, "trim_ns", -10 * SECOND, 10 * SECOND),
    (FOLLOWER, "radio", 0, 65_535),
    (FOLLOWER, "silent_intervals", 2, None),
    (FOLLOWER, "holdover_cap_ns", 0, None),
    (FOLLOWER, "holdover_bound_ns", 0, None),
    (FOLLOWER, "tally_interval_ns", 100 * MILLISECOND, None),
    (ClockSettings, "lock_budget_ns", 1, None),
    (ClockSettings, "settle_after_ns", 0, None),
    (OutputClockSettings, "rate_limit_ppb", 1_000, 2_000_000),
    (OutputClockSettings, "closing_ns", SECOND, 600 * SECOND),
    (OutputClockSettings, "jitter_ns", 1_000, 100 * MILLISECOND),
    (OutputClockSettings, "step_above_ns", 10 * MILLISECOND, 10 * SECOND),
    (OutputClockSettings, "step_spacing_ns", 2 * SECOND, 60 * SECOND),
    (PacerSettings, "interval_ns", 50 * MILLISECOND, 10 * SECOND),
    (PacerSettings, "slope_ppb", 100, 100_000),
    (PacerSettings, "jump_ns", 50 * MILLISECOND, 60 * SECOND),
    (PacerSettings, "jitter_ns", 100_000, 100 * MILLISECOND),
    (SlewOnlyRecovery, "dead_band_ns", 0, 100 * MILLISECOND),
]


@pytest.mark.parametrize(("make", "name", "least", "most"), LIMITS, ids=[name for _, name, *_ in LIMITS])
def test_the_least_and_the_most_are_allowed_and_nothing_beyond(
    make: Callable[..., Any], name: str, least: int, most: int | None
) -> None:
    for allowed, beyond in ((least, -1), (most, 1)):
        if allowed is not None:
            assert getattr(make(**{name: allowed}), name) == allowed
            with pytest.raises(ConfigurationError, match=f"^{name}: "):
                make(**{name: allowed + beyond})


def test_milliseconds_times_a_fraction_is_the_mistake_that_it_names() -> None:
    with pytest.raises(ConfigurationError, match=r"latency_ns: 16200000\.0 .*round\(\)"):
        FollowerSettings("jetty", latency_ns=16.2 * MILLISECOND)  # type: ignore[arg-type]


@pytest.mark.parametrize("make", [FollowerSettings, LeaderSettings])
@pytest.mark.parametrize("name", ["", "x" * 25, "two\nlines", 7, None, "\N{LATIN SMALL LETTER E WITH ACUTE}" * 13])
def test_a_name_is_printable_text_of_at_most_24_bytes(make: Callable[..., Any], name: object) -> None:
    with pytest.raises(ConfigurationError, match=r"^name: .*24 bytes"):
        make(name)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("show", 3),
        ("show", ""),
        ("frame_rate", 40),
        ("frame_count", 400.0),
        ("frame_count", 0),
        ("edition", 1),
        ("manifest_digest", "ab"),
        ("stills", (Still(0, 2.5),)),  # type: ignore[arg-type]
    ],
)
def test_a_stored_show_refuses_what_would_fail_only_once_it_rolls(field: str, value: object) -> None:
    good: dict[str, Any] = {"show": "tidefall", "frame_rate": FrameRate(40), "frame_count": 400}
    with pytest.raises(ConfigurationError, match=f"^{field}: "):
        StoredShow(**(good | {field: value}))


@pytest.mark.parametrize("one", [*Delivery, *OnMusicLost])
def test_an_enumeration_s_text_stands_for_its_member(one: Delivery | OnMusicLost) -> None:
    field = "delivery" if isinstance(one, Delivery) else "on_music_lost"
    made = LeaderSettings("boathouse", **{field: str(one.value)})  # type: ignore[arg-type]
    assert getattr(made, field) is one
    assert made == LeaderSettings("boathouse", **{field: one})


WRONG: list[tuple[Callable[..., Any], str, Any, str]] = [
    (MAKERS[1], "delivery", "nonsense", "'automatic', 'group', 'copies', 'both'"),
    (MAKERS[1], "delivery", None, "'automatic'"),
    (MAKERS[1], "on_music_lost", "go on", "'continue', 'finish', 'dark'"),
    (MAKERS[1], "markers", "no", "True or False"),
    (MAKERS[1], "refuse_incomplete", 1, "True or False"),
    (MAKERS[0], "soundings", "off", "True or False"),
    (MAKERS[0], "lights", 0, "True or False"),
    (MAKERS[0], "clock", "fast", "a ClockSettings"),
    (ClockSettings, "declared_drift", "1e-4", "above zero, below"),
    (ClockSettings, "declared_drift", float("nan"), "above zero, below"),
    (ClockSettings, "estimator", "EdgeFilter", "what makes an estimator"),
    (ClockSettings, "views", ["another"], "'common view'"),
    (ClockSettings, "views", 7, "any of SHARED_DELAY"),
    (BlendedRecovery, "slew_rate", "2 %", "above zero, at most 0.1"),
    (BlendedRecovery, "slew_rate", float("nan"), "above zero, at most 0.1"),
]


@pytest.mark.parametrize(("make", "field", "value", "allowed"), WRONG)
def test_a_value_of_another_kind_is_refused_by_name(
    make: Callable[..., Any], field: str, value: Any, allowed: str
) -> None:
    with pytest.raises(ConfigurationError, match=f"^{field}: ") as refused:
        make(**{field: value})
    assert allowed in refused.value.allowed
    assert refused.value.field == field


PIECES: list[tuple[Callable[[], Any], str]] = [
    (lambda: Follower(FollowerSettings("jetty"), Codec("a"), Random(1), ["tidefall"]), "shows"),  # type: ignore[list-item]
    (lambda: Follower(FollowerSettings("jetty"), Codec("a"), Random(1), TIDEFALL), "shows"),  # type: ignore[arg-type]
    (lambda: Follower(FollowerSettings("jetty"), Codec("a"), Random(1), (), "blend"), "recovery"),  # type: ignore[arg-type]
    (lambda: Library("tidefall"), "shows"),  # type: ignore[arg-type]
    (lambda: Codec(None), "group"),  # type: ignore[arg-type]
    (lambda: Codec("a", {1: b"x" * 16}), "keys"),  # type: ignore[arg-type]
    (lambda: KeyRing([b"x" * 16]), "keys"),  # type: ignore[arg-type]
    (lambda: KeyRing({1: "x" * 16}), "key in slot 1"),  # type: ignore[dict-item]
    (lambda: StoredShow("tidefall", FrameRate(40), 5, stills=((0, 3),)), "stills"),  # type: ignore[arg-type]
    (lambda: StoredShow("tidefall", FrameRate(40), 2**32), "frame_count"),
]


@pytest.mark.parametrize(("make", "field"), PIECES)
def test_a_part_of_another_kind_is_refused_by_name(make: Callable[[], Any], field: str) -> None:
    with pytest.raises(ConfigurationError, match=f"^{field}: "):
        make()
