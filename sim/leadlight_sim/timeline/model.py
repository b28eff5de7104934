"""The timeline as values: what the evening page and the figures of a rehearsal are both made from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, TypeAlias

import numpy as np
import numpy.typing as npt

Counts: TypeAlias = npt.NDArray[np.int32]

MISSING: Final = -(2**31)
"""In place of a whole number where there is no value."""
NOT_DUE, SHOWN, NO_POWER, DARK = 0, 1, 2, 3
"""What a piece does: no show is on; it shows it; it has no power; it has, and shows nothing of the show that is on."""


@dataclass(frozen=True, slots=True)
class Mark:
    """An instant to jump to, in s of the run.

    ``kind`` is ``worst``, ``fault``, ``over``, ``cue``, ``order`` or ``notable``; ``piece`` is the one it is about.
    """

    at_s: float
    kind: str
    text: str
    piece: str | None = None


@dataclass(frozen=True, slots=True)
class Cause:
    """Why a moment was the worst: a ``kind`` for programs, a text for people, and the fault it rests on, if any.

    ``kind`` is ``fault``, ``unheard``, ``silence``, ``cue``, ``delays``, ``correction`` or ``waking``.
    """

    kind: str
    text: str
    fault: str | None = None


@dataclass(frozen=True, slots=True)
class WorstMoment:
    """The worst moment of a run: when in s, which piece, how far from the music in ms, and why.

    ``dark_s`` is how long the piece was dark, where that was it, and 0 elsewhere; ``distance_ms`` is positive ahead.
    """

    at_s: float
    piece: str
    distance_ms: float | None
    dark_s: float
    cause: Cause
    sentence: str


@dataclass(frozen=True, slots=True, eq=False)
class TimelineSpans:
    """Equal spans of the whole run. Distances are whole multiples of the timeline's unit, pieces × spans."""

    span_s: float
    least: Counts
    middle: Counts
    most: Counts
    naive_least: Counts
    naive_middle: Counts
    naive_most: Counts
    does: Counts
    """``NOT_DUE``, ``SHOWN``, ``NO_POWER`` or ``DARK``: the last of these that occurred in the span."""
    beacon_least: Counts
    beacon_middle: Counts
    beacon_most: Counts
    """How long beacons to the group that were sent in the span took to all who had them, in the timeline's unit."""
    beacon_lost: Counts
    """How many arrivals there were too few: of pieces that had power."""


@dataclass(frozen=True, slots=True, eq=False)
class TimelinePackets:
    """Packets and arrivals as columns. Times are in µs from the window's begin, nodes by their numbers.

    ``arrived`` is ``MISSING`` where it never came. A packet to the group has one row for each that should have had it.
    """

    kind: Counts
    sender: Counts
    receiver: Counts
    sent: Counts
    arrived: Counts
    is_group: Counts


@dataclass(frozen=True, slots=True, eq=False)
class TimelineWindow:
    """A stretch of which every frame and every packet is kept: distances as in ``TimelineSpans``, pieces × frames."""

    begin_s: float
    end_s: float
    first_frame_s: float
    ours: Counts
    naive: Counts
    does: Counts
    packets: TimelinePackets


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """An evening as one can move through it. Node 0 is the leader, then come the pieces, then standbys."""

    duration_s: float
    unit_ms: float
    is_of_light: bool
    """False where no show was ever on while anything counted: distances are then of clocks, and there are no frames."""
    frame_s: float
    nodes: tuple[str, ...]
    pieces: tuple[str, ...]
    spans: TimelineSpans
    windows: tuple[TimelineWindow, ...]
    marks: tuple[Mark, ...]
    worst: WorstMoment | None

    def to_json(self) -> dict[str, Any]:
        """Return everything as plain values; ``None`` where there is no value."""
        spans = self.spans
        return {
            "duration_s": self.duration_s,
            "unit_ms": self.unit_ms,
            "is_of_light": self.is_of_light,
            "frame_s": self.frame_s,
            "nodes": list(self.nodes),
            "pieces": list(self.pieces),
            "worst_moment": None if self.worst is None else worst_to_json(self.worst),
            "marks": [
                {"at_s": mark.at_s, "kind": mark.kind, "text": mark.text, "piece": mark.piece} for mark in self.marks
            ],
            "spans": {"span_s": spans.span_s}
            | {name: _plain(getattr(spans, name)) for name in (*SPAN_COLUMNS, *BEACON_COLUMNS)},
            "windows": [
                {
                    "begin_s": window.begin_s,
                    "end_s": window.end_s,
                    "first_frame_s": window.first_frame_s,
                    "ours": _plain(window.ours),
                    "naive": _plain(window.naive),
                    "does": _plain(window.does),
                    "packets": {name: _plain(getattr(window.packets, name)) for name in PACKET_COLUMNS},
                }
                for window in self.windows
            ],
        }


SPAN_COLUMNS: Final = ("least", "middle", "most", "naive_least", "naive_middle", "naive_most", "does")
BEACON_COLUMNS: Final = ("beacon_least", "beacon_middle", "beacon_most", "beacon_lost")
PACKET_COLUMNS: Final = ("kind", "sender", "receiver", "sent", "arrived", "is_group")


def worst_to_json(worst: WorstMoment) -> dict[str, Any]:
    """Return the worst moment as plain values."""
    return {
        "at_s": worst.at_s,
        "piece": worst.piece,
        "distance_ms": worst.distance_ms,
        "dark_s": worst.dark_s,
        "cause": {"kind": worst.cause.kind, "text": worst.cause.text, "fault": worst.cause.fault},
        "sentence": worst.sentence,
    }


def _plain(values: Counts) -> list[Any]:
    if values.ndim > 1:
        return [_plain(row) for row in values]
    return [None if value == MISSING else value for value in values.tolist()]
