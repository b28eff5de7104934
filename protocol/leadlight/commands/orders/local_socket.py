"""Orders over a Unix socket of this host: a JSON object a line, and for each a JSON object in answer.

The socket lies in a folder that its owner alone may enter, and who connects is looked at: the same user, or the
system's administrator. Nothing here listens to a network.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import json
import logging
import os
import socket
import struct
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from leadlight.commands.orders.source import TakeOrder
from leadlight.errors import FileError, LeadlightError, NetworkError
from leadlight.storage import runtime_folder, runtime_folders, runtime_name

LINE_MAXIMUM_BYTES: Final = 8 * 1024
CONNECTIONS_MAXIMUM: Final = 16
ANSWER_SECONDS: Final = 5.0
"""How long whoever gave an order may take to read the answer, and to be answered."""
SUFFIX: Final = ".orders"
ADMINISTRATOR: Final = 0
_PATH_MAXIMUM_BYTES: Final = 103
"""Of a socket's name on Linux 107, unix(7), and on others 103."""
_CREDENTIALS: Final = struct.Struct("@iII")  # struct ucred, unix(7): process, user, group
_OTHERS_CREDENTIALS: Final = struct.Struct("@IIh2xI")  # struct xucred: version, user, groups, the first group
_LOCAL_PEERCRED: Final = 1

_log = logging.getLogger(__name__)


class OrderSocket:
    """Brings orders that come over this host's socket for a group; ``folder`` is the runtime folder if not given."""

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder
        self._connections: set[asyncio.Task[None]] = set()

    async def bring(self, take: TakeOrder, group: str) -> None:
        """Listen until cancelled. Where that cannot be, the log says why, and none come."""
        try:
            listening, path = self._listen(group)
        except (LeadlightError, OSError) as error:
            _log.warning("takes no orders: %s", error)
            return
        server = await asyncio.start_unix_server(
            lambda reader, writer: self._serve(take, reader, writer), sock=listening, limit=LINE_MAXIMUM_BYTES
        )
        try:
            await asyncio.get_running_loop().create_future()
        finally:
            server.close()
            for connection in self._connections:
                connection.cancel()
            path.unlink(missing_ok=True)

    def _listen(self, group: str) -> tuple[socket.socket, Path]:
        if not hasattr(socket, "AF_UNIX"):
            raise NetworkError("this system's Python has no Unix sockets")
        folder = runtime_folder() if self._folder is None else self._folder
        path = folder / f"{runtime_name(group)}{SUFFIX}"
        if len(os.fsencode(path)) > _PATH_MAXIMUM_BYTES:
            raise NetworkError(f"the name of the socket {path} is longer than {_PATH_MAXIMUM_BYTES} bytes")
        listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            try:
                listening.bind(str(path))
            except OSError as error:
                if error.errno != errno.EADDRINUSE:
                    raise
                if _is_answered(path):
                    raise NetworkError(f"another leader of {group} on this host takes them") from None
                path.unlink()
                listening.bind(str(path))
            path.chmod(0o600)
            listening.listen(CONNECTIONS_MAXIMUM)
            listening.setblocking(False)
        except BaseException:
            listening.close()
            raise
        return listening, path

    async def _serve(self, take: TakeOrder, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._connections.add(task)
        try:
            refusal = self._refusal(writer)
            if refusal:
                # What is closed with something unread is reset, and takes the answer with it.
                with contextlib.suppress(TimeoutError, ValueError):
                    async with asyncio.timeout(ANSWER_SECONDS):
                        await reader.readline()
                await _answer(writer, {"accepted": False, "said": refusal})
                return
            async for request in _requests(reader):
                if isinstance(request, ValueError):
                    await _answer(writer, {"accepted": False, "said": f"not a JSON object in a line: {request}"})
                    return
                await _answer(writer, take(request))
        except (OSError, TimeoutError):
            pass  # whoever gave it has gone
        except asyncio.CancelledError:
            pass  # the leader ends; whatever was ordered is done
        finally:
            self._connections.discard(task)
            writer.close()

    def _refusal(self, writer: asyncio.StreamWriter) -> str:
        user = peer_user(writer.get_extra_info("socket"))
        if user not in (os.geteuid(), ADMINISTRATOR):
            _log.warning("refused a connection of user %s, who is not this leader's owner", user)
            return "only the user who runs this leader may give it orders"
        if len(self._connections) > CONNECTIONS_MAXIMUM:
            return f"{CONNECTIONS_MAXIMUM} others are connected"
        return ""


async def _requests(reader: asyncio.StreamReader) -> Any:
    while True:
        try:
            line = await reader.readline()
        except ValueError:  # longer than the limit
            yield ValueError(f"more than {LINE_MAXIMUM_BYTES} bytes")
            return
        if not line.endswith(b"\n"):
            return
        try:
            yield json.loads(line)
        except (ValueError, RecursionError) as error:
            yield ValueError(str(error))
            return


async def _answer(writer: asyncio.StreamWriter, answer: dict[str, Any]) -> None:
    writer.write(json.dumps(answer).encode() + b"\n")
    async with asyncio.timeout(ANSWER_SECONDS):
        await writer.drain()


def peer_user(connection: socket.socket) -> int | None:
    """Return who is at the other end of a Unix socket, by the system's word; ``None`` where it has none."""
    try:
        if sys.platform == "linux":
            said = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
        else:
            said = connection.getsockopt(0, _LOCAL_PEERCRED, 76)
    except OSError:
        return None
    return int((_CREDENTIALS if sys.platform == "linux" else _OTHERS_CREDENTIALS).unpack_from(said)[1])


def _is_answered(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as trying:
        trying.settimeout(ANSWER_SECONDS)
        try:
            trying.connect(str(path))
        except (ConnectionRefusedError, FileNotFoundError):
            return False
        except OSError:
            return True  # it is there, and busy
        return True


# -- whoever gives orders ------------------------------------------------------------------------------------------


def sockets_here(group: str | None = None) -> Iterator[Path]:
    """Yield the sockets of leaders that run here, or of the one of ``group``; some may have been left behind."""
    pattern = f"{'*' if group is None else runtime_name(group)}{SUFFIX}"
    for folder in runtime_folders():
        with contextlib.suppress(OSError):
            yield from sorted(folder.glob(pattern))


def ask(path: Path, request: dict[str, Any]) -> dict[str, Any] | None:
    """Give an order and return its answer; ``None`` where no leader listens there any more.

    Raises ``FileError`` where this user may not, and ``NetworkError`` where there is no answer in time.
    """
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking:
        asking.settimeout(ANSWER_SECONDS)
        try:
            asking.connect(str(path))
        except (ConnectionRefusedError, FileNotFoundError):
            return None
        except PermissionError as error:
            raise FileError("order socket", str(path), error.strerror or str(error)) from None
        try:
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):  # refused before it was heard: it says why
                asking.sendall(json.dumps(request).encode() + b"\n")
            with asking.makefile("rb") as file:
                line = file.readline()
            answer = json.loads(line)
        except (OSError, ValueError) as error:
            raise NetworkError(f"the leader at {path} does not answer: {error}") from None
    return dict(answer)
