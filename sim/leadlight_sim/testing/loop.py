"""An asyncio loop on virtual time: one host's program, run by the kernel whenever something is due.

The loop itself is the standard library's, with another clock under it and nothing to wait for. It runs what is ready
until nothing is, tells the kernel when it wants to be called again, and stands still: no real time is ever waited for.
What would need the world outside is refused, since in virtual time nobody can wait for it.
"""

from __future__ import annotations

import asyncio
import contextvars
import socket
import threading
import weakref
from collections import deque
from collections.abc import Callable
from typing import Any, Final, NoReturn, TypeVarTuple, Unpack

from leadlight.errors import LeadlightError
from leadlight.units import SECOND, LocalInstant
from leadlight_sim.kernel import Kernel, TrueInstant
from leadlight_sim.testing.sockets import Stack, VirtualSocket, VirtualTransport

TURNS_AT_ONE_INSTANT: Final = 10_000
"""A program that is never done with an instant would stop time; one that has work to do needs far fewer turns."""

_REFUSED: Final = {
    "run_in_executor": "a thread",
    "set_default_executor": "threads",
    "subprocess_exec": "a subprocess",
    "subprocess_shell": "a subprocess",
    "connect_read_pipe": "a pipe",
    "connect_write_pipe": "a pipe",
    "create_connection": "a connection to the real world",
    "create_server": "a server in the real world",
    "create_unix_connection": "a connection to the real world",
    "create_unix_server": "a server in the real world",
    "connect_accepted_socket": "a connection to the real world",
    "start_tls": "a connection to the real world",
    "sendfile": "a real file",
    "sock_sendfile": "a real file",
    "sock_recv": "a real socket",
    "sock_recv_into": "a real socket",
    "sock_recvfrom": "a real socket",
    "sock_recvfrom_into": "a real socket",
    "sock_sendall": "a real socket",
    "sock_sendto": "a real socket",
    "sock_connect": "a real socket",
    "sock_accept": "a real socket",
    "add_writer": "a real socket",
    "remove_writer": "a real socket",
    "add_signal_handler": "signals",
    "remove_signal_handler": "signals",
}
_Arguments = TypeVarTuple("_Arguments")


class VirtualLoopError(LeadlightError, RuntimeError):
    """A program in virtual time asked for what is not there, or was driven in a way that cannot work."""


class Deadlock(VirtualLoopError):  # noqa: N818 - the trade's own word says that it is an error
    """Nothing is scheduled any more, and tasks wait. ``waiting`` names them."""

    def __init__(self, what: str, waiting: list[str]) -> None:
        super().__init__(f"{what}: {'; '.join(waiting)}")
        self.waiting = waiting


class _NothingToWaitFor:
    """Stands where the standard library's loop has its selector: asked to wait, it ends the loop's turn instead."""

    def __init__(self, loop: VirtualLoop) -> None:
        self._loop = loop

    def select(self, timeout: float | None) -> list[Any]:
        self._loop._take_pause(timeout)
        return []


