"""Whom a follower follows: tenures, serials, and proof that a new tenure is not a recording.

Within a tenure a beacon counts if its serial is newer than the last. If its copy came first, or it before its copy,
what it says is known; that it came is still a sample for the clock. Another tenure is followed if it is the same
leader's, begun anew; or another leader's that outranks it; or any other's once the one followed is lost. A leader that
has begun anew has ended its tenures before, and none of them is followed again. One that was left for another leader,
as when the network falls apart for a while, is followed again if it has gone on since. With a key, a new tenure must
first answer a Sounding with a fresh nonce: a recorded beacon is genuine, but a recording cannot answer.

A live leader is not deposed by one beacon. Whoever outranks it is followed after a second one, half an interval later,
and by nodes that lead or stand by only once it has answered too. Where it falls silent while the one that was left goes
on, that one is followed again.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field
from enum import Enum
from typing import Final

from leadlight.addresses import Address
from leadlight.follower.exchange import ANSWERED_WITHIN_NS
from leadlight.follower.tenures import SERIAL_HALF, SERIAL_MASK, LeftTenure, LeftTenures, is_newer
from leadlight.terms import CueState
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant
from leadlight.wire import Beacon

SERIALS_AT_ONCE: Final = 64
"""A serial advances by no more than this at once, and"""
SERIAL_SPACING_NS: Final = 10 * MILLISECOND
"""by one more for each so long since the last: no interval is shorter."""
CHALLENGE_SPACING_NS: Final = 200 * MILLISECOND
"""A new tenure is asked no more often than this, however many beacons claim it."""
CHALLENGES_MAXIMUM: Final = 4
"""So many tenures may claim to be new at once; of more, one that was asked in vain makes room."""
CHALLENGE_LASTS_NS: Final = 1 * SECOND
RIVALS_KEPT: Final = 8
"""So many tenures may be on their way to a second beacon at once."""
RIVAL_LASTS_INTERVALS: Final = 10
"""A second beacon that comes later than this counts as a first one."""
PROVEN_BEACONS: Final = 3
"""Beacons of a tenure without which it may be a ghost: its interval is then not relied upon, nor is who was left for
it."""
COUNTED_BEACONS: Final = 8
"""Of how many were followed more than this is not asked."""
UNPROVEN_INTERVAL_NS: Final = 10 * SECOND
"""The longest interval that is taken at its word from a tenure that has neither answered nor gone on."""
GAPS_ABOVE_NS: Final = 2 * SECOND
"""Announced intervals above this are held against the gaps between beacons; bursts are over in less."""
LOSS_WINDOW: Final = 64
LOSS_WINDOW_MASK: Final = (1 << LOSS_WINDOW) - 1
LOSS_FEWEST: Final = 16
"""A share is of so many beacons at least: one lost of the first two is no half."""


def serials_allowed(elapsed_ns: int) -> int:
    """Return by how many serials a beacon may be ahead of one that was followed so long ago."""
    return SERIALS_AT_ONCE + elapsed_ns // SERIAL_SPACING_NS


class Verdict(Enum):
    """What to make of a beacon."""

    FOLLOW = "follow"
    KNOWN = "known from the other delivery"
    DUPLICATE = "duplicate"
    LATE = "late beacon"
    IMPLAUSIBLE = "implausible"
    RETIRED = "retired tenure"
    OTHER_LEADER = "other leader"
    UNPROVEN = "unproven tenure"
    UNCONFIRMED = "unconfirmed leader"


FOLLOW: Final = Verdict.FOLLOW
"""For every beacon: to reach a member through its class takes Python 3.11 ten times as long."""


class Novelty(Enum):
    """What following a beacon of another tenure means."""

    FIRST = "first"
    RESTARTED = "restarted"
    CHANGED = "changed"
    RETURNED = "returned"
    """The same leader had not begun anew: somebody else had said so."""


@dataclass(slots=True)
class Challenge:
    """A new tenure's latest beacon, kept until its leader has answered.

    Each of its beacons lets it be asked once, so that a recording is not asked for ever.
    """

    beacon: Beacon
    source: Address
    received_at: LocalInstant
    opened_at: LocalInstant
    asked_at: LocalInstant | None = None
    nonces: dict[int, LocalInstant] = field(default_factory=dict)
    """Those asked with that may still be answered, and when they were, the oldest first. As long as an answer may take,
    and as far apart as they are put, a dozen at most."""
    wants_asking: bool = True

    def ask(self, nonce: int, now: LocalInstant) -> None:
        """Note that its leader is asked at ``now``, with a fresh ``nonce``."""
        self.wants_asking = False
        self.asked_at = now
        for old in [old for old, asked_at in self.nonces.items() if now - asked_at > ANSWERED_WITHIN_NS]:
            del self.nonces[old]
        self.nonces[nonce] = now

    def is_unanswered(self, now: LocalInstant) -> bool:
        """Return whether it was asked and no answer can come any more: its beacon may be forged, or from nowhere."""
        return self.asked_at is not None and now - max(self.asked_at, self.received_at) > ANSWERED_WITHIN_NS

    def is_met(self, nonce: int, received_at: LocalInstant) -> bool:
        """Return whether an Echo that came at ``received_at`` answers one of its nonces, and none from long ago."""
        asked_at = self.nonces.get(nonce)
        return asked_at is not None and 0 <= received_at - asked_at <= ANSWERED_WITHIN_NS


@dataclass(slots=True)
class Rival:
    """A tenure that outranks a live leader's and was heard once, or within less than half an interval."""

    first: int
    serial: int
    first_at: LocalInstant
    last_at: LocalInstant


