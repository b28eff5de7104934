"""Does live pixel data reach this host as well? Two drivers on one piece fight, frame by frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from leadlight.readiness.findings import Finding, Verdict

PIXEL_PORT: Final = 5568
"""ANSI E1.31, section 9.2 (ACN_SDT_MULTICAST_PORT): where sACN goes."""


@dataclass(frozen=True, slots=True)
class PixelFacts:
    """What was seen of the port of ANSI E1.31 while the group was listened to.

    ``holder``: who has the port, ``None`` where it was free, "" where the system does not tell. ``arrivals``: how many
    datagrams of that standard came, or how often data was seen to wait at whoever has the port.
    """

    holder: str | None
    arrivals: int


def judge_pixel_data(facts: PixelFacts) -> Finding:
    """Return what there is to say of live pixel data."""
    values = {"holder": facts.holder, "arrivals": facts.arrivals}
    port = f"port {PIXEL_PORT} (sACN)"
    if facts.holder is None:
        if not facts.arrivals:
            return Finding("live_pixel_data", "live pixel data", f"{port} is free, and nothing came", values=values)
        said = f"{facts.arrivals} datagrams came to {port}, which nothing here listens to"
        to_do = "take this host out of what the live feed sends to: its airtime is the beacons' too"
        return Finding("live_pixel_data", "live pixel data", said, Verdict.LOOK, to_do, values)
    holder = facts.holder or "another program"
    if facts.arrivals:
        said = f"{holder} has {port}, and data arrives there"
        to_do = f"let one of the two drive the pixels: stop the live feed or {holder}, or they fight frame by frame"
        return Finding("live_pixel_data", "live pixel data", said, Verdict.LOOK, to_do, values)
    said = f"{holder} has {port}; no data was seen to arrive"
    to_do = f"stop {holder} before the show, unless something else than this show is lit by it"
    return Finding("live_pixel_data", "live pixel data", said, Verdict.LOOK, to_do, values)
