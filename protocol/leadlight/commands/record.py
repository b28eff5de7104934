"""The command `record`: write what a real network does to packets into a file, or answer a host that does."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import partial
from typing import Final

from leadlight import __version__
from leadlight.commands.endings import Ending
from leadlight.commands.exits import EXITS_TOLD
from leadlight.commands.node_options import TIME_MEANS, add_group_options, keys_of, named_by_its_option, resolve_address
from leadlight.commands.options import check_apart, duration_ns, named_by_option
from leadlight.commands.recording_file import RecordingFile
from leadlight.commands.spool import Picture
from leadlight.commands.surroundings import Surroundings, this_host
from leadlight.commands.tables import cut
from leadlight.commands.telling import stamped
from leadlight.errors import FileError, NetworkError, UsageError, check_name
from leadlight.net import PROBE_PORT, ProbePlace, run_answerer, run_prober
from leadlight.recording import HOSTS_MAXIMUM, Answerer, AnswererEvent, Phase, Plan, Prober, airtime_shares, check_plan
from leadlight.units import HOUR, MILLISECOND, SECOND
from leadlight.wire import NAME_MAXIMUM_BYTES

DEFAULT_LENGTH: Final = "5min"
DEFAULT_EVERY: Final = "250ms"
TOLD_EVERY_SECONDS: Final = 10.0
REFRESH_SECONDS: Final = 0.5
PROBER_NAME: Final = "recorder"
NOBODY: Final = """\
no host answered: run `leadlight record --answer` with the same --group on the others first; where the network carries \
nothing to a group, name them by --host"""

_ABOUT: Final = """\
One host records and the others answer, so run it with --answer on those first. No node of a show takes a probe for
anything; but a show that runs meanwhile shares the air with them. The file holds no addresses and no names of networks:
it says when it was made, and hosts stand in it under their --name."""


class RecordCommand:
    """Records a network, or answers whoever records it."""

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        parser.epilog = f"{_ABOUT} {TIME_MEANS} {EXITS_TOLD}"
        what = parser.add_mutually_exclusive_group(required=True)
        what.add_argument("--output", metavar="FILE", help="record into FILE, a new one")
        what.add_argument("--answer", action="store_true", help="answer the host that records")
        add_group_options(parser, PROBE_PORT, "the probes")
        parser.add_argument("--name", metavar="NAME", help="what this host is called in the recording")
        parser.add_argument(
            "--for",
            dest="for_time",
            metavar="TIME",
            help=f"record for so long ({DEFAULT_LENGTH}), or with --answer end after so long",
        )
        parser.add_argument(
            "--every", metavar="TIME", help=f"how often the group is probed, and each host ({DEFAULT_EVERY})"
        )
        parser.add_argument("--hosts", type=int, metavar="N", help="wait until so many answer, for half a minute")
        parser.add_argument(
            "--host",
            action="append",
            default=[],
            metavar="HOST",
            help="a host to be called by its address, where nothing reaches the group; may be given again",
        )
        parser.add_argument(
            "--end-on-hangup", action="store_true", help="end when the terminal goes; by default it goes on without one"
        )

    def run(self, arguments: argparse.Namespace) -> int:
        """Record, or answer, until the time is over or somebody ends it."""
        with (
            named_by_its_option(arguments),
            this_host(as_json=False, end_on_hangup=arguments.end_on_hangup, log_book=None) as around,
        ):
            return asyncio.run((answer if arguments.answer else record)(arguments, around))


def _own_label(arguments: argparse.Namespace, otherwise: str) -> str:
    if arguments.name is None:
        return otherwise
    check_name("name", arguments.name, NAME_MAXIMUM_BYTES)
    return str(arguments.name)


def _place(arguments: argparse.Namespace, own_port: int = 0) -> ProbePlace:
    return ProbePlace(
        arguments.group,
        port=arguments.port,
        interface=arguments.interface,
        own_port=own_port,
        ip_version=arguments.ip_version,
    )


# -- the host that answers ---------------------------------------------------------------------------------------------


async def answer(arguments: argparse.Namespace, around: Surroundings) -> int:
    """Answer probes as the options say; return the exit code."""
    only_with_output = {"--every": arguments.every, "--hosts": arguments.hosts, "--host": arguments.host or None}
    check_apart("--answer", {option: given is not None for option, given in only_with_output.items()})
    limit_s = None
    if arguments.for_time is not None:
        limit_s = duration_ns("--for", arguments.for_time, minimum_ns=MILLISECOND) / SECOND
    label, keys = _own_label(arguments, ""), keys_of(arguments)
    with around.endings.told() as told, _answering_place(arguments) as place:
        around.note_running()
        core = Answerer(arguments.group, place.describe(label), place.entropy, keys)
        say = partial(_say, around)
        say(f"answers for group {arguments.group!r} until Ctrl-C; now `leadlight record --output FILE` on another host")

        def tell(event: AnswererEvent) -> None:
            name = f"recording {event.recording:08x}"
            say(f"{name} is heard" if event.has_begun else f"{name} is over; {core.answered} probes answered so far")

        answering = asyncio.ensure_future(run_answerer(core, place, tell, told))
        await asyncio.wait({answering}, timeout=limit_s)
        if not answering.done():
            answering.cancel()
            await asyncio.wait({answering})
            return Ending.OVER.exit_code
        answering.result()
        return told.result().exit_code


def _answering_place(arguments: argparse.Namespace) -> ProbePlace:
    """Return sockets whose own port others know, where that is free."""
    if arguments.port < 65_535:
        with contextlib.suppress(NetworkError):
            return _place(arguments, arguments.port + 1)
    return _place(arguments)


# -- the host that records ---------------------------------------------------------------------------------------------


def _plan(arguments: argparse.Namespace) -> Plan:
    length_ns = duration_ns("--for", arguments.for_time or DEFAULT_LENGTH, minimum_ns=SECOND, maximum_ns=24 * HOUR)
    every = arguments.every or DEFAULT_EVERY
    every_ns = duration_ns("--every", every, minimum_ns=MILLISECOND)
    plan = Plan(length_ns, group_interval_ns=every_ns, host_interval_ns=every_ns)
    with named_by_option({"group_interval_ns": ("--every", every)}):
        check_plan(plan)
    return plan


async def record(arguments: argparse.Namespace, around: Surroundings) -> int:
    """Record as the options say; return the exit code."""
    plan, keys = _plan(arguments), keys_of(arguments)
    label = _own_label(arguments, PROBER_NAME)
    called = [_called(host, arguments) for host in arguments.host]
    stopped: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    trouble: list[FileError] = []
    with around.endings.told() as told, _place(arguments) as place:
        with _written(arguments.output, stopped, trouble) as file:
            around.note_running()
            prober = Prober(
                plan,
                arguments.group,
                place.describe(label),
                place.entropy,
                begun_at=datetime.now(UTC),
                written_by=f"leadlight {__version__}",
                keys=keys,
                hosts=arguments.hosts,
                called=called,
            )
            told.add_done_callback(lambda ended: _settle(stopped, ended.result().value[1]))
            telling = asyncio.ensure_future(_tell(prober, plan, place, around))
            try:
                await run_prober(prober, place, file.add, stopped)
            finally:
                telling.cancel()
                await asyncio.wait({telling})
        if trouble:
            raise trouble[0]
        if prober.began_at is None:
            if not told.done():
                raise UsageError(NOBODY)
            return told.result().exit_code
        _say_results(prober, arguments.output, around)
        return (told.result() if told.done() else Ending.OVER).exit_code


def _called(host: str, arguments: argparse.Namespace) -> tuple[str, int]:
    with named_by_option({"--leader": ("--host", host)}):
        port = arguments.port + 1
        return resolve_address(f"[{host}]:{port}" if ":" in host else f"{host}:{port}", arguments.ip_version)


def _settle(stopped: asyncio.Future[str], by: str) -> None:
    if not stopped.done():
        stopped.set_result(by)


@contextlib.contextmanager
def _written(path: str, stopped: asyncio.Future[str], trouble: list[FileError]) -> Iterator[RecordingFile]:
    """Give a file that is written while the block lasts; trouble with it ends the recording, and is kept."""
    loop = asyncio.get_running_loop()

    def end(error: FileError) -> None:
        trouble.append(error)
        with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile
            loop.call_soon_threadsafe(_settle, stopped, "trouble with the file")

    file = RecordingFile(path, end)
    try:
        yield file
    finally:
        file.close()
        file.remove()


# -- what is told ------------------------------------------------------------------------------------------------------


def _say(around: Surroundings, line: str) -> None:
    around.output.add(line if around.output.size is not None else stamped(line, around.wall_clock()))


async def _tell(prober: Prober, plan: Plan, place: ProbePlace, around: Surroundings) -> None:
    """Tell how far it is, for as long as it takes."""
    say = partial(_say, around)
    say("calling for hosts that answer")
    seen: tuple[str, ...] = ()
    has_begun, told_at = False, 0.0
    loop = asyncio.get_running_loop()
    while True:
        if prober.labels != seen:
            say(f"there: {', '.join(label for label in prober.labels if label not in seen)}")
            seen = prober.labels
        if prober.phase is not Phase.CALLING and not has_begun:
            has_begun, told_at = True, loop.time()
            for line in _weight(plan, len(seen)):
                say(line)
        line = _how_far(prober, plan, prober.elapsed_ns(place.clock()))
        size = around.output.size
        if size is not None:
            around.output.draw(Picture((cut(line, size[0]),), size))
        elif has_begun and loop.time() >= told_at + TOLD_EVERY_SECONDS:
            told_at = loop.time()
            say(line)
        await asyncio.sleep(REFRESH_SECONDS)


def _weight(plan: Plan, hosts: int) -> list[str]:
    """Return what the recording weighs upon the network, in words."""
    shares = ", ".join(f"{100 * one.share:.1f} % at {one.band}" for one in airtime_shares(plan, hosts))
    interval_ms = plan.host_interval_for(hosts) / MILLISECOND
    return [
        f"recording: a probe to the group every {plan.group_interval_ns / MILLISECOND:g} ms, to each host every "
        f"{interval_ms:.0f} ms, ± {100 * plan.dither_share:.0f} %",
        f"that takes about {shares} of the air's time, no more than a show with a beacon as often and its Soundings",
    ]


def _how_far(prober: Prober, plan: Plan, elapsed_ns: int) -> str:
    if prober.phase is Phase.CALLING:
        return f"calling; {len(prober.labels)} there"
    if prober.phase is not Phase.RECORDING:
        return "asking for what is not told yet"
    heard = ", ".join(f"{one.label} {one.group_heard}" for one in prober.progress())
    done_s, length_s = elapsed_ns // SECOND, plan.duration_ns // SECOND
    return f"{done_s} s of {length_s} s: {prober.group_probes} group probes, told so far as heard: {heard}"


def _say_results(prober: Prober, path: str, around: Surroundings) -> None:
    say: Callable[[str], None] = partial(_say, around)
    for one in prober.progress():
        say(
            f"{one.label}: {one.group_heard} of {one.group_sent} group probes heard, "
            f"{one.answers} of {one.probes_sent} of its own answered"
        )
    if prober.unsent:
        say(f"{prober.unsent} probes could not be sent: this host's network was busy or away; they do not count")
    if prober.turned_away:
        say(f"{prober.turned_away} more hosts are there than the {HOSTS_MAXIMUM} that can be asked, and are not in it")
    if prober.other_recordings:
        say("another recording of this group was under way: both weigh upon the network; record one at a time")
    say(f"written: {path}; next, `leadlight fit {path}`")
