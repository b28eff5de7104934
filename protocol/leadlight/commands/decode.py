"""The command `decode`: what is in this datagram or capture?"""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final, TextIO

from leadlight import wire
from leadlight.commands.options import named_by_option
from leadlight.commands.tables import columns
from leadlight.dissect import (
    FOLLOWER_HEADER,
    LEADER_HEADER,
    NOTHING,
    CaptureReader,
    CaptureSummary,
    Datagram,
    Dissector,
    PassedOver,
    Reading,
    Row,
    counted,
    datagram_in,
    group_of,
    kind_of,
    message_in_words,
)
from leadlight.errors import CaptureError, ConfigurationError, FileError
from leadlight.net import DEFAULT_PORT
from leadlight.storage import read_key_file, written_whole
from leadlight.terms import Kind
from leadlight.units import SECOND
from leadlight.wire import word

EXIT_ALL_TAKEN: Final = 0
EXIT_NOT_ALL_TAKEN: Final = 1

STANDARD_INPUT: Final = "-"
HEX_SHOWN_BYTES: Final = 16
"""How many bytes of a field a table spells out."""

_HEX_LIKE: Final = re.compile(r"[0-9a-fA-F\s]+")
_PORT_MAXIMUM: Final = 65_535
_KINDS: Final = {word(kind).replace(" ", "-"): kind for kind in Kind}

_EPILOG: Final = """\
WHAT is one of these:

  c49b1100...  a datagram in hexadecimal digits, blanks between bytes allowed
  -            the same, a datagram a line on the standard input
  FILE         a capture file, pcap or pcapng; one whose name could be taken for digits is written ./FILE

Of a datagram every byte is told: where, the field's name in protocol/SPECIFICATION.md, its bytes, value and
meaning. Of a capture every datagram is one line, and a summary follows. Datagrams are known by the port, or by
their first two bytes: nodes ask and answer from ports of their own.

A refused datagram is told with the reason that a member of the group would give, and shown as far as possible.
In JSON every line has the same keys, null where nothing is known. They are at_ns (when, in nanoseconds since
1970), from, to, bytes, cut_short, seen_before, kind, key_slot, group, tag, refused, detail, fields and datagram.
Fields stand as in protocol/vectors: numbers that can exceed 2^53 - 1 are text.

The exit code is 0 if every datagram was taken, 1 if one was refused or cut short, or a capture is damaged.
"""


class DecodeCommand:
    """Tells what datagrams say."""

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        parser.formatter_class = argparse.RawDescriptionHelpFormatter
        parser.epilog = _EPILOG
        parser.add_argument("what", nargs="+", metavar="WHAT", help="datagrams or a capture file, as told below")
        parser.add_argument("--group", metavar="NAME", help="refuse what is of another group (all are taken)")
        parser.add_argument("--key-file", metavar="FILE", help="check tags with the group's key (they are not checked)")
        parser.add_argument(
            "--port", type=int, default=DEFAULT_PORT, help="in a capture, UDP port of the group (%(default)d)"
        )
        parser.add_argument(
            "--kind",
            action="append",
            choices=list(_KINDS),
            help="list these alone; may be given again (all). A summary counts every kind",
        )
        parser.add_argument("--full", action="store_true", help="tell every byte of a capture's datagrams too")
        parser.add_argument("--json", metavar="FILE", help="write what is listed to a file, a JSON object a line")

    def run(self, arguments: argparse.Namespace, /) -> int:
        """Tell what is in each of the words; return 0 if all was taken, 1 if not."""
        if not 1 <= arguments.port <= _PORT_MAXIMUM:
            raise ConfigurationError("--port", arguments.port, f"1 to {_PORT_MAXIMUM}")
        keys = None if arguments.key_file is None else read_key_file(arguments.key_file)
        with named_by_option({"group": ("--group", arguments.group)}):
            dissector = Dissector(arguments.group, keys)
        kinds = None if arguments.kind is None else {_KINDS[name] for name in arguments.kind}
        with ExitStack() as stack:
            write = None if arguments.json is None else stack.enter_context(written_whole(arguments.json, "--json"))
            telling = _Telling(sys.stdout, dissector, kinds, write)
            words = arguments.what
            if all(re.fullmatch(r"[0-9a-fA-F]{2}", one) for one in words):
                words = ["".join(words)]  # the bytes of one datagram, apart
            for one in words:
                if one == STANDARD_INPUT:
                    for number, line in enumerate(sys.stdin.buffer, start=1):
                        if line.strip():
                            text = line.decode("ascii", "replace")
                            telling.tell_datagram(bytes_of(text, f"standard input line {number}"))
                elif _HEX_LIKE.fullmatch(one):
                    telling.tell_datagram(bytes_of(one, "datagram"))
                else:
                    telling.tell_capture(one, arguments.port, full=arguments.full)
        return EXIT_ALL_TAKEN if telling.took_all else EXIT_NOT_ALL_TAKEN


