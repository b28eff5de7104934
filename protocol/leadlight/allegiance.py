"""Whom a follower follows: tenures, serials, and proof that a new tenure is not a recording.

Within a tenure a beacon counts if its serial is newer than the last. Another tenure is followed if it is the same
leader's, begun anew; or another leader's that goes before; or any other's once the one followed is lost. A tenure that
has been left is never followed again. With a key, a new tenure must first answer a Sounding with a fresh nonce: a
recorded beacon is genuine, but a recording cannot answer.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import Enum
from typing import Final

from leadlight.addresses import Address
from leadlight.messages import Beacon
from leadlight.units import MILLISECOND, LocalInstant

SERIAL_MASK: Final = 0xFFFF_FFFF
SERIAL_HALF: Final = 1 << 31
"""Serials compare as in RFC 1982: newer if ahead by less than half of the 32-bit circle."""
RETIRED_KEPT: Final = 32
CHALLENGE_SPACING_NS: Final = 200 * MILLISECOND
"""A new tenure is asked no more often than this, however many beacons claim it."""
LOSS_WINDOW: Final = 64


class Verdict(Enum):
    """What to make of a beacon."""

    FOLLOW = "follow"
    DUPLICATE = "duplicate"
    LATE = "late beacon"
    RETIRED = "retired tenure"
    OTHER_LEADER = "other leader"
    UNPROVEN = "unproven tenure"


class Novelty(Enum):
    """What following a beacon of another tenure means."""

    FIRST = "first"
    RESTARTED = "restarted"
    CHANGED = "changed"


@dataclass(slots=True)
class Challenge:
    """A new tenure's latest beacon, kept until its leader has answered."""

    beacon: Beacon
    source: Address
    received_at: LocalInstant
    asked_at: LocalInstant | None = None
    nonce: int | None = None


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
        if self._top is None:
            self._top = serial
            self._known = 1
        ahead = (serial - self._top) & SERIAL_MASK
        behind = 0
        if 0 < ahead < SERIAL_HALF:
            self._mask = self._mask << min(ahead, LOSS_WINDOW) & (1 << LOSS_WINDOW) - 1
            self._known = min(self._known + ahead, LOSS_WINDOW)
            self._top = serial
        elif ahead:
            behind = (self._top - serial) & SERIAL_MASK
        if not is_copy and behind < self._known:
            self._mask |= 1 << behind

    @property
    def share(self) -> float:
        """The share lost; 0 before anything is known."""
        return 1.0 - self._mask.bit_count() / self._known if self._known else 0.0


class Allegiance:
    """Judges beacons. ``require_fresh``: whether a new tenure must answer before it is followed."""

    def __init__(self, require_fresh: bool) -> None:
        self.leader: int | None = None
        self.order: tuple[int, int] = (0, 0)
        """Rank and id: of two leaders the lower goes before."""
        self.tenure: int | None = None
        self.serial = 0
        self.is_lost = False
        """Whether the leader must be thought gone; then anybody else may be followed."""
        self.loss = GroupLoss()
        self.challenge: Challenge | None = None
        self._require_fresh = require_fresh
        self._proven: int | None = None
        self._retired: deque[int] = deque(maxlen=RETIRED_KEPT)

    def judge(self, beacon: Beacon, source: Address, received_at: LocalInstant) -> Verdict:
        """Return what to make of a beacon. Nothing but the loss window and an open challenge changes."""
        tenure = beacon.tenure
        if tenure == self.tenure:
            self.loss.note(beacon.serial, beacon.is_copy)
            ahead = (beacon.serial - self.serial) & SERIAL_MASK
            if ahead == 0:
                return Verdict.DUPLICATE
            return Verdict.FOLLOW if ahead < SERIAL_HALF else Verdict.LATE
        if tenure in self._retired:
            return Verdict.RETIRED
        is_other = self.leader is not None and beacon.leader != self.leader
        if is_other and (beacon.rank, beacon.leader) >= self.order and not self.is_lost:
            return Verdict.OTHER_LEADER
        if not self._require_fresh or tenure == self._proven:
            return Verdict.FOLLOW
        challenge = self.challenge
        if challenge is None or challenge.beacon.tenure != tenure:
            self.challenge = Challenge(beacon, source, received_at)
        elif (beacon.serial - challenge.beacon.serial) & SERIAL_MASK < SERIAL_HALF:
            challenge.beacon, challenge.source, challenge.received_at = beacon, source, received_at
        return Verdict.UNPROVEN

    def follow(self, beacon: Beacon) -> Novelty | None:
        """Follow a beacon that was judged so; return what is new about it, or ``None`` within a tenure."""
        novelty = None
        if beacon.tenure != self.tenure:
            if self.leader is None:
                novelty = Novelty.FIRST
            else:
                novelty = Novelty.RESTARTED if beacon.leader == self.leader else Novelty.CHANGED
            if self.tenure is not None:
                self._retired.append(self.tenure)
            self.leader = beacon.leader
            self.tenure = beacon.tenure
            self.loss.restart()
            self.loss.note(beacon.serial, beacon.is_copy)
            self.challenge = None
        # A restart may come with another rank.
        self.order = (beacon.rank, beacon.leader)
        self.serial = beacon.serial
        self.is_lost = False
        return novelty

    def to_challenge(self, now: LocalInstant) -> Challenge | None:
        """Return the challenge that should be put now, if any."""
        challenge = self.challenge
        if challenge is None:
            return None
        if challenge.asked_at is not None and now - challenge.asked_at < CHALLENGE_SPACING_NS:
            return None
        return challenge

    def is_open(self, nonce: int) -> bool:
        """Return whether a challenge of this nonce waits for its answer."""
        return self.challenge is not None and self.challenge.nonce == nonce

    def answered(self, nonce: int, tenure: int) -> Challenge | None:
        """Take an Echo; return the challenge that it meets, whose beacon may now be followed, or ``None``."""
        challenge = self.challenge
        if challenge is None or challenge.nonce is None or nonce != challenge.nonce:
            return None
        if tenure != challenge.beacon.tenure:
            return None
        self._proven = tenure
        self.challenge = None
        return challenge
