"""What all tests share: how hypothesis looks for examples, and one plain message of each kind to vary."""

from __future__ import annotations

import heapq
import os
import signal
import sys
import tempfile
from collections.abc import Callable
from typing import Any

import pytest
import suite
from hypothesis import settings

from leadlight.commands.compiled import IS_COMPILED
from leadlight.cue import Cue, ShowLine, show_key
from leadlight.terms import ClockState, ContentState, CueState
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire.messages import Beacon, Echo, Sounding, Tally

# The first two find the same examples every time, so that a change is blamed for its own failures: `line` in README's
# test line, `thorough` in .ci/run after it. `nightly` looks further, and elsewhere every time.
settings.register_profile("line", deadline=None, max_examples=50, derandomize=True)
settings.register_profile("thorough", deadline=None, max_examples=500, derandomize=True)
settings.register_profile("nightly", deadline=None, max_examples=2_000, print_blob=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "line"))

# What a leader keeps for its next start, and its order socket: never those of a leader that runs on this machine.
_RUNTIME = tempfile.TemporaryDirectory(prefix="leadlight-tests-")
os.environ["XDG_RUNTIME_DIR"] = _RUNTIME.name

if "-B" not in sys.orig_argv:
    # A hundred commands are started, and each worker takes in all tests: what was compiled is kept for the next,
    # whatever the environment says. Python's own option still counts; programs changed twice a second need it.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    sys.dont_write_bytecode = False

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # Whatever a shell starts in the background ignores interrupts, and so would every command that the tests start.
    signal.signal(signal.SIGINT, signal.default_int_handler)

Maker = Callable[..., Any]


def pytest_addoption(pluginmanager: pytest.PytestPluginManager) -> None:
    pluginmanager.register(suite, "suite")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave out what compiled classes do not allow where they are compiled."""
    if IS_COMPILED:
        for item in items:
            if item.get_closest_marker("interpreted"):
                item.add_marker(pytest.mark.skip(reason="needs what compiled classes do not allow"))


@pytest.fixture(scope="session")
def a_cue() -> Cue:
    return Cue(show_key("Tidefall"), CueState.ROLLING, ShowLine(LeaderInstant(100 * SECOND), ShowPosition(0)))


@pytest.fixture(scope="session")
def make_beacon(a_cue: Cue) -> Maker:
    def make(**changes: Any) -> Beacon:
        plain: dict[str, Any] = {
            "leader": 11,
            "rank": 0,
            "tenure": 7,
            "timebase": 9,
            "serial": 1_000,
            "sent_at": LeaderInstant(101 * SECOND),
            "interval_ns": 500 * MILLISECOND,
            "sounding_budget": 60,
            "group_size": 8,
            "off_at": None,
            "marker": None,
            "cue": a_cue,
            "next_cue": None,
            "marks": (),
            "delay_radio": None,
            "delay_doubt_ns": 0,
            "shared_delays": (),
        }
        return Beacon(**(plain | changes))

    return make


@pytest.fixture(scope="session")
def make_sounding() -> Maker:
    def make(**changes: Any) -> Sounding:
        plain: dict[str, Any] = {
            "follower": 21,
            "tenure": 7,
            "nonce": 77,
            "sent_at": LocalInstant(5 * SECOND),
            "cookie": None,
            "radio": None,
        }
        return Sounding(**(plain | changes))

    return make


@pytest.fixture(scope="session")
def make_echo() -> Maker:
    def make(**changes: Any) -> Echo:
        plain: dict[str, Any] = {
            "leader": 11,
            "tenure": 7,
            "timebase": 9,
            "nonce": 77,
            "received_at": LeaderInstant(101 * SECOND),
            "sent_at": LeaderInstant(101 * SECOND + 1),
            "cookie": 5,
        }
        return Echo(**(plain | changes))

    return make


@pytest.fixture(scope="session")
def make_tally() -> Maker:
    def make(**changes: Any) -> Tally:
        plain: dict[str, Any] = {
            "follower": 21,
            "instance": 31,
            "serial": 5,
            "tenure": 7,
            "turn": None,
            "clock": ClockState.LOCKED,
            "cue_state": CueState.ROLLING,
            "bound_ns": 2 * MILLISECOND,
            "beacon_loss_permille": 10,
            "content": ContentState.PRESENT,
            "radio": None,
            "show": show_key("Tidefall"),
            "frame": 40,
            "late_frames": 0,
            "live_data": False,
            "unverified": False,
            "name": "jetty",
        }
        return Tally(**(plain | changes))

    return make


class Node:
    """A leader or follower in a hall: its core, its clock's offset from true time, and what it has told."""

    def __init__(self, core: Any, offset_ns: int) -> None:
        self.core = core
        self.offset_ns = offset_ns
        self.events: list[Any] = []
        self.is_up = True

    def local(self, true_at: int) -> LocalInstant:
        return LocalInstant(true_at + self.offset_ns)

    def told(self, kind: type) -> list[Any]:
        return [event for event in self.events if isinstance(event, kind)]


