"""What a follower holds: stored shows by key, and whether the one in force is among them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from leadlight.cue import NO_SHOW, FrameRate, show_key
from leadlight.errors import ConfigurationError
from leadlight.terms import ContentState


@dataclass(frozen=True, slots=True)
class StoredShow:
    """One show as a follower has it: its id, edition, frame rate and number of frames."""

    show: str
    frame_rate: FrameRate
    frame_count: int
    edition: str = ""
    manifest_digest: bytes = b""

    def __post_init__(self) -> None:
        if not self.show:
            raise ConfigurationError("show", self.show, "a name")
        if self.frame_count <= 0:
            raise ConfigurationError("frame_count", self.frame_count, "above zero")

    @property
    def key(self) -> int:
        """The number by which beacons name it."""
        return show_key(self.show, self.edition, self.manifest_digest)


class Library:
    """The shows a follower holds."""

    def __init__(self, shows: Iterable[StoredShow] = ()) -> None:
        self._shows = {show.key: show for show in shows}

    def find(self, key: int) -> StoredShow | None:
        """Return the show of this key, or ``None`` if it is not held."""
        return self._shows.get(key)

    def state_of(self, key: int) -> ContentState:
        """Return whether the show of this key is held."""
        if key == NO_SHOW:
            return ContentState.UNKNOWN
        return ContentState.PRESENT if key in self._shows else ContentState.MISSING
