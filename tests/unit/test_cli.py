from __future__ import annotations

import argparse
import importlib.metadata
import os
import socket
import stat
import sys
from collections.abc import Callable, Iterator
from importlib.metadata import EntryPoint
from pathlib import Path
from types import ModuleType
from typing import NoReturn

import pytest

from leadlight.commands import check as check_command
from leadlight.commands import cli
from leadlight.commands.compiled import IS_COMPILED
from leadlight.commands.node_options import resolve_address
from leadlight.errors import ConfigurationError, NetworkError
from leadlight.storage.key_files import read_key_file
from leadlight.wire.framing import VERSION


class Greet:
    summary = "say hello"

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.add_argument("--times", type=int, default=1)

    def run(self, arguments: argparse.Namespace, /) -> int:
        print("hello " * arguments.times)
        return 0


def raising(error: BaseException) -> type[Greet]:
    class Raising(Greet):
        def run(self, _arguments: argparse.Namespace, /) -> int:
            raise error

    return Raising


@pytest.fixture
def install(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str, object], None]]:
    """Install a package that adds one command."""
    points: list[EntryPoint] = []
    monkeypatch.setattr(cli, "entry_points", lambda **_: points)

    def add(name: str, command: object) -> None:
        module = ModuleType(f"added_{name}")
        setattr(module, name, command)
        monkeypatch.setitem(sys.modules, module.__name__, module)
        points.append(EntryPoint(name, f"{module.__name__}:{name}", cli.COMMAND_GROUP))

    yield add
    points.clear()


@pytest.fixture
def without_numpy(monkeypatch: pytest.MonkeyPatch) -> None:
    """Install a package whose command `weigh` cannot be imported."""
    points = [EntryPoint("weigh", "no_such_module_of_ours:weigh", cli.COMMAND_GROUP)]
    monkeypatch.setattr(cli, "entry_points", lambda **_: points)


Capture = pytest.CaptureFixture[str]


def test_another_package_adds_a_command(install: Callable[[str, object], None], capsys: Capture) -> None:
    install("greet", Greet())
    assert cli.main(["greet", "--times", "2"]) == 0
    assert capsys.readouterr().out == "hello hello \n"


def test_a_command_may_be_a_class(install: Callable[[str, object], None]) -> None:
    install("greet", Greet)
    assert cli.main(["greet"]) == 0


def test_help_lists_own_and_added_commands(install: Callable[[str, object], None], capsys: Capture) -> None:
    install("greet", Greet())
    assert cli.main(["--help"]) == 0
    listed = capsys.readouterr().out
    assert "say hello" in listed
    assert "lead " in listed
    assert "follow " in listed


def test_without_a_word_all_commands_are_listed_those_first_that_a_newcomer_begins_with(
    install: Callable[[str, object], None], capsys: Capture
) -> None:
    install("zoom", Greet())
    install("budget", Greet())
    install("rehearse", Greet())
    assert cli.main([]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    names = [line.split()[0] for line in said.err.splitlines() if line.startswith("    ") and line[4] != " "]
    own = ["lead", "tell", "follow", "check", "manifest", "order", "record", "key", "decode"]
    assert names == ["rehearse", "budget", *own, "zoom"]


def test_the_version_is_told(capsys: Capture) -> None:
    assert cli.main(["--version"]) == 0
    form = ", compiled" if IS_COMPILED else ""
    assert (
        capsys.readouterr().out
        == f"leadlight {importlib.metadata.version('leadlight')}, protocol {VERSION}{form}\n"
    )


@pytest.mark.parametrize(
    ("words", "trim"),
    [
        (["--trim", "-5ms"], "-5ms"),
        (["--trim=-5ms"], "-5ms"),
        (["--trim", "-.5s"], "-.5s"),
        (["--trim=1ms", "--", "-5ms"], "1ms, place -5ms"),
    ],
)
def test_a_value_below_zero_is_no_option(
    words: list[str], trim: str, install: Callable[[str, object], None], capsys: Capture
) -> None:
    class Trimmed(Greet):
        def add_arguments(self, parser: argparse.ArgumentParser) -> None:
            parser.add_argument("--trim")
            parser.add_argument("place", nargs="?")

        def run(self, arguments: argparse.Namespace, /) -> int:
            print(arguments.trim + (f", place {arguments.place}" if arguments.place else ""))
            return 0

    install("trimmed", Trimmed)
    assert cli.main(["trimmed", *words]) == 0
    assert capsys.readouterr().out == f"{trim}\n"


@pytest.mark.skipif(sys.platform == "win32", reason="no limit on the size of files there")
def test_a_key_that_does_not_fit_on_the_disk_leaves_nothing_behind(tmp_path: Path, capsys: Capture) -> None:
    import resource

    file = tmp_path / "group.key"
    before, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10, hard))
    try:
        assert cli.main(["key", str(file)]) == 2
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (before, hard))
    assert str(file) in capsys.readouterr().err
    assert not file.exists()
    assert cli.main(["key", str(file)]) == 0


