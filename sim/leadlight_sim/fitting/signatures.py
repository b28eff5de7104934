"""What access points do to the group's packets, recognised where it shows.

* **Held apart**: what the group's packets share, and what each receiver adds of its own. One transmission reaches all
  at once; what differs from one receiver to another is its radio's and its host's.
* **Copies**: an access point that sends each member an acknowledged copy of its own reaches them one after another,
  each after a wait of its own. What differs is then as wide as what unicast packets differ by.
* **Forgotten**: a switch that looks into the group's reports, with nobody to ask for them, forgets members after
  minutes. A host then hears nothing of the group, and all that is for itself, until it reports again.
* **Isolation**: nothing is carried between two stations on the radio.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final

import numpy as np

from leadlight.units import MICROSECOND, SECOND
from leadlight_sim.recording import Floats, HostObserved, Observed, Way

COMMON_MINIMUM: Final = 50
"""Group packets that both hosts of a pair heard, before anything is said of what differs."""
COPIES_WIDTH: Final = 0.5
"""What two hosts' group delays differ by, over what two unicast packets do, from which on they are copies: halfway
between one transmission, which comes to nearly nothing, and packets on their own, which come to 1."""
COPIES_LEAST_NS: Final = 60 * MICROSECOND
"""No two copies follow one another more quickly; what differs by less is hosts' own."""
FORGOTTEN_PACKETS: Final = 30
FORGOTTEN_NS: Final = 8 * SECOND
"""So much of the group in a row is no dropout, while unicast comes."""
HEARD_SHARE: Final = 0.9


@dataclass(frozen=True, slots=True)
class Signatures:
    """What shows of an access point's ways.

    ``copies``: whether each member gets a copy of its own; None where one host alone heard the group. ``width`` is what
    decided it. ``forgotten`` says which hosts heard nothing of the group from when on, and for how long, in s.
    ``cut_off`` names hosts that nothing came from.
    """

    copies: bool | None
    width: float
    forgotten: tuple[tuple[str, float, float], ...]
    cut_off: tuple[str, ...]


def signatures_of(observed: Observed) -> Signatures:
    """Return what shows in a recording."""
    widths = _widths(observed)
    width = float(np.median(widths)) if widths else float("nan")
    forgotten = [(host.label, *found) for host in observed.hosts if (found := _forgotten(host)) is not None]
    cut_off = [host.label for host in observed.hosts if len(host.down) + len(host.up) and not len(host.round_trip)]
    return Signatures(width >= COPIES_WIDTH if widths else None, width, tuple(forgotten), tuple(cut_off))


def shared_and_apart(group: Sequence[Way]) -> tuple[tuple[Way, ...], Floats]:
    """Return what group packets took to all of their hearers, host by host, and what each host added to that.

    Where fewer than two hosts heard enough of the group nothing is told apart: all of a delay is shared.
    """
    heard = [way for way in group if np.count_nonzero(way.came) >= COMMON_MINIMUM]
    if len(heard) < 2:
        return tuple(group), np.empty(0)
    sent = np.unique(np.concatenate([way.sent_ns for way in heard]))
    table = np.full((len(heard), len(sent)), np.nan)
    for row, way in enumerate(heard):
        came = way.came
        table[row, np.searchsorted(sent, way.sent_ns[came])] = way.delay_ns[came]
    together = np.sum(~np.isnan(table), axis=0) >= 2
    if np.count_nonzero(together) < COMMON_MINIMUM:
        return tuple(group), np.empty(0)
    table[:, ~together] = np.nan
    # Each host's delays are off by a constant of its own, which no recording knows: it is none of the packets'.
    middle = np.nanmedian(table[:, together], axis=0)
    even = table - np.nanmedian(table[:, together] - middle, axis=1, keepdims=True)
    added = even - np.min(np.where(np.isnan(even), np.inf, even), axis=0)
    usual = float(np.nanmedian(added))
    shared = []
    for way, row in zip(heard, added, strict=True):
        own = row[np.searchsorted(sent, way.sent_ns)]
        shared.append(Way(way.sent_ns, np.maximum(0.0, way.delay_ns - np.where(np.isnan(own), usual, own))))
    apart: Floats = added[~np.isnan(added)]
    return tuple(shared), apart


def _widths(observed: Observed) -> list[float]:
    widths = []
    for place, one in enumerate(observed.hosts):
        for other in observed.hosts[place + 1 :]:
            _, mine, its = np.intersect1d(one.group.sent_ns, other.group.sent_ns, return_indices=True)
            difference = one.group.delay_ns[mine] - other.group.delay_ns[its]
            difference = difference[~np.isnan(difference)]
            if len(difference) < COMMON_MINIMUM:
                continue
            own = [_spread(way) for way in (one.down, other.down) if np.count_nonzero(way.came) >= COMMON_MINIMUM]
            if not own:
                continue
            alone = float(np.hypot(own[0], own[-1]))
            spread = _between(difference)
            widths.append(spread / alone if spread > COPIES_LEAST_NS and alone > 0 else 0.0)
    return widths


def _spread(way: Way) -> float:
    return _between(way.delays)


def _between(values: Floats) -> float:
    low, high = np.quantile(values, [0.25, 0.75])
    return float(high - low)


def _forgotten(host: HostObserved) -> tuple[float, float] | None:
    # The longest run of the group's packets that were lost while those for the host itself came.
    lost = ~host.group.came
    if lost.all():
        return None
    longest: tuple[float, float] | None = None
    place = 0
    for is_lost, run in groupby(lost.tolist()):
        length = sum(1 for _ in run)
        first, last = host.group.sent_ns[place], host.group.sent_ns[place + length - 1]
        place += length
        if not is_lost or length < FORGOTTEN_PACKETS or last - first < FORGOTTEN_NS:
            continue
        meanwhile = (host.down.sent_ns >= first) & (host.down.sent_ns <= last)
        if meanwhile.any() and np.mean(host.down.came[meanwhile]) >= HEARD_SHARE:
            span_s = float(last - first) / SECOND
            if longest is None or span_s > longest[1]:
                longest = float(first) / SECOND, span_s
    return longest
