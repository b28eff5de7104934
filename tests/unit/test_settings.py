"""Every setting refuses what it cannot be where it is made, and says which and what is allowed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from typing import Any

import pytest

from leadlight import FollowerSettings, FrameRate, LeaderSettings, StoredShow
from leadlight.clock import ClockSettings
from leadlight.errors import ConfigurationError
from leadlight.leader.pacing import PacerSettings
from leadlight.playback.output_clock import OutputClockSettings
from leadlight.playback.recovery import BlendedRecovery, HoldRecovery, SlewOnlyRecovery, StepOnlyRecovery
from leadlight.playback.stills import Still
from leadlight.units import MILLISECOND

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
