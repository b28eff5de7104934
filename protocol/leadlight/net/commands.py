"""The commands `lead` and `follow`: the real thing on real sockets."""

from __future__ import annotations

import argparse
import asyncio
import datetime
import sys
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from leadlight.content import StoredShow
from leadlight.cue import NO_SHOW, Cue, FrameRate, ShowLine, show_key
from leadlight.errors import ConfigurationError
from leadlight.files import read_key_file
from leadlight.follower import FollowerSettings
from leadlight.live_table import LiveTable
from leadlight.net.endpoint import Endpoint, FollowerEndpoint, LeaderEndpoint
from leadlight.net.sockets import DEFAULT_PORT
from leadlight.net.telling import (
    FOLLOWER_HEADER,
    FOLLOWER_NEWS,
    ROSTER_HEADER,
    ROSTER_NEWS,
    event_as_json,
    event_in_words,
    follower_row,
    roster_rows,
    show_name,
    word,
)
from leadlight.security import KeyRing
from leadlight.tenure import LISTEN_INTERVALS, LeaderSettings
from leadlight.terms import CueState
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, ShowPosition, seconds

REFRESH_SECONDS = 0.5
DEFAULT_DURATION_SECONDS = 3600.0


class Lead:
    """Leads a group, and shows how its followers are doing."""

    summary = "lead a group: send beacons, start a show, watch the followers"

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        _add_node_options(parser)
        parser.add_argument("--interval", type=float, default=1.0, metavar="S", help="beacon interval (1)")
        parser.add_argument("--rank", type=int, default=0, help="order among leaders; 0 goes first (0)")
        parser.add_argument(
            "--lead-time", type=float, default=2.0, metavar="S", help="how long ahead a cue is announced (2)"
        )
        parser.add_argument(
            "--listen",
            type=int,
            default=LISTEN_INTERVALS,
            metavar="N",
            help="beacon intervals to listen for another leader first; 0 leads at once (%(default)d)",
        )
        parser.add_argument("--show", metavar="ID", help="roll this show")
        parser.add_argument("--edition", default="", help="edition of the show")
        parser.add_argument(
            "--show-at",
            metavar="WHEN",
            help="when the show begins: HH:MM or HH:MM:SS by the wall clock, or +SECONDS from now (the lead time)",
        )
        parser.add_argument("--duration", type=float, metavar="S", help="go dark after so long (never)")

    def run(self, arguments: argparse.Namespace) -> int:
        """Lead until the time is over or the user interrupts."""
        return asyncio.run(self._lead(arguments))

    async def _lead(self, arguments: argparse.Namespace) -> int:
        settings = LeaderSettings(
            arguments.name,
            interval_ns=_whole_milliseconds(arguments.interval, "--interval"),
            rank=arguments.rank,
            lead_time_ns=seconds(arguments.lead_time, field="--lead-time"),
            listen_intervals=arguments.listen,
        )
        if arguments.show is None and (arguments.show_at is not None or arguments.duration is not None):
            raise ConfigurationError("--show-at, --duration", "no show", "together with --show")
        wait_ns = settings.lead_time_ns
        if arguments.show_at is not None:
            wait_ns = wait_until(arguments.show_at, datetime.datetime.now().astimezone())
        duration_ns = (
            None if arguments.duration is None else seconds(arguments.duration, field="--duration", minimum=1e-3)
        )
        shows = {} if arguments.show is None else {show_key(arguments.show, arguments.edition): arguments.show}
        node = LeaderEndpoint(
            settings,
            group=arguments.group,
            keys=_keys(arguments),
            port=arguments.port,
            interface=arguments.interface,
        )
        begins_at = LeaderInstant(node.clock() + wait_ns)
        for show in shows:
            node.leader.schedule(Cue(show, CueState.ROLLING, ShowLine(begins_at, ShowPosition(0))))
            if duration_ns is not None:
                ends_at = LeaderInstant(begins_at + duration_ns)
                node.leader.schedule(Cue(NO_SHOW, CueState.DARK, ShowLine(ends_at, ShowPosition(0))))
        table = LiveTable(sys.stdout, ROSTER_HEADER)

        def refresh() -> None:
            leader = node.leader
            cue = leader.cue
            heading = (
                f"{arguments.name} leads {arguments.group}: {word(cue.state)} {show_name(cue.show, shows)},"
                f" {len(leader.roster)} followers"
            )
            table.show(roster_rows(list(leader.roster), node.clock(), shows), ROSTER_NEWS, heading)

        await _attend(node, arguments, table, refresh, shows)
        return 0


