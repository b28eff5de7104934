"""The one family of errors. Catch ``LeadlightError`` and nothing of ours escapes."""

from __future__ import annotations

from enum import Enum
from typing import TypeVar

from leadlight.terms import Refusal

__all__ = [
    "CaptureError",
    "ConfigurationError",
    "FileError",
    "LeadlightError",
    "MessageError",
    "NetworkError",
    "NotRunningError",
    "OrderError",
    "UsageError",
    "WireError",
]

Member = TypeVar("Member", bound=Enum)


class LeadlightError(Exception):
    """Base of every error this package raises on purpose."""


class ConfigurationError(LeadlightError, ValueError):
    """A setting is wrong: names the field, the value and what is allowed."""

    def __init__(self, field: str, value: object, allowed: str) -> None:
        super().__init__(f"{field}: {value!r} is not allowed; allowed: {allowed}")
        self.field = field
        self.value = value
        self.allowed = allowed


def check_name(field: str, value: object, most_bytes: int) -> None:
    """Raise ``ConfigurationError`` unless ``value`` is printable text of 1 to ``most_bytes`` bytes in UTF-8."""
    allowed = f"1 to {most_bytes} bytes of printable text"
    if not isinstance(value, str) or not value.isprintable():
        raise ConfigurationError(field, value, allowed)
    if not 1 <= len(value.encode(errors="replace")) <= most_bytes:
        raise ConfigurationError(field, value, allowed)


def check_kind(field: str, value: object, kind: type, allowed: str) -> None:
    """Raise ``ConfigurationError`` unless ``value`` is of this type."""
    if not isinstance(value, kind):
        raise ConfigurationError(field, value, allowed)


def check_whole(field: str, value: object, low: int, high: float, allowed: str) -> None:
    """Raise ``ConfigurationError`` unless ``value`` is a whole number from ``low`` to ``high``.

    A fraction of a nanosecond, ``16.2 * MILLISECOND`` say, would go unnoticed until a number is put on the wire.
    """
    if type(value) is not int:
        raise ConfigurationError(field, value, f"a whole number, {allowed}; round() makes one")
    if not low <= value <= high:
        raise ConfigurationError(field, value, allowed)


def check_number(field: str, value: object, low: float, high: float, allowed: str) -> None:
    """Raise ``ConfigurationError`` unless ``value`` is a number above ``low``, at most ``high``."""
    if type(value) not in (int, float) or not low < value <= high:  # type: ignore[operator]
        raise ConfigurationError(field, value, allowed)


def check_flag(field: str, value: object) -> None:
    """Raise ``ConfigurationError`` unless ``value`` is ``True`` or ``False``: text such as "no" would count as true."""
    check_kind(field, value, bool, "True or False")


def member(field: str, value: object, kind: type[Member]) -> Member:
    """Return the member of an enumeration that ``value`` is, or is the value of.

    Raises ``ConfigurationError`` for anything else.
    """
    try:
        return kind(value)
    except ValueError:
        allowed = ", ".join(repr(one.value) for one in kind)
        raise ConfigurationError(field, value, f"one of {allowed}") from None


class WireError(LeadlightError, ValueError):
    """A datagram was refused. The only error that decoding raises.

    ``reason`` is one of a small fixed set, so that refusals can be counted by cause.
    """

    def __init__(self, reason: Refusal, detail: str = "") -> None:
        super().__init__(f"{reason}: {detail}" if detail else reason)
        self.reason = reason
        self.detail = detail


class MessageError(LeadlightError, ValueError):
    """A message of this node's own cannot be put on the wire: says which field is outside its range."""


class CaptureError(LeadlightError, ValueError):
    """A file is no capture file that can be read; says why, for a sentence that begins with the file's name."""


class NetworkError(LeadlightError, OSError):
    """A socket could not be set up; says on which interface and what to do about it."""


class NotRunningError(LeadlightError, RuntimeError):
    """A node is not on the network: says whether it was not entered, has been left or has failed, and by what."""


class OrderError(LeadlightError):
    """An order cannot be carried out as things stand, such as a pause while nothing rolls; nothing has changed."""


class UsageError(LeadlightError):
    """A command line cannot be understood, or asks for what does not go together."""


class FileError(ConfigurationError):
    """A file or folder cannot be read or written: names what it is, its path and why."""

    def __init__(self, what: str, path: str, reason: str) -> None:
        super().__init__(what, path, f"one that can be read or written ({reason})")
        self.args = (f"{what} {path}: {reason}",)
        self.reason = reason
