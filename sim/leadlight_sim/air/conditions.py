"""What holds on a network when: conditions that last, so that a busy second is followed by another.

A record tells which of several levels a network's load was at, window after window, and each level has tables of its
own. It is replayed in blocks, each from a random instant of the record round to its beginning (the circular block
bootstrap of D. N. Politis and J. P. Romano, 1992). Every window of the record is as likely as every other, so that
delays keep their distribution, and what lasted for less than a block lasts as long in the replay.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from typing import Protocol

from leadlight.errors import ConfigurationError
from leadlight.units import SECOND
from leadlight_sim.air.distributions import AirTables
from leadlight_sim.kernel import Stream

LEVELS_MAXIMUM = 256
"""What a byte of the record tells apart."""
BLOCK_NS = 30 * SECOND
BLOCKS_MINIMUM = 20
"""A record is replayed in blocks of 30 s, or a twentieth of it if that is less; assumed."""


def block_windows(windows: int, window_ns: int) -> int:
    """Return how many windows in a row of a record are replayed as they were."""
    return max(1, min(BLOCK_NS // window_ns, windows // BLOCKS_MINIMUM))


class Conditions(Protocol):
    """Something that tells which tables hold at an instant."""

    def tables_at(self, instant: int) -> AirTables:
        """Return the tables that hold at an instant of true time, from 0 on."""
        ...


@dataclass(frozen=True, slots=True)
class LoadRecord:
    """The tables of each level of load, and the level of each window of a record.

    ``levels`` go from the calmest to the busiest; ``windows`` holds an index into them for every ``window_ns``.
    ``block_windows`` is how many windows in a row are replayed as they were.
    """

    levels: tuple[AirTables, ...]
    windows: bytes
    window_ns: int
    block_windows: int

    def __post_init__(self) -> None:
        if not 1 <= len(self.levels) <= LEVELS_MAXIMUM:
            raise ConfigurationError("levels", len(self.levels), f"1 to {LEVELS_MAXIMUM} tables")
        if not self.windows or max(self.windows) >= len(self.levels):
            raise ConfigurationError("windows", len(self.windows), "one window or more, each of a level that there is")
        for name in ("window_ns", "block_windows"):
            value = getattr(self, name)
            if type(value) is not int or value < 1:
                raise ConfigurationError(name, value, "a whole number, 1 or more")


class Replay:
    """A record as it is replayed; ``stream`` gives where each block begins.

    Blocks are drawn ahead as far as anybody asks, so that no answer depends on who asked, when or how often.
    """

    __slots__ = ("_begin", "_block_ns", "_end", "_levels", "_record", "_starts", "_stream", "_tables")

    def __init__(self, record: LoadRecord, levels: tuple[AirTables, ...], stream: Stream) -> None:
        self._record = record
        self._levels = levels
        self._stream = stream
        self._block_ns = record.block_windows * record.window_ns
        self._starts = array("q")
        # The window of the latest question, since the next is often in the same one.
        self._begin = self._end = 0
        self._tables = levels[0]

    def tables_at(self, instant: int) -> AirTables:
        """Return the tables that hold at an instant of true time, from 0 on."""
        if not self._begin <= instant < self._end:
            self._seek(instant)
        return self._tables

    def _seek(self, instant: int) -> None:
        record = self._record
        windows = record.windows
        starts = self._starts
        block, since_ns = divmod(instant, self._block_ns)
        while len(starts) <= block:
            starts.append(self._stream.integer(0, len(windows) - 1))
        window = since_ns // record.window_ns
        self._begin = block * self._block_ns + window * record.window_ns
        self._end = self._begin + record.window_ns
        self._tables = self._levels[windows[(starts[block] + window) % len(windows)]]
