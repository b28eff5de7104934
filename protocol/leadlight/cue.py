"""What is in force and where in it we are: cues, show lines and frame arithmetic.

All of it is exact integer arithmetic. A show line is a straight line through one point, so a position thirty days
from its origin is as exact as one a second from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from hashlib import blake2s
from typing import NamedTuple

from leadlight.errors import ConfigurationError, check_kind, check_whole
from leadlight.terms import CueState
from leadlight.units import BILLION, INSTANT_MAXIMUM, LeaderInstant, ShowPosition, in_seconds

NO_SHOW = 0
"""The show key of a cue that has no show: the show is dark or stopped and nothing was ever cued."""

SHOW_KEY_MAXIMUM = 2**64 - 1

START = ShowPosition(0)
"""Where a show begins."""

RATE_LIMIT_PPB = 1_000_000
"""A show line's rate stays within a thousandth of nominal: what paces a show is a clock, not an effect."""


_NAMES: dict[int, str] = {}
_NAMES_KEPT = 1024


@lru_cache(maxsize=_NAMES_KEPT)  # asked for with every frame
def show_key(show: str, edition: str = "", manifest_digest: bytes = b"") -> int:
    """Return the 64-bit key by which beacons name a show: a digest of its id, edition and manifest.

    Names stay in the manifest; the key is all that travels. Never returns ``NO_SHOW``.
    """
    digest = blake2s(digest_size=8, person=b"showkey")
    for part in (show.encode(), edition.encode(), manifest_digest):
        digest.update(len(part).to_bytes(4, "big"))
        digest.update(part)
    key = int.from_bytes(digest.digest(), "big") or 1
    if len(_NAMES) < _NAMES_KEPT:
        _NAMES[key] = f"{show} {edition}".strip()
    return key


def show_name(key: int) -> str:
    """Return a show's id and edition where this process has made its key, else the key; for people to read."""
    if key == NO_SHOW:
        return "no show"
    return repr(_NAMES[key]) if key in _NAMES else f"show {key:016x}"


@dataclass(frozen=True, slots=True)
class FrameRate:
    """Frames a second as a ratio, so that 30000/1001 is exact for ever."""

    numerator: int
    denominator: int = 1

    def __post_init__(self) -> None:
        if any(type(number) is not int or number <= 0 for number in (self.numerator, self.denominator)):
            raise ConfigurationError("frame_rate", [self.numerator, self.denominator], "two whole numbers above zero")
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

    def __repr__(self) -> str:
        return f"<ShowLine: {self}>"

    def __str__(self) -> str:
        pace = f" {self.rate_ppb:+d} ppb" if self.rate_ppb else ""
        return f"{in_seconds(self.position)} at {in_seconds(self.leader_at)}{pace}"

    def position_at(self, leader_now: LeaderInstant) -> ShowPosition:
        """Return the show position at a leader instant; negative before the show begins."""
        leader_at, position, rate_ppb = self
        elapsed = leader_now - leader_at
        return ShowPosition(position + elapsed + elapsed * rate_ppb // BILLION)

    def instant_of(self, position: ShowPosition) -> LeaderInstant:
        """Return the first leader instant at which the show has reached ``position``."""
        # Smallest e with e + floor(e·rate/10⁹) = floor(e·speed/10⁹) >= wanted.
        return LeaderInstant(self.leader_at + -(-(position - self.position) * BILLION // (BILLION + self.rate_ppb)))


class Cue(NamedTuple):
    """What is in force, or what will be: a show, a state, and the line that places it in time.

    A cue takes effect at ``line.leader_at``; one whose instant has passed is in force already. ``ordered_at`` is the
    leader instant at which a person ordered it; ``None`` for what a start or a running order put there.
    """

    show: int
    state: CueState
    line: ShowLine
    ordered_at: LeaderInstant | None = None

    def __repr__(self) -> str:
        return f"<Cue: {self}>"

    def __str__(self) -> str:
        return f"{self.state.name.lower()}, {show_name(self.show)}, {self.line}"

    def position_at(self, leader_now: LeaderInstant) -> ShowPosition:
        """Return the position to show at a leader instant; fixed unless the cue is rolling."""
        if self.state is CueState.ROLLING:
            return self.line.position_at(leader_now)
        return self.line.position


def check_cue(cue: Cue) -> None:
    """Raise ``ConfigurationError`` unless a cue of one's own can be put on the wire."""
    check_kind("cue", cue, Cue, "a Cue")
    check_kind("state", cue.state, CueState, "a CueState")
    has_show = cue.state in (CueState.ROLLING, CueState.PAUSED)
    check_whole("show", cue.show, 1 if has_show else 0, SHOW_KEY_MAXIMUM, "a show's key")
    check_kind("line", cue.line, ShowLine, "a ShowLine")
    check_whole("leader_at", cue.line.leader_at, 0, INSTANT_MAXIMUM, "an instant of the clock in ns")
    check_position(cue.line.position)
    check_whole("rate_ppb", cue.line.rate_ppb, -RATE_LIMIT_PPB, RATE_LIMIT_PPB, "a thousandth either way")


def check_position(position: object, length_ns: int | None = None) -> None:
    """Raise ``ConfigurationError`` unless a show of this length, or of any, has such a position."""
    allowed = "zero or more ns" if length_ns is None else f"0 to the show's length in ns, {length_ns}"
    check_whole("position", position, 0, INSTANT_MAXIMUM if length_ns is None else length_ns, allowed)


def dark_cue(at: LeaderInstant, ordered_at: LeaderInstant | None = None) -> Cue:
    """Return a cue that shows nothing from ``at`` on; what is in force before anything was cued."""
    return Cue(NO_SHOW, CueState.DARK, ShowLine(at, START), ordered_at)
