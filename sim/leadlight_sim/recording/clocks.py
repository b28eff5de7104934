"""How far apart two hosts' clocks are, from exchanges between them, and how they part as time goes on.

Of an exchange both ways' delays are known only with the clocks' difference θ in them. One way takes ``up - θ``, the
other ``down + θ``, and neither is ever less than its least delay. The least delays themselves are not to be had, only
their sum. Here both are taken to be the same, so that a delay may be wrong by half of the least round trip, and never
by more.

What changes in θ is to be had. First the line that leaves both ways the greatest least delay (S. B. Moon, P. Skelly, D.
Towsley, "Estimation and removal of clock skew from network delay measurements", INFOCOM 1999, who draw it by linear
programming too). It rests on the few quickest packets, and these are now and then quicker than others were. So, once
that line is taken out, spans of some fifty packets each tell the middle between their two ways' least delays. The line
that is nearest to all of them is taken out as well. It may bend, for crystals wander, where it is nearer for it by more
than a bend costs (S.-J. Kim, K. Koh, S. Boyd, D. Gorinevsky, "l1 trend filtering", SIAM Review 51, 2009).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import linprog
from scipy.sparse import coo_array, eye_array, hstack, vstack

from leadlight.units import SECOND

Floats = npt.NDArray[np.float64]

KNOT_NS: Final = 20 * SECOND
KNOTS_MAXIMUM: Final = 90
BUCKETS_MAXIMUM: Final = 400
"""Of each way so many least points are kept: a straight line touches no others."""
SPAN_PACKETS: Final = 50
SPANS_MAXIMUM: Final = 240
BEND_COSTS: Final = (3.0, 1.0, 0.3, 0.1)
"""In spans: a bend must bring all spans together so many times as much nearer as it moves the line from one knot to the
next. Which one is taken is decided by every other span, of how near the line is that was drawn through the rest."""
CLEARLY: Final = 0.8
QUICK_SHARE: Final = 0.3
DRIFT_MAXIMUM: Final = 1e-3
"""No two clocks part more quickly: crystals differ by a few hundred millionths, and what steers clocks by 500 more."""


@dataclass(frozen=True, slots=True)
class ClockRelation:
    """By how much another clock is ahead of one's own, as straight pieces between ``knots_ns`` of one's own clock.

    ``bound_ns`` is by how much that may be wrong at most: half of the least round trip.
    """

    knots_ns: Floats
    ahead_ns: Floats
    base_ns: int
    bound_ns: float

    def ahead_at(self, at_ns: Floats) -> Floats:
        """Return by how much the other clock is ahead at instants of one's own, less ``base_ns``."""
        if len(self.knots_ns) == 1:
            return np.full(len(at_ns), self.ahead_ns[0])
        found: Floats = np.interp(at_ns, self.knots_ns, self.ahead_ns)
        # Beyond the ends the clocks go on to part as they did.
        for end, step in ((0, 1), (-1, -1)):
            beyond = at_ns < self.knots_ns[0] if end == 0 else at_ns > self.knots_ns[-1]
            found[beyond] = self.ahead_ns[end] + self._slope(end, end + step) * (at_ns[beyond] - self.knots_ns[end])
        return found

    @property
    def drift_ppm(self) -> float:
        """By how many millionths the other clock is quicker, on average."""
        return 1e6 * self._slope(0, -1) if len(self.knots_ns) > 1 else 0.0

    def _slope(self, one: int, other: int) -> float:
        rise, run = self.ahead_ns[other] - self.ahead_ns[one], self.knots_ns[other] - self.knots_ns[one]
        return float(rise / run)


def relate(sent_ns: Floats, up_ns: Floats, down_ns: Floats, base_ns: int = 0) -> ClockRelation:
    """Return how two clocks are related, by exchanges of which all four stamps are known.

    ``up_ns`` is the other clock's reading on arrival less one's own on sending. ``down_ns`` is one's own on the
    answer's arrival less the other's on its sending. Each has ``base_ns`` taken out of the clocks' difference. One
    exchange is enough; the more, the better is what changes known.
    """
    slope, level = _line(sent_ns, up_ns, down_ns)
    straight = level + slope * (sent_ns - sent_ns[0])
    knots, bent = _bent(sent_ns, up_ns - straight, down_ns + straight)
    ahead = bent + level + slope * (knots - sent_ns[0])
    relation = ClockRelation(knots, ahead, base_ns, 0.0)
    left = relation.ahead_at(sent_ns)
    shift = _evened(up_ns - left, down_ns + left)
    bound_ns = float(np.min(up_ns + down_ns)) / 2
    return ClockRelation(knots, ahead + shift, base_ns, bound_ns)


