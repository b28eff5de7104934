"""Options that every command on real sockets has: the group, the way to it, and its key."""

from __future__ import annotations

import argparse
import socket
import sys
from contextlib import AbstractContextManager
from typing import Final, NamedTuple

from leadlight.commands.manifest import ProgressLine
from leadlight.commands.options import duration_ns, named_by_option
from leadlight.errors import ConfigurationError
from leadlight.evening import Manifest, PartFound
from leadlight.net import DEFAULT_PORT, EXPEDITED
from leadlight.storage import compare_parts, read_key_file, read_manifest
from leadlight.units import MILLISECOND, SECOND
from leadlight.wire import KeyRing

TIME_MEANS: Final = "A TIME is in seconds, or has its unit: 16ms, 2.5s, 3min, 1h."

LINES_TOLD: Final = """\
A line of JSON, printed or in the log book, is an object with the key utc, an ISO 8601 instant, and one of these
keys. event: the name of what happened; beside it stand its fields and at, nanoseconds of this node's clock. status:
an object; beside it stands at. told: a line for people. log: a warning or a fault; beside it stands level. lost:
how many lines could not be written before this one. Durations are in ns. A show is sixteen hexadecimal digits, with
show_name where its name is known here."""

_OPTIONS: Final = {
    "name": "--name",
    "group": "--group",
    "interval_ns": "--interval",
    "rank": "--rank",
    "lead_time_ns": "--lead-time",
    "listen_intervals": "--listen",
    "roster_limit": "--roster-limit",
    "copies_limit": "--copies-limit",
    "latency_ns": "--latency",
    "trim_ns": "--trim",
    "port": "--port",
    "own_port": "--own-port",
    "resumes_within_ns": "--resume-within",
    "dscp": "--dscp",
    "hosts": "--hosts",
}


def add_group_options(parser: argparse.ArgumentParser, port: int = DEFAULT_PORT, uses: str = "the group") -> None:
    """Declare what says which group, where and with which key; ``port`` is the usual one, and what ``uses`` it."""
    parser.add_argument("--group", required=True, help="the name all members share")
    parser.add_argument("--interface", metavar="NAME", help="network interface, by name or address")
    parser.add_argument("--port", type=int, default=port, help=f"UDP port of {uses} (%(default)d)")
    parser.add_argument(
        "--ip-version", type=int, choices=(4, 6), help="4 or 6 (4 where the interface has such an address, else 6)"
    )
    parser.add_argument("--key-file", metavar="FILE", help="the group's key, as `leadlight key` makes it")


def add_node_options(parser: argparse.ArgumentParser) -> None:
    """Declare what every node that runs has: its name, its group, how it ends and where it tells what happens."""
    parser.add_argument("--name", required=True, help="this node's name")
    add_group_options(parser)
    parser.add_argument(
        "--own-port", type=int, default=0, metavar="N", help="UDP port of this node alone (any that is free)"
    )
    parser.add_argument(
        "--dscp",
        type=int,
        default=EXPEDITED,
        metavar="N",
        help="mark datagrams for networks that heed it, 0 to 63 (%(default)d, expedited forwarding; 0 marks nothing)",
    )
    parser.add_argument(
        "--no-wait", action="store_true", help="end where there is no network yet; by default wait until there is one"
    )
    parser.add_argument("--for", dest="for_time", metavar="TIME", help="end after so long")
    parser.add_argument(
        "--end-on-hangup", action="store_true", help="end when the terminal goes; by default it goes on without one"
    )
    parser.add_argument("--json-lines", action="store_true", help="print events and status as JSON, one a line")
    parser.add_argument(
        "--log-book",
        metavar="FILE",
        help="write events and status to FILE as well, as JSON lines; older ones go to FILE.1 to FILE.4",
    )
    parser.add_argument(
        "--status-every", default="1min", metavar="TIME", help="how far apart status lines of JSON are (1min)"
    )


def keys_of(arguments: argparse.Namespace) -> KeyRing | None:
    """Return the group's keys, if a file of them is given."""
    return None if arguments.key_file is None else read_key_file(arguments.key_file)


class Timing(NamedTuple):
    """For how many seconds a node runs, ``None`` for ever, and how far apart its status lines are."""

    limit: float | None
    status_every_ns: int


def timing_of(arguments: argparse.Namespace) -> Timing:
    """Return the timing that is asked for; before anything is begun, so that a wrong one is told at once."""
    status_every_ns = duration_ns("--status-every", arguments.status_every, minimum_ns=100 * MILLISECOND)
    if arguments.for_time is None:
        return Timing(None, status_every_ns)
    return Timing(duration_ns("--for", arguments.for_time, minimum_ns=MILLISECOND) / SECOND, status_every_ns)


def named_by_its_option(arguments: argparse.Namespace) -> AbstractContextManager[None]:
    """Let errors name the option that a setting was made of."""
    given = vars(arguments)
    values = {field: given.get(option.removeprefix("--").replace("-", "_")) for field, option in _OPTIONS.items()}
    return named_by_option({field: (_OPTIONS[field], value) for field, value in values.items() if value is not None})


def parts_by_manifest(manifest: str, folder: str, name: str) -> tuple[Manifest, dict[str, PartFound]]:
    """Return a manifest, and how the parts of the follower ``name`` in ``folder`` compare with it, by show.

    Raises ``ConfigurationError`` for a follower that it does not list, and for what cannot be read.
    """
    listing = read_manifest(manifest)
    listed = listing.followers()
    if name not in listed:
        raise ConfigurationError("--name", name, f"one that the manifest lists: {', '.join(listed)}")
    with ProgressLine(sys.stderr, "checking") as progress:
        return listing, compare_parts(listing, folder, name, progress.tell)


def resolve_address(text: str, ip_version: int | None = None) -> tuple[str, int]:
    """Return the address and port written as ``HOST:PORT``, or as ``[ADDRESS]:PORT`` with IPv6; IPv4 goes first."""
    host, _, port = text.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    allowed = "HOST:PORT, the leader's address and its --own-port"
    if not host or not port.isdecimal() or not 1 <= int(port) <= 65_535:
        raise ConfigurationError("--leader", text, allowed)
    family = {None: socket.AF_UNSPEC, 4: socket.AF_INET, 6: socket.AF_INET6}[ip_version]
    try:
        found = socket.getaddrinfo(host, int(port), family, socket.SOCK_DGRAM)
    except (OSError, UnicodeError) as error:
        raise ConfigurationError("--leader", text, f"{allowed} ({error})") from None
    address = min(found, key=lambda one: one[0] != socket.AF_INET)[4]
    scope = f"%{address[3]}" if len(address) == 4 and address[3] and "%" not in str(address[0]) else ""
    return f"{address[0]}{scope}", int(port)
