"""The evening page's moving part: the timeline packed into a page, with the script that shows it."""

from __future__ import annotations

import base64
import json
import math
import zlib
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Final

import numpy as np
from markupsafe import Markup

from leadlight_sim.measures import Rehearsal, worst_first
from leadlight_sim.report.spans import fault_spans, show_spans
from leadlight_sim.timeline import BEACON_COLUMNS, PACKET_COLUMNS, SPAN_COLUMNS, Mark, Timeline

SHOWN_MAXIMUM: Final = 32
"""Of more pieces than these, drawings show the worst and those that are picked."""
WORST_SHOWN: Final = 12
LEVEL: Final = 4
"""Of compression: the usual one, 6, takes up to twice as long and saves a fiftieth."""
SCRIPTS: Final = ("data.js", "paint.js", "crowd.js", "distance.js", "journeys.js", "evening.js")


@dataclass(frozen=True, slots=True)
class MovingEvening:
    """What the page's template needs: the packed timeline, script and style, and what it writes itself."""

    head: Markup
    values: Markup
    script: Markup
    style: Markup
    marks: tuple[Mark, ...]
    pieces: tuple[str, ...]
    is_picked: tuple[bool, ...]
    can_pick: bool
    frame: str


def moving_evening(rehearsal: Rehearsal) -> MovingEvening | None:
    """Return the moving part of a rehearsal's page, ``None`` where no timeline was kept."""
    timeline = rehearsal.timeline
    if timeline is None:
        return None
    shown = _shown(rehearsal)
    folder = files("leadlight_sim.report").joinpath("moving")
    # Each part of the script is a file of its own that is strict by itself: one scope holds them all.
    script = "\n".join(folder.joinpath(name).read_text("utf-8").replace('"use strict";\n', "") for name in SCRIPTS)
    return MovingEvening(
        head=Markup(_inline(json.dumps(_head(rehearsal, timeline, shown), ensure_ascii=False, allow_nan=False))),
        values=Markup(base64.b64encode(packed(timeline)).decode("ascii")),
        script=Markup(f'(() => {{\n"use strict";\n{script}}})();'),
        style=Markup(folder.joinpath("evening.css").read_text("utf-8")),
        marks=timeline.marks,
        pieces=timeline.pieces,
        is_picked=tuple(piece in shown for piece in range(len(timeline.pieces))),
        can_pick=len(timeline.pieces) > SHOWN_MAXIMUM,
        frame=f"{1000 * timeline.frame_s:g} ms",
    )


def packed(timeline: Timeline) -> bytes:
    """Return all whole numbers of a timeline, compressed: 32 bits each, first the lowest byte of all, then the next."""
    arrays = [getattr(timeline.spans, name) for name in (*SPAN_COLUMNS, *BEACON_COLUMNS)]
    for window in timeline.windows:
        arrays += [window.ours, window.naive, window.does]
        arrays += [getattr(window.packets, name) for name in PACKET_COLUMNS]
    together = np.concatenate([values.ravel() for values in arrays]).astype("<i4")
    return zlib.compress(together.view(np.uint8).reshape(-1, 4).T.tobytes(), LEVEL)


def _head(rehearsal: Rehearsal, timeline: Timeline, shown: frozenset[int]) -> dict[str, Any]:
    scenario = rehearsal.scenario
    places = scenario.site.places
    return {
        "duration_s": timeline.duration_s,
        "unit_ms": timeline.unit_ms,
        "is_of_light": timeline.is_of_light,
        "frame_s": timeline.frame_s,
        "limit_ms": scenario.error_target_ms,
        "nodes": timeline.nodes,
        "pieces": [
            {"name": follower.name, "pixels": follower.pixels, "place": places.get(follower.name)}
            for follower in scenario.followers
        ],
        "shown": sorted(shown),
        "shows": [{"begin_s": begin, "end_s": end, "title": title} for begin, end, title in show_spans(scenario)],
        "faults": [{"begin_s": begin, "end_s": end, "title": title} for begin, end, title in fault_spans(scenario)],
        "marks": [{"at_s": mark.at_s, "kind": mark.kind, "text": mark.text} for mark in timeline.marks],
        "worst_at_s": None if timeline.worst is None else timeline.worst.at_s,
        "spans": {"span_s": timeline.spans.span_s, "count": timeline.spans.middle.shape[1]},
        "windows": [
            {
                "begin_s": window.begin_s,
                "end_s": window.end_s,
                "first_frame_s": window.first_frame_s,
                "frames": window.ours.shape[1],
                "packets": len(window.packets.kind),
            }
            for window in timeline.windows
        ],
    }


def _shown(rehearsal: Rehearsal) -> frozenset[int]:
    followers = rehearsal.scores.followers
    if len(followers) <= SHOWN_MAXIMUM:
        return frozenset(range(len(followers)))
    numbers = {id(score): number for number, score in enumerate(followers)}
    shown = [numbers[id(score)] for score in worst_first(followers)[:WORST_SHOWN]]
    worst = rehearsal.timeline.worst if rehearsal.timeline else None
    if worst is not None:
        shown.append(next(number for number, score in enumerate(followers) if score.name == worst.piece))
    return frozenset(shown)


def _inline(text: str) -> str:
    # Within a script element nothing may look like its end, or like a comment's beginning.
    return text.replace("<", "\\u003c")


def clock_label(mark: Mark) -> str:
    """Return a mark's instant for its button."""
    minutes, seconds = divmod(math.floor(mark.at_s), 60)
    return f"{minutes}:{seconds:02}" if minutes < 60 else f"{minutes // 60}:{minutes % 60:02}:{seconds:02}"
