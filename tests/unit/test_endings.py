from __future__ import annotations

import asyncio
import os
import signal
import sys

import pytest

from leadlight.commands.endings import Ending, SignalEndings
from leadlight.commands.exits import EXITS_TOLD

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals are others there")


@pytest.mark.parametrize(
    ("number", "ending", "exit_code"),
    [
        (signal.SIGTERM, Ending.TERMINATED, 0),
        (signal.SIGINT, Ending.INTERRUPTED, 130),
        (signal.SIGHUP, Ending.HUNG_UP, 129),
    ],
)
async def test_a_signal_ends_it_and_the_exit_code_tells_which(
    number: signal.Signals, ending: Ending, exit_code: int
) -> None:
    with SignalEndings(on_hangup=True).told() as told:
        os.kill(os.getpid(), number)
        assert await asyncio.wait_for(told, 5) is ending
    assert ending.exit_code == exit_code
    assert f"{exit_code} " in EXITS_TOLD


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGTSTP, signal.SIGTTOU])
async def test_a_terminal_that_goes_or_would_stop_it_does_not_end_it(
    number: signal.Signals, caplog: pytest.LogCaptureFixture
) -> None:
    with SignalEndings().told() as told:
        os.kill(os.getpid(), number)
        await asyncio.sleep(0.01)
        assert not told.done()
    if number is not signal.SIGTTOU:
        assert "ends it" in caplog.text


async def test_what_stood_there_is_put_back() -> None:
    numbers = [signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGTSTP, signal.SIGTTOU]
    before = list(map(signal.getsignal, numbers))
    with SignalEndings().told():
        assert list(map(signal.getsignal, numbers)) != before
    assert list(map(signal.getsignal, numbers)) == before
