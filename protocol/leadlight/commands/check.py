"""The command `check`: before the show, on this host: go or no-go."""

from __future__ import annotations

import argparse
import asyncio
import socket
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from random import SystemRandom
from typing import Any, Final

from leadlight.commands.exits import EXIT_INTERRUPTED
from leadlight.commands.manifest import ProgressLine
from leadlight.commands.node_options import (
    TIME_MEANS,
    add_group_options,
    named_by_its_option,
    parts_by_manifest,
    resolve_address,
)
from leadlight.commands.options import check_company, duration_ns
from leadlight.commands.tables import columns
from leadlight.errors import check_name
from leadlight.evening import Manifest
from leadlight.events import FollowerEvent
from leadlight.net import Endpoint, PixelPort, check_port, measure_host
from leadlight.readiness import (
    Finding,
    Heard,
    HostFacts,
    KeyFacts,
    Listener,
    Names,
    Verdict,
    as_json,
    in_light,
    judge_content,
    judge_cues,
    judge_datagrams,
    judge_followers,
    judge_host,
    judge_key_file,
    judge_leaders,
    judge_own_name,
    judge_pixel_data,
    listening_lasts_ns,
    verdict_on,
)
from leadlight.storage import check_outputs, inspect_key_file, read_manifest, write_file
from leadlight.units import HOUR, MINUTE, SECOND
from leadlight.wire import NAME_MAXIMUM_BYTES, Codec, KeyRing

EXIT_GO: Final = 0
EXIT_NO_GO: Final = 1

LISTEN_NS: Final = 15 * SECOND
LISTEN_LONGEST_NS: Final = 3 * MINUTE
LOOK_SECONDS: Final = 0.1
_NAMED: Final = "check "

_EXIT_CODES: Final = "Ends with 0 for go, also where there is something to look at, with 1 for no-go, 2 for wrong use."

_TAKES_PART: Final = """\
While it listens it takes part as a follower that lights nothing, which the leader's table lists as "check" and this
board's or host's name."""


