"""Timers for an asyncio loop that are not rounded.

The loop's own timers are rounded up to whole milliseconds of its selector: half a millisecond late on average on an
idle machine. Linux has timers that are files (timerfd_create(2)), which the loop watches like any socket; elsewhere a
thread waits by the system's fine clock and wakes the loop.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import os
import sys
import threading
import time
from collections.abc import Callable
from typing import Final, Protocol

from leadlight.units import MILLISECOND, SECOND

# Linux uapi: time.h and timerfd.h. BOOTTIME goes on while the system is suspended, as the node's own clock does.
_CLOCK_MONOTONIC: Final = 1
_CLOCK_BOOTTIME: Final = 7
_TFD_NONBLOCK: Final = 0o4000
_TFD_CLOEXEC: Final = 0o2000000
# struct itimerspec: the interval, which is zero, and the time to go, each in seconds and ns.
_ITIMERSPEC_LONGS: Final = 4
_EXPIRATIONS_BYTES: Final = 8

COARSE_WAIT_NS: Final = 20 * MILLISECOND if sys.platform == "win32" else 0
"""How much before its instant a wait for another thread may end: there such waits go by ticks of 15.6 ms."""


class ExactTimer(Protocol):
    """A timer that calls back in the loop's thread, once for each time it is set; setting it anew replaces that."""

    def set(self, in_ns: int) -> None:
        """Call back in so many ns, 1 or more."""

    def close(self) -> None:
        """Never call back again; harmless when called twice."""


class DescriptorTimer:
    """A timer that is a file. Raises ``OSError`` where the system has none, ``NotImplementedError`` if the loop
    cannot watch it.
    """

    def __init__(self, loop: asyncio.AbstractEventLoop, callback: Callable[[], object]) -> None:
        self._set_time, self._file = _open_descriptor()
        self._loop = loop
        self._callback = callback
        try:
            loop.add_reader(self._file, self._fire)
        except BaseException:
            os.close(self._file)
            raise

    def set(self, in_ns: int) -> None:
        """Call back in so many ns, 1 or more."""
        self._set_time(self._file, in_ns)

    def close(self) -> None:
        """Never call back again; harmless when called twice."""
        if self._file >= 0:
            # Leaving may come after the loop's end.
            with contextlib.suppress(RuntimeError):
                self._loop.remove_reader(self._file)
            os.close(self._file)
            self._file = -1

    def _fire(self) -> None:
        try:
            os.read(self._file, _EXPIRATIONS_BYTES)
        except BlockingIOError:
            return  # set anew between its expiring and this
        self._callback()


def _open_descriptor() -> tuple[Callable[[int, int], object], int]:
    """Return what sets a timer descriptor to expire in so many ns, and a new descriptor."""
    create = getattr(os, "timerfd_create", None)  # from Python 3.13 on
    if create is not None:
        set_time_ns = os.timerfd_settime_ns  # type: ignore[attr-defined]
        return (lambda file, in_ns: set_time_ns(file, initial=in_ns)), _first_of(
            lambda clock: create(clock, flags=_TFD_NONBLOCK | _TFD_CLOEXEC)
        )
    if not sys.platform.startswith("linux"):
        raise OSError("this system has no timer descriptors")
    library = ctypes.CDLL(None, use_errno=True)
    try:
        c_create, c_set = library.timerfd_create, library.timerfd_settime
    except AttributeError as error:
        raise OSError("the C library has no timer descriptors") from error

    def checked(result: int) -> int:
        if result < 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number))
        return result

    spec = (ctypes.c_long * _ITIMERSPEC_LONGS)()
    where = ctypes.byref(spec)

    def set_time(file: int, in_ns: int) -> None:
        spec[2], spec[3] = divmod(in_ns, SECOND)
        checked(c_set(file, 0, where, None))

    return set_time, _first_of(lambda clock: checked(c_create(clock, _TFD_NONBLOCK | _TFD_CLOEXEC)))


def _first_of(create: Callable[[int], int]) -> int:
    try:
        return create(_CLOCK_BOOTTIME)
    except OSError:
        return create(_CLOCK_MONOTONIC)


class ThreadTimer:
    """A thread that sleeps by the system's fine clock and then wakes the loop."""

    def __init__(self, loop: asyncio.AbstractEventLoop, callback: Callable[[], object]) -> None:
        self._loop = loop
        self._callback = callback
        self._changed = threading.Condition()
        self._due_ns: int | None = None
        self._is_closed = False
        self._settings = 0
        threading.Thread(target=self._run, name="leadlight timer", daemon=True).start()

    def set(self, in_ns: int) -> None:
        """Call back in so many ns, 1 or more."""
        with self._changed:
            self._due_ns = time.monotonic_ns() + in_ns
            self._settings += 1
            self._changed.notify()

    def close(self) -> None:
        """Never call back again; harmless when called twice."""
        with self._changed:
            self._is_closed = True
            self._changed.notify()

    def _run(self) -> None:
        while True:
            with self._changed:
                left_ns = self._wait()
                if self._is_closed:
                    return
                set_as = self._settings
            if left_ns > 0:
                time.sleep(left_ns / SECOND)
            try:
                self._loop.call_soon_threadsafe(self._fire, set_as)
            except RuntimeError:
                return  # the loop has ended without closing this

    def _wait(self) -> int:
        """Wait until it is nearly due or closed; return how many ns are left."""
        while not self._is_closed:
            if self._due_ns is None:
                self._changed.wait()
                continue
            left_ns = self._due_ns - time.monotonic_ns()
            if left_ns <= COARSE_WAIT_NS:
                self._due_ns = None
                return left_ns
            self._changed.wait((left_ns - COARSE_WAIT_NS) / SECOND)
        return 0

    def _fire(self, set_as: int) -> None:
        if set_as == self._settings and not self._is_closed:
            self._callback()


def make_timer(loop: asyncio.AbstractEventLoop, callback: Callable[[], object]) -> ExactTimer:
    """Return the most exact timer that this system and this loop have."""
    try:
        return DescriptorTimer(loop, callback)
    except (OSError, NotImplementedError):
        return ThreadTimer(loop, callback)