def test_a_key_is_made_for_its_owner_alone_and_never_written_over(tmp_path: Path, capsys: Capture) -> None:
    file, other = tmp_path / "group.key", tmp_path / "other.key"
    assert cli.main(["key", str(file)]) == 0
    assert cli.main(["key", str(other)]) == 0
    said = capsys.readouterr().out
    word = file.read_text(encoding="ascii").split()[1]
    assert len(word) == 64
    assert word not in said
    if os.name == "posix":
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert read_key_file(file).tag(1, b"night") != read_key_file(other).tag(1, b"night")
    assert cli.main(["key", str(file)]) == 2
    assert f"key file {file}: there is such a file already" in capsys.readouterr().err
    assert file.read_text(encoding="ascii").split()[1] == word
    assert cli.main(["key", str(tmp_path / "no" / "such" / "folder")]) == 2
    assert "No such file or directory" in capsys.readouterr().err


@pytest.mark.usefixtures("without_numpy")
def test_a_command_whose_dependencies_are_missing_is_still_listed(capsys: Capture) -> None:
    assert cli.main(["--help"]) == 0
    (line,) = [line for line in capsys.readouterr().out.splitlines() if "weigh" in line.split()]
    assert "needs leadlight[sim]" in line


@pytest.mark.usefixtures("without_numpy")
@pytest.mark.parametrize("words", [["weigh"], ["weigh", "--heavy", "3"], ["weigh", "--help"]])
def test_a_command_whose_dependencies_are_missing_says_how_to_install_them(words: list[str], capsys: Capture) -> None:
    assert cli.main(words) == 2
    said = capsys.readouterr().err
    assert said.startswith("leadlight: weigh needs leadlight[sim]: pip install 'leadlight[sim]'")
    assert said.count("\n") == 1


def test_a_dependency_missing_only_at_run_time_is_said_the_same_way(
    install: Callable[[str, object], None], capsys: Capture
) -> None:
    install("greet", raising(ImportError("No module named 'numpy'")))
    assert cli.main(["greet"]) == 2
    assert "greet needs leadlight[sim]" in capsys.readouterr().err


def test_an_own_command_does_not_wait_for_others_to_load(
    install: Callable[[str, object], None], capsys: Capture
) -> None:
    class Loaded(Greet):
        def __init__(self) -> None:
            raise AssertionError("loaded")

    install("greet", Loaded)
    assert cli.main(["follow", "--help"]) == 0


@pytest.mark.parametrize(
    "error",
    [ConfigurationError("interval", -1, "above zero"), NetworkError("no route; name an interface")],
    ids=["configuration", "network"],
)
def test_trouble_is_one_line_and_exit_code_2(
    error: Exception, install: Callable[[str, object], None], capsys: Capture
) -> None:
    install("greet", raising(error))
    assert cli.main(["greet"]) == 2
    assert capsys.readouterr().err == f"leadlight: {error}\n"