class Check:
    """Looks at this host and listens to its group, and says whether the show can go on."""

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        parser.epilog = f"{TIME_MEANS} {_EXIT_CODES} {_TAKES_PART}"
        add_group_options(parser)
        parser.add_argument("--name", metavar="NAME", help="this board's name; it may be running meanwhile")
        parser.add_argument(
            "--manifest", metavar="FILE", help="the manifest of the shows, for this board's parts; with --content"
        )
        parser.add_argument("--content", metavar="FOLDER", help="where the parts of the shows are")
        parser.add_argument(
            "--listen",
            metavar="TIME",
            help="how long to listen to the group; 0 looks at this host alone (15 s, and longer, up to 3 min, until"
            " everybody had two turns to be heard)",
        )
        parser.add_argument(
            "--expect",
            action="append",
            default=[],
            metavar="NAME",
            help="a leader or follower that must be heard; may be given again",
        )
        parser.add_argument(
            "--expect-from",
            metavar="MANIFEST",
            help="every follower that this manifest lists must be heard: a whole garden in one command",
        )
        parser.add_argument(
            "--leader", metavar="HOST:PORT", help="where to ask the leader, where nothing reaches the group"
        )
        parser.add_argument("--no-leader", action="store_true", help="no leader need be heard: before any runs")
        parser.add_argument(
            "--leads", action="store_true", help="this host is to lead: as --no-leader, and its clock must be plausible"
        )
        parser.add_argument(
            "--waking",
            metavar="TIME",
            help="record for so long how late this host wakes a player, by each of three ways of waiting; 10s or longer"
            " says most. Tells what that means in light, and the line by which a scenario takes this host",
        )
        parser.add_argument("--json", metavar="FILE", help="write the findings to a file as JSON as well")

    def run(self, arguments: argparse.Namespace, /) -> int:
        """Look, listen, and say what was found."""
        with named_by_its_option(arguments):
            return self._check(_Wanted.of(arguments))

    def _check(self, wanted: _Wanted) -> int:
        arguments = wanted.arguments
        findings: list[Finding] = []
        content = _check_content(arguments)
        place = (arguments.group, arguments.port, arguments.interface)
        host = measure_host(*place, wanted.record_ns, arguments.ip_version)
        findings += judge_host(host, leads=arguments.leads)
        findings.append(judge_key_file(wanted.key_facts))
        not_looked_at = []
        if content is None:
            not_looked_at.append("contents, for want of --manifest")
        else:
            findings.append(content.finding)
        heard, was_interrupted = None, False
        if host.multicast_trouble is not None and host.buffer_bytes is None:
            not_looked_at.append("the group, which cannot be listened to")
        elif wanted.listen_ns == 0:
            not_looked_at.append("the group")
        else:
            with PixelPort() as pixels:
                heard, was_interrupted = self._listen(wanted, pixels)
            findings.append(judge_pixel_data(pixels.facts))
        if was_interrupted:
            not_looked_at.append("the group for longer: interrupted")
        if heard is not None:
            findings += _judge_group(heard, wanted, host, content)
        lines = in_light(host.recorded_ns, host.is_stamped) if host.recorded_ns else []
        lines += in_words(findings, not_looked_at)
        sys.stdout.write("".join(f"{line}\n" for line in lines))
        sys.stdout.flush()
        if arguments.json is not None:
            about = _about(arguments, host, heard)
            write_file(as_json(findings, about, not_looked_at), arguments.json, "--json")
        if was_interrupted:
            return EXIT_INTERRUPTED
        return EXIT_GO if verdict_on(findings) is Verdict.GO else EXIT_NO_GO

    def _listen(self, wanted: _Wanted, pixels: PixelPort) -> tuple[Heard | None, bool]:
        """Return what was heard, and whether it was interrupted: what was heard until then counts."""
        listening = _Listening(wanted, pixels)
        try:
            asyncio.run(listening.last())
        except KeyboardInterrupt:
            return listening.heard, True
        return listening.heard, False


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What was asked for, with what is wrong in it told before anything is begun."""

    arguments: argparse.Namespace
    name: str
    keys: KeyRing | None
    key_facts: KeyFacts | None
    leader: tuple[str, int] | None
    listen_ns: int
    listen_longest_ns: int
    record_ns: int = 0

    @classmethod
    def of(cls, arguments: argparse.Namespace) -> _Wanted:
        if arguments.name is not None:
            check_name("--name", arguments.name, NAME_MAXIMUM_BYTES)
        if arguments.expect_from is not None:
            listed = read_manifest(arguments.expect_from).followers()
            arguments.expect = list(dict.fromkeys([*arguments.expect, *listed]))
        for name in arguments.expect:
            check_name("--expect", name, NAME_MAXIMUM_BYTES)
        has_manifest, has_content = arguments.manifest is not None, arguments.content is not None
        check_company({"--content": has_content}, "--manifest", has_manifest)
        check_company({"--manifest": has_manifest}, "--content, the folder where the parts are", has_content)
        check_company({"--manifest": has_manifest}, "--name, whose parts they are", arguments.name is not None)
        listen_ns = longest_ns = LISTEN_NS
        if arguments.listen is not None:
            listen_ns = longest_ns = duration_ns("--listen", arguments.listen, maximum_ns=HOUR)
        else:
            longest_ns = LISTEN_LONGEST_NS
        record_ns = 0
        if arguments.waking is not None:
            record_ns = duration_ns("--waking", arguments.waking, minimum_ns=SECOND, maximum_ns=HOUR)
        listens = listen_ns > 0
        of_listening = {"--expect": bool(arguments.expect), "--leader": arguments.leader is not None}
        check_company(of_listening, "--listen above zero", listens)
        leader = None if arguments.leader is None else resolve_address(arguments.leader, arguments.ip_version)
        keys = key_facts = None
        if arguments.key_file is not None:
            keys, is_open = inspect_key_file(arguments.key_file)
            key_facts = KeyFacts(arguments.key_file, len(list(keys)), is_open)
        check_outputs({"--json": arguments.json})
        check_port(arguments.port)
        Codec(arguments.group, keys)  # a group without a name is refused here, and not after the measuring
        return cls(arguments, name_of_check(arguments.name), keys, key_facts, leader, listen_ns, longest_ns, record_ns)


def name_of_check(board: str | None) -> str:
    """Return the name that this check goes by: not the board's own, which may be running."""
    # Cut to what travels, at a character's end.
    room = NAME_MAXIMUM_BYTES - len(_NAMED)
    of = (board or socket.gethostname()).encode()[:room].decode(errors="ignore")
    return _NAMED + "".join(character for character in of if character.isprintable()) if of else _NAMED.strip()


