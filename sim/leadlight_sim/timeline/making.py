"""A timeline made from what a recorder noted: marks, spans that are as coarse as their number asks, and windows."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from leadlight.terms import Kind
from leadlight.units import BILLION, MILLISECOND, SECOND
from leadlight_sim.sampling import Floats
from leadlight_sim.scenario import Scenario, over_at_s, title_of
from leadlight_sim.telling import as_time
from leadlight_sim.timeline.causes import Circumstances, worst_moment
from leadlight_sim.timeline.model import (
    MISSING,
    NOT_DUE,
    SHOWN,
    Counts,
    Mark,
    Timeline,
    TimelinePackets,
    TimelineSpans,
    TimelineWindow,
    WorstMoment,
)
from leadlight_sim.timeline.recorder import AROUND_NS, BIN_NS, Recorder
from leadlight_sim.world import GROUP

FINE_MS: Final = 0.01
COARSE_MS: Final = 0.1
FINE_PIECES: Final = 32
"""With more pieces than these distances are told in tenths of a millisecond, else in hundredths."""
SPAN_VALUES_MAXIMUM: Final = 1_200_000
"""Least, middle and most of all pieces and spans, both ways: more make spans longer."""
FRAME_VALUES_MAXIMUM: Final = 2_500_000
"""Frames of all windows and pieces, both ways: marks beyond get none."""
FACTORS: Final = (1, 2, 4, 10, 20, 40, 60, 120, 240, 480, 1200, 2400)
"""Quarters of a second in a span."""
MARKS_MAXIMUM: Final = 200
NEVER: Final = -1
"""In place of the instant at which a packet came."""
_IMPORTANCE: Final = ("worst", "fault", "cue", "notable", "over", "order")


def wanted_instants(scenario: Scenario) -> list[int]:
    """Return the instants, in ns, about which frames are wanted whatever comes of the run."""
    return [round(mark.at_s * SECOND) for mark in _known_marks(scenario)]


def made(recorder: Recorder, scenario: Scenario, times_s: Floats, errors_ms: Sequence[Floats]) -> Timeline:
    """Return the timeline of a run that is over.

    ``times_s`` and ``errors_ms`` are the scoring instants and each piece's clock error at them.
    """
    names = tuple(follower.name for follower in scenario.followers)
    duration_s = scenario.run.duration_s
    bins = {key: np.concatenate([stretch[key] for stretch in recorder.bins], axis=1) for key in recorder.bins[0]}
    is_of_light = bool((bins["does"] == SHOWN).any()) or recorder.extremes.darkest is not None
    if not is_of_light:
        _put_clocks(bins, errors_ms)
    worst = _worst(recorder, scenario, times_s, errors_ms, is_of_light)
    unit_ms = FINE_MS if len(names) <= FINE_PIECES else COARSE_MS
    marks = _marks(recorder, scenario, names, worst)
    windows = _windows(recorder, marks, unit_ms, duration_s) if is_of_light else ()
    return Timeline(
        duration_s=duration_s,
        unit_ms=unit_ms,
        is_of_light=is_of_light,
        frame_s=recorder.frame_ns / BILLION,
        nodes=(scenario.leader.name, *names, *(standby.name for standby in scenario.standbys)),
        pieces=names,
        spans=_spans(recorder, bins, unit_ms),
        windows=windows,
        marks=marks,
        worst=worst,
    )


def _put_clocks(bins: dict[str, Floats], errors_ms: Sequence[Floats]) -> None:
    # No show was ever on: what is left to tell is how far the clocks are off, once in each span.
    count = bins["middle"].shape[1]
    errors = np.array([one[:count] for one in errors_ms])
    for key in ("least", "middle", "most"):
        bins[key][:, : errors.shape[1]] = errors


# --- The worst moment -------------------------------------------------------------------------------------------------


def _worst(
    recorder: Recorder, scenario: Scenario, times_s: Floats, errors_ms: Sequence[Floats], is_of_light: bool
) -> WorstMoment | None:
    spell = recorder.extremes.worst
    if is_of_light and spell is None:
        return None
    if is_of_light:
        assert spell is not None
        piece, at_s = spell.piece, spell.at / SECOND
        distance_ms = None if spell.is_dark else spell.signed_ms
        dark_s, late_ms = (spell.size_ms / 1000 if spell.is_dark else 0.0), spell.late_ms
    else:
        errors = np.array(errors_ms)
        first = (recorder.first_heard(piece) for piece in range(len(errors_ms)))
        heard = [one for one in first if one is not None]
        if not heard:
            return None
        counts = times_s >= (max(heard) / SECOND + scenario.run.settle_s)
        sizes = np.where(counts & ~np.isnan(errors), np.abs(errors), -1.0)
        piece, tick = (int(place) for place in np.unravel_index(int(np.argmax(sizes)), sizes.shape))
        if sizes[piece, tick] < 0:
            return None
        at_s, distance_ms, dark_s, late_ms = float(times_s[tick]), float(errors[piece, tick]), 0.0, 0.0
    tick = min(int(np.searchsorted(times_s, at_s, side="right")), len(times_s) - 1)
    clock_ms = float(errors_ms[piece][tick])
    found = Circumstances(
        at_s=at_s,
        piece=scenario.followers[piece].name,
        distance_ms=distance_ms,
        dark_s=dark_s,
        clock_ms=None if math.isnan(clock_ms) else clock_ms,
        late_ms=late_ms,
        heard_s=_last_beacon_s(recorder, 1 + piece, round(at_s * SECOND)),
    )
    return worst_moment(scenario, found, is_of_light)


def _last_beacon_s(recorder: Recorder, hearer: int, at: int) -> float | None:
    _, kinds, _, _ = recorder.packets.sent()
    packets, hearers, arrived_at = recorder.packets.arrivals()
    chosen = (hearers == hearer) & np.isin(kinds[packets], (Kind.BEACON, Kind.BEACON_COPY)) & (arrived_at <= at)
    return float(arrived_at[chosen].max()) / SECOND if chosen.any() else None


# --- Marks ------------------------------------------------------------------------------------------------------------


def _known_marks(scenario: Scenario) -> list[Mark]:
    end_s = scenario.run.duration_s
    titles = {show.id: show.title or show.id for show in scenario.shows}
    found = []
    for cue in scenario.cues:
        name = "" if cue.show is None else titles[cue.show]
        said = {"rolling": f"{name} begins", "paused": f"{name} paused", "dark": "dark", "stopped": "stopped"}
        if cue.state == "rolling" and cue.position_s:
            said["rolling"] = f"{name} goes on from {cue.position_s:g} s"
        found.append(Mark(cue.at_s, "cue", said[cue.state].strip()))
    found += [Mark(order.at_s, "order", f"order: {order.order}") for order in scenario.orders]
    for fault in scenario.faults:
        about = getattr(fault, "follower", None)
        found.append(Mark(fault.at_s, "fault", title_of(fault), about))
        over_s = over_at_s(fault)
        if over_s is not None and over_s > fault.at_s:
            found.append(Mark(over_s, "over", f"over: {title_of(fault)}", about))
    kept = sorted((mark for mark in found if mark.at_s < end_s), key=lambda mark: (_IMPORTANCE.index(mark.kind)))
    return kept[:MARKS_MAXIMUM]


def _marks(recorder: Recorder, scenario: Scenario, names: Sequence[str], worst: WorstMoment | None) -> tuple[Mark, ...]:
    marks = _known_marks(scenario)
    if worst is not None:
        what = f"dark for {as_time(worst.dark_s * 1000)}" if worst.distance_ms is None else (
            f"{as_time(abs(worst.distance_ms))} off")  # fmt: skip
        marks.append(Mark(worst.at_s, "worst", f"worst moment: {worst.piece}, {what}", worst.piece))
    extremes = recorder.extremes
    if extremes.furthest is not None and extremes.worst is not extremes.furthest:
        spell = extremes.furthest
        name = names[spell.piece]
        marks.append(Mark(spell.at / SECOND, "notable", f"furthest light: {name}, {as_time(spell.size_ms)} off", name))
    if extremes.pair is not None and extremes.pair.other is not None:
        spell, other = extremes.pair, extremes.pair.other
        two = f"{names[spell.piece]} and {names[other]}"
        text = f"furthest apart: {two}, {as_time(spell.size_ms)}"
        marks.append(Mark(spell.at / SECOND, "notable", text, names[spell.piece]))
    if extremes.naive is not None:
        spell = extremes.naive
        name = names[spell.piece]
        text = f"latest beacon furthest: {name}, {as_time(spell.size_ms)} off"
        marks.append(Mark(spell.at / SECOND, "notable", text, name))
    return tuple(sorted(marks, key=lambda mark: (mark.at_s, _IMPORTANCE.index(mark.kind))))


# --- Spans ------------------------------------------------------------------------------------------------------------


def _spans(recorder: Recorder, bins: dict[str, Floats], unit_ms: float) -> TimelineSpans:
    pieces, count = bins["middle"].shape
    least_factor = 6 * pieces * count / SPAN_VALUES_MAXIMUM
    factor = next((one for one in FACTORS if one >= least_factor), math.ceil(least_factor))
    whole = -(-count // factor)

    def grouped(key: str, empty: float = math.nan) -> Floats:
        padded = np.full((pieces, whole * factor), empty)
        padded[:, :count] = bins[key]
        return padded.reshape(pieces, whole, factor)

    def middle(key: str) -> Floats:
        if factor == 1:
            return bins[key]
        values = np.sort(grouped(key), axis=2)
        last = np.maximum((~np.isnan(values)).sum(axis=2) - 1, 0)
        found: Floats = np.take_along_axis(values, (last // 2)[..., None], axis=2)[..., 0]
        return found

    return TimelineSpans(
        span_s=factor * BIN_NS / BILLION,
        least=_counted(np.fmin.reduce(grouped("least"), axis=2), unit_ms),
        middle=_counted(middle("middle"), unit_ms),
        most=_counted(np.fmax.reduce(grouped("most"), axis=2), unit_ms),
        naive_least=_counted(np.fmin.reduce(grouped("naive_least"), axis=2), unit_ms),
        naive_middle=_counted(middle("naive_middle"), unit_ms),
        naive_most=_counted(np.fmax.reduce(grouped("naive_most"), axis=2), unit_ms),
        does=np.max(grouped("does", NOT_DUE), axis=2).astype(np.int32),
        **_beacons(recorder, whole, factor * BIN_NS, unit_ms),
    )


def _beacons(recorder: Recorder, count: int, span_ns: int, unit_ms: float) -> dict[str, Counts]:
    # What the beacons of each span met with, of all pieces together.
    sent_at, delays_ns = recorder.packets.beacons(0, recorder.pieces)
    found = np.full((3, count), np.nan)
    lost = np.zeros(count, np.int32)
    powered = np.array([recorder.powered_at(piece, sent_at) for piece in range(recorder.pieces)]).T
    span = sent_at // span_ns
    bounds = np.searchsorted(span, np.arange(count + 1))
    for number in np.unique(span[span < count]).tolist():
        rows = slice(bounds[number], bounds[number + 1])
        taken = np.sort(delays_ns[rows][~np.isnan(delays_ns[rows])])
        if taken.size:
            found[:, number] = taken[0], taken[(taken.size - 1) // 2], taken[-1]
        lost[number] = np.count_nonzero(np.isnan(delays_ns[rows]) & powered[rows])
    least, middle, most = (_counted(values / MILLISECOND, unit_ms) for values in found)
    return {"beacon_least": least, "beacon_middle": middle, "beacon_most": most, "beacon_lost": lost}


def _counted(values_ms: Floats, unit_ms: float) -> Counts:
    is_missing = np.isnan(values_ms)
    whole = np.rint(np.where(is_missing, 0.0, values_ms) / unit_ms)
    counts: Counts = np.clip(whole, -(2**31) + 2, 2**31 - 1).astype(np.int32)
    counts[is_missing] = MISSING
    return counts


# --- Windows ----------------------------------------------------------------------------------------------------------


def _windows(
    recorder: Recorder, marks: Iterable[Mark], unit_ms: float, duration_s: float
) -> tuple[TimelineWindow, ...]:
    # About the marks that matter most, as many as there is room for; windows that touch are one.
    pieces = next(iter(recorder.bins))["middle"].shape[0]
    frames_left = FRAME_VALUES_MAXIMUM // (2 * pieces)
    spans: list[tuple[int, int]] = []
    for mark in sorted(marks, key=lambda mark: (_IMPORTANCE.index(mark.kind), mark.at_s)):
        at = round(mark.at_s * SECOND)
        more = _joined([*spans, (max(at - AROUND_NS, 0), min(at + AROUND_NS, round(duration_s * SECOND)))])
        if sum(end - begin for begin, end in more) // recorder.frame_ns > frames_left:
            break
        spans = more
    log = _PacketTable(recorder)
    return tuple(_window(recorder, log, begin, end, unit_ms) for begin, end in spans)


def _joined(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    found: list[tuple[int, int]] = []
    for begin, end in sorted(spans):
        if found and begin <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], end)
        else:
            found.append((begin, end))
    return found


def _window(recorder: Recorder, log: _PacketTable, begin: int, end: int, unit_ms: float) -> TimelineWindow:
    stretches = [stretch for stretch in recorder.frames if stretch.begin <= end and stretch.end >= begin]
    at = np.concatenate([stretch.at for stretch in stretches])
    inside = (at >= begin) & (at <= end)
    ours, naive, does = (
        np.concatenate([getattr(stretch, key) for stretch in stretches], axis=1)[:, inside]
        for key in ("ours", "naive", "does")
    )
    return TimelineWindow(
        begin_s=begin / SECOND,
        end_s=end / SECOND,
        first_frame_s=float(at[inside][0]) / SECOND if inside.any() else begin / SECOND,
        ours=_counted(ours, unit_ms),
        naive=_counted(naive, unit_ms),
        does=does.astype(np.int32),
        packets=log.between(begin, end),
    )


class _PacketTable:
    """Packets and arrivals side by side, for windows to be cut from."""

    def __init__(self, recorder: Recorder) -> None:
        self._sent = recorder.packets.sent()
        self._arrivals = recorder.packets.arrivals()
        self._followers = recorder.pieces
        self._recorder = recorder

    def between(self, begin: int, end: int) -> TimelinePackets:
        """Return the packets that were on their way between two instants; one to the group has a row for each piece."""
        first, last = np.searchsorted(self._sent[0], (begin - 2 * SECOND, end + 1))
        sent_at, kinds, senders, receivers = (column[first:last] for column in self._sent)
        nodes = 1 + max(self._followers, int(receivers.max(initial=0)))
        packets, hearers, arrivals_at = self._arrivals
        chosen = np.flatnonzero((packets >= first) & (packets < last) & (hearers < nodes))[::-1]
        had_at = np.full((len(sent_at), nodes), NEVER)
        # From the last to the first: where one came twice, its first arrival counts.
        had_at[packets[chosen] - first, hearers[chosen]] = arrivals_at[chosen]
        # A beacon that a piece with power does not get is lost; of a mark, all that heard it are told.
        is_group = receivers == GROUP
        leasts = np.where(is_group, np.where(kinds == Kind.BEACON, 1, 0), receivers)
        counts = np.where(is_group, 1 + self._followers - leasts, 1)
        packet = np.repeat(np.arange(len(sent_at)), counts)
        hearer = leasts[packet] + np.arange(len(packet)) - np.repeat(np.cumsum(counts) - counts, counts)
        at, sent, group = had_at[packet, hearer], sent_at[packet], is_group[packet]
        is_lost = at == NEVER
        kept = np.where(is_lost, (sent >= begin) & (hearer != senders[packet]), at >= begin)
        for piece in range(self._followers):
            gone = np.flatnonzero(is_lost & group & (hearer == 1 + piece))
            kept[gone] &= self._recorder.powered_at(piece, sent[gone])
        arrived = np.where(is_lost, MISSING, (at - begin) // 1000)
        columns = (kinds[packet], senders[packet], hearer, (sent - begin) // 1000, arrived, group)
        return TimelinePackets(*(column[kept].astype(np.int32) for column in columns))
