from __future__ import annotations

import pytest

from leadlight.commands.options import check_apart, check_company, duration_ns, frame_rate, named_by_option
from leadlight.cue import FrameRate
from leadlight.errors import ConfigurationError, UsageError
from leadlight.units import HOUR, MICROSECOND, MILLISECOND, MINUTE, SECOND


@pytest.mark.parametrize(
    ("text", "length_ns"),
    [
        ("0.5", SECOND // 2),
        ("2", 2 * SECOND),
        ("16ms", 16 * MILLISECOND),
        ("0.5 ms", 500 * MICROSECOND),
        (".25s", 250 * MILLISECOND),
        ("30us", 30 * MICROSECOND),
        ("30µs", 30 * MICROSECOND),
        ("3min", 3 * MINUTE),
        ("1h", HOUR),
        ("+10s", 10 * SECOND),
    ],
)
def test_a_duration_is_a_number_with_a_unit_or_of_seconds(text: str, length_ns: int) -> None:
    assert duration_ns("--for", text) == length_ns


@pytest.mark.parametrize("text", ["", "ms", "1e3", "nan", "inf", "1,5s", "5 minutes", "2s500ms", "-1", "-1ms"])
def test_what_is_no_duration_is_refused_by_the_name_of_its_option(text: str) -> None:
    with pytest.raises(ConfigurationError, match=r"^--for: '.*' is not allowed; allowed: a duration, zero or more"):
        duration_ns("--for", text)


def test_where_milliseconds_are_taken_for_seconds_the_unit_must_be_said() -> None:
    assert duration_ns("--trim", "0", needs_unit=True) == 0
    assert duration_ns("--trim", "-5ms", needs_unit=True, minimum_ns=-SECOND) == -5 * MILLISECOND
    with pytest.raises(ConfigurationError, match="a number with its unit: 5ms, or 5s"):
        duration_ns("--trim", "5", needs_unit=True)


def test_a_duration_beyond_its_limits_is_refused() -> None:
    assert duration_ns("--for", "1ms", minimum_ns=MILLISECOND) == MILLISECOND
    with pytest.raises(ConfigurationError, match="above zero"):
        duration_ns("--for", "0.9ms", minimum_ns=MILLISECOND)
    with pytest.raises(ConfigurationError):
        duration_ns("--for", "2s", maximum_ns=SECOND)


@pytest.mark.parametrize("text", ["0", "40/0", "40/", "/1", "fast", "29.97", "-40", "1001"])
def test_a_frame_rate_that_is_none_is_refused_by_the_name_of_its_option(text: str) -> None:
    with pytest.raises(ConfigurationError, match=r"^--frame-rate: '"):
        frame_rate("--frame-rate", text)


def test_a_frame_rate_is_a_whole_number_or_a_ratio() -> None:
    assert frame_rate("--frame-rate", "40") == FrameRate(40)
    assert frame_rate("--frame-rate", "30000/1001") == FrameRate(30_000, 1001)


def test_an_error_names_the_option_and_what_was_given_there() -> None:
    given: dict[str, tuple[str, object]] = {"latency_ns": ("--latency", "16s")}
    with pytest.raises(ConfigurationError) as caught, named_by_option(given):
        raise ConfigurationError("latency_ns", 16 * SECOND, "0 to a second in ns")
    assert str(caught.value) == "--latency: '16s' is not allowed; allowed: 0 to a second"
    with pytest.raises(ConfigurationError, match=r"^radio: 70000"), named_by_option(given):
        raise ConfigurationError("radio", 70_000, "16 bits")


def test_options_that_need_each_other_or_exclude_each_other_are_named() -> None:
    check_company({"--edition": False}, "--show", False)
    check_company({"--edition": True}, "--show or --running-order", False, True)
    with pytest.raises(UsageError, match=r"^--show-at needs --show$"):
        check_company({"--edition": False, "--show-at": True}, "--show", False)
    check_apart("--drill", {"--live": False})
    with pytest.raises(UsageError, match=r"^--show does not go with --manifest: it lists the shows$"):
        check_apart("--manifest", {"--show": True}, "it lists the shows")
