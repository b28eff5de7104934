"""What a follower holds: stored shows by key."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from leadlight.cue import NO_SHOW, SHOW_KEY_MAXIMUM, FrameRate, show_key
from leadlight.errors import ConfigurationError, check_kind, check_whole
from leadlight.playback.stills import Still, check_stills, unseen_in_ns
from leadlight.terms import ContentState
from leadlight.units import ShowPosition

FRAMES_MAXIMUM: Final = 0xFFFF_FFFF
"""A Tally tells which frame is shown in 32 bits: three years at 40 frames a second."""


@dataclass(frozen=True, slots=True)
class StoredShow:
    """One show as a follower has it: its id, edition, frame rate and number of frames.

    ``stills`` are the spans of this follower's part that are dark or do not change, in order: where a jump is not seen.
    They are the player's to tell (``stills_of`` finds them), and no part of what the show is.
    """

    show: str
    frame_rate: FrameRate
    frame_count: int
    edition: str = ""
    manifest_digest: bytes = b""
    stills: tuple[Still, ...] = field(default=(), compare=False, repr=False)

    def __post_init__(self) -> None:
        check_kind("show", self.show, str, "a name")
        if not self.show:
            raise ConfigurationError("show", self.show, "a name")
        check_kind("frame_rate", self.frame_rate, FrameRate, "a FrameRate, such as FrameRate(40)")
        check_whole("frame_count", self.frame_count, 1, FRAMES_MAXIMUM, f"1 to {FRAMES_MAXIMUM}")
        check_kind("edition", self.edition, str, 'text, such as "1"')
        check_kind("manifest_digest", self.manifest_digest, bytes, "bytes")
        check_stills(self.stills, self.frame_count)

    @property
    def key(self) -> int:
        """The number by which beacons name it."""
        return show_key(self.show, self.edition, self.manifest_digest)

    @property
    def length_ns(self) -> ShowPosition:
        """Nanoseconds from its first frame's beginning to its last one's end."""
        return self.frame_rate.position_of(self.frame_count)

    def unseen_in_ns(self, here: ShowPosition, there: ShowPosition, within_ns: int) -> int | None:
        """Return how long until a jump between two positions is not seen; see ``stills.unseen_in_ns``."""
        return unseen_in_ns(self.stills, self.frame_rate, here, there, within_ns)


def check_shows(shows: object) -> tuple[StoredShow, ...]:
    """Return what was given as shows. Raises ``ConfigurationError`` for anything that is no stored show."""
    allowed = "stored shows, such as [StoredShow(...)]"
    if isinstance(shows, str | bytes) or not isinstance(shows, Iterable):
        raise ConfigurationError("shows", shows, allowed)
    found = tuple(shows)
    for show in found:
        check_kind("shows", show, StoredShow, allowed)
    return found


def key_meant(show: StoredShow | str | int, known: Iterable[StoredShow]) -> int:
    """Return the key of the show that an order means: a stored show, the id of a known one, or a key.

    Raises ``ConfigurationError`` for an id that no known show has, or several editions have.
    """
    if isinstance(show, StoredShow):
        return show.key
    if not isinstance(show, str):
        check_whole("show", show, 1, SHOW_KEY_MAXIMUM, "a StoredShow, the id of a show that was given, or a key")
        return show
    ids = {other.key: other.show for other in known}
    keys = [key for key, name in ids.items() if name == show]
    if len(keys) == 1:
        return keys[0]
    listed = ", ".join(sorted(set(ids.values()))) or "none"
    allowed = "a StoredShow, for several editions were given" if keys else f"one of the shows that were given: {listed}"
    raise ConfigurationError("show", show, allowed)


class Library:
    """The shows a follower holds, and those it knows of without holding them.

    ``absent`` gives for each show that is known but not held how it stands: ``MISSING``, ``OTHER_EDITION``, or
    ``UNKNOWN`` where nothing is expected of this follower. One whose id is held in another edition is told as
    ``OTHER_EDITION`` in any case.
    """

    def __init__(
        self, shows: Iterable[StoredShow] = (), absent: Mapping[StoredShow, ContentState] | None = None
    ) -> None:
        self._shows = {show.key: show for show in check_shows(shows)}
        held = {show.show for show in self._shows.values()}
        self._absent = {
            show.key: ContentState.OTHER_EDITION if show.show in held and state is ContentState.MISSING else state
            for show, state in (absent or {}).items()
        }

    @property
    def shows(self) -> tuple[StoredShow, ...]:
        """The shows that are held."""
        return tuple(self._shows.values())

    def find(self, key: int) -> StoredShow | None:
        """Return the show of this key, or ``None`` if it is not held."""
        return self._shows.get(key)

    def state_of(self, key: int) -> ContentState:
        """Return whether the show of this key is held; a key nobody told of is missing."""
        if key == NO_SHOW:
            return ContentState.UNKNOWN
        if key in self._shows:
            return ContentState.PRESENT
        return self._absent.get(key, ContentState.MISSING)
