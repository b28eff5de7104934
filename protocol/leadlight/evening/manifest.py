"""Content manifests: which shows there are, and the digest of each follower's part of them.

The file is JSON and says its version::

    {
      "manifest": 1,
      "shows": [
        {
          "show": "Tidefall",
          "edition": "2",
          "frame_rate": [40, 1],
          "frame_count": 7680,
          "parts": {
            "jetty": {"size_bytes": 12441600, "digest": "00112233445566778899aabbccddeeff"}
          }
        }
      ]
    }

A part's digest is BLAKE2s (RFC 7693) of 16 bytes over the part's bytes. A show's digest is BLAKE2s of 16 bytes with
the personalisation ``manifest`` over its canonical form, and so does not depend on how the file is laid out::

    canonical = text(show) text(edition) number(numerator) number(denominator) number(frame_count) number(parts) part*
    part      = text(follower) number(size_bytes) 16 bytes of digest        in order of the follower's UTF-8 bytes
    text(x)   = number(length of x in UTF-8) and x in UTF-8
    number(n) = n as 8 bytes, most significant first

The frame rate is in lowest terms there. The show's digest goes into its key, so that a beacon names these very parts.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from hashlib import blake2s
from math import gcd
from typing import Any, Final, NamedTuple, NoReturn

from leadlight.cue import FrameRate
from leadlight.errors import ConfigurationError
from leadlight.playback import Library, StoredShow
from leadlight.terms import ContentState

MANIFEST_VERSION: Final = 1
DIGEST_BYTES: Final = 16
NAME_MAXIMUM_BYTES: Final = 255
"""Longest id, edition or follower's name in UTF-8: what a file's name may have on common file systems."""
NUMBER_MAXIMUM: Final = 2**63 - 1

_DIGEST = re.compile(r"[0-9a-f]{32}", re.ASCII)


@dataclass(frozen=True, slots=True)
class Part:
    """One follower's part of a show: its size in bytes and its digest."""

    size_bytes: int
    digest: bytes

    def state_of(self, found: Part | None) -> ContentState:
        """Return how what a follower has, ``None`` for nothing, compares with this part."""
        if found is None:
            return ContentState.MISSING
        return ContentState.PRESENT if found == self else ContentState.OTHER_EDITION


class PartFound(NamedTuple):
    """How a follower's file compares with its part: in what state it is, and how many bytes more it has than listed."""

    state: ContentState
    bytes_more: int = 0

    @property
    def in_words(self) -> str:
        """How it is, for people: a file of another length is told by that, as one that was cut off or grew."""
        if self.bytes_more:
            count = abs(self.bytes_more)
            said = f"{count} byte" if count == 1 else f"{count} bytes"
            return f"{said} {'longer' if self.bytes_more > 0 else 'shorter'}"
        return self.state.name.lower().replace("_", " ")


@dataclass(frozen=True)
class ShowEntry:
    """One show of a manifest; ``parts`` by follower's name."""

    show: str
    edition: str
    frame_rate: FrameRate
    frame_count: int
    parts: Mapping[str, Part]

    @cached_property
    def canonical(self) -> bytes:
        """The bytes whose digest stands for this show; the module's text says how they are made."""
        divisor = gcd(self.frame_rate.numerator, self.frame_rate.denominator)
        form = bytearray(_text(self.show) + _text(self.edition))
        for number in (
            self.frame_rate.numerator // divisor,
            self.frame_rate.denominator // divisor,
            self.frame_count,
            len(self.parts),
        ):
            form += _number(number)
        for follower in sorted(self.parts, key=str.encode):
            part = self.parts[follower]
            form += _text(follower) + _number(part.size_bytes) + part.digest
        return bytes(form)

    @cached_property
    def digest(self) -> bytes:
        """The show's digest, 16 bytes."""
        return blake2s(self.canonical, digest_size=DIGEST_BYTES, person=b"manifest").digest()

    @cached_property
    def stored(self) -> StoredShow:
        """The show as a follower that holds its part of it has it."""
        return StoredShow(self.show, self.frame_rate, self.frame_count, self.edition, self.digest)

    @property
    def key(self) -> int:
        """The number by which beacons name it."""
        return self.stored.key


@dataclass(frozen=True, slots=True)
class Manifest:
    """The shows of a season, each id once."""

    shows: tuple[ShowEntry, ...]

    def find(self, show: str) -> ShowEntry | None:
        """Return the entry of a show's id, or ``None``."""
        return next((entry for entry in self.shows if entry.show == show), None)

    def followers(self) -> list[str]:
        """Return the names of all that have a part in any show, in order."""
        return sorted({follower for entry in self.shows for follower in entry.parts})

    def keys(self) -> dict[str, int]:
        """Return each show's key by its id."""
        return {entry.show: entry.key for entry in self.shows}

    def lengths(self) -> dict[str, int]:
        """Return each show's length in nanoseconds by its id."""
        return {entry.show: entry.stored.length_ns for entry in self.shows}

    def library(self, states: Mapping[str, ContentState]) -> Library:
        """Return what a follower holds, given how it stands with each show, by id, of those it has a part in."""
        held = [entry.stored for entry in self.shows if states.get(entry.show) is ContentState.PRESENT]
        absent = {entry.stored: states.get(entry.show, ContentState.UNKNOWN) for entry in self.shows}
        return Library(held, absent)


