"""What is in force and where in it we are: cues, show lines and frame arithmetic.

All of it is exact integer arithmetic. A show line is a straight line through one point, so a position thirty days
from its origin is as exact as one a second from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import blake2s
from typing import NamedTuple

from leadlight.errors import ConfigurationError
from leadlight.terms import CueState
from leadlight.units import BILLION, LeaderInstant, ShowPosition

NO_SHOW = 0
"""The show key of a cue that has no show: the show is dark or stopped and nothing was ever cued."""

SHOW_KEY_MAXIMUM = 2**64 - 1

START = ShowPosition(0)
"""Where a show begins."""

RATE_LIMIT_PPB = 1_000_000
"""A show line's rate stays within a thousandth of nominal: what paces a show is a clock, not an effect."""


def show_key(show: str, edition: str = "", manifest_digest: bytes = b"") -> int:
    """Return the 64-bit key by which beacons name a show: a digest of its id, edition and manifest.

    Names stay in the manifest; the key is all that travels. Never returns ``NO_SHOW``.
    """
    digest = blake2s(digest_size=8, person=b"showkey")
    for part in (show.encode(), edition.encode(), manifest_digest):
        digest.update(len(part).to_bytes(4, "big"))
        digest.update(part)
    return int.from_bytes(digest.digest(), "big") or 1


@dataclass(frozen=True, slots=True)
class FrameRate:
    """Frames a second as a ratio, so that 30000/1001 is exact for ever."""

    numerator: int
    denominator: int = 1

    def __post_init__(self) -> None:
        if any(type(number) is not int or number <= 0 for number in (self.numerator, self.denominator)):
            raise ConfigurationError(
                "frame_rate", [self.numerator, self.denominator], "two whole numbers above zero"
            )
        if not 1 <= self.numerator / self.denominator <= 1000:
            raise ConfigurationError(
                "frame_rate", [self.numerator, self.denominator], "between 1 and 1000 frames a second"
            )

    def frame_at(self, position: ShowPosition) -> int:
        """Return the frame showing at ``position``: floor(position · numerator / (denominator · 10⁹))."""
        return position * self.numerator // (self.denominator * BILLION)

    def position_of(self, frame: int) -> ShowPosition:
        """Return the first whole nanosecond at which ``frame`` shows; the inverse of ``frame_at``."""
        return ShowPosition(-(-frame * self.denominator * BILLION // self.numerator))

    @property
    def period_ns(self) -> float:
        """Length of one frame in nanoseconds."""
        return self.denominator * BILLION / self.numerator


class ShowLine(NamedTuple):
    """Where a show is as a straight line: at ``leader_at`` the show stood at ``position``.

    ``rate_ppb`` is how much faster than nominal the show runs, in parts per billion of leader time.
    """

    leader_at: LeaderInstant
    position: ShowPosition
    rate_ppb: int = 0

    def position_at(self, leader_now: LeaderInstant) -> ShowPosition:
        """Return the show position at a leader instant; negative before the show begins."""
        elapsed = leader_now - self.leader_at
        return ShowPosition(self.position + elapsed + elapsed * self.rate_ppb // BILLION)

    def instant_of(self, position: ShowPosition) -> LeaderInstant:
        """Return the first leader instant at which the show has reached ``position``."""
        run = position - self.position
        elapsed = run * BILLION // (BILLION + self.rate_ppb)
        instant = self.leader_at + elapsed
        # Integer division can land one nanosecond to either side of the first instant that qualifies.
        while self.position_at(LeaderInstant(instant)) < position:
            instant += 1
        while self.position_at(LeaderInstant(instant - 1)) >= position:
            instant -= 1
        return LeaderInstant(instant)


class Cue(NamedTuple):
    """What is in force, or what will be: a show, a state, and the line that places it in time.

    A cue takes effect at ``line.leader_at``; one whose instant has passed is in force already.
    """

    show: int
    state: CueState
    line: ShowLine

    def position_at(self, leader_now: LeaderInstant) -> ShowPosition:
        """Return the position to show at a leader instant; fixed unless the cue is rolling."""
        if self.state is CueState.ROLLING:
            return self.line.position_at(leader_now)
        return self.line.position


def dark_cue(at: LeaderInstant) -> Cue:
    """Return a cue that shows nothing from ``at`` on; what is in force before anything was cued."""
    return Cue(NO_SHOW, CueState.DARK, ShowLine(at, START))
