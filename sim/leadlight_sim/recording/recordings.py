"""Recorded delays: read from CSV or JSON, whatever measured them.

A CSV file has a line of column names, a JSON file a list of objects with the same names. The columns are

* ``at_s`` with any of ``up_ms``, ``down_ms``, ``group_ms`` and ``round_trip_ms``: when a packet was sent, in seconds,
  and how long it took; an empty cell (``null``) is one that never came. Half of a round trip is taken for each way;
* or ``sent_ns``, ``heard_ns``, ``answered_ns`` and ``received_ns``: an exchange by the clocks of both ends, the first
  and the last by the asking end's. The clocks need not agree: their difference is taken to run along the middle between
  the shortest delays of both ways (the envelopes of S. B. Moon, P. Skelly, D. Towsley, INFOCOM 1999), so that both ways
  have one floor.

Other columns are passed over.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from leadlight.errors import LeadlightError
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.air.choice import Sample
from leadlight_sim.baselines import hull_below

FILE_MAXIMUM_BYTES = 256 << 20
STAMPS = ("sent_ns", "heard_ns", "answered_ns", "received_ns")
DELAYS = ("up_ms", "down_ms", "group_ms", "round_trip_ms")
DELAY_MAXIMUM_MS = 60_000.0
DRIFT_MAXIMUM = 1e-3
"""No two clocks part more quickly: crystals differ by a few hundred millionths, and what steers clocks by 500 more."""


class RecordingError(LeadlightError, ValueError):
    """A recording cannot be read. The message names the file and the row."""


def read_recording(path: Path) -> list[Sample]:
    """Return a recording's samples in the order of the file. Raises ``RecordingError``."""
    try:
        if path.stat().st_size > FILE_MAXIMUM_BYTES:
            raise RecordingError(f"{path}: too long; allowed: {FILE_MAXIMUM_BYTES} bytes")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise RecordingError(f"{path}: cannot be read: {error}") from error
    rows = list(_json_rows(path, text) if text.lstrip().startswith(("[", "{")) else _csv_rows(text))
    if not rows:
        raise RecordingError(f"{path}: no rows")
    names = rows[0][1].keys()
    if set(STAMPS) <= names:
        return _exchanges(path, rows)
    if "at_s" in names and set(DELAYS) & names:
        return [_packet(path, where, row) for where, row in rows]
    needed = f"at_s with any of {', '.join(DELAYS)}, or {', '.join(STAMPS)}"
    raise RecordingError(f"{path}: columns {', '.join(map(str, names))}; needed: {needed}")


def _csv_rows(text: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    reader = csv.DictReader(text.splitlines(), skipinitialspace=True)
    for row in reader:
        yield f"line {reader.line_num}", {str(name).strip(): value for name, value in row.items()}


def _json_rows(path: Path, text: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    try:
        found = json.loads(text)
    except ValueError as error:
        raise RecordingError(f"{path}: not JSON: {error}") from error
    if not isinstance(found, list) or not all(isinstance(row, dict) for row in found):
        raise RecordingError(f"{path}: not a list of objects")
    for number, row in enumerate(found):
        yield f"entry {number}", row


def _packet(path: Path, where: str, row: Mapping[str, Any]) -> Sample:
    at_s = _number(path, where, row, "at_s", -math.inf, math.inf)
    if at_s is None:
        raise RecordingError(f"{path}, {where}: at_s: missing; allowed: a number of seconds")
    up, down, group, both = (_number(path, where, row, name, 0.0, DELAY_MAXIMUM_MS) for name in DELAYS)
    if both is not None:
        up, down = both / 2 if up is None else up, both / 2 if down is None else down
    ways = [None if delay is None else round(delay * MILLISECOND) for delay in (up, down, group)]
    return Sample(round(at_s * SECOND), *ways)


def _exchanges(path: Path, rows: list[tuple[str, Mapping[str, Any]]]) -> list[Sample]:
    stamps = []
    for where, row in rows:
        found = [_stamp(path, where, row, name) for name in STAMPS]
        if found[0] is None:
            raise RecordingError(f"{path}, {where}: sent_ns: missing; allowed: a whole number of ns")
        stamps.append(found)
    whole = [[stamp for stamp in found if stamp is not None] for found in stamps if None not in found]
    if len(whole) < 2:
        raise RecordingError(f"{path}: {len(whole)} exchanges; needed: two or more of which every stamp is there")
    # Differences from the first one, so that they fit a float.
    begin, base = whole[0][0], whole[0][1] - whole[0][0]
    ups = _floor([(sent - begin, heard - sent - base) for sent, heard, _, _ in whole])
    downs = _floor([(sent - begin, received - answered + base) for sent, _, answered, received in whole])
    samples = []
    for sent, heard, answered, received in stamps:
        assert sent is not None
        if heard is None or answered is None or received is None:
            samples.append(Sample(sent))
            continue
        at = float(sent - begin)
        offset = base + round((np.interp(at, *ups) - np.interp(at, *downs)) / 2)
        samples.append(Sample(sent, max(0, heard - sent - offset), max(0, received - answered + offset)))
    return samples


def _floor(points: list[tuple[int, int]]) -> Any:
    hull = hull_below(sorted((float(at), float(delay)) for at, delay in points))
    # Where a recording begins or ends with slow packets the hull goes steeply to them: no clocks part so quickly.
    while len(hull) > 1 and _slope(hull[0], hull[1]) < -DRIFT_MAXIMUM:
        del hull[0]
    while len(hull) > 1 and _slope(hull[-2], hull[-1]) > DRIFT_MAXIMUM:
        del hull[-1]
    return np.array(hull).T


def _slope(one: tuple[float, float], other: tuple[float, float]) -> float:
    return (other[1] - one[1]) / (other[0] - one[0]) if other[0] > one[0] else 0.0


def _number(
    path: Path, where: str, row: Mapping[str, Any], name: str, least: float, most: float
) -> float | None:
    value = row.get(name)
    if value is None or (isinstance(value, str) and not value.strip()):
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = math.nan
    if not (math.isfinite(number) and least <= number <= most) or isinstance(value, bool):
        allowed = "a number" if math.isinf(most) else f"a number from {least:g} to {most:g}, or nothing"
        raise RecordingError(f"{path}, {where}: {name}: {value!r} is not allowed; allowed: {allowed}")
    return number


def _stamp(path: Path, where: str, row: Mapping[str, Any], name: str) -> int | None:
    value = row.get(name)
    if value is None or (isinstance(value, str) and not value.strip()):
        return None
    try:
        if isinstance(value, bool | float):
            raise ValueError
        return int(value)
    except (TypeError, ValueError):
        allowed = "a whole number of ns, or nothing"
        raise RecordingError(f"{path}, {where}: {name}: {value!r} is not allowed; allowed: {allowed}") from None