@dataclass(frozen=True, slots=True)
class _Content:
    manifest: Manifest
    finding: Finding


def _check_content(arguments: argparse.Namespace) -> _Content | None:
    if arguments.manifest is None:
        return None
    manifest, parts = parts_by_manifest(arguments.manifest, arguments.content, arguments.name)
    return _Content(manifest, judge_content(parts, arguments.name))


def _judge_group(heard: Heard, wanted: _Wanted, host: HostFacts, content: _Content | None) -> list[Finding]:
    arguments = wanted.arguments
    known = [*arguments.expect, *([] if arguments.name is None else [arguments.name])]
    findings = judge_datagrams(heard, is_keyed=wanted.keys is not None)
    findings += judge_leaders(
        heard,
        Names(known),
        leader_expected=not (arguments.no_leader or arguments.leads),
        leads=arguments.leads,
    )
    found: list[Finding | None] = []
    if content is not None:
        found.append(judge_cues(heard, {entry.key: entry.show for entry in content.manifest.shows}))
    if arguments.name is not None:
        found.append(judge_own_name(heard, arguments.name, host.own_addresses))
    findings += [finding for finding in found if finding is not None]
    return findings + judge_followers(heard, arguments.expect)


def in_words(findings: Sequence[Finding], not_looked_at: Sequence[str] = ()) -> list[str]:
    """Return the table of findings, each with what to do below it, what was not looked at, and the verdict."""
    header, *rows = columns(
        ("looked at", "verdict", "found"),
        [(finding.looked_at, finding.verdict, finding.found) for finding in findings],
    )
    lines = [header]
    for finding, row in zip(findings, rows, strict=True):
        lines.append(row)
        if finding.to_do:
            lines.append(f"    to do: {finding.to_do}")
    lines.append("")
    if not_looked_at:
        lines.append(f"not looked at: {'; '.join(not_looked_at)}")
    told = {
        verdict: [finding.looked_at for finding in findings if finding.verdict is verdict]
        for verdict in (Verdict.NO_GO, Verdict.LOOK)
    }
    said = "; ".join(f"{verdict}: {', '.join(names)}" for verdict, names in told.items() if names)
    if told[Verdict.NO_GO]:
        lines.append(said)
    else:
        lines.append(f"go; {said}" if said else "go")
    return lines


def _about(arguments: argparse.Namespace, host: HostFacts, heard: Heard | None) -> dict[str, Any]:
    return {
        "host": socket.gethostname(),
        "name": arguments.name,
        "group": arguments.group,
        "port": arguments.port,
        "at": host.wall_now.isoformat(timespec="seconds"),
        "listened_ns": 0 if heard is None else heard.listened_ns,
    }


class _Listening:
    """Listens to the group on real sockets for as long as is wanted."""

    def __init__(self, wanted: _Wanted, pixels: PixelPort) -> None:
        self.heard: Heard | None = None
        self._pixels = pixels
        self._wanted = wanted

    async def last(self) -> None:
        """Listen; ``heard`` is what was heard so far, all the while."""
        wanted, arguments = self._wanted, self._wanted.arguments
        codec = Codec(arguments.group, wanted.keys)
        node: Endpoint[Listener, FollowerEvent] = Endpoint(
            lambda now: Listener(wanted.name, codec, SystemRandom(), now, _host_of),
            group=arguments.group,
            port=arguments.port,
            interface=arguments.interface,
            ip_version=arguments.ip_version,
        )
        async with node:
            if wanted.leader is not None:
                node.core.follower.ask(wanted.leader, node.clock())
                node.pump()
            with ProgressLine(sys.stderr, f"listening to {arguments.group}") as progress:
                while True:
                    self.heard = node.core.heard(node.clock())
                    self._pixels.look()
                    lasts_ns = listening_lasts_ns(self.heard, wanted.listen_ns, wanted.listen_longest_ns)
                    left_ns = lasts_ns - self.heard.listened_ns
                    if left_ns <= 0:
                        return
                    progress.say(f"{-(-left_ns // SECOND)} s left")
                    await asyncio.sleep(min(LOOK_SECONDS, left_ns / SECOND))


def _host_of(source: Any) -> str:
    return str(source[0])
