"""The commands `lead` and `follow`: the real thing on real sockets."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import datetime
import socket
import sys
from collections.abc import Callable, Coroutine, Mapping
from typing import Any, TypeAlias

from leadlight.content import Library, StoredShow
from leadlight.cue import START, Cue, FrameRate, ShowLine, dark_cue, show_key
from leadlight.errors import ConfigurationError
from leadlight.evening import RENEWED_EVERY_NS, EveningKeeper
from leadlight.events import Event, RoleChanged
from leadlight.files import check_parts, read_key_file, read_manifest
from leadlight.follower import FollowerSettings
from leadlight.live_table import LiveTable
from leadlight.manifest import Manifest
from leadlight.manifest_command import ProgressLine
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
    leader_heading,
    leader_rows,
    word,
)
from leadlight.order_command import MANIFEST_FILE, read_order_and_manifest
from leadlight.running_order import RunningOrder
from leadlight.security import KeyRing
from leadlight.tenure import LISTEN_INTERVALS, LeaderSettings
from leadlight.terms import CueState, Delivery, OnMusicLost
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, ShowPosition, describe, seconds

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
        parser.add_argument("--edition", default="", help="edition of the show, where no manifest says it")
        parser.add_argument(
            "--show-at",
            metavar="WHEN",
            help="when the show begins: HH:MM or HH:MM:SS by the wall clock, or +SECONDS from now (the lead time)",
        )
        parser.add_argument("--duration", type=float, metavar="S", help="go dark after so long (never)")
        parser.add_argument(
            "--running-order", metavar="FILE", help="lead evenings by this running order; see `leadlight order --help`"
        )
        parser.add_argument(
            "--manifest",
            metavar="FILE",
            help=f"the manifest that lists the shows ({MANIFEST_FILE} beside the running order)",
        )
        parser.add_argument(
            "--on-music-lost",
            choices=[what.value for what in OnMusicLost],
            default=OnMusicLost.CONTINUE.value,
            help="what becomes of the show when this node takes over from the one with the music (%(default)s)",
        )
        parser.add_argument(
            "--delivery",
            choices=[way.value for way in Delivery],
            default=Delivery.AUTOMATIC.value,
            help="send beacons to the group, as copies to each follower, both, or as each needs it (%(default)s)",
        )
        parser.add_argument(
            "--refuse-incomplete",
            action="store_true",
            help="keep a show dark while a follower says that it does not hold it; by default only warn",
        )

    def run(self, arguments: argparse.Namespace) -> int:
        """Lead until the time is over or the user interrupts."""
        return asyncio.run(self._lead(arguments))

    async def _lead(self, arguments: argparse.Namespace) -> int:
        limit = _limit(arguments)
        settings = LeaderSettings(
            arguments.name,
            interval_ns=_whole_milliseconds(arguments.interval, "--interval"),
            rank=arguments.rank,
            lead_time_ns=seconds(arguments.lead_time, field="--lead-time"),
            listen_intervals=arguments.listen,
            delivery=Delivery(arguments.delivery),
            on_music_lost=OnMusicLost(arguments.on_music_lost),
            refuse_incomplete=arguments.refuse_incomplete,
        )
        order, manifest = _order_and_manifest(arguments)
        cues = _ordered_cues(arguments, manifest, settings.lead_time_ns)
        node = LeaderEndpoint(
            settings,
            group=arguments.group,
            keys=_keys(arguments),
            shows=() if manifest is None else [entry.stored for entry in manifest.shows],
            port=arguments.port,
            interface=arguments.interface,
            own_port=arguments.own_port,
        )
        now = node.clock()
        for cue in cues:
            at = LeaderInstant(now + cue.line.leader_at)
            node.leader.schedule(cue._replace(line=cue.line._replace(leader_at=at)))
        shows = {} if manifest is None else {entry.key: entry.show for entry in manifest.shows}
        if arguments.show is not None:
            shows[cues[0].show] = arguments.show
        expected = () if manifest is None else manifest.followers()
        table = LiveTable(sys.stdout, ROSTER_HEADER)
        attendance = _Attendance(node, arguments, table, shows, limit)
        if order is not None and manifest is not None:
            keeper = EveningKeeper(order, manifest.keys(), manifest.lengths(), node.leader)
            _Evening(node, keeper, order, attendance).begin()

        def refresh() -> None:
            heading = leader_heading(arguments.name, arguments.group, node.leader, shows, expected)
            table.show(leader_rows(node.leader, node.clock(), shows), ROSTER_NEWS, heading)

        await attendance.last(refresh)
        return 0


def _order_and_manifest(arguments: argparse.Namespace) -> tuple[RunningOrder | None, Manifest | None]:
    if arguments.running_order is not None:
        if arguments.show is not None:
            raise ConfigurationError("--show", arguments.show, "no show beside --running-order")
        return read_order_and_manifest(arguments.running_order, arguments.manifest)
    return None, None if arguments.manifest is None else read_manifest(arguments.manifest)


def _ordered_cues(arguments: argparse.Namespace, manifest: Manifest | None, lead_time_ns: int) -> list[Cue]:
    """Return the cues of a single show; their instants are counted from now."""
    if arguments.show is None:
        if arguments.show_at is not None or arguments.duration is not None:
            raise ConfigurationError("--show-at, --duration", "no show", "together with --show")
        return []
    wait_ns = lead_time_ns
    if arguments.show_at is not None:
        wait_ns = wait_until(arguments.show_at, datetime.datetime.now().astimezone())
    if manifest is None:
        key = show_key(arguments.show, arguments.edition)
    else:
        entry = manifest.find(arguments.show)
        if entry is None or arguments.edition not in ("", entry.edition):
            listed = ", ".join(f"{known.show} {known.edition}".strip() for known in manifest.shows)
            wanted = f"{arguments.show} {arguments.edition}".strip()
            raise ConfigurationError("--show", wanted, f"one that the manifest lists: {listed}")
        key = entry.key
    cues = [Cue(key, CueState.ROLLING, ShowLine(LeaderInstant(wait_ns), START))]
    if arguments.duration is not None:
        duration_ns = seconds(arguments.duration, field="--duration", minimum=1e-3)
        cues.append(dark_cue(LeaderInstant(wait_ns + duration_ns)))
    return cues


class _Evening:
    """Has a running order kept, by the wall clock of this host: the one place where that is read."""

    def __init__(
        self, node: LeaderEndpoint, keeper: EveningKeeper, order: RunningOrder, attendance: _Attendance
    ) -> None:
        self._node = node
        self._keeper = keeper
        self._order = order
        self._attendance = attendance
        self._role_changed = asyncio.Event()

    def begin(self) -> None:
        """Take the first reading, and arrange for the others."""
        self._attendance.on_event = self._note_event
        self._attendance.chores.append(self._keep)
        wall_now = self._renew()
        for line in self._order.preview(wall_now, nights=1):
            self._attendance.tell(line)

    async def _keep(self) -> None:
        while True:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._role_changed.wait(), RENEWED_EVERY_NS / SECOND)
            self._role_changed.clear()
            self._renew()
            self._node.pump()

    def _note_event(self, event: Event) -> None:
        if isinstance(event, RoleChanged):
            self._role_changed.set()

    def _renew(self) -> datetime.datetime:
        wall_now = datetime.datetime.now(datetime.UTC)
        renewal = self._keeper.renew(wall_now, self._node.clock())
        if renewal.stepped_ns:
            self._attendance.tell(f"the wall clock was set by {describe(renewal.stepped_ns)}; later shows follow it")
        if renewal.resumed is not None:
            self._attendance.tell(f"{renewal.resumed.show} should be playing: resumed")
        return wall_now


class Follow:
    """Follows a group, and shows what it knows."""

    summary = "follow a group: keep its clock and tell which frame is now"

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        _add_node_options(parser)
        parser.add_argument(
            "--manifest", metavar="FILE", help="the manifest of the shows, to check those held here; with --content"
        )
        parser.add_argument("--content", metavar="FOLDER", help="where the parts of the shows are")
        parser.add_argument(
            "--leader",
            metavar="HOST:PORT",
            help="ask the leader at its --own-port for copies, on a network where nothing reaches the group",
        )
        parser.add_argument(
            "--show",
            metavar="ID",
            action="append",
            default=[],
            help="a show held here, without a manifest; may be given again",
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
        limit = _limit(arguments)
        leader = None if arguments.leader is None else resolve_address(arguments.leader)
        settings = FollowerSettings(
            arguments.name,
            latency_ns=seconds(arguments.latency, field="--latency"),
            trim_ns=seconds(arguments.trim, field="--trim", minimum=-10.0),
        )
        table = LiveTable(sys.stdout, FOLLOWER_HEADER)
        library, shows, told = _stored_by_manifest(arguments) or _stored_by_word(arguments)
        node = FollowerEndpoint(
            settings,
            group=arguments.group,
            keys=_keys(arguments),
            shows=library,
            port=arguments.port,
            interface=arguments.interface,
            own_port=arguments.own_port,
        )
        attendance = _Attendance(node, arguments, table, shows, limit)
        if told:
            attendance.tell(told)
        if leader is not None:
            host, port = leader
            attendance.first = lambda: node.ask_leader(host, port)

        def refresh() -> None:
            table.show([follower_row(arguments.name, node.snapshot(), shows)], FOLLOWER_NEWS)

        await attendance.last(refresh)
        return 0


_Stored: TypeAlias = tuple[Library, dict[int, str], str]
"""What is held, the shows' names by key, and what to say of it."""