@dataclass(frozen=True, slots=True)
class ShowDescription:
    """What a show's owner writes down of it: a small TOML file beside the parts.

    ::

        edition = "2"                       # may be left out
        frame_rate = [40, 1]                # 40 a second
        frame_count = 7680                  # or let it be counted, by frame_bytes
        frame_bytes = { jetty = 1620 }      # bytes a frame in a follower's part, where its file is frames and no more

    ``frame_count`` is ``None`` where it is to be counted. A part listed in ``frame_bytes`` is checked to be whole
    frames and as many as the others: a copy that broke off, or an export at another rate, shows here.
    """

    edition: str
    frame_rate: FrameRate
    frame_count: int | None
    frame_bytes: Mapping[str, int]

    @classmethod
    def parse(cls, text: str, source: str = "show.toml") -> ShowDescription:
        """Return the description in ``text``; raises ``ConfigurationError`` as ``parse_manifest`` does."""
        try:
            table = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise ConfigurationError(source, "its text", f"TOML ({error})") from None
        check_keys(table, source, {"edition", "frame_rate", "frame_count", "frame_bytes"}, required={"frame_rate"})
        frame_bytes = table.get("frame_bytes", {})
        if not isinstance(frame_bytes, dict):
            raise ConfigurationError(f"{source}: frame_bytes", frame_bytes, "a table of followers")
        count = table.get("frame_count")
        if count is None and not frame_bytes:
            raise ConfigurationError(source, "no frame_count", "the key 'frame_count', or 'frame_bytes' to count by")
        return cls(
            check_name(table.get("edition", ""), f"{source}: edition", empty_allowed=True),
            check_frame_rate(table["frame_rate"], f"{source}: frame_rate"),
            None if count is None else check_number(count, f"{source}: frame_count"),
            {name: check_number(size, f"{source}: frame_bytes.{name}") for name, size in frame_bytes.items()},
        )

    def entry(self, show: str, parts: Mapping[str, Part], source: str = "show.toml") -> ShowEntry:
        """Return the manifest's entry for ``parts``; raises ``ConfigurationError`` if they do not fit together."""
        count = self.frame_count
        for follower, size_bytes in sorted(self.frame_bytes.items()):
            if follower not in parts:
                raise ConfigurationError(f"{source}: frame_bytes", follower, f"followers: {', '.join(sorted(parts))}")
            frames, over = divmod(parts[follower].size_bytes, size_bytes)
            if over or frames != (count or frames):
                wanted = "whole frames" if count is None else f"{count} frames"
                raise ConfigurationError(
                    f"{source}: frame_bytes.{follower}",
                    f"{frames} frames and {over} bytes",
                    f"a part of {wanted} of {size_bytes} bytes",
                )
            count = frames
        if count is None:
            raise ConfigurationError(source, "no frame_count", "the key 'frame_count', or 'frame_bytes' to count by")
        return ShowEntry(show, self.edition, self.frame_rate, count, dict(parts))


def _text(text: str) -> bytes:
    encoded = text.encode()
    return _number(len(encoded)) + encoded


def _number(number: int) -> bytes:
    return number.to_bytes(8, "big")


def manifest_text(manifest: Manifest) -> str:
    """Return a manifest as the text of its file; the same manifest gives the same text."""
    document = {
        "manifest": MANIFEST_VERSION,
        "shows": [
            {
                "show": entry.show,
                "edition": entry.edition,
                "frame_rate": [entry.frame_rate.numerator, entry.frame_rate.denominator],
                "frame_count": entry.frame_count,
                "parts": {
                    follower: {"size_bytes": part.size_bytes, "digest": part.digest.hex()}
                    for follower, part in sorted(entry.parts.items())
                },
            }
            for entry in manifest.shows
        ],
    }
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


