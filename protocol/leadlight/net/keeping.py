"""What a leader leads, kept on this host until its next start within the same boot: whole or not at all.

It is read once and written by a thread of its own, since a disk may be slow: a beacon waits for nobody. Nothing is kept
beyond a boot, for then the clock that it is told by begins anew.
"""

from __future__ import annotations

import json
import logging
import os
import threading
from pathlib import Path
from typing import Any, Final, Protocol

from leadlight.errors import LeadlightError
from leadlight.leader import Inheritance, in_a_new_timebase, kept_as_plain, kept_from_plain
from leadlight.net.clock import SLEEP_MINIMUM_NS, LocalClock
from leadlight.storage import runtime_folder, runtime_name
from leadlight.units import SECOND, LocalInstant, describe

KEPT_EVERY_NS: Final = SECOND
"""A change is written no more often than this."""
LIFE_EVERY_NS: Final = 10 * SECOND
"""Without a change it is written so often, which says how long ago this leader still ran."""
LAST_SECONDS: Final = 1.0
_BOOT_ID: Final = Path("/proc/sys/kernel/random/boot_id")
_FILE_MAXIMUM_BYTES: Final = 64 * 1024

_log = logging.getLogger(__name__)


class KeptFile(Protocol):
    """Where one leader's state is kept on one machine."""

    @property
    def boot(self) -> str | None:
        """Which boot this is; ``None`` where the system does not tell, and nothing can be kept."""

    def read(self) -> bytes | None:
        """Return what was written last, or ``None``."""

    def write(self, content: bytes) -> None:
        """Keep this in the place of what was there; returns at once."""

    def close(self) -> None:
        """Let what was written be safe, if that does not take long."""


class RuntimeFile:
    """The real one: a file in this user's runtime folder, for its owner alone."""

    def __init__(self, group: str, name: str, folder: Path | None = None) -> None:
        self._path = (runtime_folder() if folder is None else folder) / f"{runtime_name(group, name)}.kept"
        self._changed = threading.Condition()
        self._waiting: bytes | None = None
        self._is_closing = False
        self._thread: threading.Thread | None = None

    @property
    def boot(self) -> str | None:
        """The boot's id, random(4)."""
        try:
            return _BOOT_ID.read_text(encoding="ascii").strip()
        except (OSError, ValueError):
            return None

    def read(self) -> bytes | None:
        """Return what was written last, or ``None``."""
        try:
            with self._path.open("rb") as file:
                return file.read(_FILE_MAXIMUM_BYTES)
        except OSError:
            return None

    def write(self, content: bytes) -> None:
        """Hand it to the thread; what waits there is replaced."""
        with self._changed:
            self._waiting = content
            self._changed.notify()
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="leadlight kept", daemon=True)
            self._thread.start()

    def close(self) -> None:
        """Wait a moment for what was written last."""
        with self._changed:
            self._is_closing = True
            self._changed.notify()
        if self._thread is not None:
            self._thread.join(LAST_SECONDS)

    def _work(self) -> None:
        is_told = False
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._waiting is not None or self._is_closing)
                content, self._waiting = self._waiting, None
            if content is None:
                return
            try:
                self._replace(content)
                is_told = False
            except OSError as error:
                if not is_told:
                    _log.warning("what is led cannot be kept for a restart: %s: %s", self._path, error.strerror)
                is_told = True

    def _replace(self, content: bytes) -> None:
        written = self._path.with_suffix(".new")
        # No waiting for the disk: whoever reads it lives in the same boot, and sees whole files even so.
        descriptor = os.open(written, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
        written.replace(self._path)


class Keeping:
    """Keeps what one leader leads. ``purpose`` is what it was started for: only the same takes up what was kept."""

    def __init__(self, file: KeptFile, clock: LocalClock, within_ns: int, purpose: str) -> None:
        self._file = file
        self._clock = clock
        self._within_ns = within_ns
        self._purpose = purpose
        self._boot = file.boot
        self._written: Inheritance | None = None
        self._written_at: LocalInstant | None = None
        self._is_erased = False
        if self._boot is None:
            _log.warning("this system does not tell its boots apart: a restart takes up nothing")

    def take_up(self, timebase: int) -> Inheritance | None:
        """Return what was led when this leader ran last, if that is of use; ``timebase`` is a name for a new clock."""
        content = self._file.read()
        if not content or self._boot is None:
            return None
        shift_ns, asleep_ns = self._clock.asleep_before_ns, self._clock.asleep_ns
        try:
            plain: dict[str, Any] = json.loads(content)
            if plain["boot"] != self._boot or plain["purpose"] != self._purpose:
                return None
            age_ns = self._clock() + shift_ns - int(plain["at"])
            if not 0 <= age_ns <= self._within_ns:
                return None
            kept = kept_from_plain(plain, shift_ns)
            slept_ns = asleep_ns - int(plain["asleep_ns"])
        except (LeadlightError, KeyError, TypeError, ValueError, OverflowError, RecursionError) as error:
            _log.warning("what was kept for a restart cannot be read: %s", error)
            return None
        if slept_ns >= SLEEP_MINIMUM_NS:
            _log.warning("this host slept %s since: others may have gone on without it", describe(slept_ns))
            return in_a_new_timebase(kept, timebase)
        return kept

    def note(self, bequest: Inheritance | None, now: LocalInstant) -> LocalInstant | None:
        """Keep what is led now; return when to be called again at the latest, ``None`` while nothing is led."""
        if bequest is None or self._boot is None:
            if not self._is_erased:
                self._file.write(b"")  # another leads: what was led here is of no use any more
            self._is_erased = True
            self._written = self._written_at = None
            return None
        self._is_erased = False
        if self._written_at is not None:
            spacing_ns = KEPT_EVERY_NS if bequest != self._written else LIFE_EVERY_NS
            if now - self._written_at < spacing_ns:
                return LocalInstant(self._written_at + spacing_ns)
        shift_ns = self._clock.asleep_before_ns
        plain = {
            "kept": 1,
            "boot": self._boot,
            "purpose": self._purpose,
            "at": now + shift_ns,
            "asleep_ns": self._clock.asleep_ns,
            **kept_as_plain(bequest, shift_ns),
        }
        self._file.write(json.dumps(plain).encode())
        self._written, self._written_at = bequest, now
        return LocalInstant(now + LIFE_EVERY_NS)

    def close(self) -> None:
        """Wait a moment for what was written last."""
        self._file.close()
