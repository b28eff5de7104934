"""Options that every command on real sockets has: the group, the way to it, and its key."""

from __future__ import annotations

import argparse
import socket
import sys
from contextlib import AbstractContextManager
from typing import Final

from leadlight.commands.manifest import ProgressLine
from leadlight.commands.options import named_by_option
from leadlight.errors import ConfigurationError
from leadlight.evening import Manifest
from leadlight.net import DEFAULT_PORT
from leadlight.storage import check_parts, read_manifest
from leadlight.terms import ContentState

TIME_MEANS: Final = "A TIME is in seconds, or has its unit: 16ms, 2.5s, 3min, 1h."

_OPTIONS: Final = {
    "name": "--name",
    "group": "--group",
    "interval_ns": "--interval",
    "rank": "--rank",
    "lead_time_ns": "--lead-time",
    "listen_intervals": "--listen",
    "latency_ns": "--latency",
    "trim_ns": "--trim",
    "port": "--port",
    "own_port": "--own-port",
}


def add_group_options(parser: argparse.ArgumentParser) -> None:
    """Declare what says which group, where and with which key."""
    parser.add_argument("--group", required=True, help="the name all members share")
    parser.add_argument("--interface", metavar="NAME", help="network interface, by name or address")
    parser.add_argument("--port", type=int, default=DEFAULT_PORT, help="UDP port of the group (%(default)d)")
    parser.add_argument("--key-file", metavar="FILE", help="the group's key, as `leadlight key` makes it")


def named_by_its_option(arguments: argparse.Namespace) -> AbstractContextManager[None]:
    """Let errors name the option that a setting was made of."""
    given = vars(arguments)
    values = {field: given.get(option.removeprefix("--").replace("-", "_")) for field, option in _OPTIONS.items()}
    return named_by_option({field: (_OPTIONS[field], value) for field, value in values.items() if value is not None})


def parts_by_manifest(manifest: str, folder: str, name: str) -> tuple[Manifest, dict[str, ContentState]]:
    """Return a manifest, and how the parts of the follower ``name`` in ``folder`` compare with it, by show.

    Raises ``ConfigurationError`` for a follower that it does not list, and for what cannot be read.
    """
    listing = read_manifest(manifest)
    listed = listing.followers()
    if name not in listed:
        raise ConfigurationError("--name", name, f"one that the manifest lists: {', '.join(listed)}")
    with ProgressLine(sys.stderr, "checking") as progress:
        return listing, check_parts(listing, folder, name, progress.tell)


def resolve_address(text: str) -> tuple[str, int]:
    """Return the IPv4 address and port written as ``HOST:PORT``."""
    host, _, port = text.rpartition(":")
    allowed = "HOST:PORT, the leader's address and its --own-port"
    if not host or not port.isdecimal() or not 1 <= int(port) <= 65_535:
        raise ConfigurationError("--leader", text, allowed)
    try:
        found = socket.getaddrinfo(host, int(port), socket.AF_INET, socket.SOCK_DGRAM)
    except (OSError, UnicodeError) as error:
        raise ConfigurationError("--leader", text, f"{allowed} ({error})") from None
    return str(found[0][4][0]), int(port)
