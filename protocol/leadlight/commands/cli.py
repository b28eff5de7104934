"""The command `leadlight`: its own commands, and those that other packages add to it."""

from __future__ import annotations

import argparse
import os
import re
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points
from typing import Final, NoReturn, Protocol

from leadlight import __version__
from leadlight.commands.exits import EXIT_BROKEN_PIPE, EXIT_INTERRUPTED, EXIT_TROUBLE
from leadlight.commands.outlet import say_at_the_end
from leadlight.errors import LeadlightError, UsageError

COMMAND_GROUP = "leadlight.commands"
"""The entry-point group through which other packages add commands."""

FIRST_LISTED: Final = ("rehearse", "tune", "compare", "budget", "fit")


class Command(Protocol):
    """What a command is, here and in other packages."""

    @property
    def summary(self) -> str:
        """One line for the list of commands."""

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""

    def run(self, arguments: argparse.Namespace, /) -> int:
        """Do the work and return the exit code; raise ``LeadlightError`` for trouble the user can fix."""


class NeedsExtraError(LeadlightError):
    """A command's dependencies are not installed."""

    def __init__(self, command: str, cause: ImportError) -> None:
        super().__init__(f"{command} {_NEEDS_SIM}: pip install 'leadlight[sim]' ({cause})")


_NEEDS_SIM = "needs leadlight[sim]"
_BELOW_ZERO = re.compile(r"-\.?[0-9]")
_LONG_OPTION = re.compile(r"--[a-z][a-z-]*")


class _Parser(argparse.ArgumentParser):
    """Raises instead of printing its usage and ending the process."""

    def error(self, message: str) -> NoReturn:
        raise UsageError(f"{message}; see `{self.prog} --help`")


class _Version(argparse.Action):
    """Prints the version and ends; it is looked up only then."""

    def __init__(self, option_strings: Sequence[str], dest: str) -> None:
        super().__init__(option_strings, dest, nargs=0, help="print the version and exit")

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> NoReturn:
        from leadlight.commands.compiled import IS_COMPILED
        from leadlight.wire import VERSION

        print(f"leadlight {__version__}, protocol {VERSION}{', compiled' if IS_COMPILED else ''}")
        parser.exit()


class _Runs(Protocol):
    """A command apart from the line that lists it."""

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""

    def run(self, arguments: argparse.Namespace, /) -> int:
        """Do the work and return the exit code."""


@dataclass(frozen=True, slots=True)
class _Own:
    """A command of this package, loaded when it is wanted: to list all of them takes none of what they need."""

    module: str
    kind: str
    summary: str

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        _loaded(self.module, self.kind).add_arguments(parser)

    def run(self, arguments: argparse.Namespace, /) -> int:
        return _loaded(self.module, self.kind).run(arguments)


@cache
def _loaded(module: str, kind: str) -> _Runs:
    command: _Runs = getattr(import_module(f"leadlight.commands.{module}"), kind)()
    return command


_OWN: Final[Mapping[str, Command]] = {
    "lead": _Own("lead", "Lead", "lead a group: send beacons, start a show, watch the followers"),
    "tell": _Own(
        "tell",
        "Tell",
        "give a running leader an order: roll, pause, resume, seek, dark, stop, take-back, withdraw, status",
    ),
    "follow": _Own("follow", "Follow", "follow a group: keep its clock and tell which frame is now"),
    "check": _Own("check", "Check", "before the show, on this host: go or no-go"),
    "manifest": _Own("manifest", "ManifestCommand", "build a content manifest, or check parts against one"),
    "order": _Own("order", "OrderCommand", "tell what a running order plays on the next nights"),
    "record": _Own(
        "record", "RecordCommand", "record what a real network does to packets, for `fit`; on two or more hosts"
    ),
    "key": _Own("key", "KeyCommand", "make a group's key: without one, anybody on the network can lead the group"),
    "decode": _Own("decode", "DecodeCommand", "tell what is in a datagram or a capture file"),
}


@dataclass(frozen=True, slots=True)
class _Added:
    """A command of another package, loaded when it is wanted."""

    entry_point: EntryPoint

    def load(self) -> Command:
        try:
            command = self.entry_point.load()
        except ImportError as error:
            raise NeedsExtraError(self.entry_point.name, error) from error
        loaded: Command = command() if isinstance(command, type) else command
        return loaded


@dataclass(frozen=True, slots=True)
class _Missing:
    """Stands in the list of commands for one whose dependencies are missing."""

    trouble: NeedsExtraError
    summary: str = _NEEDS_SIM

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        pass

    def run(self, _arguments: argparse.Namespace) -> int:
        raise self.trouble


def added_commands() -> Mapping[str, _Added]:
    """Return the commands that installed packages add, by name, without loading them."""
    return {point.name: _Added(point) for point in entry_points(group=COMMAND_GROUP)}


def own_commands() -> Mapping[str, Command]:
    """Return the commands that need nothing but the library, without loading them."""
    return _OWN


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line ``argv`` (by default the process's own) and return the exit code.

    Trouble is one line on the standard error output and exit code 2. Without a word, all commands are listed there.
    """
    words = _joined(sys.argv[1:] if argv is None else argv)
    try:
        return _run(words)
    except LeadlightError as error:
        say_at_the_end(f"leadlight: {error}\n", sys.stderr)
        return EXIT_TROUBLE
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # Whoever read our output has gone; without this Python complains when it closes the stream.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_BROKEN_PIPE
    except SystemExit as exit_:  # argparse ends --help and --version so
        return exit_.code if isinstance(exit_.code, int) else 0


def _joined(words: Sequence[str]) -> list[str]:
    """Return ``--trim -5ms`` as ``--trim=-5ms``: what begins with a dash and is no plain number is an option else."""
    joined: list[str] = []
    for word in words:
        if _BELOW_ZERO.match(word) and joined and _LONG_OPTION.fullmatch(joined[-1]):
            joined[-1] += f"={word}"
        else:
            joined.append(word)
    return joined


def _run(words: Sequence[str]) -> int:
    commands = dict(own_commands())
    added = added_commands()
    name = words[0] if words else ""
    if name in added and name not in commands:
        # Before its arguments are looked at: they are not known unless it loads.
        commands[name] = added[name].load()
    elif name not in commands:
        # Only the list of commands needs the others: a board should not wait for the simulator to load.
        commands |= {other: _load_or_explain(added[other]) for other in added if other not in commands}
    try:
        parser = _parser(sorted(commands.items(), key=_place), name)
        if not words:
            parser.print_help(sys.stderr)
            return EXIT_TROUBLE
        arguments = parser.parse_args(words)
        return commands[arguments.command].run(arguments)
    except ImportError as error:
        if name in added:
            raise NeedsExtraError(name, error) from error
        raise


def _place(command: tuple[str, Command]) -> int:
    """Return where a command stands in the list of them: those first that a newcomer begins with."""
    return next((place for place, name in enumerate(FIRST_LISTED) if name == command[0]), len(FIRST_LISTED))


def _load_or_explain(added: _Added) -> Command:
    try:
        return added.load()
    except NeedsExtraError as trouble:
        return _Missing(trouble)


def _parser(commands: Iterable[tuple[str, Command]], asked: str) -> argparse.ArgumentParser:
    parser = _Parser(prog="leadlight", description="Keep stored light shows together by a leader's timing beacons.")
    parser.add_argument("--version", action=_Version)
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands", required=True)
    for name, command in commands:
        subparser = subparsers.add_parser(name, help=command.summary, description=command.summary)
        # Of the others only the names are told: what their options are may take loading.
        if name == asked:
            command.add_arguments(subparser)
    return parser