def parse_manifest(text: str, source: str = "manifest") -> Manifest:
    """Return the manifest in ``text``; ``source`` names it in errors.

    Raises ``ConfigurationError`` naming source, key path, value and what is allowed, for anything that is not exactly
    such a file: unknown or repeated keys too.
    """

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        table = dict(pairs)
        if len(table) < len(pairs):
            names = [name for name, _ in pairs]
            twice = next(name for name in names if names.count(name) > 1)
            raise ConfigurationError(source, twice, "each key once in its object")
        return table

    def no_such_number(word: str) -> NoReturn:
        raise ConfigurationError(source, word, "whole numbers")

    try:
        document = json.loads(text, object_pairs_hook=once, parse_constant=no_such_number)
    except json.JSONDecodeError as error:
        raise ConfigurationError(source, f"line {error.lineno}", f"JSON ({error.msg})") from None
    except (RecursionError, ValueError) as error:
        if isinstance(error, ConfigurationError):
            raise
        raise ConfigurationError(source, "its text", "a manifest, not nested and with numbers of usual size") from None
    # The version comes first: what else may stand here depends on it.
    if not isinstance(document, dict) or "manifest" not in document:
        raise ConfigurationError(source, type(document).__name__, "an object with the key 'manifest'")
    if document["manifest"] != MANIFEST_VERSION or type(document["manifest"]) is not int:
        raise ConfigurationError(f"{source}: manifest", document["manifest"], f"version {MANIFEST_VERSION}")
    table = _table(document, source, {"manifest", "shows"})
    entries = _list(table["shows"], f"{source}: shows")
    shows = tuple(_entry(entry, f"{source}: shows[{index}]") for index, entry in enumerate(entries))
    seen: set[str] = set()
    for index, show in enumerate(shows):
        if show.show in seen:
            raise ConfigurationError(f"{source}: shows[{index}].show", show.show, "each show once")
        seen.add(show.show)
    return Manifest(shows)


def _entry(value: object, path: str) -> ShowEntry:
    table = _table(value, path, {"show", "edition", "frame_rate", "frame_count", "parts"})
    parts = table["parts"]
    if not isinstance(parts, dict) or not parts:
        raise ConfigurationError(f"{path}.parts", parts, "an object with at least one follower")
    return ShowEntry(
        check_name(table["show"], f"{path}.show"),
        check_name(table["edition"], f"{path}.edition", empty_allowed=True),
        check_frame_rate(table["frame_rate"], f"{path}.frame_rate"),
        check_number(table["frame_count"], f"{path}.frame_count"),
        {
            check_name(follower, f"{path}.parts"): _part(part, f"{path}.parts.{follower}")
            for follower, part in parts.items()
        },
    )


def _part(value: object, path: str) -> Part:
    table = _table(value, path, {"size_bytes", "digest"})
    digest = table["digest"]
    if not isinstance(digest, str) or not _DIGEST.fullmatch(digest):
        raise ConfigurationError(f"{path}.digest", digest, "32 hexadecimal digits, lower case")
    return Part(check_number(table["size_bytes"], f"{path}.size_bytes"), bytes.fromhex(digest))


def _list(value: object, path: str) -> list[object]:
    if not isinstance(value, list) or not value:
        raise ConfigurationError(path, value, "a list that is not empty")
    return value


def _table(value: object, path: str, keys: set[str]) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise ConfigurationError(path, value, f"an object with the keys {_listed(keys)}")
    check_keys(value, path, keys, required=keys)
    return value


def check_keys(table: Mapping[str, object], path: str, keys: set[str], required: Iterable[str] = ()) -> None:
    """Refuse keys outside ``keys`` and the lack of any of ``required``, by ``ConfigurationError`` naming ``path``."""
    for key in table:
        if key not in keys:
            raise ConfigurationError(path, key, f"the keys {_listed(keys)}")
    for key in sorted(required):
        if key not in table:
            raise ConfigurationError(path, f"no {key}", f"the key {key!r} as well")


def _listed(keys: Iterable[str]) -> str:
    return ", ".join(sorted(keys))


def check_name(value: object, path: str, *, empty_allowed: bool = False) -> str:
    """Return a show's id, an edition or a follower's name, refusing what cannot be printed or kept as a folder."""
    if (
        not isinstance(value, str)
        or not (value or empty_allowed)
        or not value.isprintable()
        or value in (".", "..")
        or "/" in value
        or "\\" in value
        or value != value.strip()
        or len(value.encode()) > NAME_MAXIMUM_BYTES
    ):
        raise ConfigurationError(
            path, value, f"printable text without slashes or outer spaces, at most {NAME_MAXIMUM_BYTES} bytes"
        )
    return value


def check_number(value: object, path: str) -> int:
    """Return a whole number above zero."""
    if type(value) is not int or not 0 < value <= NUMBER_MAXIMUM:
        raise ConfigurationError(path, value, "a whole number above zero")
    return value


def check_frame_rate(value: object, path: str) -> FrameRate:
    """Return the frame rate written as ``[numerator, denominator]``."""
    if not isinstance(value, list) or len(value) != 2:
        raise ConfigurationError(path, value, "two whole numbers, as in [40, 1] or [30000, 1001]")
    numerator, denominator = (check_number(number, f"{path}[{index}]") for index, number in enumerate(value))
    try:
        return FrameRate(numerator, denominator)
    except ConfigurationError as error:
        raise ConfigurationError(path, value, error.allowed) from None
