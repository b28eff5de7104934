"""The command `order`: read a running order, and tell what plays on the next nights."""

from __future__ import annotations

import argparse
import datetime
import sys
from pathlib import Path
from typing import Final

from leadlight.errors import ConfigurationError, FileError
from leadlight.evening import Manifest, RunningOrder, parse_running_order
from leadlight.storage import read_manifest, read_text_file

MANIFEST_FILE: Final = "manifest.json"
"""The manifest's name where none is given: it is looked for beside the running order."""
NIGHTS_MAXIMUM: Final = 366

_EXAMPLE: Final = """\
A running order:

  running_order = 1
  timezone = "Europe/Berlin"

  [[evenings]]
  days = ["friday", "saturday"]    # every day where left out
  starts = ["17:00", "19:30"]
  repeat_until = "21:30"           # where left out, the shows play once from each start
  off = "22:00"                    # everything is dark from here on, whatever else was told
  gap = 20                         # seconds of dark after each show; none where left out
  shows = ["Tidefall", "Night Ferry", { show = "Embers", gap = 60 }]

How long its shows are is in the manifest.
"""


class OrderCommand:
    """Tells what a running order means."""

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare what it can do, and the arguments of each."""
        parser.formatter_class = argparse.RawDescriptionHelpFormatter
        parser.epilog = _EXAMPLE
        jobs = parser.add_subparsers(dest="job", metavar="JOB", title="jobs", required=True)
        preview = jobs.add_parser("preview", help="list the next nights' shows in local time")
        preview.add_argument("order", metavar="FILE", help="the running order")
        preview.add_argument(
            "--manifest", metavar="FILE", help=f"the manifest that lists its shows ({MANIFEST_FILE} beside it)"
        )
        preview.add_argument("--nights", type=int, default=7, metavar="N", help="how many nights (%(default)d)")
        preview.add_argument("--from", dest="since", metavar="DATE", help="the first night, YYYY-MM-DD (the next)")

    def run(self, arguments: argparse.Namespace, /) -> int:
        """Print the nights."""
        return self.preview(arguments, datetime.datetime.now(datetime.UTC))

    @staticmethod
    def preview(arguments: argparse.Namespace, wall_now: datetime.datetime) -> int:
        """Print the nights as they look at ``wall_now``."""
        if not 1 <= arguments.nights <= NIGHTS_MAXIMUM:
            raise ConfigurationError("--nights", arguments.nights, f"1 to {NIGHTS_MAXIMUM}")
        order, _ = read_order_and_manifest(arguments.order, arguments.manifest)
        since = wall_now if arguments.since is None else _noon_of(arguments.since, order)
        sys.stdout.write("".join(f"{line}\n" for line in order.preview(since, arguments.nights)))
        return 0


def read_order_and_manifest(order: str, manifest: str | None) -> tuple[RunningOrder, Manifest]:
    """Return a running order and the manifest of its shows, which is ``MANIFEST_FILE`` beside it if none is named.

    Raises ``ConfigurationError`` naming file, key path, value and what is allowed.
    """
    text = read_text_file(order, "running order")  # first: who mistypes its name must not be sent to the manifest
    if manifest is not None:
        listed = read_manifest(manifest)
    else:
        beside = Path(order).with_name(MANIFEST_FILE)
        try:
            listed = read_manifest(beside)
        except FileError as error:
            raise FileError("manifest", str(beside), f"{error.reason}; --manifest names another") from None
    return parse_running_order(text, listed.lengths(), order), listed


def _noon_of(day: str, order: RunningOrder) -> datetime.datetime:
    allowed = "a date from 1970 to 2100 as YYYY-MM-DD"
    try:
        date = datetime.date.fromisoformat(day)
    except ValueError:
        raise ConfigurationError("--from", day, allowed) from None
    if not 1970 <= date.year <= 2100:
        raise ConfigurationError("--from", day, allowed)
    return datetime.datetime.combine(date, datetime.time(12), order.zone)
