"""A leader in the program that plays the music: an audio callback says how far the sound is, and the lights follow.

Sound devices call for the next block from a thread of their own, and count time by a crystal of their own. The callback
must be quick and must not wait, so it only leaves the position where the program finds it; the program reports it to
the node four times a second. ``SilentDevice`` stands for the device: put a real one's stream in its place, and what it
says of its output latency.
"""

from __future__ import annotations

import argparse
import contextlib
import threading
import time
from collections.abc import Callable
from typing import NamedTuple

from leadlight import MILLISECOND, SECOND, CueState, KeyRing, LeaderSettings, LocalInstant, ShowPosition, StoredShow
from leadlight.cue import FrameRate
from leadlight.net import LeaderThread

SHOW = StoredShow("tidefall", FrameRate(40), frame_count=7680, edition="1")
SAMPLES_PER_SECOND = 48_000
BLOCK_SAMPLES = 480
DEVICE_LATENCY_NS = 30 * MILLISECOND
"""From handing a block to the device until it is heard."""
REPORTS_PER_SECOND = 4


class Heard(NamedTuple):
    """A block handed to the device: where in the music it begins, and when that was on the node's clock."""

    position: ShowPosition
    at: LocalInstant


class Music:
    """The music as the audio callback plays it."""

    def __init__(self, clock: Callable[[], LocalInstant]) -> None:
        self.latest: Heard | None = None
        """Set by the callback in one assignment, so that nobody need wait for anybody."""
        self._clock = clock
        self._samples = 0

    def callback(self, block_samples: int) -> bytes:
        """Return the next block: here silence. Called by the device, in its thread, when it wants one."""
        self.latest = Heard(ShowPosition(self._samples * SECOND // SAMPLES_PER_SECOND), self._clock())
        self._samples += block_samples
        return bytes(2 * block_samples)


class SilentDevice(threading.Thread):
    """Calls for a block whenever one is over, as a sound device does."""

    def __init__(self, callback: Callable[[int], bytes]) -> None:
        super().__init__(name="audio", daemon=True)
        self._callback = callback
        self._stopped = threading.Event()

    def run(self) -> None:
        """Play until stopped."""
        began, blocks = time.monotonic(), 0
        while not self._stopped.is_set():
            self._callback(BLOCK_SAMPLES)
            blocks += 1
            self._stopped.wait(max(0.0, began + blocks * BLOCK_SAMPLES / SAMPLES_PER_SECOND - time.monotonic()))

    def stop(self) -> None:
        """Fall silent."""
        self._stopped.set()
        self.join()


def lead(
    name: str, group: str, lasts_s: float, keys: KeyRing | None = None, interface: str | None = None
) -> list[Heard]:
    """Let the show roll, play the music with it, and report; return what was reported."""
    reported: list[Heard] = []
    with LeaderThread(LeaderSettings(name), group=group, keys=keys, shows=[SHOW], interface=interface) as node:
        while not node.is_leading:  # it listens first, in case another leads
            time.sleep(0.05)
        cue = node.roll(SHOW)
        music = Music(node.now)
        # What is handed over now is heard a latency later: begin so that the first sample is heard at the cue.
        node.wait_until(LocalInstant(cue.line.leader_at - DEVICE_LATENCY_NS))
        device = SilentDevice(music.callback)
        device.start()
        try:
            until = node.now() + round(lasts_s * SECOND)
            while node.now() < until and node.cue.state is not CueState.STOPPED:
                time.sleep(1 / REPORTS_PER_SECOND)
                heard = music.latest
                if heard is not None:
                    node.report_media(heard.position, DEVICE_LATENCY_NS, heard.at)
                    reported.append(heard)
        finally:
            device.stop()
    return reported


def main() -> None:
    """Lead as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--name", default="boathouse")
    parser.add_argument("--group", default="quarry lake")
    parser.add_argument("--for", dest="lasts_s", type=float, default=192.0, metavar="SECONDS")
    parser.add_argument("--interface", help="network interface, by name or address")
    arguments = parser.parse_args()
    with contextlib.suppress(KeyboardInterrupt):
        lead(arguments.name, arguments.group, arguments.lasts_s, interface=arguments.interface)


if __name__ == "__main__":
    main()
