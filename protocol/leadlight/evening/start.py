"""When the one show of a leader begins, by the wall clock, and where in it we are if it is under way.

A leader keeps nothing on disk. What lets one that is started again go on with its show is that the same words mean the
same instant. A time of day does, while the show it began lasts, and seconds from now do not.
"""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass
from typing import Final

from leadlight.cue import START, Cue, ShowLine, dark_cue
from leadlight.errors import ConfigurationError
from leadlight.evening.running_order import span_ns
from leadlight.leader import Leader
from leadlight.terms import CueState
from leadlight.units import HOUR, MICROSECOND, MINUTE, SECOND, LeaderInstant, LocalInstant, ShowPosition, seconds

ASSUMED_LENGTH_NS: Final = HOUR
"""How long a show of unknown length is taken to last: later than this, its time of day means the next such time."""

_ALLOWED: Final = "HH:MM, HH:MM:SS or +SECONDS"
_TIME_OF_DAY: Final = re.compile(r"[0-9]{2}:[0-9]{2}(:[0-9]{2})?")
_DAY: Final = datetime.timedelta(days=1)


@dataclass(frozen=True, slots=True)
class ShowStart:
    """When a show begins: ``at``, ``wait_ns`` after the wall clock showed ``read_at``; below 0 it is under way.

    ``is_repeatable``: whether the same words, given again while the show lasts, mean the same instant.
    ``length_ns``: how long it lasts, ``None`` if unknown.
    """

    at: datetime.datetime
    wait_ns: int
    read_at: datetime.datetime
    is_repeatable: bool = False
    length_ns: int | None = None

    def give(self, leader: Leader, show: int, now: LocalInstant, dark_after_ns: int | None = None) -> None:
        """Have ``leader`` roll the show of this key from its beginning, or from where it is at ``now``.

        ``now`` is what this host's clock showed at ``read_at``. ``dark_after_ns`` after its beginning it goes dark.
        """
        begins_at = LeaderInstant(now + self.wait_ns)
        if self.wait_ns < 0:
            # Its line is drawn through now: this host's clock may not go back to when it began.
            line = ShowLine(LeaderInstant(now), ShowPosition(-self.wait_ns))
            leader.resume_line(Cue(show, CueState.ROLLING, line), now)
        else:
            leader.schedule(Cue(show, CueState.ROLLING, ShowLine(begins_at, START)))
        if dark_after_ns is not None:
            leader.schedule(dark_cue(LeaderInstant(begins_at + dark_after_ns)))

    def told(self, show: str) -> str:
        """Say it, and what a restart will make of it, in a line."""
        clock = f"{self.at:%H:%M:%S}"
        if self.wait_ns < 0:
            said = f"{show} began at {clock} and resumes at {position_in_words(-self.wait_ns)}"
        else:
            days = (self.at.date() - self.read_at.date()).days
            said = f"{show} begins {'tomorrow ' if days else 'at '}{clock}, in {wait_in_words(self.wait_ns)}"
        if not self.is_repeatable:
            return f"{said}; a restart begins it anew, unless --show-at gives a time of day"
        if self.length_ns is None and (self.wait_ns < 0 or self.at.date() != self.read_at.date()):
            length = wait_in_words(ASSUMED_LENGTH_NS)
            return f"{said}; taken to last {length}, as neither --duration nor --manifest says how long"
        return said


def show_start(
    when: str | None,
    wall_now: datetime.datetime,
    lead_time_ns: int,
    length_ns: int | None = None,
    zone: datetime.tzinfo | None = None,
) -> ShowStart:
    """Return when a show begins that is to begin at ``when``, told at ``wall_now``.

    ``when``: ``HH:MM`` or ``HH:MM:SS``, the latest such time while the show it began lasts, and else the next; or
    ``+SECONDS`` from now; ``None``: one lead time from now. ``length_ns``: how long it lasts, an hour if ``None``.
    ``zone``: whose time of day it is, by default this host's.

    Raises ``ConfigurationError`` for anything else.
    """
    here = wall_now.astimezone(zone)
    if when is None or when.startswith("+"):
        try:
            wait_ns = lead_time_ns if when is None else seconds(float(when), field="--show-at")
            at = here + datetime.timedelta(microseconds=wait_ns // MICROSECOND)
        except (ValueError, OverflowError):
            raise ConfigurationError("--show-at", when, _ALLOWED) from None
        return ShowStart(at, wait_ns, here, length_ns=length_ns)
    if not _TIME_OF_DAY.fullmatch(when):
        raise ConfigurationError("--show-at", when, _ALLOWED)
    try:
        time_of_day = datetime.time.fromisoformat(when)
    except ValueError:
        raise ConfigurationError("--show-at", when, _ALLOWED) from None

    def on(day: datetime.date) -> datetime.datetime:
        # By the zone's own rules: the clocks may go forward or back before it begins.
        return datetime.datetime.combine(day, time_of_day, zone).astimezone(zone)

    def wait_until(at: datetime.datetime) -> int:
        return span_ns(here.astimezone(datetime.UTC), at.astimezone(datetime.UTC))

    today = here.date()
    days = [on(today - _DAY), on(today), on(today + _DAY)]
    at = max(day for day in days if wait_until(day) <= 0)
    if wait_until(at) + (ASSUMED_LENGTH_NS if length_ns is None else length_ns) <= 0:
        at = min(day for day in days if wait_until(day) > 0)
    return ShowStart(at, wait_until(at), here, is_repeatable=True, length_ns=length_ns)


def position_in_words(position_ns: int) -> str:
    """Return a position in a show as hours, minutes and seconds: ``"0:01:23"``."""
    whole = position_ns // SECOND
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def wait_in_words(wait_ns: int) -> str:
    """Return how long a wait is in its two largest units: ``"23 h 59 min"``, ``"2 min 5 s"``, ``"10 s"``."""
    if wait_ns >= HOUR:
        hours, rest_ns = divmod(wait_ns, HOUR)
        return f"{hours} h {rest_ns // MINUTE} min"
    if wait_ns >= MINUTE:
        return f"{wait_ns // MINUTE} min {wait_ns % MINUTE // SECOND} s"
    return f"{wait_ns / SECOND:.3g} s"