class Hall:
    """A network stepped by hand: every packet takes a millisecond, unless ``outcome`` says otherwise.

    ``outcome(source, to, message, at)`` returns the delays, in ns, of the copies that arrive; none is a loss. Nothing
    goes back to its sender unless ``echoes`` is set.
    """

    DELAY = MILLISECOND

    def __init__(self, codec: Any) -> None:
        self.codec = codec
        self.now = 1_000 * SECOND
        self.nodes: dict[str, Node] = {}
        self.outcome: Callable[[str, str, Any, int], list[int]] = lambda *_: [self.DELAY]
        self.echoes = False
        self.sent: list[tuple[int, str, Any, Any]] = []
        """True instant, sender, destination and message of everything that was sent."""
        self.after_each: Callable[[], None] = lambda: None
        self._on_the_way: list[tuple[int, int, str, bytes, str]] = []
        self._count = 0

    def add(self, name: str, build: Callable[[LocalInstant], Any], offset_ns: int = 0) -> Any:
        """Start a node; ``build`` is given its clock's reading. Returns its core."""
        core = build(LocalInstant(self.now + offset_ns))
        self.nodes[name] = Node(core, offset_ns)
        self._settle(name)
        return core

    def local(self, name: str) -> LocalInstant:
        return self.nodes[name].local(self.now)

    def crash(self, name: str) -> None:
        """It says and hears nothing any more."""
        self.nodes[name].is_up = False

    def inject(self, to: str, data: bytes, source: str) -> None:
        """Hand a node bytes from anywhere, now."""
        node = self.nodes[to]
        node.core.receive_datagram(data, source, node.local(self.now))
        self._settle(to)

    def poke(self, name: str) -> None:
        """Wake a node's loop for no reason."""
        node = self.nodes[name]
        node.core.handle_timer(node.local(self.now))
        self._settle(name)

    def run(self, seconds: float) -> None:
        """Let so much time pass."""
        until = self.now + round(seconds * SECOND)
        idle = 0
        while True:
            arrival = self._on_the_way[0][0] if self._on_the_way else until + 1
            due = [(self._due(node), name) for name, node in self.nodes.items() if node.is_up]
            wake, name = min(due, default=(until + 1, ""))
            if min(arrival, wake) > until:
                break
            before, self.now = self.now, max(min(arrival, wake), self.now)
            idle = idle + 1 if self.now == before else 0
            assert idle < 500, f"time stands still at {self.now}: {name} is due at {wake}"
            if arrival <= wake:
                _, _, to, data, source = heapq.heappop(self._on_the_way)
                if self.nodes[to].is_up:
                    self.inject(to, data, source)
            else:
                self.poke(name)
            self.after_each()
        self.now = until

    def _due(self, node: Node) -> int:
        due = node.core.next_timer()
        return 1 << 62 if due is None else due - node.offset_ns

    def _settle(self, name: str) -> None:
        node = self.nodes[name]
        for data, destination in node.core.datagrams_to_send(node.local(self.now)):
            message = self.codec.decode(data)
            self.sent.append((self.now, name, destination, message))
            members = [destination] if destination is not None else list(self.nodes)
            for to in members:
                if to in self.nodes and (to != name or self.echoes):
                    for delay_ns in self.outcome(name, to, message, self.now):
                        self._count += 1
                        heapq.heappush(self._on_the_way, (self.now + delay_ns, self._count, to, data, name))
        node.events += iter(node.core.next_event, None)


@pytest.fixture(scope="session")
def make_hall() -> type[Hall]:
    return Hall
