from __future__ import annotations

import argparse
import asyncio
import configparser
import shlex
import socket
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from leadlight.commands.cli import own_commands
from leadlight.commands.service import ServiceManager
from leadlight.units import MILLISECOND, SECOND

EXAMPLES = Path(__file__).parents[2] / "protocol" / "examples"

Manager = tuple[socket.socket, dict[str, str]]


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    if sys.platform == "win32":
        pytest.skip("no Unix sockets")
    path = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as hearing:
        hearing.bind(str(path))
        hearing.setblocking(False)
        yield hearing, {"NOTIFY_SOCKET": str(path), "WATCHDOG_USEC": "30000", "WATCHDOG_PID": "7"}


def heard(hearing: socket.socket) -> list[bytes]:
    said = []
    while True:
        try:
            said.append(hearing.recv(100))
        except BlockingIOError:
            return said


async def test_it_is_told_for_as_long_as_the_node_is_alive(manager: Manager) -> None:
    hearing, environment = manager
    service = ServiceManager(environment, process=7)
    assert service.span_ns == 30 * MILLISECOND
    service.say("READY=1")
    signs = iter([True, True, False])
    told: list[bool] = []

    def is_alive() -> bool:
        told.append(next(signs, False))
        return told[-1]

    feeding = asyncio.create_task(service.feed(is_alive))
    async with asyncio.timeout(5):
        while len(told) < 4:
            await asyncio.sleep(0)
    feeding.cancel()
    assert heard(hearing) == [b"READY=1", b"WATCHDOG=1", b"WATCHDOG=1"]


async def test_nobody_who_asked_for_nothing_is_told() -> None:
    service = ServiceManager({}, process=7)
    service.say("READY=1")
    await service.feed(lambda: True)  # ends at once


def test_a_watch_that_is_meant_for_another_process_is_let_be(manager: Manager) -> None:
    assert ServiceManager(manager[1], process=8).span_ns == 0


def test_a_manager_that_is_gone_holds_up_nobody(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "none")}).say("READY=1")
    assert "the service manager does not hear READY=1" in caplog.text


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.service")), ids=lambda path: path.stem)
def test_each_unit_s_command_line_is_understood_and_keeps_what_is_led(path: Path) -> None:
    unit = configparser.ConfigParser(interpolation=None)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read_string(path.read_text(encoding="utf-8"))
    service = unit["Service"]
    program, name, *words = shlex.split(service["ExecStart"])
    assert program.endswith("/leadlight")
    parser = argparse.ArgumentParser()
    own_commands()[name].add_arguments(parser)
    parser.parse_args(words)
    assert service["Type"] == "notify"
    assert int(service["WatchdogSec"]) * SECOND > 0
    assert (service["RuntimeDirectory"], service["RuntimeDirectoryMode"]) == ("leadlight", "0700")
    assert service["RuntimeDirectoryPreserve"] == "yes"
