"""Where orders to a running leader arrive, whichever way they came: each is carried out at once and answered.

A request is an object: ``order``, one of ``words.ORDERS``, and with it ``show`` (a name, or a key of sixteen
hexadecimal digits), ``edition`` and ``position_ns`` where the order takes them. The answer has ``order``,
``accepted``, and ``said``, for people; of one that is accepted ``in_ns`` and ``at_utc`` say when it takes effect, and
``status`` has what was asked for.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from typing import Any, Final

from leadlight.commands.orders.words import ORDERS
from leadlight.cue import START, Cue
from leadlight.errors import ConfigurationError, LeadlightError, OrderError
from leadlight.evening import position_in_words
from leadlight.net import LeaderNode
from leadlight.terms import CueState, Role
from leadlight.units import MICROSECOND, SECOND, LocalInstant, ShowPosition

_FIELDS: Final = {"roll": {"show", "edition", "position_ns"}, "seek": {"position_ns"}}
_HEXADECIMAL: Final = frozenset("0123456789abcdef")


class OrderDesk:
    """Gives ``node`` the orders that arrive.

    ``show_meant`` returns the key of a show by its name and its edition, which may be empty; ``shows`` gives names by
    key. ``told`` is called with each order but ``status`` and what was answered.
    """

    def __init__(
        self,
        node: LeaderNode,
        show_meant: Callable[[str, str], int],
        shows: Mapping[int, str],
        wall_clock: Callable[[], datetime.datetime],
        status: Callable[[LocalInstant], Mapping[str, Any]],
        told: Callable[[str], None],
    ) -> None:
        self._node = node
        self._show_meant = show_meant
        self._shows = shows
        self._wall_clock = wall_clock
        self._asked = status
        self._told = told

    def take(self, request: object) -> dict[str, Any]:
        """Carry out one order and return the answer; never raises for a wrong one."""
        order = request.get("order") if isinstance(request, dict) else None
        try:
            if not isinstance(request, dict):
                raise OrderError("an order is an object with a field order")
            answer = self._carry_out(request)
        except LeadlightError as error:
            answer = {"accepted": False, "said": str(error)}
        if order != "status":
            self._told(f"ordered {order}: {answer['said']}")
        return {"order": order, **answer}

    def _carry_out(self, request: dict[str, Any]) -> dict[str, Any]:
        order = request.get("order")
        if not isinstance(order, str) or order not in ORDERS:
            raise OrderError(f"there is no order {order!r}; there are {', '.join(ORDERS)}")
        unknown = sorted(set(request) - {"order"} - _FIELDS.get(order, set()), key=str)
        if unknown:
            raise OrderError(f"{order} has no {unknown[0]}")
        carry_out: Callable[[dict[str, Any]], dict[str, Any]] = getattr(self, f"_{order.replace('-', '_')}")
        return carry_out(request)

    # -- one method an order ---------------------------------------------------------------------------------------

    def _roll(self, request: dict[str, Any]) -> dict[str, Any]:
        named, edition = _text(request, "show"), _text(request, "edition", "")
        is_key = len(named) == 16 and set(named) <= _HEXADECIMAL
        key = int(named, 16) if is_key else self._show_meant(named, edition)
        position = request.get("position_ns", START)
        cue = self._node.roll(key, position)
        where = f" from {position_in_words(position)}" if position else ""
        return self._comes(f"{self._name(cue)} rolls{where}", cue.line.leader_at)

    def _pause(self, _: dict[str, Any]) -> dict[str, Any]:
        cue = self._node.pause()
        return self._comes(f"{self._name(cue)} pauses at {position_in_words(cue.line.position)}", cue.line.leader_at)

    def _resume(self, _: dict[str, Any]) -> dict[str, Any]:
        cue = self._node.resume()
        return self._comes(
            f"{self._name(cue)} rolls on from {position_in_words(cue.line.position)}", cue.line.leader_at
        )

    def _seek(self, request: dict[str, Any]) -> dict[str, Any]:
        cue = self._node.seek(ShowPosition(request.get("position_ns")))  # type: ignore[arg-type]  # it is checked there
        return self._comes(f"{self._name(cue)} goes to {position_in_words(cue.line.position)}", cue.line.leader_at)

    def _dark(self, _: dict[str, Any]) -> dict[str, Any]:
        at = self._node.clock() + self._node.leader.settings.lead_time_ns
        self._node.go_dark()
        return self._comes("all goes dark", at)

    def _stop(self, _: dict[str, Any]) -> dict[str, Any]:
        self._node.stop()
        return self._now("stops now: all fade within a second")

    def _take_back(self, _: dict[str, Any]) -> dict[str, Any]:
        led = self._node.is_leading
        self._node.take_back()
        return self._now("leads already" if led else "leads from now on")

    def _withdraw(self, _: dict[str, Any]) -> dict[str, Any]:
        leader = self._node.leader
        before = len(leader.scheduled) + len(leader.waiting)
        self._node.withdraw()
        left = len(leader.scheduled) + len(leader.waiting)
        kept = "; what is announced already comes" if leader.scheduled else ""
        return self._now(f"withdrawn: {before - left} of {before} to come{kept}")

    def _status(self, _: dict[str, Any]) -> dict[str, Any]:
        leader = self._node.leader
        status = dict(self._asked(self._node.clock()))
        cue = leader.cue
        said = f"{leader.settings.name}, {leader.role.value}, {self._node.group}: {cue.state.name.lower()}"
        if cue.show and cue.state is not CueState.DARK:
            position_ns = status.get("position_ns")
            where = "" if position_ns is None else f" at {position_in_words(max(position_ns, 0))}"
            said += f" {self._name(cue)}{where}"
        about = {"name": leader.settings.name, "group": self._node.group, **status}
        return {**self._now(said), "status": about}

    # -- answers ---------------------------------------------------------------------------------------------------

    def _name(self, cue: Cue) -> str:
        return self._shows.get(cue.show, f"{cue.show:016x}")

    def _now(self, said: str) -> dict[str, Any]:
        return {"accepted": True, "said": said, "in_ns": 0, "at_utc": _utc(self._wall_clock())}

    def _comes(self, said: str, at: int) -> dict[str, Any]:
        """Answer that something comes at ``at`` on this host's clock."""
        in_ns = max(at - self._node.clock(), 0)
        when = self._wall_clock() + datetime.timedelta(microseconds=in_ns // MICROSECOND)
        said = f"{said} in {in_ns / SECOND:.1f} s, at {when:%H:%M:%S}"
        if self._node.role in (Role.STANDBY, Role.ASKING):
            said += ", if this node leads by then: another leads now"
        elif self._node.role is Role.LISTENING:
            said += ", unless another leads: this node still listens"
        return {"accepted": True, "said": said, "in_ns": in_ns, "at_utc": _utc(when)}


def _text(request: dict[str, Any], field: str, otherwise: str | None = None) -> str:
    value = request.get(field, otherwise)
    if not isinstance(value, str) or (not value and otherwise is None):
        raise ConfigurationError(field, value, "a name")
    return value


def _utc(wall_at: datetime.datetime) -> str:
    return wall_at.astimezone(datetime.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