def bytes_of(text: str, place: str) -> bytes:
    """Return the bytes written as hexadecimal digits, with or without blanks between them.

    Raises ``ConfigurationError`` that names ``place`` for anything else.
    """
    words = text.split()
    digits = "".join(words)
    allowed = "pairs of hexadecimal digits, with nothing else but blanks between bytes"
    stranger = re.search(r"[^0-9a-fA-F]", digits)
    if stranger is not None:
        raise ConfigurationError(place, stranger[0], allowed)
    if len(words) > 1 and len(words[0]) > len(words[1]):
        raise ConfigurationError(place, words[0], f"{allowed}; this looks like an offset before them")
    for one in words:
        if len(one) % 2:
            raise ConfigurationError(place, one if len(one) <= 40 else f"{len(one)} digits", allowed)
    return bytes.fromhex(digits)


class _Telling:
    """Tells datagrams on ``stream``, and hands each to ``write`` as JSON; where ``kinds`` are given, those alone."""

    def __init__(
        self,
        stream: TextIO,
        dissector: Dissector,
        kinds: set[Kind] | None,
        write: Callable[[str], None] | None,
    ) -> None:
        self._stream = stream
        self._dissector = dissector
        self._kinds = kinds
        self._write = write
        self._has_told = False
        self.took_all = True

    def tell_datagram(self, data: bytes) -> None:
        """Tell a datagram byte by byte."""
        reading = self._dissector.read(data)
        self.took_all &= reading.refused is None
        if not self._is_wanted(data):
            return
        if self._has_told:
            self._line("")
        self._line(_heading(reading, len(data)))
        self._table(data, len(data))
        self._json(None, data, len(data), reading)

    def tell_capture(self, path: str, port: int, *, full: bool) -> None:
        """Tell the datagrams in a capture file, a line each or byte by byte, and sum them up."""
        if self._has_told:
            self._line("")
        summary = CaptureSummary()
        passed_over: Counter[str] = Counter()
        trouble = ""
        for found in _capture(path):
            if isinstance(found, Datagram):
                if port in (found.source_port, found.destination_port) or found.data.startswith(wire.MAGIC):
                    self._tell_captured(found, summary, full=full)
                else:
                    passed_over["of other ports"] += 1
            elif isinstance(found, _Ended):
                passed_over.update(found.skipped)
                trouble = found.trouble
            else:
                passed_over[found] += 1
        if self._has_told:
            self._line("")
        for line in summary.counts():
            self._line(line)
        for header, rows in ((LEADER_HEADER, summary.leaders()), (FOLLOWER_HEADER, summary.followers())):
            if rows:
                self._line("")
                for line in columns(header, rows):
                    self._line(line)
        if passed_over:
            self._line("")
            self._line(counted("packets passed over", dict(passed_over.most_common())))
        if trouble:
            self._line("")
            self._line(f"{path}: {trouble}")
        self.took_all &= not (summary.refused or summary.cut_short or trouble)

    def _tell_captured(self, found: Datagram, summary: CaptureSummary, *, full: bool) -> None:
        is_cut = len(found.data) < found.length
        source, destination = _place(found.source, found.source_port), _place(found.destination, found.destination_port)
        reading = None if is_cut else self._dissector.read(found.data)
        is_seen_before = summary.note(found, reading)
        if not self._is_wanted(found.data):
            return
        if full and self._has_told:
            self._line("")
        since_ns = 0 if found.at_ns is None or summary.first_ns is None else found.at_ns - summary.first_ns
        time = NOTHING if found.at_ns is None else f"{since_ns / SECOND:.6f}"
        kind = kind_of(found.data)
        said = NOTHING if kind is None else word(kind)
        if reading is None:
            told = f"cut short by the capture: {len(found.data)} of {found.length} bytes"
        elif reading.message is not None:
            told = message_in_words(reading.message, summary.names)
        else:
            told = f"refused: {reading.refused}"
        if is_seen_before:
            told += " (seen before)"
        self._line(f"{time:>12}  {source:21}  {destination:21}  {said:11}  {told}")
        if full:
            if reading is not None:
                self._line(_heading(reading, found.length))
            self._table(found.data, found.length)
        self._json(found, found.data, found.length, reading, is_seen_before=is_seen_before)

    def _is_wanted(self, data: bytes) -> bool:
        return self._kinds is None or kind_of(data) in self._kinds

    def _table(self, data: bytes, length: int) -> None:
        rows = [_cells(data, row) for row in self._dissector.dissect(data, length).rows]
        for line in columns(("bytes", "hex", "field", "value", "meaning"), rows):
            self._line(line)

    def _json(
        self,
        found: Datagram | None,
        data: bytes,
        length: int,
        reading: Reading | None,
        *,
        is_seen_before: bool = False,
    ) -> None:
        if self._write is None:
            return
        kind, group, tag = kind_of(data), group_of(data), self._dissector.tag_check(data, length)
        refused = None if reading is None else reading.refused
        told: dict[str, Any] = {
            "at_ns": None if found is None or found.at_ns is None else str(found.at_ns),
            "from": None if found is None else _place(found.source, found.source_port),
            "to": None if found is None else _place(found.destination, found.destination_port),
            "bytes": length,
            "cut_short": len(data) < length,
            "seen_before": is_seen_before,
            "kind": None if kind is None else word(kind),
            "key_slot": None if group is None else data[3],
            "group": None if group is None else group.hex(),
            "tag": None if tag is None else str(tag),
            "refused": None if refused is None else str(refused.reason),
            "detail": None if refused is None else refused.detail,
            "fields": self._dissector.dissect(data, length).fields,
            "datagram": data.hex(),
        }
        self._write(json.dumps(told) + "\n")

    def _line(self, line: str) -> None:
        self._stream.write(line + "\n")
        self._has_told = True


