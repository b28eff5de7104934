"""What a recording tells of a network's packets: for each host and each way, when they were sent and what they took.

Of two hosts' stamps only the sum of both ways is sure. Each way, and the group's, is had from how the clocks are
related (``clocks``), with the least delay of both ways taken to be the same. What is *above its own least delay* is
sure then, and the delay itself to ``bound_ns``, half of the least round trip.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from leadlight.recording import Recording
from leadlight_sim.recording.clocks import Floats, relate

Flags = npt.NDArray[np.bool_]
EXCHANGES_MINIMUM: Final = 2


@dataclass(frozen=True, slots=True)
class Way:
    """Packets that went one way: when each was sent, in ns from the beginning, and what it took, NaN if it never came.
    """

    sent_ns: Floats
    delay_ns: Floats

    @classmethod
    def of(cls, sent_ns: Iterable[float], delay_ns: Iterable[float | None]) -> Way:
        """Return the packets of a way in the order of sending; ``None`` is one that never came."""
        sent = np.array(list(sent_ns), dtype=np.float64)
        delays = np.array([np.nan if delay is None else delay for delay in delay_ns], dtype=np.float64)
        order = np.argsort(sent, kind="stable")
        return cls(sent[order], delays[order])

    @property
    def came(self) -> Flags:
        """Which ones came."""
        found: Flags = ~np.isnan(self.delay_ns)
        return found

    @property
    def lost(self) -> int:
        """How many never came."""
        return int(np.count_nonzero(np.isnan(self.delay_ns)))

    def __len__(self) -> int:
        return len(self.sent_ns)

    def where(self, chosen: Flags) -> Way:
        """Return some of the packets."""
        return Way(self.sent_ns[chosen], self.delay_ns[chosen])

    @property
    def delays(self) -> Floats:
        """The delays of those that came."""
        found: Floats = self.delay_ns[self.came]
        return found


NOTHING: Final = Way.of((), ())


@dataclass(frozen=True, slots=True)
class HostObserved:
    """One host's packets. ``up`` goes to the access point's side and ``down`` from it, ``group`` is the group's.

    ``round_trip`` is both ways together, without the host's own time. ``bound_ns``: by how much each way may be wrong;
    ``nan`` where the ways were not had from stamps. ``halved``: both ways are halves of one round trip.
    """

    label: str
    up: Way = NOTHING
    down: Way = NOTHING
    group: Way = NOTHING
    round_trip: Way = NOTHING
    bound_ns: float = float("nan")
    drift_ppm: float = float("nan")
    halved: bool = False
    is_wireless: bool | None = None
    is_stamped: bool | None = None


@dataclass(frozen=True, slots=True)
class Observed:
    """A whole recording's packets. ``two_crossings``: each way crossed the radio twice, for both ends are on it."""

    source: str
    hosts: tuple[HostObserved, ...]
    length_ns: float
    begun_at: datetime.datetime | None = None
    two_crossings: bool = False
    prober_is_wireless: bool | None = None
    group_interval_ns: float | None = None
    notes: tuple[str, ...] = field(default=())

    @property
    def came(self) -> int:
        """How many packets came; both ways of one exchange are one, and so is a group packet that several heard."""
        ways = [(host.up.came, host.down.came) for host in self.hosts]
        exchanges = sum(max(int(np.count_nonzero(up)), int(np.count_nonzero(down))) for up, down in ways)
        group = [way.sent_ns[way.came] for way in self.ways("group")]
        return exchanges + (len(np.unique(np.concatenate(group))) if group else 0)

    def ways(self, name: str) -> list[Way]:
        """Return all hosts' packets of one way that there are any of: "up", "down", "group" or "round_trip"."""
        found: list[Way] = [way for host in self.hosts if len(way := getattr(host, name))]
        return found

    def where(self, chosen: Callable[[Floats], Flags]) -> Observed:
        """Return what was sent at some of the instants."""

        def part(way: Way) -> Way:
            return way.where(chosen(way.sent_ns))

        hosts = tuple(
            HostObserved(
                host.label, part(host.up), part(host.down), part(host.group), part(host.round_trip), host.bound_ns,
                host.drift_ppm, host.halved, host.is_wireless, host.is_stamped,
            )
            for host in self.hosts
        )  # fmt: skip
        return Observed(
            self.source, hosts, self.length_ns, self.begun_at, self.two_crossings, self.prober_is_wireless,
            self.group_interval_ns, self.notes,
        )  # fmt: skip


