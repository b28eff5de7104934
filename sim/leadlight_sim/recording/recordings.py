"""Recorded delays: read from CSV or JSON, whatever measured them.

A CSV file has a line of column names, a JSON file a list of objects with the same names. The columns are

* ``at_s`` with any of ``up_ms``, ``down_ms``, ``group_ms`` and ``round_trip_ms``: when a packet was sent, in seconds,
  and how long it took; an empty cell (``null``) is one that never came. Half of a round trip is taken for each way;
* or ``sent_ns``, ``heard_ns``, ``answered_ns`` and ``received_ns``: an exchange by the clocks of both ends, the first
  and the last by the asking end's. The clocks need not agree (``clocks``).

Other columns are passed over. What `leadlight record` wrote is read by ``read_observed`` as well.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from statistics import fmean
from typing import Any

import numpy as np

from leadlight.errors import LeadlightError
from leadlight.recording import is_recording, read_recording
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.recording.clocks import relate
from leadlight_sim.recording.observed import HostObserved, Observed, Way, observe

FILE_MAXIMUM_BYTES = 256 << 20
STAMPS = ("sent_ns", "heard_ns", "answered_ns", "received_ns")
DELAYS = ("up_ms", "down_ms", "group_ms", "round_trip_ms")
DELAY_MAXIMUM_MS = 60_000.0


@dataclass(frozen=True, slots=True)
class Sample:
    """One recorded packet or exchange: when it was sent, and what each way took, in ns; None where nothing came.

    ``up_ns`` is to the access point's side, ``down_ns`` from it, ``group_ns`` a group frame's. ``halved``: both ways
    are half of one round trip.
    """

    sent_at: int
    up_ns: int | None = None
    down_ns: int | None = None
    group_ns: int | None = None
    halved: bool = field(default=False, compare=False)

    @property
    def mean_ns(self) -> float | None:
        """The mean of what came, or None."""
        came = [delay for delay in (self.up_ns, self.down_ns, self.group_ns) if delay is not None]
        return fmean(came) if came else None


class RecordingError(LeadlightError, ValueError):
    """A recording cannot be read. The message names the file and the row."""


def read_observed(path: Path) -> Observed:
    """Return what a file tells of its network's packets, be it of `leadlight record` or a table of delays.

    Raises ``LeadlightError`` naming the file and its line.
    """
    if path.is_file() and is_recording(path):
        return observe(read_recording(path), path.name)
    samples = read_delays(path)
    stamped = samples.stamped
    return observed_of(samples.rows, path.name, stamped)


@dataclass(frozen=True, slots=True)
class Delays:
    """The rows of a table, in the order of the file; ``stamped``: their ways were had from both ends' stamps."""

    rows: list[Sample]
    stamped: bool


def observed_of(samples: Sequence[Sample], source: str, stamped: bool = False) -> Observed:
    """Return the packets of a table of delays, which may be in any order, as one host's.

    A row without any delay is one that never came, of each way that the table has; a row that has some is of those.
    """
    names = [
        name for name in ("up_ns", "down_ns", "group_ns") if any(getattr(one, name) is not None for one in samples)
    ]
    # Where nothing came at all the packets were sent all the same.
    names = names or ["up_ns"]
    begin = min((sample.sent_at for sample in samples), default=0)
    ways = {name: ([], []) for name in names}  # type: dict[str, tuple[list[float], list[int | None]]]
    for sample in samples:
        for name in names:
            delay = getattr(sample, name)
            if delay is not None or sample.mean_ns is None:
                ways[name][0].append(float(sample.sent_at - begin))
                ways[name][1].append(delay)
    made = {name: Way.of(*columns) for name, columns in ways.items()}
    both = [(s.sent_at - begin, s.up_ns + s.down_ns) for s in samples if s.up_ns is not None and s.down_ns is not None]
    round_trip = Way.of([float(at) for at, _ in both], [trip for _, trip in both])
    empty = Way.of((), ())
    host = HostObserved(
        "the host",
        up=made.get("up_ns", empty),
        down=made.get("down_ns", empty),
        group=made.get("group_ns", empty),
        round_trip=round_trip,
        bound_ns=float(np.min(round_trip.delay_ns)) / 2 if stamped and both else math.nan,
        halved=any(sample.halved for sample in samples),
    )
    length = max((sample.sent_at - begin for sample in samples), default=0)
    return Observed(source, (host,), float(length))


def read_delays(path: Path) -> Delays:
    """Return the rows of a table of delays. Raises ``RecordingError``."""
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
        return Delays(_exchanges(path, rows), True)
    if "at_s" in names and set(DELAYS) & names:
        return Delays([_packet(path, where, row) for where, row in rows], False)
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
    up_ns, down_ns, group_ns = (None if delay is None else round(delay * MILLISECOND) for delay in (up, down, group))
    return Sample(round(at_s * SECOND), up_ns, down_ns, group_ns, halved=both is not None)


def _exchanges(path: Path, rows: list[tuple[str, Mapping[str, Any]]]) -> list[Sample]:
    stamps = []
    for where, row in rows:
        found = [_stamp(path, where, row, name) for name in STAMPS]
        if found[0] is None:
            raise RecordingError(f"{path}, {where}: sent_ns: missing; allowed: a whole number of ns")
        stamps.append(found)
        _check_order(path, where, found)
    whole = [[stamp for stamp in found if stamp is not None] for found in stamps if None not in found]
    if len(whole) < 2:
        raise RecordingError(f"{path}: {len(whole)} exchanges; needed: two or more of which every stamp is there")
    # Differences from the first one, so that they fit a float.
    begin, base = whole[0][0], whole[0][1] - whole[0][0]
    rows_ns = sorted(
        (sent - begin, heard - sent - base, came - answered + base) for sent, heard, answered, came in whole
    )
    sent_ns, up_ns, down_ns = np.array(rows_ns, dtype=np.float64).T
    relation = relate(sent_ns, up_ns, down_ns, base)
    ahead = relation.ahead_at(np.array([float((found[0] or begin) - begin) for found in stamps]))
    samples = []
    for (sent, heard, answered, received), ahead_ns in zip(stamps, ahead.tolist(), strict=True):
        assert sent is not None
        if heard is None or answered is None or received is None:
            samples.append(Sample(sent))
            continue
        offset = base + round(ahead_ns)
        samples.append(Sample(sent, max(0, heard - sent - offset), max(0, received - answered + offset)))
    return samples


def _check_order(path: Path, where: str, stamps: list[int | None]) -> None:
    if None in stamps:
        return
    sent, heard, answered, received = (stamp or 0 for stamp in stamps)
    for words, span_ns in (("round trip", received - sent - answered + heard), ("time to answer", answered - heard)):
        if span_ns < 0:
            told = f"the {words} is {span_ns / MILLISECOND:g} ms: are the columns in their order?"
            raise RecordingError(f"{path}, {where}: {told}")


def _number(path: Path, where: str, row: Mapping[str, Any], name: str, least: float, most: float) -> float | None:
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
