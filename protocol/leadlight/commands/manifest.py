"""The command `manifest`: build a season's content manifest, and check that parts are the ones it lists."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import Final, TextIO

from leadlight.commands.tables import columns
from leadlight.errors import ConfigurationError
from leadlight.evening import Manifest
from leadlight.storage import Progress, build_manifest, compare_parts, read_manifest, write_manifest
from leadlight.terms import ContentState

EXIT_ALL_PRESENT: Final = 0
EXIT_NOT_ALL_PRESENT: Final = 1

_CLEAR_LINE: Final = "\r\x1b[K"  # ECMA-48: to the line's start, erase to its end

_LAYOUT: Final = """\
FOLDER holds one folder for each show, named after its id. In it lie the followers' parts, each named after
its follower with any suffix, and for building a file show.toml:

  Tidefall/jetty.frames
  Tidefall/willow.frames
  Tidefall/show.toml       frame_rate = [40, 1]
                           frame_count = 7680
                           edition = "2"                   (may be left out)
                           frame_bytes = { jetty = 1620 }  (to count frames by, or to check them)
"""


class ManifestCommand:
    """Builds manifests and checks parts against them."""

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare what it can do, and the arguments of each."""
        parser.formatter_class = argparse.RawDescriptionHelpFormatter
        parser.epilog = _LAYOUT
        jobs = parser.add_subparsers(dest="job", metavar="JOB", title="jobs", required=True)
        build = jobs.add_parser("build", help="list every show and part in a folder")
        build.add_argument("folder", metavar="FOLDER", help="where the shows are")
        build.add_argument("--out", required=True, metavar="FILE", help="the manifest to write")
        check = jobs.add_parser("check", help="compare parts with a manifest")
        check.add_argument("manifest", metavar="FILE", help="the manifest")
        check.add_argument("folder", metavar="FOLDER", help="where the parts are")
        check.add_argument(
            "--follower",
            action="append",
            metavar="NAME",
            help="whose parts to check; may be given again (everyone's)",
        )

    def run(self, arguments: argparse.Namespace, /) -> int:
        """Do the job; return 0 if all is well, 1 if a part is missing or another."""
        if arguments.job == "build":
            return self._build(arguments.folder, arguments.out)
        return self._check(arguments.manifest, arguments.folder, arguments.follower)

    def _build(self, folder: str, out: str) -> int:
        with ProgressLine(sys.stderr, "reading") as progress:
            manifest = build_manifest(folder, progress.tell)
        write_manifest(manifest, out)
        rows = [
            (
                entry.show,
                entry.edition or "–",
                str(entry.frame_count),
                f"{entry.frame_rate.numerator / entry.frame_rate.denominator:.6g}",
                str(len(entry.parts)),
                size_in_words(sum(part.size_bytes for part in entry.parts.values())),
                f"{entry.key:016x}",
            )
            for entry in manifest.shows
        ]
        _print_table(("show", "edition", "frames", "a second", "parts", "size", "key"), rows)
        return EXIT_ALL_PRESENT

    def _check(self, file: str, folder: str, names: list[str] | None) -> int:
        manifest = read_manifest(file)
        followers = _known(manifest, names)
        rows: list[tuple[str, ...]] = []
        faults = 0
        for follower in followers:
            with ProgressLine(sys.stderr, follower) as progress:
                found = compare_parts(manifest, folder, follower, progress.tell)
            for entry in manifest.shows:
                if entry.show in found:
                    part = found[entry.show]
                    faults += part.state is not ContentState.PRESENT
                    rows.append((follower, entry.show, entry.edition or "–", part.in_words))
        _print_table(("follower", "show", "edition", "state"), rows)
        sys.stdout.write(f"{len(rows) - faults} of {len(rows)} parts present\n")
        return EXIT_NOT_ALL_PRESENT if faults else EXIT_ALL_PRESENT


def _known(manifest: Manifest, names: list[str] | None) -> list[str]:
    listed = manifest.followers()
    for name in names or ():
        if name not in listed:
            raise ConfigurationError("--follower", name, f"one that the manifest lists: {', '.join(listed)}")
    return listed if names is None else list(dict.fromkeys(names))


def _print_table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    sys.stdout.write("".join(f"{line}\n" for line in columns(header, rows)))


def size_in_words(size_bytes: int) -> str:
    """Return a size for people, in the largest decimal unit that keeps three digits: ``"12.4 MB"``."""
    for unit, name in ((10**9, "GB"), (10**6, "MB"), (10**3, "kB")):
        # Half a last digit early, so that 999 999 bytes are told as 1 MB.
        if size_bytes >= 0.9995 * unit:
            return f"{size_bytes / unit:.3g} {name}"
    return f"{size_bytes} B"


class ProgressLine:
    """One line on a terminal that says how far a long job is, and is gone when the job ends; silent elsewhere."""

    def __init__(self, stream: TextIO, what: str) -> None:
        self._stream = stream
        self._what = what
        self._shows = stream.isatty()
        self._said = ""

    def __enter__(self) -> ProgressLine:
        return self

    def __exit__(self, *_exception: object) -> None:
        if self._said:
            self._stream.write(_CLEAR_LINE)
            self._stream.flush()

    @property
    def tell(self) -> Progress:
        """What to call with the bytes done and the bytes in all."""
        return self._tell

    def _tell(self, done_bytes: int, total_bytes: int) -> None:
        # A file that grows while it is read has more to it than was counted.
        percent = 100 * done_bytes // max(total_bytes, done_bytes, 1)
        self.say(f"{percent} % of {size_in_words(total_bytes)}")

    def say(self, how_far: str) -> None:
        """Put this after what the job is."""
        said = f"{self._what}: {how_far}"
        if self._shows and said != self._said:
            self._said = said
            self._stream.write(_CLEAR_LINE + said)
            self._stream.flush()
