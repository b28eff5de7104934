"""What a recording holds: who took part, by which plan, and what became of every probe.

One host, the *prober*, sends probes to the group and to every other host, and these answer. All that is known comes to
the prober, which writes it to one file:

* a **group probe** leaves at ``sent_at`` by the prober's clock, and is heard at an instant of each hearer's own clock;
* a **host probe** leaves at ``sent_at``, is heard at ``heard_at`` and answered at ``answered_at``, both by the host's
  clock, and its answer comes at ``came_at`` by the prober's.

Each clock counts ns from an instant of its own: the prober's from the beginning of the recording, a host's from when it
first heard of it. So ``(came_at - sent_at) - (answered_at - heard_at)`` is the time both ways took together. ``heard_at
- sent_at`` is the time one way took, plus a difference of two clocks that drifts, and that no recording knows to better
than half of the least round trip. Group probes are heard by the same clock of the host as its own probes: that
difference is the same for both.

A host tells which probes it heard until the prober confirms that it knows. So a probe that is not heard is known to be
lost, up to ``known_until``: what was sent later may have been heard and not told.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field

from leadlight.units import MILLISECOND, SECOND
from leadlight.wire import PROBE_BYTES

DITHER_SHARE_OF_PROBES = 0.4
"""Probes leave up to this share of their interval before or after its instants: a regular sender would always meet an
access point at the same point of its rhythm."""


@dataclass(frozen=True, slots=True)
class Plan:
    """By which plan a recording was made; times in ns.

    ``host_interval_ns``: how often each host is asked, less often where ``host_probes_per_second`` for all of them
    would be passed. ``probe_bytes``: UDP payload of probes and answers.
    """

    duration_ns: int
    group_interval_ns: int = 250 * MILLISECOND
    host_interval_ns: int = 250 * MILLISECOND
    host_probes_per_second: int = 30
    dither_share: float = DITHER_SHARE_OF_PROBES
    probe_bytes: int = PROBE_BYTES

    def host_interval_for(self, hosts: int) -> int:
        """Return how often each of so many hosts is asked, in ns."""
        return max(self.host_interval_ns, hosts * SECOND // self.host_probes_per_second)


@dataclass(frozen=True, slots=True)
class RecordedHost:
    """One host, by its label; ``joined_at`` by the prober's clock: what was sent from then on counts for it.

    ``is_stamped``: whether its kernel stamps what arrives; its program does otherwise. ``is_wireless``,
    ``saves_power`` and ``signal_dbm`` of its interface: ``None`` where its system does not tell.
    """

    label: str
    joined_at: int = 0
    is_stamped: bool = False
    is_wireless: bool | None = None
    saves_power: bool | None = None
    signal_dbm: int | None = None


@dataclass(slots=True)
class GroupProbe:
    """One probe to the group; ``heard``: when each host that did heard it, by its own clock."""

    number: int
    sent_at: int
    heard: dict[str, int] = field(default_factory=dict)


@dataclass(slots=True)
class HostProbe:
    """One probe to one host; ``None`` for what did not happen, or is not known to have happened.

    ``heard_at`` and ``answered_at`` are by the host's clock, the other two by the prober's. Where the answer is lost
    ``heard_at`` may be known all the same, and ``answered_at`` is not.
    """

    number: int
    sent_at: int
    heard_at: int | None = None
    answered_at: int | None = None
    came_at: int | None = None


@dataclass(frozen=True, slots=True)
class Load:
    """How busy a host's processor was: waiting programs for each core, in hundredths, at an instant of the prober's."""

    label: str
    at: int
    percent: int


@dataclass(frozen=True, slots=True)
class Recording:
    """A whole recording, or as much as was written of it.

    ``begun_at`` is wall time in UTC. ``group`` and ``probes`` are in the order of sending, the latter by the hosts'
    labels. ``known_until``: up to which instant of the prober's it is known of a host's probes, and of its group's,
    whether they were heard; hosts that have told nothing are absent. ``paused_at``: when the prober's host was found
    to have been suspended. ``ended``: by what, ``None`` where the file was cut. ``length_ns``: when the last
    probe was sent.
    """

    begun_at: datetime.datetime
    written_by: str
    prober: RecordedHost
    plan: Plan
    hosts: tuple[RecordedHost, ...]
    group: tuple[GroupProbe, ...]
    probes: Mapping[str, tuple[HostProbe, ...]]
    known_until: Mapping[str, int]
    loads: tuple[Load, ...]
    paused_at: tuple[int, ...]
    ended: str | None
    length_ns: int

    def host(self, label: str) -> RecordedHost:
        """Return the host of this label; ``KeyError`` if there is none."""
        return {host.label: host for host in self.hosts}[label]

    def group_known_to(self, label: str) -> list[GroupProbe]:
        """Return the group probes of which it is known whether this host heard them: one that it did not is lost."""
        begin, end = self.host(label).joined_at, self.known_until.get(label, -1)
        return [probe for probe in self.group if label in probe.heard or begin <= probe.sent_at < end]

    def probes_known_to(self, label: str) -> list[HostProbe]:
        """Return the host probes of which it is known whether this host heard them: one that it did not is lost."""
        end = self.known_until.get(label, -1)
        return [probe for probe in self.probes[label] if probe.heard_at is not None or probe.sent_at < end]