def _stored_by_word(arguments: argparse.Namespace) -> _Stored:
    frame_rate = parse_frame_rate(arguments.frame_rate)
    frame_count = frame_rate.frame_at(ShowPosition(seconds(arguments.duration, field="--duration", minimum=1e-3)))
    held = [StoredShow(show, frame_rate, max(1, frame_count), arguments.edition) for show in arguments.show]
    return Library(held), {show.key: show.show for show in held}, ""


def _stored_by_manifest(arguments: argparse.Namespace) -> _Stored | None:
    if arguments.manifest is None and arguments.content is None:
        return None
    if arguments.manifest is None or arguments.content is None:
        raise ConfigurationError("--manifest, --content", "one of them", "both together")
    if arguments.show:
        raise ConfigurationError("--show", arguments.show[0], "no show beside --manifest, which lists them")
    manifest = read_manifest(arguments.manifest)
    listed = manifest.followers()
    if arguments.name not in listed:
        raise ConfigurationError("--name", arguments.name, f"one that the manifest lists: {', '.join(listed)}")
    with ProgressLine(sys.stderr, "checking") as progress:
        states = check_parts(manifest, arguments.content, arguments.name, progress.tell)
    told = ", ".join(f"{show} {word(state)}" for show, state in states.items())
    return manifest.library(states), {entry.key: entry.show for entry in manifest.shows}, f"content: {told}"