class _Ended:
    """What a capture's reader has to say once all packets are read."""

    def __init__(self, reader: CaptureReader) -> None:
        self.trouble = reader.trouble
        self.skipped = reader.skipped


def _capture(path: str) -> Iterator[Datagram | str | _Ended]:
    """Go through a capture file: datagrams, why other packets hold none, and at last how reading it ended."""
    try:
        with Path(path).open("rb") as file:
            reader = CaptureReader(file)
            for packet in reader:
                found = datagram_in(packet)
                if found is PassedOver.UNKNOWN_LINK:
                    yield f"of link type {packet.link_type}, which is not read here"
                else:
                    yield found
            yield _Ended(reader)
    except FileNotFoundError:
        raise FileError("capture", path, "there is no such file, and it is no datagram in hexadecimal digits") from None
    except OSError as error:
        raise FileError("capture", path, error.strerror or str(error)) from None
    except CaptureError as error:
        raise CaptureError(f"{path} {error}") from None


def _place(host: str, port: int) -> str:
    return f"{host}:{port}"


def _heading(reading: Reading, length: int) -> str:
    kind = "A datagram" if reading.kind is None else word(reading.kind).capitalize()
    told = [f"{kind}, {length} byte{'' if length == 1 else 's'}"]
    if reading.tag is not None:
        told.append(f"tag: {reading.tag}")
    if reading.refused is not None:
        told.append(f"refused: {reading.refused}")
    return ", ".join(told)


def _cells(data: bytes, row: Row) -> tuple[str, ...]:
    part = data[row.start : row.end]
    place = NOTHING if not part else str(row.start) if len(part) == 1 else f"{row.start}–{row.end - 1}"
    spelled = part[:HEX_SHOWN_BYTES].hex()
    if len(part) > HEX_SHOWN_BYTES:
        spelled += "…"
    meaning = row.meaning.replace("`", "")
    if row.trouble:
        meaning = f"! {row.trouble}" + (f" ({meaning})" if meaning else "")
    return (place, spelled, row.field, row.value, meaning)