class GroupLoss:
    """How much of what goes to the group is heard: a window over the last serials, exact.

    Copies tell which serials there were; only beacons to the group count as heard.
    """

    __slots__ = ("_known", "_mask", "_top")

    def __init__(self) -> None:
        self._top: int | None = None
        self._mask = 0
        self._known = 0

    def restart(self) -> None:
        """Forget everything: serials begin anew."""
        self.__init__()  # type: ignore[misc]

    def note(self, serial: int, is_copy: bool) -> None:
        """Take a beacon, whether or not it is news."""
        top = self._top
        if top is None:
            top = self._top = serial
            self._known = 1
        ahead = (serial - top) & SERIAL_MASK
        heard = not is_copy
        if ahead == 1 and heard:  # by far the commonest
            if self._known < LOSS_WINDOW:
                self._known += 1
            self._mask = (self._mask << 1 | 1) & LOSS_WINDOW_MASK
            self._top = serial
        elif ahead == 0:
            self._mask |= heard
        elif ahead < SERIAL_HALF:
            known = self._known + ahead
            self._known = known if known < LOSS_WINDOW else LOSS_WINDOW
            self._mask = (self._mask << (ahead if ahead < LOSS_WINDOW else LOSS_WINDOW) | heard) & LOSS_WINDOW_MASK
            self._top = serial
        elif heard and (behind := (top - serial) & SERIAL_MASK) < self._known:
            self._mask |= 1 << behind

    def share_after(self, silent: int) -> float:
        """Return the share lost if the last ``silent`` beacons went unheard and have no serial yet."""
        window = min(self._known + silent, LOSS_WINDOW)
        heard = (self._mask & (1 << max(LOSS_WINDOW - silent, 0)) - 1).bit_count()
        return (window - heard) / max(window, LOSS_FEWEST)

    @property
    def share(self) -> float:
        """The share lost; 0 before anything is known."""
        return self.share_after(0)


