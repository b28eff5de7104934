"""Figures in words: spans, shares and waits in the unit that reads best."""

from __future__ import annotations

import math
import re

NOTHING = "–"
"""Stands where nothing was measured."""


def as_time(value_ms: float) -> str:
    """Return a span given in ms, in the unit that reads best; a dash for NaN."""
    if math.isnan(value_ms):
        return NOTHING
    size = abs(value_ms)
    if size < 0.0995:
        return f"{value_ms * 1000:.0f} µs"
    if size < 9.995:
        return f"{value_ms:.2f} ms"
    if size < 99.95:
        return f"{value_ms:.1f} ms"
    if size < 999.5:
        return f"{value_ms:.0f} ms"
    return f"{value_ms / 1000:.2f} s" if size < 99_995 else f"{value_ms / 1000:.0f} s"


def as_ms(value_ms: float) -> str:
    """Return a span in ms whatever its size, for a column that is read downwards; a dash for NaN."""
    if math.isnan(value_ms):
        return NOTHING
    size = abs(value_ms)
    digits = 3 if size < 0.00995 else 2 if size < 9.995 else 1 if size < 99.95 else 0
    return f"{value_ms:,.{digits}f} ms" if size else "0 ms"


def as_times(times: float) -> str:
    """Return how many times as much, with two significant digits: more would promise too much."""
    return f"{round(times, 1 - math.floor(math.log10(times))):,g}"


def as_share(share: float) -> str:
    """Return a share of one as a percentage that does not round a rare thing away; a dash for NaN."""
    if math.isnan(share):
        return NOTHING
    percent = 100 * share
    if 0 < percent < 0.1:
        return f"{percent:.1g} %"
    return f"{percent:.1f} %" if percent < 9.95 else f"{percent:,.0f} %"


def as_seconds(value_s: float | None) -> str:
    """Return a wait given in s; "never" for ``None``."""
    if value_s is None:
        return "never"
    return "at once" if value_s == 0 else f"{value_s:.2f} s" if value_s < 9.995 else f"{value_s:.0f} s"


def possessive(name: str) -> str:
    """Return whose it is: a name that ends in s, as many pieces' do, takes the apostrophe alone."""
    return f"{name}'" if name.endswith(("s", "S")) else f"{name}'s"


def keep_units(text: str) -> str:
    """Return a page's text in which no line breaks between a number and its unit."""
    return re.sub(r"(?<=\d) (?=(?:%|ms\b|µs\b|s\b))", "\N{NO-BREAK SPACE}", text)
