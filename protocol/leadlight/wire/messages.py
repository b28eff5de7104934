"""The four messages as values. What each field may hold is checked by ``wire``; nothing here touches bytes.

They are flat ``NamedTuple``s in wire order, because decoding one is then a single call.
"""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

from leadlight.cue import Cue
from leadlight.terms import ClockState, ContentState, CueState
from leadlight.units import LeaderInstant, LocalInstant


class Mark(NamedTuple):
    """When the leader heard a Tally that went to the group: one instant that leader and followers share.

    ``turns_back`` counts beacons back from the one that carries the mark to the one that gave the turn, and so
    names the Tally. ``age_ns`` is how long before the beacon's ``sent_at`` the Tally was heard.
    """

    turns_back: int
    age_ns: int


class SharedDelay(NamedTuple):
    """The median over reporting followers of one beacon's delay, ``serials_back`` before the beacon that carries it."""

    serials_back: int
    delay_ns: int


class Beacon(NamedTuple):
    """Leader to everyone: what time it is, what is in force, what comes next."""

    leader: int
    rank: int
    tenure: int
    timebase: int
    serial: int
    sent_at: LeaderInstant
    interval_ns: int
    """Nominal beacon interval; whole milliseconds."""
    sounding_budget: int
    """Soundings a second that the group may send in all."""
    group_size: int
    """How many followers share the budgets."""
    off_at: LeaderInstant | None
    """When every follower goes dark whatever else it has been told; whole milliseconds."""
    marker: int | None
    """The follower whose next Tally goes to the group, at once."""
    cue: Cue
    next_cue: Cue | None
    marks: tuple[Mark, ...]
    delay_radio: int | None
    """The radio over which ``shared_delays`` were measured; ``None`` when reporters did not know theirs."""
    delay_doubt_ns: int
    """Standard deviation that the medians have from their reporters' own errors, the largest of them; whole µs."""
    shared_delays: tuple[SharedDelay, ...]
    is_copy: bool = False
    """True for a copy sent to one follower alone. Travels as the datagram's kind, not as a field."""
    goodbye: bool = False
    """The leader ends now. Nobody need wait for as long as after a silence; it changes nothing else."""


class DelayReport(NamedTuple):
    """How long one beacon took to arrive, by a follower's own clock estimate from before it arrived.

    ``serial`` holds the low sixteen bits of the beacon's serial. ``delay_ns`` may be negative: it is an estimate.
    """

    serial: int
    delay_ns: int


class Sounding(NamedTuple):
    """Follower to leader: a two-way time measurement, with what the follower can say of recent beacons."""

    follower: int
    tenure: int
    """The tenure that the reports are about; 0 from a follower that has heard no beacon yet."""
    nonce: int
    sent_at: LocalInstant
    cookie: int | None
    """What the last Echo gave; proves that this address answers."""
    radio: int | None
    """A hash of the access point's BSSID where the host knows it."""
    delays: tuple[DelayReport, ...] = ()


class Echo(NamedTuple):
    """Leader to follower: the answer to a Sounding, never larger than it."""

    leader: int
    tenure: int
    timebase: int
    nonce: int
    received_at: LeaderInstant
    sent_at: LeaderInstant
    cookie: int


class Tally(NamedTuple):
    """Follower to leader: how things stand. When it is the marker's turn it goes to the group."""

    follower: int
    instance: int
    """Drawn when the follower starts; two instances under one id are a cloned follower."""
    serial: int
    """Counts this instance's Tallies; one that is not newer than the last is a copy or a replay."""
    tenure: int
    turn: int | None
    """Serial of the beacon that gave this follower its turn as marker; ``None`` for a Tally to the leader alone."""
    clock: ClockState
    cue_state: CueState
    bound_ns: int | None
    """Half-width of the clock's statistical bound; ``None`` while there is none. Whole microseconds."""
    beacon_loss_permille: int
    """Of the last beacons to the group, how many were not heard as such, copies apart."""
    content: ContentState
    radio: int | None
    show: int
    """The show that ``content`` is about: the next one where one is announced, else the one in force."""
    frame: int
    late_frames: int
    live_data: bool
    """Live pixel data is arriving as well: two drivers on one piece."""
    unverified: bool
    """The leader's tenure was taken on trust: this node cannot or may not ask."""
    name: str


Message: TypeAlias = Beacon | Sounding | Echo | Tally
