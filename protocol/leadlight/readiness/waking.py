"""How late a host wakes a player for its frames: what that means in light, and how a scenario is told of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

from leadlight.readiness.findings import Finding, Verdict
from leadlight.units import MICROSECOND, MILLISECOND, describe

ROUNDED_TIMER: Final = "rounded-timer"
"""Waiting by the loop's own timer, which goes by whole milliseconds."""
EXACT_TIMER: Final = "exact-timer"
"""Waiting by the library's timer."""
SPIN: Final = "spin"
"""The same, and the last stretch in the processor."""

WAKES_LATE_NS: Final = 25 * MILLISECOND // 2
"""Half a frame at forty a second: woken later than this, a piece is nearer to the frame before."""
WAKES_TOO_LATE_NS: Final = 25 * MILLISECOND
"""A whole frame: if most wakings are as late, most frames are shown in the next one's place."""
TOLD_APART_NS: Final = 5 * MILLISECOND
"""Two neighbouring lights that differ by this are told apart (M. Fahle, Proc. R. Soc. B 254, 1993)."""
SHARES: Final = (0.5, 0.95, 0.99, 0.999)
"""The percentiles by which a scenario is told how late a host wakes."""


def percentile(values: Sequence[int], share: float) -> int:
    """Return the least value that this share of them does not exceed."""
    return sorted(values)[math.ceil(len(values) * share) - 1]


def judge_waking(wakes_ns: Sequence[int], recorded: Mapping[str, Sequence[int]], is_stamped: bool | None) -> Finding:
    """Return what there is to say of how late a player is woken.

    ``wakes_ns`` is as the library wakes it; ``recorded`` by each way of waiting, where that was asked for.
    """
    middle_ns, usual_ns, worst_ns = percentile(wakes_ns, 0.5), percentile(wakes_ns, 0.95), max(wakes_ns)
    values: dict[str, object] = {"median_ns": middle_ns, "worst_ns": worst_ns, "count": len(wakes_ns)}
    values["p95_ns"] = usual_ns
    said = (
        f"wakes {describe(middle_ns)} late, {describe(usual_ns)} in 95 of 100, {describe(worst_ns)} at worst of "
        f"{len(wakes_ns)}"
    )
    if recorded:
        values["recorded_ns"] = {way: list(percentiles(late_ns)) for way, late_ns in recorded.items()}
        values["scenario"] = scenario_line(recorded, is_stamped)
    if middle_ns > WAKES_TOO_LATE_NS:
        to_do = "stop what else runs on this host, for it shows most frames in the next one's place"
        return Finding("timer", "timer", said, Verdict.NO_GO, to_do, values)
    if worst_ns > WAKES_LATE_NS:
        to_do = "see what else runs on this host, for a frame can be shown that late"
        return Finding("timer", "timer", said, Verdict.LOOK, to_do, values)
    if usual_ns > TOLD_APART_NS:
        to_do = (
            "see what else runs on this host: beside a piece that wakes in time its frames are seen to come late, "
            f"from {describe(TOLD_APART_NS)} on"
        )
        return Finding("timer", "timer", said, Verdict.LOOK, to_do, values)
    return Finding("timer", "timer", said, values=values)


def percentiles(late_ns: Sequence[int]) -> tuple[int, ...]:
    """Return what a scenario is told of a recording, in ns."""
    return tuple(percentile(late_ns, share) for share in SHARES)


def scenario_line(recorded: Mapping[str, Sequence[int]], is_stamped: bool | None) -> str:
    """Return the line by which a scenario takes this host as it was recorded, as the library wakes players on it."""
    waking = SPIN if is_stamped else EXACT_TIMER
    late_us = ", ".join(f"{late / MICROSECOND:.0f}" for late in percentiles(recorded[waking]))
    stamps = "kernel" if is_stamped else "program"
    return f'host = {{ stamps = "{stamps}", waking = "{waking}", wakes_late_us = [{late_us}] }}'


def in_light(recorded: Mapping[str, Sequence[int]], is_stamped: bool | None) -> list[str]:
    """Return what a recording means in light, and the scenario's line, for people."""
    lines = ["how late a player is woken, by what it waits with (p50, p95, p99, p99.9):"]
    for way, late_ns in recorded.items():
        lines.append(f"  {way:14} {', '.join(describe(late) for late in percentiles(late_ns))}")
    waking = SPIN if is_stamped else EXACT_TIMER
    usual_ns, rare_ns = percentile(recorded[waking], 0.95), percentile(recorded[waking], 0.999)
    apart = "which nobody sees" if rare_ns < TOLD_APART_NS else "and now and then neighbours are seen to part"
    if usual_ns >= TOLD_APART_NS:
        apart = "which is seen beside a piece that wakes in time"
    lines.append(
        f"in light: beside another such host within {describe(usual_ns)} for 95 of 100 frames, {apart}; neighbours are "
        f"told apart from {describe(TOLD_APART_NS)} on"
    )
    lines.append(f"for a scenario: {scenario_line(recorded, is_stamped)}")
    return lines