def _evened(up_ns: Floats, down_ns: Floats) -> float:
    # By how much to move the line for both ways to have the same least delay. One least packet of a whole recording is
    # luck where delays thin out towards their least: so spans tell it, those of them in which both ways were quickest.
    parts = np.array_split(np.arange(len(up_ns)), max(1, min(SPANS_MAXIMUM, len(up_ns) // SPAN_PACKETS)))
    least = np.array([(np.min(up_ns[part]), np.min(down_ns[part])) for part in parts])
    quick = np.argsort(np.sum(least, axis=1), kind="stable")[: max(1, round(QUICK_SHARE * len(parts)))]
    return float(np.median(least[quick, 0] - least[quick, 1])) / 2


def _line(sent_ns: Floats, up_ns: Floats, down_ns: Floats) -> tuple[float, float]:
    # The straight line that leaves both ways the greatest least delay: its slope and its level at the beginning.
    since = (sent_ns - sent_ns[0]) / SECOND
    ups, downs = _least(since, up_ns), _least(since, down_ns)
    rows = [np.column_stack([np.ones(len(ups)), since[ups], np.ones(len(ups))])]
    rows.append(np.column_stack([-np.ones(len(downs)), -since[downs], np.ones(len(downs))]))
    limits = np.concatenate([up_ns[ups], down_ns[downs]])
    steepest = DRIFT_MAXIMUM * SECOND if since[-1] > 0 else 0.0
    found = linprog(
        [0.0, 0.0, -1.0], A_ub=np.vstack(rows), b_ub=limits, method="highs",
        bounds=[(None, None), (-steepest, steepest), (None, None)],
    )  # fmt: skip
    level, slope, _ = found.x
    return float(slope) / SECOND, float(level)


def _bent(sent_ns: Floats, up_ns: Floats, down_ns: Floats) -> tuple[Floats, Floats]:
    # What the straight line leaves, at knots that are far enough apart; nothing of a recording that is too short.
    span_ns = float(sent_ns[-1] - sent_ns[0])
    spans = int(min(SPANS_MAXIMUM, len(sent_ns) // SPAN_PACKETS))
    if spans < 3:
        ends = np.array([sent_ns[0], sent_ns[-1]])[: 2 if span_ns > 0 else 1]
        return ends, np.zeros(len(ends))
    parts = np.array_split(np.arange(len(sent_ns)), spans)
    at = np.array([np.mean(sent_ns[part]) for part in parts])
    middle = np.array([(np.min(up_ns[part]) - np.min(down_ns[part])) / 2 for part in parts])
    count = max(2, min(KNOTS_MAXIMUM, spans // 2, int(span_ns // KNOT_NS)) + 1)
    knots = np.linspace(sent_ns[0], sent_ns[-1], count)
    cost = BEND_COSTS[0]
    if spans >= 8:
        judged = [_off(at, middle, knots, each) for each in BEND_COSTS]
        for place in range(1, len(BEND_COSTS)):
            # One that bends more readily must be clearly nearer, for chance bends lines too.
            if judged[place] < CLEARLY * judged[BEND_COSTS.index(cost)]:
                cost = BEND_COSTS[place]
    return knots, _nearest(at, middle, knots, cost)


def _off(at: Floats, middle: Floats, knots: Floats, bend_cost: float) -> float:
    # How far a line through every other span is from the others.
    line = _nearest(at[0::2], middle[0::2], knots, bend_cost)
    return float(np.sum(np.abs(np.interp(at[1::2], knots, line) - middle[1::2])))


def _nearest(at: Floats, middle: Floats, knots: Floats, bend_cost: float) -> Floats:
    # Unknown are the line at each knot, how far each span is from it, and by how much the slope changes at each inner
    # knot, in ns from one knot to the next.
    spans, count = len(at), len(knots)
    step = knots[1] - knots[0]
    left = np.clip(((at - knots[0]) // step).astype(int), 0, count - 2)
    share = (at - knots[left]) / step
    line = _rows(spans, count, (left, 1 - share), (left + 1, share))
    row = np.arange(count - 2)
    ones = np.ones(count - 2)
    bend = _rows(count - 2, count, (row, ones), (row + 1, -2 * ones), (row + 2, ones))
    wanted = vstack([line, bend])
    size = eye_array(spans + count - 2)
    aim = np.concatenate([middle, np.zeros(count - 2)])
    found = linprog(
        np.concatenate([np.zeros(count), np.ones(spans), np.full(count - 2, bend_cost)]),
        A_ub=vstack([hstack([wanted, -size]), hstack([-wanted, -size])]).tocsr(),
        b_ub=np.concatenate([aim, -aim]),
        bounds=[(None, None)] * count + [(0.0, None)] * (spans + count - 2),
        method="highs",
    )
    return np.asarray(found.x[:count])


def _rows(rows: int, columns: int, *entries: tuple[npt.NDArray[Any], Floats]) -> Any:
    row = np.tile(np.arange(rows), len(entries))
    values = np.concatenate([value for _, value in entries])
    return coo_array((values, (row, np.concatenate([column for column, _ in entries]))), shape=(rows, columns))


def _least(since_s: Floats, values: Floats) -> npt.NDArray[np.intp]:
    # The places of the least value of each of equal spans of time.
    span = since_s[-1] - since_s[0]
    if len(values) <= BUCKETS_MAXIMUM or span == 0:
        return np.arange(len(values))
    bucket = np.minimum((since_s - since_s[0]) / span * BUCKETS_MAXIMUM, BUCKETS_MAXIMUM - 1).astype(int)
    order = np.lexsort((values, bucket))
    first = np.ones(len(order), dtype=bool)
    first[1:] = bucket[order][1:] != bucket[order][:-1]
    places: npt.NDArray[np.intp] = order[first]
    return places
