"""The command `tell`: give a leader that runs on this host an order."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any, Final

from leadlight.commands.orders import ORDERS, POSITION_MEANS, ask, request_of, sockets_here
from leadlight.errors import OrderError, UsageError

_SPACE: Final = "  "
_EPILOG: Final = f"""\
orders:
{chr(10).join(f"{_SPACE}{order} {said}".rstrip() for order, said in ORDERS.items())}

{POSITION_MEANS} Orders take effect one lead time later, which the answer tells; stop takes effect at once.

Programs may write to the socket themselves: one JSON object a line, such as

  {{"order": "roll", "show": "Tidefall", "position_ns": 0}}

and read one in answer to each, with accepted (true or false) and said (for people). Where it is accepted the answer
has in_ns too, how long until it takes effect, and at_utc, when that is. A show may be a key of sixteen hexadecimal
digits as well; edition and position_ns are as above. The socket is *.orders in leadlight under $XDG_RUNTIME_DIR,
else in /run/leadlight, else in leadlight-UID in the temporary folder. Only the user who runs the leader may open
it, and nothing on the network can. Exit codes: 0 where the order was accepted, 2 where it was not."""


class Tell:
    """Gives an order to a leader of this host."""

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare options and arguments."""
        parser.formatter_class = argparse.RawDescriptionHelpFormatter
        parser.epilog = _EPILOG
        parser.add_argument("--group", metavar="NAME", help="whose leader (the only one here)")
        parser.add_argument("--json", action="store_true", help="print the whole answer, as JSON")
        parser.add_argument("order", choices=ORDERS, metavar="ORDER", help="what to do: see below")
        parser.add_argument("what", nargs="*", metavar="SHOW or POSITION", help="of roll, and of seek")
        parser.add_argument("--at", metavar="POSITION", help="where in the show to begin (its beginning)")
        parser.add_argument("--edition", help="edition of the show, where the leader has no manifest")

    def run(self, arguments: argparse.Namespace, /) -> int:
        """Give the order and print the answer."""
        words = [arguments.order, *arguments.what]
        for option, value in (("--at", arguments.at), ("--edition", arguments.edition)):
            words += [] if value is None else [option, value]
        request = request_of(words)
        answer = _answer_of(arguments.group, request)
        if arguments.json:
            sys.stdout.write(json.dumps(answer) + "\n")
        elif not answer.get("accepted"):
            raise OrderError(str(answer.get("said")))
        else:
            sys.stdout.write(f"{answer['said']}\n")
        sys.stdout.flush()
        return 0 if answer.get("accepted") else 2


def _answer_of(group: str | None, request: dict[str, Any]) -> dict[str, Any]:
    running: dict[Path, str] = {}
    for path in sockets_here(group):
        answer = ask(path, {"order": "status"})
        if answer is not None:
            running[path] = str(answer.get("status", {}).get("group", answer.get("said")))
    if not running:
        of = "" if group is None else f" of {group}"
        raise OrderError(f"no leader{of} takes orders on this host; tell it where it runs, as the user who runs it")
    if len(running) > 1:
        raise UsageError(f"--group says which: leaders of {', '.join(sorted(running.values()))} run here")
    answer = ask(next(iter(running)), request)
    if answer is None:
        raise OrderError("the leader has just ended")
    return answer