def test_ctrl_c_is_quiet(install: Callable[[str, object], None], capsys: Capture) -> None:
    install("greet", raising(KeyboardInterrupt()))
    assert cli.main(["greet"]) == 130
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize("words", [["dance"], ["follow", "--no-such-option"]])
def test_a_command_line_that_makes_no_sense_is_one_line_and_exit_code_2(words: list[str], capsys: Capture) -> None:
    assert cli.main(words) == 2
    said = capsys.readouterr().err
    assert said.startswith("leadlight: ")
    assert said.count("\n") == 1


def refusal_of(words: list[str], capsys: Capture) -> str:
    """Run a command that must end with 2 and one line; return the line."""
    assert cli.main(words) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("leadlight: ")
    return line


@pytest.mark.parametrize(
    ("option", "said"),
    [
        (["--interval", "0"], "--interval: '0' is not allowed; allowed: 0.05 s to 10 s"),
        (["--interval", "nan"], "--interval: 'nan' is not allowed; allowed: a duration, zero or more, such as 0.5, 5"),
        (["--interval", "-1s"], "--interval: '-1s' is not allowed; allowed: a duration, zero or more"),
        (["--lead-time", "2min"], "--lead-time: '2min' is not allowed; allowed: 0 to 60 s"),
        (["--name", ""], "--name: '' is not allowed; allowed: 1 to"),
        (["--group", ""], "--group: '' is not allowed; allowed: a name"),
        (["--group", "  "], "--group: '  ' is not allowed; allowed: a name"),
        (["--show", ""], "--show: '' is not allowed; allowed: a name"),
        (["--duration", "60"], "--duration needs --show"),
        (["--show-at", "17:00"], "--show-at needs --show"),
        (["--edition", "1"], "--edition needs --show"),
        (["--refuse-incomplete"], "--refuse-incomplete needs --show or --running-order"),
        (["--show", "Tidefall", "--duration", "0"], "--duration: '0' is not allowed; allowed: a duration above zero"),
        (["--show", "Tidefall", "--show-at", "soon"], "HH:MM, HH:MM:SS or +SECONDS"),
        (["--show", "Tidefall", "--show-at", "10"], "HH:MM, HH:MM:SS or +SECONDS"),
        (["--port", "0"], "--port: 0 is not allowed; allowed: 1 to 65535"),
        (["--interface", "no-such-card", "--no-wait"], "there is no interface 'no-such-card'"),
        (["--key-file", "/no/such/file"], "key file /no/such/file: No such file"),
        (["--for", "-1"], "--for: '-1' is not allowed"),
        (["--listen", "-1"], "--listen: -1 is not allowed"),
        (["--rank", "128"], "--rank: 128 is not allowed"),
        (["--own-port", "62409"], "--own-port: 62409 is not allowed; allowed: 0 to 65535, and not the group's port"),
        (["--delivery", "pigeon"], "choose from 'automatic', 'group', 'copies', 'both'"),
        (["--on-music-lost", "panic"], "choose from 'continue', 'finish', 'dark'"),
        (["--manifest", "/no/such/file"], "manifest /no/such/file: No such file"),
        (["--running-order", "/no/such/order"], "running order /no/such/order: No such file"),
        (["--running-order", "/no/such/order", "--show", "Tidefall"], "--show does not go with --running-order"),
    ],
)
def test_a_wrong_setting_of_lead_is_one_line(option: list[str], said: str, capsys: Capture) -> None:
    words = ["lead", "--name", "boathouse", "--group", "quarry lake", "--interface", "127.0.0.1", *option]
    assert said in refusal_of(words, capsys)