def observe(recording: Recording, source: str) -> Observed:
    """Return what a recording tells of its packets.

    The prober counts as being on the access point's cable unless its interface is known to be on the radio.
    """
    prober_is_wireless = recording.prober.is_wireless
    both = [host for host in recording.hosts if prober_is_wireless and host.is_wireless is not False]
    hosts = tuple(_host(recording, host.label, prober_is_wireless) for host in recording.hosts)
    notes = []
    if recording.paused_at:
        notes.append("The prober's host was suspended in between; what was sent then is left out.")
    silent = [host.label for host in recording.hosts if host.label not in recording.known_until]
    notes += [f"{label} told nothing of what it heard: its losses are not known." for label in silent]
    return Observed(
        source,
        hosts,
        float(recording.length_ns),
        recording.begun_at,
        bool(both),
        prober_is_wireless,
        float(recording.plan.group_interval_ns),
        tuple(notes),
    )


def _host(recording: Recording, label: str, prober_is_wireless: bool | None) -> HostObserved:
    told = recording.host(label)
    probes = [probe for probe in recording.probes_known_to(label) if not _is_in_pause(recording, probe.sent_at)]
    whole = [
        (probe.sent_at, probe.heard_at, probe.answered_at, probe.came_at)
        for probe in probes
        if probe.heard_at is not None and probe.answered_at is not None and probe.came_at is not None
    ]
    if len(whole) < EXCHANGES_MINIMUM:
        group = Way.of(*_columns([(probe.sent_at, None) for probe in recording.group_known_to(label)]))
        out = Way.of(*_columns([(probe.sent_at, None) for probe in probes]))
        return HostObserved(label, down=out, group=group, is_wireless=told.is_wireless, is_stamped=told.is_stamped)
    # Differences from the first one's, so that they fit a float.
    base = whole[0][1] - whole[0][0]
    stamps = np.array([(s, h - s - base, c - a + base) for s, h, a, c in whole], dtype=np.float64)
    order = np.argsort(stamps[:, 0], kind="stable")
    sent, ups, downs = stamps[order].T
    relation = relate(sent, ups, downs, base)

    def ahead(at: Sequence[float]) -> Floats:
        return relation.ahead_at(np.array(at, dtype=np.float64))

    heard = [probe for probe in probes if probe.heard_at is not None]
    out_sent = [probe.sent_at for probe in probes]
    out_ns = [None if p.heard_at is None else p.heard_at - p.sent_at - base for p in probes]
    out = _way(out_sent, out_ns, -ahead(out_sent))
    # An answer leaves by the host's clock; when one left that never came is not told, and is soon after its probe came.
    back_left = np.array([float((p.answered_at or p.heard_at or 0) - base) for p in heard])
    # Two clocks part by nothing that counts within the time that a probe takes.
    back_sent = back_left - ahead([probe.sent_at for probe in heard])
    back_sent = back_left - ahead(list(back_sent))
    back_ns = [None if p.came_at is None or p.answered_at is None else p.came_at - p.answered_at + base for p in heard]
    back = _way(list(back_sent), back_ns, ahead(list(back_sent)))
    group_probes = [p for p in recording.group_known_to(label) if not _is_in_pause(recording, p.sent_at)]
    group_sent = [probe.sent_at for probe in group_probes]
    group_ns = [p.heard[label] - p.sent_at - base if label in p.heard else None for p in group_probes]
    group = _way(group_sent, group_ns, -ahead(group_sent))
    round_trip = Way.of(sent, np.maximum(ups + downs, 0.0))
    # Of a prober on the radio and a host on the cable the way out is the way up.
    turned = bool(prober_is_wireless) and told.is_wireless is False
    up, down = (out, back) if turned else (back, out)
    bound = float(np.min(round_trip.delay_ns)) / 2
    return HostObserved(
        label, up, down, group, round_trip, bound, relation.drift_ppm, False, told.is_wireless, told.is_stamped
    )


def _columns(pairs: list[tuple[int, float | None]]) -> tuple[list[float], list[float | None]]:
    return [float(sent) for sent, _ in pairs], [delay for _, delay in pairs]


def _way(sent: Sequence[float], raw_ns: Sequence[float | None], ahead: Floats) -> Way:
    raw = np.array([np.nan if delay is None else delay for delay in raw_ns], dtype=np.float64)
    # Never below nothing, where a line that is a little off leaves less.
    delays = np.where(np.isnan(raw), np.nan, np.maximum(raw + ahead, 0.0)) if len(raw) else raw
    return Way.of(sent, delays)


def _is_in_pause(recording: Recording, at: int) -> bool:
    return any(0 <= paused - at < PAUSE_NS for paused in recording.paused_at)


PAUSE_NS: Final = 5_000_000_000
"""What was sent so long before the prober's host was found to have been suspended is left out."""
