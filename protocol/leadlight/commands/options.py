"""What the words after a command's options mean, and errors that name the option instead of the setting it fills."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Final

from leadlight.cue import FrameRate
from leadlight.errors import ConfigurationError, UsageError
from leadlight.units import HOUR, MICROSECOND, MILLISECOND, MINUTE, SECOND

_UNITS_NS: Final = {"us": MICROSECOND, "µs": MICROSECOND, "ms": MILLISECOND, "s": SECOND, "min": MINUTE, "h": HOUR}
_DURATION: Final = re.compile(r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)) ?(us|µs|ms|s|min|h)?")


def duration_ns(
    option: str, text: str, *, minimum_ns: int = 0, maximum_ns: float = math.inf, needs_unit: bool = False
) -> int:
    """Return the duration written as ``16ms``, ``2.5s`` or ``3min``, in ns; one without a unit is in seconds.

    ``needs_unit``: whether one without a unit is refused, where seconds would be taken for milliseconds. Raises
    ``ConfigurationError`` that names ``option`` for what is no duration, or none from ``minimum_ns`` to
    ``maximum_ns``.
    """
    found = _DURATION.fullmatch(text)
    if found is not None and needs_unit and found[2] is None and float(found[1]):
        raise ConfigurationError(option, text, f"a number with its unit: {found[1]}ms, or {found[1]}s")
    length_ns = None if found is None else round(float(found[1]) * _UNITS_NS[found[2] or "s"])
    if length_ns is None or not minimum_ns <= length_ns <= maximum_ns:
        signs = "" if minimum_ns < 0 else " above zero" if minimum_ns > 0 else ", zero or more"
        example = "16ms or 0.016s" if needs_unit else "0.5, 500ms or 3min"
        raise ConfigurationError(option, text, f"a duration{signs}, such as {example}")
    return length_ns


def frame_rate(option: str, text: str) -> FrameRate:
    """Return the frame rate written as ``40`` or ``30000/1001``; ``ConfigurationError`` names ``option``."""
    numerator, slash, denominator = text.partition("/")
    if not numerator.isdecimal() or (slash and not denominator.isdecimal()):
        raise ConfigurationError(option, text, "a whole number, or two with a slash between")
    with named_by_option({"frame_rate": (option, text)}):
        return FrameRate(int(numerator), int(denominator) if slash else 1)


@contextmanager
def named_by_option(given: Mapping[str, tuple[str, object]]) -> Iterator[None]:
    """Let a ``ConfigurationError`` name the option and what was given there instead of the setting's field and value.

    ``given`` holds both by the field's name.
    """
    try:
        yield
    except ConfigurationError as error:
        if error.field not in given:
            raise
        option, value = given[error.field]
        # Whoever types an option gives it its unit.
        raise ConfigurationError(option, value, error.allowed.replace(" in ns", "")) from None


def check_company(given: Mapping[str, bool], needed: str, *companions: bool) -> None:
    """Raise ``UsageError`` for the first option that is ``given`` while none of its ``companions`` is.

    ``needed`` names those: ``"--show"``, ``"--show or --running-order"``.
    """
    for option, is_given in given.items():
        if is_given and not any(companions):
            raise UsageError(f"{option} needs {needed}")


def check_apart(option: str, others: Mapping[str, bool], why: str = "") -> None:
    """Raise ``UsageError`` if one of ``others`` is given: ``option`` goes without them."""
    for other, is_given in others.items():
        if is_given:
            raise UsageError(f"{other} does not go with {option}{f': {why}' if why else ''}")