@pytest.mark.parametrize(
    ("option", "said"),
    [
        (["--for", "0"], "--for: '0' is not allowed"),
        (["--leader", "boathouse"], "--leader: 'boathouse' is not allowed; allowed: HOST:PORT"),
        (["--leader", "127.0.0.1:0"], "HOST:PORT"),
        (["--leader", ":62410"], "HOST:PORT"),
        (["--leader", f"{'x' * 64}.invalid:62410"], "HOST:PORT"),
        (["--manifest", "season.json"], "--manifest needs --content"),
        (["--content", "shows"], "--content needs --manifest"),
        (["--manifest", "season.json", "--content", "shows", "--show", "Tidefall"], "--show does not go with --man"),
        (["--manifest", "season.json", "--content", "shows", "--frame-rate", "40"], "--frame-rate does not go with"),
        (["--manifest", "/no/such/file", "--content", "shows"], "manifest /no/such/file: No such file"),
        (["--edition", "1"], "--edition needs --show"),
        (["--frame-rate", "25"], "--frame-rate needs --show"),
        (["--duration", "192"], "--duration needs --show"),
        (["--show", ""], "--show: '' is not allowed; allowed: a name"),
        (["--show", "Tidefall", "--frame-rate", "0"], "--frame-rate: '0' is not allowed; allowed: two whole numbers"),
        (["--latency", "16"], "--latency: '16' is not allowed; allowed: a number with its unit: 16ms, or 16s"),
        (["--latency", "16s"], "--latency: '16s' is not allowed; allowed: 0 to a second"),
        (["--latency", "-1ms"], "--latency: '-1ms' is not allowed; allowed: a duration, zero or more"),
        (["--trim", "-5"], "--trim: '-5' is not allowed; allowed: a number with its unit: -5ms, or -5s"),
        (["--trim", "-11s"], "--trim: '-11s' is not allowed"),
    ],
)
def test_a_wrong_setting_of_follow_is_one_line(option: list[str], said: str, capsys: Capture) -> None:
    words = ["follow", "--name", "jetty", "--group", "quarry lake", "--interface", "127.0.0.1", *option]
    assert said in refusal_of(words, capsys)


@pytest.mark.parametrize(
    ("option", "said"),
    [
        (["--listen", "-1"], "--listen: '-1' is not allowed; allowed: a duration, zero or more"),
        (["--listen", "2h"], "--listen: '2h' is not allowed"),
        (["--listen", "0", "--expect", "jetty"], "--expect needs --listen above zero"),
        (["--listen", "0", "--leader", "127.0.0.1:62410"], "--leader needs --listen above zero"),
        (["--leader", "boathouse"], "--leader: 'boathouse' is not allowed; allowed: HOST:PORT"),
        (["--expect", ""], "--expect: '' is not allowed; allowed: 1 to 24 bytes of printable text"),
        (["--name", "x" * 25], "is not allowed; allowed: 1 to 24 bytes of printable text"),
        (["--group", " "], "--group: ' ' is not allowed; allowed: a name"),
        (["--port", "0"], "--port: 0 is not allowed; allowed: 1 to 65535"),
        (["--key-file", "/no/such/file"], "key file /no/such/file: No such file"),
        (["--content", "shows"], "--content needs --manifest"),
        (["--manifest", "season.json"], "--manifest needs --content"),
        (["--manifest", "season.json", "--content", "shows"], "--manifest needs --name"),
        (["--manifest", "/no/such/file", "--content", "shows", "--name", "jetty"], "manifest /no/such/file: No such"),
        (["--json", "/no/such/folder/check.json"], "--json /no/such/folder/check.json: there is no folder"),
    ],
)
def test_a_wrong_setting_of_check_is_one_line_before_anything_is_measured(
    option: list[str], said: str, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def measure(*_: object) -> NoReturn:
        raise AssertionError("measured")

    monkeypatch.setattr(check_command, "measure_host", measure)
    assert said in refusal_of(["check", "--group", "quarry lake", "--interface", "127.0.0.1", *option], capsys)


@pytest.mark.parametrize(
    ("board", "name"),
    [
        ("jetty", "check jetty"),
        ("x" * 24, "check " + "x" * 18),
        ("x" * 17 + "ü", "check " + "x" * 17),  # no half of a character
        (None, "check boathouse"),
    ],
)
def test_a_check_goes_by_a_name_of_its_own(board: str | None, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(socket, "gethostname", lambda: "boathouse")
    assert check_command.name_of_check(board) == name


def test_an_address_is_resolved_to_ipv4() -> None:
    assert resolve_address("127.0.0.1:62410") == ("127.0.0.1", 62_410)
    assert resolve_address("localhost:1") == ("127.0.0.1", 1)
