"""An evening by a running order, its folder, and the surroundings of a command in memory: for tests of commands."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

from leadlight.commands.endings import Ending
from leadlight.commands.orders import TakeOrder
from leadlight.commands.spool import Picture
from leadlight.storage import build_manifest, write_manifest

BEGINS = datetime(2026, 12, 4, 16, 59, tzinfo=UTC)
"""A minute before the first show."""
LENGTHS_S = {"Tidefall": 192, "Embers": 245}
ORDER = """
running_order = 1
timezone = "UTC"
[[evenings]]
starts = ["17:00"]
repeat_until = "{repeat_until}"
off = "{off}"
gap = 20
shows = ["Tidefall", "Embers"]
"""


def write_season(folder: Path, pieces: Sequence[str], repeat_until: str, off: str) -> None:
    """Write the shows' parts into a folder, their manifest and the running order."""
    for show, length_s in LENGTHS_S.items():
        (folder / "parts" / show).mkdir(parents=True)
        for piece in pieces:
            (folder / "parts" / show / f"{piece}.frames").write_bytes(show.encode())
        description = f"frame_rate = [40, 1]\nframe_count = {40 * length_s}\n"
        (folder / "parts" / show / "show.toml").write_text(description, encoding="utf-8")
    write_manifest(build_manifest(folder / "parts"), folder / "manifest.json")
    (folder / "order.toml").write_text(ORDER.format(repeat_until=repeat_until, off=off), encoding="utf-8")


class Around:
    """Surroundings in memory: an output that is no screen, no ending, and orders that a test gives."""

    size = None

    def __init__(self) -> None:
        self.lines: list[str] = []

    def add(self, line: str) -> None:
        self.lines.append(line)

    def draw(self, picture: Picture) -> None:
        raise AssertionError(picture)

    @contextlib.contextmanager
    def told(self) -> Iterator[asyncio.Future[Ending]]:
        yield asyncio.get_running_loop().create_future()

    async def bring(self, take: TakeOrder, group: str) -> None:
        self.take, self.group = take, group
        await asyncio.get_running_loop().create_future()
