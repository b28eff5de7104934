"""The command `follow`: follow a group on real sockets, and tell what is known."""

from __future__ import annotations

import argparse
import asyncio
from typing import TypeAlias

from leadlight.commands.attendance import Attendance, run_node
from leadlight.commands.exits import EXITS_TOLD
from leadlight.commands.node_options import (
    LINES_TOLD,
    TIME_MEANS,
    add_node_options,
    keys_of,
    parts_by_manifest,
    resolve_address,
    timing_of,
)
from leadlight.commands.options import check_apart, check_company, duration_ns, frame_rate, named_by_option
from leadlight.commands.surroundings import Surroundings
from leadlight.commands.telling import missing_news, unheard_news
from leadlight.commands.views import FollowerView
from leadlight.events import Event, ShowMissing
from leadlight.follower import FollowerSettings
from leadlight.net import FollowerEndpoint
from leadlight.playback import Library, StoredShow
from leadlight.units import MILLISECOND, SECOND, ShowPosition

DEFAULT_FRAME_RATE = "40"
DEFAULT_LENGTH = "1h"
UNHEARD_AFTER_SECONDS = 5.0
"""A follower that has not heard a leader for so long says so; the usual beacon interval is a second."""
UNHEARD_AGAIN_SECONDS = 60.0


class Follow:
    """Follows a group, and shows what it knows."""

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        parser.epilog = f"{TIME_MEANS} {LINES_TOLD} {EXITS_TOLD}"
        add_node_options(parser)
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
        parser.add_argument("--edition", help="edition of the shows given by --show")
        parser.add_argument("--frame-rate", metavar="RATE", help="their frames a second, 40 or 30000/1001 (40)")
        parser.add_argument("--duration", metavar="TIME", help="their length (1h)")
        parser.add_argument(
            "--latency",
            default="0",
            metavar="TIME",
            help="from handing a frame over to its light, with its unit: 16ms (0)",
        )
        parser.add_argument(
            "--trim", default="0", metavar="TIME", help="this piece later, or earlier: 5ms, -5ms, with its unit (0)"
        )

    def run(self, arguments: argparse.Namespace) -> int:
        """Follow until the time is over or somebody ends it."""
        return run_node(arguments, follow)


async def follow(arguments: argparse.Namespace, around: Surroundings) -> int:
    """Follow as the options say, in whatever surroundings; return the exit code."""
    timing = timing_of(arguments)
    leader = None if arguments.leader is None else resolve_address(arguments.leader, arguments.ip_version)
    settings = FollowerSettings(
        arguments.name,
        latency_ns=duration_ns("--latency", arguments.latency, needs_unit=True),
        trim_ns=duration_ns("--trim", arguments.trim, minimum_ns=-10 * SECOND, needs_unit=True),
    )
    library, shows, told = _stored_by_manifest(arguments) or _stored_by_word(arguments)
    node = FollowerEndpoint(
        settings,
        group=arguments.group,
        keys=keys_of(arguments),
        shows=library,
        port=arguments.port,
        interface=arguments.interface,
        own_port=arguments.own_port,
        dscp=arguments.dscp,
        waits_for_network=not arguments.no_wait,
        ip_version=arguments.ip_version,
    )
    found = {key: library.find(key) for key in shows}
    lengths: dict[int, int] = {key: show.length_ns for key, show in found.items() if show is not None}
    view = FollowerView(node.follower, arguments.group, shows, lengths)
    attendance = Attendance(node, around, view, shows, timing, as_json=arguments.json_lines)
    if told:
        attendance.tell(told)
    held = f"of edition {arguments.edition}" if arguments.edition else "without an edition"
    held = held if arguments.manifest is None else "by the manifest"

    def note_event(event: Event) -> None:
        if isinstance(event, ShowMissing):
            attendance.tell(missing_news(event.show, shows, held))

    attendance.on_event.append(note_event)
    if leader is not None:
        host, port = leader
        attendance.first = lambda: node.ask_leader(host, port)

    async def tell_unheard() -> None:
        await asyncio.sleep(UNHEARD_AFTER_SECONDS)
        while node.follower.tenure is None:
            attendance.tell(unheard_news(arguments.group, arguments.leader, node.follower.counters))
            await asyncio.sleep(UNHEARD_AGAIN_SECONDS)

    attendance.chores.append(tell_unheard)
    return await attendance.last()


_Stored: TypeAlias = tuple[Library, dict[int, str], str]
"""What is held, the shows' names by key, and what to say of it."""


def _stored_by_word(arguments: argparse.Namespace) -> _Stored:
    of_shows = {"--edition": arguments.edition, "--frame-rate": arguments.frame_rate, "--duration": arguments.duration}
    check_company({option: given is not None for option, given in of_shows.items()}, "--show", bool(arguments.show))
    rate = frame_rate("--frame-rate", arguments.frame_rate or DEFAULT_FRAME_RATE)
    length_ns = duration_ns("--duration", arguments.duration or DEFAULT_LENGTH, minimum_ns=MILLISECOND)
    frame_count = max(1, rate.frame_at(ShowPosition(length_ns)))
    with named_by_option({"show": ("--show", "")}):
        held = [StoredShow(show, rate, frame_count, arguments.edition or "") for show in arguments.show]
    return Library(held), {show.key: show.show for show in held}, ""


def _stored_by_manifest(arguments: argparse.Namespace) -> _Stored | None:
    has_manifest, has_content = arguments.manifest is not None, arguments.content is not None
    if not has_manifest and not has_content:
        return None
    check_company({"--content": True}, "--manifest", has_manifest)
    check_company({"--manifest": True}, "--content, the folder where the parts are", has_content)
    by_word = {
        "--show": bool(arguments.show),
        "--edition": arguments.edition is not None,
        "--frame-rate": arguments.frame_rate is not None,
        "--duration": arguments.duration is not None,
    }
    check_apart("--manifest", by_word, "it lists the shows")
    manifest, found = parts_by_manifest(arguments.manifest, arguments.content, arguments.name)
    told = ", ".join(f"{show} {part.in_words}" for show, part in found.items())
    states = {show: part.state for show, part in found.items()}
    return manifest.library(states), {entry.key: entry.show for entry in manifest.shows}, f"content: {told}"