class VirtualLoop(asyncio.BaseEventLoop):
    """One life of one host's program, from power-on to power-off.

    ``local_now`` and ``true_at`` are the host's clock, which ``time()`` shows in seconds; ``lateness_ns`` draws how
    late its timers run. ``stack`` is its virtual network. ``on_failure`` is given what a program raised and nobody
    took, with a word on where. ``after_turn`` is called when a turn is over, with whether anything is planned, and may
    raise.
    """

    def __init__(
        self,
        host: str,
        kernel: Kernel,
        local_now: Callable[[], LocalInstant],
        true_at: Callable[[LocalInstant], TrueInstant],
        lateness_ns: Callable[[], int],
        stack: Stack,
        on_failure: Callable[[BaseException, str], None],
        after_turn: Callable[[bool], None],
    ) -> None:
        super().__init__()
        self.host = host
        self.tasks: dict[asyncio.Future[Any], None] = {}
        """Tasks that are not done, in the order in which they were made."""
        self.is_frozen = False
        """Set while its host is suspended, and when the power goes: nothing runs, not even a program's own end."""
        self.kernel = kernel
        self._local_now = local_now
        self._true_at = true_at
        self._lateness_ns = lateness_ns
        self._stack = stack
        self._on_failure = on_failure
        self._after_turn = after_turn
        self._failed: deque[weakref.ref[asyncio.Future[Any]]] = deque()
        self._due: LocalInstant | None = None
        self._armed_for: LocalInstant | None = None
        self._is_called = False
        self._is_acted_on = False
        self._turns = 0
        self._thread = threading.get_ident()
        self._selector = _NothingToWaitFor(self)  # by this name the base class asks what is ready

    # -- time ------------------------------------------------------------------------------------------------------

    def time(self) -> float:
        """Return what the host's clock shows, in seconds."""
        return self._local_now() / SECOND

    @property
    def has_plans(self) -> bool:
        """Whether it will run again without being acted on, or may be: a timer is set, or a socket is open."""
        return self._due is not None or self._is_called or self._stack.is_open

    def take_turn(self) -> None:
        """Run what is ready or due until nothing is, and arrange to be called for the next timer."""
        if self.is_frozen or self.is_closed():
            return
        self._turns = 0
        try:
            super().run_forever()
        except BaseException:
            # What is left of the turn is for the next run, if there is one.
            self._ask_for_turn()
            raise
        due = self._due
        # As for the nodes of a rehearsal: a call that was arranged stands, and finds nothing due if plans have changed.
        if due is not None and (self._armed_for is None or due < self._armed_for):
            self._armed_for = due
            at = max(self._true_at(due), self.kernel.now)
            self.kernel.schedule(TrueInstant(at + self._lateness_ns()), self._on_timer, due)
        self._after_turn(self.has_plans)

    def thaw(self) -> None:
        """Let a loop that was frozen go on; what fell due meanwhile is late."""
        self.is_frozen = False
        self._armed_for = None
        self._ask_for_turn()

    def act(self, action: Callable[..., object], *arguments: Any) -> None:
        """Let the world outside act on this program, and give it a turn at once."""
        if self.is_frozen or self.is_closed():
            return
        self._is_acted_on = True
        try:
            action(*arguments)
        finally:
            self._is_acted_on = False
        self.take_turn()

    def _on_timer(self, due: LocalInstant) -> None:
        if self.is_frozen:
            return
        if self._armed_for == due:
            self._armed_for = None
        self.take_turn()

    def _on_call(self) -> None:
        self._is_called = False
        self.take_turn()

    def _ask_for_turn(self) -> None:
        # Something was planned from outside of a turn, such as by a test between two runs.
        if not (self._is_called or self._is_acted_on or self.is_running()):
            self._is_called = True
            self.kernel.schedule(self.kernel.now, self._on_call)

    def _take_pause(self, timeout: float | None) -> None:
        self._turns += 1
        if self._turns > TURNS_AT_ONE_INSTANT:
            self._turns = 0
            raise VirtualLoopError(
                f"{self.host}: time stands still at {self.time():.6f} s of its clock: after {TURNS_AT_ONE_INSTANT} "
                f"turns its program still does not wait for anything ({'; '.join(self.waiting())})"
            )
        wait_ns = None if timeout is None else round(timeout * SECOND)
        if wait_ns == 0 and not self.is_frozen:
            return
        self._due = None if wait_ns is None else LocalInstant(self._local_now() + wait_ns)
        super().stop()

    # -- callbacks, tasks and what becomes of them -----------------------------------------------------------------

    def call_soon(
        self,
        callback: Callable[[Unpack[_Arguments]], object],
        *args: *_Arguments,
        context: contextvars.Context | None = None,
    ) -> asyncio.Handle:
        """Arrange for a callback at this instant; see ``asyncio``."""
        handle = super().call_soon(callback, *args, context=context)
        self._ask_for_turn()
        return handle

    def call_soon_threadsafe(
        self,
        callback: Callable[[Unpack[_Arguments]], object],
        *args: *_Arguments,
        context: contextvars.Context | None = None,
    ) -> asyncio.Handle:
        """Do as ``call_soon``; refused to any other thread."""
        if threading.get_ident() != self._thread:
            raise self._refusal("a thread")
        return self.call_soon(callback, *args, context=context)

    def call_at(
        self,
        when: float,
        callback: Callable[[Unpack[_Arguments]], object],
        *args: *_Arguments,
        context: contextvars.Context | None = None,
    ) -> asyncio.TimerHandle:
        """Arrange for a callback at an instant of the host's clock; see ``asyncio``."""
        handle = super().call_at(when, callback, *args, context=context)
        self._ask_for_turn()
        return handle

    def create_task(self, coro: Any, **options: Any) -> asyncio.Task[Any]:
        """Run a coroutine as a task; see ``asyncio``."""
        task = super().create_task(coro, **options)
        if not task.done():
            self.tasks[task] = None
        task.add_done_callback(self._note_end)
        return task

    def _note_end(self, task: asyncio.Future[Any]) -> None:
        self.tasks.pop(task, None)
        # asyncio itself marks by this whether an exception is still to be taken by somebody.
        if task._log_traceback:
            self._failed.append(weakref.ref(task))

    def untaken_failures(self) -> list[tuple[BaseException, str]]:
        """Return what tasks raised and nobody has taken so far, with the task's name, and count it as taken."""
        failures = []
        while self._failed:
            task = self._failed.popleft()()
            if task is not None and task._log_traceback and (error := task.exception()) is not None:
                failures.append((error, name_of(task)))
        return failures

    def default_exception_handler(self, context: dict[str, Any]) -> None:
        """Hand on what nobody took, instead of only logging it."""
        source = context.get("task") or context.get("future") or context.get("handle")
        message = context.get("message") or "unhandled exception"
        error = context.get("exception") or VirtualLoopError(f"{self.host}: {message}: {source!r}")
        self._on_failure(error, name_of(source) if isinstance(source, asyncio.Task) else message)

    def waiting(self) -> list[str]:
        """Return the tasks that are not done, each with its host, its name and where it waits."""
        return [f"{self.host}: {name_of(task)}{_place(task)}" for task in self.tasks]

    # -- the virtual network ---------------------------------------------------------------------------------------

    def add_reader(self, fd: Any, callback: Callable[[Unpack[_Arguments]], Any], *args: *_Arguments) -> None:
        """Call back when a virtual socket has something to read."""
        if not isinstance(fd, VirtualSocket):
            advice = "; an endpoint has to be made inside of what the host runs, in the coroutine or by host.call()"
            raise self._refusal(f"a real socket or file ({fd!r})", advice)
        context = contextvars.copy_context()
        fd.watch(lambda: callback(*args), lambda read: self.call_soon(read, context=context))

    def remove_reader(self, fd: Any) -> bool:
        """Stop watching a virtual socket; return whether it was watched."""
        return isinstance(fd, VirtualSocket) and fd.unwatch()

    async def create_datagram_endpoint(  # type: ignore[override]
        self,
        protocol_factory: Callable[[], asyncio.DatagramProtocol],
        local_addr: tuple[str, int] | None = None,
        remote_addr: tuple[str, int] | None = None,
        *,
        sock: Any = None,
        **options: Any,
    ) -> tuple[asyncio.DatagramTransport, asyncio.DatagramProtocol]:
        """Open a UDP socket on the virtual network; options that ask for more than that are refused."""
        asked = [name for name, value in options.items() if value and name not in ("family", "reuse_port")]
        if sock is not None or asked:
            raise self._refusal("a real socket" if sock is not None else f"a datagram endpoint with {', '.join(asked)}")
        endpoint = self._stack.bind(local_addr[1] if local_addr else 0, local_addr[0] if local_addr else None)
        protocol = protocol_factory()
        transport = VirtualTransport(self, endpoint, protocol, remote_addr and self._stack.resolve(remote_addr))
        await asyncio.sleep(0)  # until the protocol has its transport
        return transport, protocol

    async def getaddrinfo(  # type: ignore[override]
        self, host: str | None, port: int | str | None, **_: Any
    ) -> list[tuple[int, int, int, str, tuple[str, int]]]:
        """Return a host's virtual address; names are those of the network's hosts. Raises ``socket.gaierror``."""
        address = self._stack.resolve((host or self._stack.address, int(port or 0)))
        return [(socket.AF_INET, socket.SOCK_DGRAM, socket.IPPROTO_UDP, "", address)]

    # -- what there is not -----------------------------------------------------------------------------------------

    def run_forever(self) -> NoReturn:
        """Refuse: the network runs this loop."""
        raise VirtualLoopError(
            f"{self.host}: the network runs this loop: hand the program to host.start(), then call network.run_for()"
        )

    def run_until_complete(self, future: Any) -> NoReturn:
        """Refuse, as ``run_forever`` does."""
        if asyncio.iscoroutine(future):
            future.close()
        self.run_forever()

    def stop(self) -> NoReturn:
        """Refuse, as ``run_forever`` does."""
        self.run_forever()

    def _refusal(self, what: str, advice: str = "") -> VirtualLoopError:
        return VirtualLoopError(
            f"{self.host}: a program on virtual time cannot use {what}: nothing here waits for the real world{advice}"
        )

    def _process_events(self, event_list: list[Any]) -> None:
        """Do nothing: readers are called by their sockets."""


def _refuse(what: str) -> Callable[..., NoReturn]:
    def method(self: VirtualLoop, *_: Any, **__: Any) -> NoReturn:
        raise self._refusal(what)

    return method


for _name, _what in _REFUSED.items():
    setattr(VirtualLoop, _name, _refuse(_what))


def name_of(task: asyncio.Future[Any]) -> str:
    """Return a task's name for people."""
    return f"task {task.get_name()!r}" if isinstance(task, asyncio.Task) else repr(task)


def _place(task: asyncio.Future[Any]) -> str:
    """Return where a task's own coroutine waits."""
    if not isinstance(task, asyncio.Task) or not (frames := task.get_stack(limit=1)):
        return ""
    code = frames[-1].f_code
    return f", in {code.co_qualname}, {code.co_filename}:{frames[-1].f_lineno}"