class Follow:
    """Follows a group, and shows what it knows."""

    summary = "follow a group: keep its clock and tell which frame is now"

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        _add_node_options(parser)
        parser.add_argument(
            "--show", metavar="ID", action="append", default=[], help="a show held here; may be given again"
        )
        parser.add_argument("--edition", default="", help="edition of the shows")
        parser.add_argument(
            "--frame-rate", default="40", metavar="RATE", help="their frames a second, 40 or 30000/1001 (40)"
        )
        parser.add_argument(
            "--duration",
            type=float,
            default=DEFAULT_DURATION_SECONDS,
            metavar="S",
            help="their length (%(default)g)",
        )
        parser.add_argument(
            "--latency", type=float, default=0.0, metavar="S", help="from handing a frame over to its light (0)"
        )
        parser.add_argument("--trim", type=float, default=0.0, metavar="S", help="this piece later, or earlier (0)")

    def run(self, arguments: argparse.Namespace) -> int:
        """Follow until the time is over or the user interrupts."""
        return asyncio.run(self._follow(arguments))

    async def _follow(self, arguments: argparse.Namespace) -> int:
        frame_rate = parse_frame_rate(arguments.frame_rate)
        frame_count = frame_rate.frame_at(ShowPosition(seconds(arguments.duration, field="--duration", minimum=1e-3)))
        held = [StoredShow(show, frame_rate, max(1, frame_count), arguments.edition) for show in arguments.show]
        shows = {show.key: show.show for show in held}
        settings = FollowerSettings(
            arguments.name,
            latency_ns=seconds(arguments.latency, field="--latency"),
            trim_ns=seconds(arguments.trim, field="--trim", minimum=-10.0),
        )
        node = FollowerEndpoint(
            settings,
            group=arguments.group,
            keys=_keys(arguments),
            shows=held,
            port=arguments.port,
            interface=arguments.interface,
        )
        table = LiveTable(sys.stdout, FOLLOWER_HEADER)

        def refresh() -> None:
            table.show([follower_row(arguments.name, node.snapshot(), shows)], FOLLOWER_NEWS)

        await _attend(node, arguments, table, refresh, shows)
        return 0


def _add_node_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--name", required=True, help="this node's name")
    parser.add_argument("--group", required=True, help="the name all members share")
    parser.add_argument("--interface", metavar="NAME", help="network interface, by name or address")
    parser.add_argument("--port", type=int, default=DEFAULT_PORT, help="UDP port of the group (%(default)d)")
    parser.add_argument("--key-file", metavar="FILE", help="the group's key")
    parser.add_argument("--for", dest="for_seconds", type=float, metavar="S", help="end after so long")
    parser.add_argument("--json-lines", action="store_true", help="print events as JSON, one a line")


def _keys(arguments: argparse.Namespace) -> KeyRing | None:
    return None if arguments.key_file is None else read_key_file(arguments.key_file)


async def _attend(
    node: Endpoint[Any, Any],
    arguments: argparse.Namespace,
    table: LiveTable,
    refresh: Callable[[], None],
    shows: Mapping[int, str],
) -> None:
    """Run the node and tell what happens, until the time is over."""

    async def tell_events() -> None:
        async for event in node.events():
            if arguments.json_lines:
                print_line(event_as_json(event))
            else:
                table.note(event_in_words(event, shows))

    async def redraw() -> None:
        while not arguments.json_lines:
            refresh()
            await asyncio.sleep(REFRESH_SECONDS)

    async with node:
        await _for_a_while(asyncio.gather(tell_events(), redraw()), arguments.for_seconds)


async def _for_a_while(work: Awaitable[object], duration_seconds: float | None) -> None:
    limit = None
    if duration_seconds is not None:
        limit = seconds(duration_seconds, field="--for", minimum=1e-3) / SECOND
    try:
        await asyncio.wait_for(work, limit)
    except TimeoutError:
        return


def print_line(line: str) -> None:
    """Write a line and send it on at once: whoever reads a pipe waits for it."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def _whole_milliseconds(duration_seconds: float, field: str) -> int:
    return round(seconds(duration_seconds, field=field) / MILLISECOND) * MILLISECOND


def parse_frame_rate(text: str) -> FrameRate:
    """Return the frame rate written as ``40`` or ``30000/1001``."""
    numerator, slash, denominator = text.partition("/")
    if not numerator.isdecimal() or (slash and not denominator.isdecimal()):
        raise ConfigurationError("--frame-rate", text, "a whole number, or two with a slash between")
    return FrameRate(int(numerator), int(denominator) if slash else 1)


def wait_until(when: str, wall_now: datetime.datetime) -> int:
    """Return the nanoseconds from ``wall_now`` until ``when``: ``HH:MM[:SS]``, the next such time, or ``+SECONDS``.

    Raises ``ConfigurationError`` for anything else.
    """
    allowed = "HH:MM, HH:MM:SS or +SECONDS"
    if when.startswith("+"):
        try:
            return seconds(float(when), field="--show-at")
        except ValueError:
            raise ConfigurationError("--show-at", when, allowed) from None
    try:
        time_of_day = datetime.time.fromisoformat(when)
    except ValueError:
        raise ConfigurationError("--show-at", when, allowed) from None
    then = datetime.datetime.combine(wall_now.date(), time_of_day, wall_now.tzinfo)
    if then <= wall_now:
        then += datetime.timedelta(days=1)
    return (then - wall_now) // datetime.timedelta(microseconds=1) * 1000