class LeaderSelection:
    """Judges beacons. ``require_fresh``: whether a new tenure must answer before it is followed.

    ``asks_rivals``: whether it must at least where a live leader would be left for it and its budget allows asking.
    """

    def __init__(self, require_fresh: bool, asks_rivals: bool = False) -> None:
        self.leader: int | None = None
        self.order: tuple[int, int] = (0, 0)
        """Rank and id: of two leaders the one with the lower outranks the other."""
        self.tenure: int | None = None
        self.serial = 0
        self._serials = [0, 0]
        """The last one that came to the group, and as a copy."""
        self.is_lost = False
        """Whether the leader must be thought gone; then anybody else may be followed."""
        self.loss = GroupLoss()
        self.challenges: OrderedDict[int, Challenge] = OrderedDict()
        """Tenures that claim to be new, by their numbers."""
        self.followed = 0
        """How many beacons of this tenure were followed, counted up to ``COUNTED_BEACONS``."""
        self.has_answered = False
        """Whether the followed tenure has answered a Sounding."""
        self._require_fresh = require_fresh
        self._asks_rivals = asks_rivals
        self._interval_ns = SECOND
        self._leads = False
        self._rivals: OrderedDict[int, Rival] = OrderedDict()
        # Of long announced intervals: the longest gap there was, after how many, and what it is counted from.
        self._gap_ns = 0
        self._gaps = 0
        self._calm_at = LocalInstant(0)
        self._last_at = LocalInstant(0)
        self._told: tuple[object, ...] = ()
        self._proven: int | None = None
        self._left_tenures = LeftTenures(require_fresh)
        # Of the last beacon followed.
        self._sent_at = LeaderInstant(0)
        self._followed_at = LocalInstant(0)
        self._insisted = False
        self._longest_ns = 0

    def judge(self, beacon: Beacon, source: Address, received_at: LocalInstant) -> Verdict:
        """Return what to make of a beacon. Only what was heard of each delivery and the open challenges change."""
        tenure = beacon.tenure
        if tenure == self.tenure:
            serial, is_copy = beacon.serial, beacon.is_copy
            ahead = (serial - self.serial) & SERIAL_MASK
            if 0 < ahead < SERIAL_HALF:
                if ahead > SERIALS_AT_ONCE and not self._may_advance(ahead, received_at):
                    return Verdict.IMPLAUSIBLE
                self.loss.note(serial, is_copy)
                return FOLLOW
            # Late by serial and later by instant than what was followed: one of the two is false. With a key nobody can
            # have forged what was followed, and who says otherwise of a lost leader may be a recording.
            is_odd = beacon.sent_at > self._sent_at or (self.is_lost and not self._require_fresh)
            if ahead and is_odd and self._left_tenures.insists(beacon, self._interval_ns):
                self._insisted = True
                return FOLLOW
            self.loss.note(serial, is_copy)
            if is_newer(serial, self._serials[is_copy]):
                self._serials[is_copy] = serial
                return Verdict.KNOWN
            return Verdict.DUPLICATE if serial == self.serial else Verdict.LATE
        left = self._left_tenures
        if tenure in left and not left.may_return(beacon, received_at, self.is_lost or self._leads):
            return Verdict.RETIRED
        is_other = self.leader is not None and beacon.leader != self.leader
        is_alone = False
        if is_other and (beacon.rank, beacon.leader) >= self.order and not self.is_lost:
            # One that was heard only a few times, and now not at all while this one goes on, may be a ghost.
            if self.followed >= PROVEN_BEACONS or not self._is_heard_twice(beacon, received_at, beacon.interval_ns):
                return Verdict.OTHER_LEADER
            is_alone = True
        needs_answer = self._require_fresh
        is_confirmed = True
        if self._leads or (is_other and not self.is_lost):
            interval_ns = max(beacon.interval_ns, self._interval_ns)
            is_confirmed = is_alone or self._is_heard_twice(beacon, received_at, interval_ns)
            if self._asks_rivals and beacon.sounding_budget:
                needs_answer = True
            if needs_answer and beacon.cue.state is CueState.STOPPED:
                is_confirmed = True  # a stop waits for the answer alone
        if not needs_answer or tenure == self._proven:
            return FOLLOW if is_confirmed else Verdict.UNCONFIRMED
        challenge = self.challenges.get(tenure)
        if challenge is None:
            self._open(Challenge(beacon, source, received_at, opened_at=received_at))
        elif is_newer(beacon.serial, challenge.beacon.serial) or (
            not self._require_fresh and challenge.is_unanswered(received_at)
        ):
            challenge.beacon, challenge.source, challenge.received_at = beacon, source, received_at
            asked_at = challenge.asked_at
            challenge.wants_asking = asked_at is None or received_at - asked_at >= CHALLENGE_SPACING_NS
        return Verdict.UNPROVEN

    def _is_heard_twice(self, beacon: Beacon, received_at: LocalInstant, interval_ns: int) -> bool:
        """Take a beacon of a tenure that would depose a live leader; return whether it goes on for half an interval."""
        rivals, tenure = self._rivals, beacon.tenure
        interval_ns = min(interval_ns, UNPROVEN_INTERVAL_NS)
        rival = rivals.get(tenure)
        if rival is not None and received_at - rival.last_at <= RIVAL_LASTS_INTERVALS * interval_ns:
            if is_newer(beacon.serial, rival.serial):
                rival.serial, rival.last_at = beacon.serial, received_at
            has_gone_on = received_at - rival.first_at >= interval_ns // 2 and rival.serial != rival.first
            return has_gone_on and beacon.serial == rival.serial
        rivals[tenure] = Rival(beacon.serial, beacon.serial, received_at, received_at)
        rivals.move_to_end(tenure)
        if len(rivals) > RIVALS_KEPT:
            rivals.popitem(last=False)
        return False

    def _open(self, challenge: Challenge) -> None:
        challenges = self.challenges
        if len(challenges) >= CHALLENGES_MAXIMUM:
            oldest = next(iter(challenges.values()))
            if challenge.opened_at - oldest.opened_at < CHALLENGE_LASTS_NS:
                return
            del challenges[oldest.beacon.tenure]
        challenges[challenge.beacon.tenure] = challenge

    def follow(self, beacon: Beacon, received_at: LocalInstant) -> Novelty | None:
        """Follow a beacon that was judged so; return what is new about it, or ``None`` within a tenure."""
        novelty = None
        leader, rank, tenure, _, serial, sent_at, interval_ns, _, _, _, _, _, _, _, _, _, _, is_copy, _ = beacon
        if tenure != self.tenure:
            if self.leader is None:
                novelty = Novelty.FIRST
            else:
                novelty = Novelty.RESTARTED if leader == self.leader else Novelty.CHANGED
            before = self.tenure
            self._retire()
            if self._left_tenures.follow(tenure, leader, before, received_at):
                novelty = Novelty.RETURNED
            self.followed = self._gap_ns = self._gaps = 0
            self.has_answered = tenure == self._proven
            self._leads = False
            self._rivals.clear()
            self.leader = leader
            self.tenure = tenure
            self._longest_ns = 0
            self.challenges.clear()
            self._proven = tenure
            self._begin_serials(beacon)
        elif self._insisted:
            self._begin_serials(beacon)
        # A restart may come with another rank.
        self.order = (rank, leader)
        self.serial = self._serials[is_copy] = serial
        self.is_lost = False
        self._sent_at = sent_at
        self._followed_at = received_at
        self._interval_ns = interval_ns
        if interval_ns > self._longest_ns:
            self._longest_ns = interval_ns
        if self.followed < COUNTED_BEACONS:
            self.followed += 1
            self._rivals.clear()  # whoever goes on beside it does not do so alone
        return novelty

    def _may_advance(self, ahead: int, received_at: LocalInstant) -> bool:
        return self.is_lost or ahead <= serials_allowed(received_at - self._followed_at)

    def _begin_serials(self, beacon: Beacon) -> None:
        self._insisted = False
        self.loss.restart()
        self.loss.note(beacon.serial, beacon.is_copy)
        before = (beacon.serial - 1) & SERIAL_MASK
        self._serials = [before, before]

    def loss_interval_ns(self, beacon: Beacon, received_at: LocalInstant) -> int:
        """Return by which interval a silence is judged after a beacon was followed: the announced one, if credible."""
        announced_ns = beacon.interval_ns
        if announced_ns <= GAPS_ABOVE_NS:
            return announced_ns
        told = (beacon.cue.show, beacon.cue.state, beacon.cue.line.leader_at, beacon.next_cue)
        if self.followed == 1 or told != self._told:
            self._told = told
            self._gap_ns = self._gaps = 0
            self._calm_at = LocalInstant(received_at + GAPS_ABOVE_NS)
        elif self._last_at >= self._calm_at:
            self._gap_ns = max(self._gap_ns, received_at - self._last_at)
            self._gaps += 1
        self._last_at = received_at
        if self._gaps >= PROVEN_BEACONS - 1:
            return min(announced_ns, 2 * self._gap_ns)
        return announced_ns if self.has_answered else min(announced_ns, UNPROVEN_INTERVAL_NS)

    def leave(self) -> None:
        """Follow nobody any more: whoever is followed next, the same tenure too, is judged and proven anew."""
        self._retire()
        self.leader = self.tenure = self._proven = None
        self.is_lost = self._leads = False
        self._rivals.clear()
        self.challenges.clear()

    def lead(self, interval_ns: int) -> None:
        """Follow nobody any more, for this node leads: whoever is followed next deposes a live leader."""
        self.leave()
        self._leads = True
        self._interval_ns = interval_ns

    def _retire(self) -> None:
        if self.tenure is not None and self.leader is not None:
            left = LeftTenure(self.leader, self.serial, self._sent_at, self._interval_ns, self._longest_ns)
            self._left_tenures.leave(self.tenure, left)

    def to_challenge(self) -> list[Challenge]:
        """Return the challenges that should be put now."""
        return [challenge for challenge in self.challenges.values() if challenge.wants_asking]

    def is_open(self, nonce: int) -> bool:
        """Return whether a challenge of this nonce waits for its answer."""
        return any(nonce in challenge.nonces for challenge in self.challenges.values())

    def answered(self, nonce: int, tenure: int, received_at: LocalInstant) -> Challenge | None:
        """Take an Echo; return the challenge that it meets, whose beacon may now be judged again, or ``None``.

        Any of the nonces will do: where an answer takes longer than it is until the next beacon, it is to an older one.
        """
        challenge = self.challenges.get(tenure)
        if challenge is None or not challenge.is_met(nonce, received_at):
            return None
        del self.challenges[tenure]
        self._proven = tenure
        return challenge
