"""The commands `lead` and `follow`: the real thing on real sockets."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import datetime
import json
from dataclasses import dataclass
from functools import partial
from typing import Final

from leadlight.commands.attendance import Attendance, run_node
from leadlight.commands.exits import EXITS_TOLD
from leadlight.commands.node_options import LINES_TOLD, TIME_MEANS, add_node_options, keys_of, timing_of
from leadlight.commands.options import check_apart, check_company, duration_ns
from leadlight.commands.order import MANIFEST_FILE, read_order_and_manifest
from leadlight.commands.orders import OrderDesk, OrderSocket, typed_here
from leadlight.commands.surroundings import Surroundings, WallClock
from leadlight.commands.telling import role_news, show_name
from leadlight.commands.views import LeaderView
from leadlight.cue import show_key
from leadlight.errors import ConfigurationError
from leadlight.evening import RENEWED_EVERY_NS, EveningKeeper, Manifest, RunningOrder, show_start, wait_in_words
from leadlight.events import Event, RoleChanged
from leadlight.leader import COPIES_MAXIMUM, LISTEN_INTERVALS, ROSTER_MAXIMUM, LeaderSettings, is_idle
from leadlight.net import MACHINE, LeaderEndpoint
from leadlight.storage import read_manifest
from leadlight.terms import Delivery, OnMusicLost, Role
from leadlight.units import MILLISECOND, SECOND, describe
from leadlight.wire import word

_SURVIVES_A_RESTART: Final = """\
A leader that is started again with the same words, on a host that was not switched off meanwhile, leads on exactly
with what it led. That is the show, a pause or stop, what comes next, and its clock. --resume-within says how long
after; 0 begins anew. After that, or on a host that was switched off, it takes its show up where it is by the wall
clock. That must be right by then, and the words must say when the show began: --show-at HH:MM, or --running-order.
With +SECONDS, or without --show-at, the show begins anew. Followers play on meanwhile. What it leads is kept in the
runtime folder; see `leadlight tell --help`."""


class Lead:
    """Leads a group, and shows how its followers are doing."""

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        parser.epilog = f"{TIME_MEANS} {_SURVIVES_A_RESTART} {LINES_TOLD} {EXITS_TOLD}"
        add_node_options(parser)
        parser.add_argument("--interval", default="1", metavar="TIME", help="beacon interval (1 s)")
        parser.add_argument(
            "--rank",
            type=int,
            default=0,
            metavar="N",
            help="order among leaders: 0 outranks 1, and of the same rank the names decide (0)",
        )
        parser.add_argument("--lead-time", default="2", metavar="TIME", help="how long ahead a cue is announced (2 s)")
        parser.add_argument(
            "--listen",
            type=int,
            default=LISTEN_INTERVALS,
            metavar="N",
            help="beacon intervals to listen for another leader first (%(default)d); 0 leads at once, and a show"
            " ordered here then takes the place of what a leader after this one has on",
        )
        parser.add_argument("--show", metavar="ID", help="roll this show")
        parser.add_argument("--edition", help="edition of the show, where no manifest says it")
        parser.add_argument(
            "--show-at",
            metavar="WHEN",
            help="when the show begins: HH:MM or HH:MM:SS by the wall clock, or +SECONDS from every start (the lead"
            " time). By the wall clock a show that is under way is taken up in its middle, also after a restart",
        )
        parser.add_argument("--duration", metavar="TIME", help="go dark so long after the show's beginning (never)")
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
            "--roster-limit",
            type=int,
            default=ROSTER_MAXIMUM,
            metavar="N",
            help="followers to keep watch over at most (%(default)d); told when there are more",
        )
        parser.add_argument(
            "--copies-limit",
            type=int,
            default=COPIES_MAXIMUM,
            metavar="N",
            help="followers that may be sent copies at most (%(default)d); told when more could have some",
        )
        parser.add_argument(
            "--resume-within",
            default="10min",
            metavar="TIME",
            help="started again with the same words within TIME, lead on with what it led; 0 never does (%(default)s)",
        )
        parser.add_argument(
            "--refuse-incomplete",
            action="store_true",
            help="keep a show dark while a follower says that it does not hold it; by default only warn",
        )

    def run(self, arguments: argparse.Namespace) -> int:
        """Lead until the time is over or somebody ends it."""
        typed = None if arguments.json_lines else typed_here()
        return run_node(arguments, lead, [OrderSocket()], typed)


async def lead(arguments: argparse.Namespace, around: Surroundings) -> int:
    """Lead as the options say, in whatever surroundings; return the exit code."""
    timing = timing_of(arguments)
    _check_lead(arguments)
    settings = _leader_settings(arguments)
    order, manifest = _order_and_manifest(arguments)
    ordered = _show_ordered(arguments, manifest)
    clock = MACHINE.get().clock()
    # The two clocks are read together: what lies between would be an error of the show.
    wall_now, now = around.wall_clock(), clock()
    length_ns = None if ordered is None else ordered.length_ns
    start = show_start(arguments.show_at, wall_now, settings.lead_time_ns, length_ns)
    node = LeaderEndpoint(
        settings,
        group=arguments.group,
        keys=keys_of(arguments),
        shows=() if manifest is None else [entry.stored for entry in manifest.shows],
        port=arguments.port,
        interface=arguments.interface,
        own_port=arguments.own_port,
        dscp=arguments.dscp,
        waits_for_network=not arguments.no_wait,
        ip_version=arguments.ip_version,
        clock=clock,
        resumes_within_ns=duration_ns("--resume-within", arguments.resume_within),
        purpose=_purpose(arguments),
    )
    listed = () if manifest is None else manifest.shows
    shows = {entry.key: entry.show for entry in listed}
    lengths: dict[int, int] = {entry.key: entry.stored.length_ns for entry in listed}
    if ordered is not None:
        shows[ordered.key] = ordered.show
        if ordered.length_ns is not None:
            lengths[ordered.key] = ordered.length_ns
    expected = () if manifest is None else manifest.followers()
    view = LeaderView(node.leader, arguments.group, shows, lengths, expected)
    attendance = Attendance(node, around, view, shows, timing, as_json=arguments.json_lines)
    if node.leader.role is Role.LISTENING:
        patience = wait_in_words(node.leader.listens_until - now)
        attendance.tell(f"{arguments.name} listens for {patience} whether another leads {arguments.group}")
    kept = node.leader.bequest or node.leader.kept
    if kept is not None and not is_idle(kept):
        ordered = None  # by the same words, and it is under way
        told = f"{word(kept.cue.state)} {show_name(kept.cue.show, shows)}"
        attendance.tell(f"started again, it leads on with what it led: {told}, unless another leads by now")
    elif ordered is not None:
        start.give(node.leader, ordered.key, now, ordered.dark_after_ns)
        attendance.tell(start.told(ordered.show))
    if order is not None and manifest is not None:
        keeper = EveningKeeper(order, manifest.keys(), manifest.lengths(), node.leader)
        _Evening(node, keeper, order, attendance, around.wall_clock).begin()

    def note_event(event: Event) -> None:
        if isinstance(event, RoleChanged):
            said = "" if ordered is None else f"{ordered.show}, ordered here for {start.at:%H:%M:%S}"
            is_ahead = start.at > around.wall_clock()
            is_kept = node.leader.is_leading or bool(node.leader.waiting)
            news = role_news(event.role, event.previous, arguments.group, said, is_to_come=is_ahead and is_kept)
            for line in news:
                attendance.tell(line)

    attendance.on_event.append(note_event)

    def key_meant(show: str, edition: str) -> int:
        known = [key for key, name in shows.items() if name == show]
        if known and not edition:
            return known[-1]
        name, key, _ = _show_meant("show", show, edition, manifest)
        shows[key] = name
        return key

    desk = OrderDesk(node, key_meant, shows, around.wall_clock, view.status, attendance.tell)
    if around.typed is not None:
        around.typed.say = attendance.tell
    attendance.chores += [partial(source.bring, desk.take, node.group) for source in around.orders]
    return await attendance.last()


def _purpose(arguments: argparse.Namespace) -> str:
    """Return what says whether a leader is started again for the same, or for something else."""
    words = ("show", "edition", "show_at", "duration", "running_order", "manifest")
    return json.dumps([getattr(arguments, word) for word in words])


def _check_lead(arguments: argparse.Namespace) -> None:
    """Refuse options that do not go together, and those that would have no effect."""
    has_show, has_order = arguments.show is not None, arguments.running_order is not None
    if has_order:
        check_apart("--running-order", {"--show": has_show}, "it says what is shown")
    of_one_show = {"--edition": arguments.edition, "--show-at": arguments.show_at, "--duration": arguments.duration}
    check_company({option: given is not None for option, given in of_one_show.items()}, "--show", has_show)
    refuses = {"--refuse-incomplete": arguments.refuse_incomplete}
    check_company(refuses, "--show or --running-order", has_show, has_order)


def _leader_settings(arguments: argparse.Namespace) -> LeaderSettings:
    return LeaderSettings(
        arguments.name,
        interval_ns=duration_ns("--interval", arguments.interval),
        rank=arguments.rank,
        lead_time_ns=duration_ns("--lead-time", arguments.lead_time),
        listen_intervals=arguments.listen,
        delivery=Delivery(arguments.delivery),
        on_music_lost=OnMusicLost(arguments.on_music_lost),
        refuse_incomplete=arguments.refuse_incomplete,
        roster_limit=arguments.roster_limit,
        copies_limit=arguments.copies_limit,
    )


def _order_and_manifest(arguments: argparse.Namespace) -> tuple[RunningOrder | None, Manifest | None]:
    if arguments.running_order is not None:
        return read_order_and_manifest(arguments.running_order, arguments.manifest)
    return None, None if arguments.manifest is None else read_manifest(arguments.manifest)


def _show_ordered(arguments: argparse.Namespace, manifest: Manifest | None) -> _ShowOrdered | None:
    """Return the single show that is ordered, if one is."""
    if arguments.show is None:
        return None
    if not arguments.show:
        raise ConfigurationError("--show", arguments.show, "a name")
    dark_after_ns = None
    if arguments.duration is not None:
        dark_after_ns = duration_ns("--duration", arguments.duration, minimum_ns=MILLISECOND)
    show, key, length_ns = _show_meant("--show", arguments.show, arguments.edition or "", manifest)
    return _ShowOrdered(show, key, dark_after_ns, length_ns if dark_after_ns is None else dark_after_ns)


def _show_meant(field: str, show: str, edition: str, manifest: Manifest | None) -> tuple[str, int, int | None]:
    """Return a show's name, key and length, if that is known; ``ConfigurationError`` for one that is not listed."""
    if manifest is None:
        return show, show_key(show, edition), None
    entry = manifest.find(show)
    if entry is None or edition not in ("", entry.edition):
        listed = ", ".join(f"{known.show} {known.edition}".strip() for known in manifest.shows)
        raise ConfigurationError(field, f"{show} {edition}".strip(), f"one that the manifest lists: {listed}")
    return entry.show, entry.key, entry.stored.length_ns


@dataclass(frozen=True, slots=True)
class _ShowOrdered:
    """The one show of ``lead --show``: its id and key, when it goes dark after its beginning, and how long it lasts."""

    show: str
    key: int
    dark_after_ns: int | None
    length_ns: int | None


class _Evening:
    """Has a running order kept, by the wall clock."""

    def __init__(
        self,
        node: LeaderEndpoint,
        keeper: EveningKeeper,
        order: RunningOrder,
        attendance: Attendance,
        wall_clock: WallClock,
    ) -> None:
        self._node = node
        self._keeper = keeper
        self._order = order
        self._attendance = attendance
        self._wall_clock = wall_clock
        self._role_changed = asyncio.Event()

    def begin(self) -> None:
        """Take the first reading, and arrange for the others."""
        self._attendance.on_event.append(self._note_event)
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
        wall_now = self._wall_clock()
        renewal = self._keeper.renew(wall_now, self._node.clock())
        if renewal.stepped_ns:
            self._attendance.tell(f"the wall clock was set by {describe(renewal.stepped_ns)}; later shows follow it")
        if renewal.resumed is not None:
            self._attendance.tell(f"{renewal.resumed.show} should be playing: resumed")
        return wall_now