def _add_node_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--name", required=True, help="this node's name")
    parser.add_argument("--group", required=True, help="the name all members share")
    parser.add_argument("--interface", metavar="NAME", help="network interface, by name or address")
    parser.add_argument("--port", type=int, default=DEFAULT_PORT, help="UDP port of the group (%(default)d)")
    parser.add_argument(
        "--own-port", type=int, default=0, metavar="N", help="UDP port of this node alone (any that is free)"
    )
    parser.add_argument("--key-file", metavar="FILE", help="the group's key")
    parser.add_argument("--for", dest="for_seconds", type=float, metavar="S", help="end after so long")
    parser.add_argument("--json-lines", action="store_true", help="print events as JSON, one a line")


def _keys(arguments: argparse.Namespace) -> KeyRing | None:
    return None if arguments.key_file is None else read_key_file(arguments.key_file)


class _Attendance:
    """Runs a node and tells what happens, until the time is over.

    ``first`` is called once the node runs, ``on_event`` for each event, and ``chores`` are done all the while.
    """

    def __init__(
        self,
        node: Endpoint[Any, Any],
        arguments: argparse.Namespace,
        table: LiveTable,
        shows: Mapping[int, str],
        limit: float | None,
    ) -> None:
        self.first: Callable[[], None] = lambda: None
        self.on_event: Callable[[Event], None] = lambda _: None
        self.chores: list[Callable[[], Coroutine[Any, Any, None]]] = []
        self._node = node
        self._as_json = arguments.json_lines
        self._table = table
        self._shows = shows
        self._limit = limit

    def tell(self, line: str) -> None:
        """Tell people; scripts read events alone."""
        if not self._as_json:
            self._table.note(line)

    async def last(self, refresh: Callable[[], None]) -> None:
        """Attend until the time is over; ``refresh`` draws the table."""
        async with self._node:
            self.first()
            work = asyncio.gather(self._tell_events(), self._redraw(refresh), *(chore() for chore in self.chores))
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(work, self._limit)

    async def _tell_events(self) -> None:
        async for event in self._node.events():
            self.on_event(event)
            if self._as_json:
                print_line(event_as_json(event))
            else:
                self._table.note(event_in_words(event, self._shows))

    async def _redraw(self, refresh: Callable[[], None]) -> None:
        while not self._as_json:
            refresh()
            await asyncio.sleep(REFRESH_SECONDS)


def _limit(arguments: argparse.Namespace) -> float | None:
    """Return for how many seconds to run; before anything is begun, so that a wrong one is told at once."""
    if arguments.for_seconds is None:
        return None
    return seconds(arguments.for_seconds, field="--for", minimum=1e-3) / SECOND


def print_line(line: str) -> None:
    """Write a line and send it on at once: whoever reads a pipe waits for it."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def _whole_milliseconds(duration_seconds: float, field: str) -> int:
    return round(seconds(duration_seconds, field=field) / MILLISECOND) * MILLISECOND


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
