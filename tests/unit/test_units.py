from __future__ import annotations

import math

import pytest

from leadlight.errors import ConfigurationError
from leadlight.units import HOUR, MINUTE, SECOND, describe, milliseconds, seconds


def test_seconds_become_whole_nanoseconds() -> None:
    assert seconds(1.5) == 1_500_000_000
    assert seconds(1e-9) == 1
    assert milliseconds(0.25) == 250_000
    assert milliseconds(0) == 0


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, -0.001])
@pytest.mark.parametrize("convert", [seconds, milliseconds])
def test_what_cannot_be_a_duration_is_refused_by_name(convert: object, value: float) -> None:
    with pytest.raises(ConfigurationError, match="pause: ") as caught:
        convert(value, field="pause")  # type: ignore[operator]
    assert caught.value.field == "pause"


def test_a_minimum_is_a_limit_that_itself_is_allowed() -> None:
    assert seconds(2.0, minimum=2.0) == 2 * SECOND
    with pytest.raises(ConfigurationError, match="at least 2"):
        seconds(1.999, minimum=2.0)
    assert milliseconds(-3.0, minimum=-5.0) == -3_000_000


@pytest.mark.parametrize(
    ("duration_ns", "words"),
    [
        (0, "0 ns"),
        (999, "999 ns"),
        (1_000, "1 µs"),
        (1_250_000, "1.25 ms"),
        (-250_000_000, "-250 ms"),
        (999_600_000, "1 s"),
        (999_999, "1 ms"),
        (12_340_000_000, "12.3 s"),
        (999_400_000_000, "999 s"),
        (HOUR + MINUTE, "3660 s"),
    ],
)
def test_a_duration_is_told_in_its_largest_unit(duration_ns: int, words: str) -> None:
    assert describe(duration_ns) == words
