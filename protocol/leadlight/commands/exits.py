"""With which code a command ends."""

from __future__ import annotations

from typing import Final

EXIT_DONE: Final = 0
EXIT_FAULT: Final = 1
EXIT_TROUBLE: Final = 2
EXIT_HUNG_UP: Final = 129  # 128 + SIGHUP, as shells report it
EXIT_INTERRUPTED: Final = 130  # 128 + SIGINT
EXIT_BROKEN_PIPE: Final = 141  # 128 + SIGPIPE

EXITS_TOLD: Final = """\
Exit codes: 0 where the time is over or SIGTERM ended it, 130 for Ctrl-C, 129 for a hangup with --end-on-hangup. It is
2 for trouble that can be fixed, which is told, and 1 for a fault of the program."""
