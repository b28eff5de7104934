"""An order in words, as typed on a terminal or after `leadlight tell`, made into the object that travels."""

from __future__ import annotations

import re
import shlex
from collections.abc import Sequence
from typing import Any, Final

from leadlight.errors import ConfigurationError, OrderError
from leadlight.units import BILLION

ORDERS: Final = {
    "roll": "SHOW [--at POSITION] [--edition EDITION]",
    "pause": "",
    "resume": "",
    "seek": "POSITION",
    "dark": "",
    "stop": "",
    "take-back": "",
    "withdraw": "",
    "status": "",
}
"""What may be ordered, and what is said with it."""

POSITION_MEANS: Final = "A POSITION is in seconds, or M:SS, or H:MM:SS: 83.5, 1:23.5, 0:01:23."

_POSITION: Final = re.compile(r"(?:(?:([0-9]+):)?([0-9]{1,2}):)?([0-9]+)(?:\.([0-9]{1,9}))?")


def position_ns(field: str, text: str) -> int:
    """Return a position in ns; ``ConfigurationError`` that names ``field`` for what is none."""
    found = _POSITION.fullmatch(text)
    if found is None or (found[2] is not None and (len(found[3]) != 2 or int(found[3]) > 59)):
        raise ConfigurationError(field, text, "seconds, M:SS or H:MM:SS")
    hours, minutes, seconds, fraction = found.groups(default="0")
    return ((int(hours) * 60 + int(minutes)) * 60 + int(seconds)) * BILLION + int(fraction.ljust(9, "0"))


def request_of(words: Sequence[str]) -> dict[str, Any]:
    """Return the object of an order; ``OrderError`` for what is none, and ``ConfigurationError`` for a wrong word."""
    given = list(words)
    order = given.pop(0) if given else ""
    if order not in ORDERS:
        raise OrderError(f"there is no order {order!r}; there are {', '.join(ORDERS)}")
    request: dict[str, Any] = {"order": order}
    for option, field in (("--at", "position_ns"), ("--edition", "edition")):
        if order == "roll" and option in given:
            place = given.index(option)
            if place + 1 == len(given):
                raise OrderError(f"{option} needs a word")
            value = given[place + 1]
            request[field] = position_ns(option, value) if option == "--at" else value
            del given[place : place + 2]
    said = " ".join(given)
    wanted = ORDERS[order].partition(" ")[0]
    if bool(said) != bool(wanted):
        raise OrderError(f"say {f'{order} {ORDERS[order]}'.strip()}")
    if order == "roll":
        request["show"] = said  # a name of several words needs no quotes
    elif order == "seek":
        request["position_ns"] = position_ns("POSITION", said)
    return request


def typed_request(line: str) -> dict[str, Any]:
    """Return the object of an order that was typed in one line; raises as ``request_of``."""
    try:
        return request_of(shlex.split(line))
    except ValueError:
        raise OrderError("a quote is not closed") from None
