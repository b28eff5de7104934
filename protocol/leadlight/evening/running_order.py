"""The running order: which shows play when on which evenings, by the wall clock of one place.

A running order is a TOML file::

    running_order = 1
    timezone = "Europe/Berlin"

    [[evenings]]
    days = ["friday", "saturday"]           # every day where left out
    starts = ["17:00", "19:30"]
    repeat_until = "21:30"                  # where left out, the shows play once from each start
    off = "22:00"                           # everything is dark from here on, whatever else was told
    gap = 20                                # seconds of dark after each show; none where left out
    shows = ["Tidefall", "Night Ferry", { show = "Embers", gap = 60 }]

An evening belongs to the day of its first start; an earlier time of day than that one lies after midnight. From each
start the shows play in order, over and over where ``repeat_until`` says so: no show begins at or after it. No show
begins that could not end by the next start and by ``off``, so none is ever cut by plan.

Local times at a change of the clocks follow one rule, which keeps their order. A time that comes twice means its first
coming, and a time that is skipped means the instant at which the clocks jump.

Nothing here reads a clock: every function is given the instant.
"""

from __future__ import annotations

import re
import tomllib
import zoneinfo
from bisect import bisect_left
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final, NamedTuple

from leadlight.cue import NO_SHOW, START, Cue, ShowLine
from leadlight.errors import ConfigurationError
from leadlight.evening.manifest import check_keys
from leadlight.terms import CueState
from leadlight.units import MICROSECOND, SECOND, LeaderInstant, ShowPosition, seconds

RUNNING_ORDER_VERSION: Final = 1
DAYS: Final = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
SHOW_MINIMUM_NS: Final = SECOND
"""A running order of shorter shows would be a flicker, and endless to plan."""
GAP_MAXIMUM_SECONDS: Final = 6 * 3600.0

_DAY_SECONDS: Final = 86_400
_WEEK_SECONDS: Final = 7 * _DAY_SECONDS
_DAYS_BACK: Final = 2
"""An evening lasts a day at most, which a change of the clocks may lengthen: two days back hold all that can still be
going on."""
_DAYS_AHEAD: Final = 15
"""A week without an evening is impossible, and a zone that moves across the date line skips one day."""
_TIME = re.compile(r"([01]\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?", re.ASCII)
_MICROSECOND: Final = timedelta(microseconds=1)


class PlannedShow(NamedTuple):
    """One playing of a show: its id and the instants, in UTC, at which it begins and ends."""

    show: str
    begins_at: datetime
    ends_at: datetime


class PlannedCue(NamedTuple):
    """A change: from ``at``, in UTC, a show's id rolls, or ``None``: dark."""

    at: datetime
    show: str | None

    def cue(self, keys: Mapping[str, int], wall_now: datetime, leader_now: LeaderInstant) -> Cue:
        """Return this as a cue on the leader's clock, which shows ``leader_now`` at ``wall_now``.

        ``keys`` gives each show's key by its id. One that began already has its line well under way.
        """
        at = max(self.at, wall_now)
        leader_at = leader_instant(at, wall_now, leader_now)
        if self.show is None:
            return Cue(NO_SHOW, CueState.DARK, ShowLine(leader_at, START))
        return Cue(keys[self.show], CueState.ROLLING, ShowLine(leader_at, ShowPosition(span_ns(self.at, at))))


class InForce(NamedTuple):
    """The show that should be playing, and where in it we should be."""

    planned: PlannedShow
    position: ShowPosition

    @property
    def show(self) -> str:
        """The show's id."""
        return self.planned.show


class Run(NamedTuple):
    """What plays from one start: the local time asked for, its instant in UTC, and the shows."""

    start: datetime
    begins_at: datetime
    shows: tuple[PlannedShow, ...]


class Evening(NamedTuple):
    """One evening in UTC; ``day`` is the local date of its first start."""

    day: date
    begins_at: datetime
    off_at: datetime
    runs: tuple[Run, ...]

    @property
    def shows(self) -> tuple[PlannedShow, ...]:
        """All playings, in order."""
        return tuple(show for run in self.runs for show in run.shows)

    def cues(self) -> list[PlannedCue]:
        """Return the evening's changes in order: each show's beginning, and dark wherever none follows at once."""
        shows = self.shows
        cues: list[PlannedCue] = []
        for index, planned in enumerate(shows):
            cues.append(PlannedCue(planned.begins_at, planned.show))
            if index + 1 == len(shows) or shows[index + 1].begins_at > planned.ends_at:
                cues.append(PlannedCue(planned.ends_at, None))
        return cues


@dataclass(frozen=True, slots=True)
class Turn:
    """A show's place in the order: its id, its length, and how long it is dark after it."""

    show: str
    length_ns: int
    gap_ns: int


@dataclass(frozen=True, slots=True)
class EveningPlan:
    """What holds for every evening on certain days of the week, 0 for Monday.

    Times are local, counted from the midnight with which the evening's day begins; those past 24 h are of the next day.
    """

    days: frozenset[int]
    starts: tuple[timedelta, ...]
    repeat_until: timedelta | None
    off: timedelta
    turns: tuple[Turn, ...]

    def on(self, day: date, zone: zoneinfo.ZoneInfo) -> Evening:
        """Return the evening that begins on ``day``."""
        midnight = datetime.combine(day, time())
        starts = [instant_of(midnight + start, zone) for start in self.starts]
        off_at = instant_of(midnight + self.off, zone)
        last_at = None if self.repeat_until is None else instant_of(midnight + self.repeat_until, zone)
        runs = tuple(
            Run(midnight + start, begins_at, tuple(self._run(begins_at, until, last_at)))
            for start, begins_at, until in zip(self.starts, starts, [*starts[1:], off_at], strict=True)
        )
        return Evening(day, starts[0], off_at, runs)

    def _run(self, begins_at: datetime, until: datetime, last_at: datetime | None) -> Iterator[PlannedShow]:
        elapsed_ns = 0  # summed exactly; only what is told is rounded to the microseconds of a datetime
        while True:
            for turn in self.turns:
                at = begins_at + _whole_microseconds(elapsed_ns)
                ends_at = begins_at + _whole_microseconds(elapsed_ns + turn.length_ns)
                if ends_at > until or (last_at is not None and at >= last_at):
                    return
                yield PlannedShow(turn.show, at, ends_at)
                elapsed_ns += turn.length_ns + turn.gap_ns
            if last_at is None:
                return


@dataclass(frozen=True, slots=True)
class RunningOrder:
    """The plans of all evenings, in one place's time."""

    zone: zoneinfo.ZoneInfo
    plans: tuple[EveningPlan, ...]

    def evenings(self, first: date, last: date) -> list[Evening]:
        """Return the evenings that begin from ``first`` to ``last``, in order."""
        found: list[Evening] = []
        for ordinal in range(first.toordinal(), last.toordinal() + 1):
            day = date.fromordinal(ordinal)
            found += [plan.on(day, self.zone) for plan in self.plans if day.weekday() in plan.days]
        return sorted(found, key=lambda evening: evening.begins_at)

    def evening(self, day: date) -> list[PlannedCue]:
        """Return all changes of the evening, or evenings, that begin on a day; empty if there is none."""
        return [cue for evening in self.evenings(day, day) for cue in evening.cues()]

    def cues_between(self, since: datetime, until: datetime) -> list[PlannedCue]:
        """Return the changes from ``since`` up to but not at ``until``, in order."""
        first = self._day_of(since) - timedelta(days=_DAYS_BACK)
        last = self._day_of(until) + timedelta(days=1)
        evenings = self.evenings(first, last)
        return [cue for evening in evenings for cue in evening.cues() if since <= cue.at < until]

    def in_force(self, now: datetime) -> InForce | None:
        """Return the show that should be playing and the position in it, or ``None`` where it should be dark.

        The same instant gives the same position, so that a leader that comes back in the middle of a show resumes the
        line it would have kept.
        """
        for planned in self._going_on(now):
            if planned.begins_at <= now < planned.ends_at:
                return InForce(planned, ShowPosition(span_ns(planned.begins_at, now)))
        return None

    def cue_in_force(self, keys: Mapping[str, int], wall_now: datetime, leader_now: LeaderInstant) -> Cue | None:
        """Return ``in_force`` as a cue on the leader's clock, which shows ``leader_now`` at ``wall_now``."""
        found = self.in_force(wall_now)
        if found is None:
            return None
        return PlannedCue(found.planned.begins_at, found.show).cue(keys, wall_now, leader_now)

    def off_at(self, now: datetime) -> datetime:
        """Return the first off time after ``now``, in UTC: of the evening going on, or of the next one."""
        first = self._day_of(now)
        evenings = self.evenings(first - timedelta(days=_DAYS_BACK), first + timedelta(days=_DAYS_AHEAD))
        return min(evening.off_at for evening in evenings if evening.off_at > now)

    def preview(self, now: datetime, nights: int = 7) -> list[str]:
        """Return lines for people: what plays on the next nights, in local time, the one going on among them."""
        first = self._day_of(now)
        before = self.evenings(first - timedelta(days=_DAYS_BACK), first - timedelta(days=1))
        first = min([evening.day for evening in before if evening.off_at > now], default=first)
        lines: list[str] = []
        for ordinal in range(first.toordinal(), first.toordinal() + nights):
            lines += self._night(date.fromordinal(ordinal), now)
        return lines

    def _night(self, day: date, now: datetime) -> list[str]:
        name = f"{DAYS[day.weekday()][:3].capitalize()} {day.isoformat()}"
        lines = [f"{name}  {self._change_of_clocks(day)}"] if self._change_of_clocks(day) else []
        evenings = self.evenings(day, day)
        if not evenings:
            lines.append(f"{name}  no shows")
        for evening in evenings:
            over = ", over" if evening.off_at <= now else ""
            lines.append(f"{name}  {self._told(evening.begins_at)} to {self._told(evening.off_at)}{over}")
            lines += [f"  {self._run_told(run)}" for run in evening.runs]
        return lines

    def _run_told(self, run: Run) -> str:
        local = run.begins_at.astimezone(self.zone).replace(tzinfo=None)
        asked = "" if local == run.start else f" ({_clock(run.start)} is skipped by the clocks)"
        begins = self._told(run.begins_at) + asked
        if not run.shows:
            return f"{begins}  nothing fits"
        once = list(dict.fromkeys(planned.show for planned in run.shows))
        count = len(run.shows)
        ends = self._told(run.shows[-1].ends_at)
        return f"{begins}  {', '.join(once)}: {count} {'show' if count == 1 else 'shows'}, the last ends {ends}"

    def _change_of_clocks(self, day: date) -> str:
        noons = [datetime.combine(day + timedelta(days=days), time(12), self.zone).utcoffset() for days in (0, 1)]
        before, after = (timedelta() if offset is None else offset for offset in noons)
        if before == after:
            return ""
        minutes = abs(after - before) // timedelta(minutes=1)
        return f"the clocks go {'forward' if after > before else 'back'} by {minutes} min in this night"

    def _told(self, at: datetime) -> str:
        local = at.astimezone(self.zone)
        return f"{_clock(local)} {local.tzname()}"

    def _day_of(self, now: datetime) -> date:
        if now.tzinfo is None:
            raise ConfigurationError("now", now.isoformat(), "an instant with its time zone")
        return now.astimezone(self.zone).date()

    def _going_on(self, now: datetime) -> Iterator[PlannedShow]:
        day = self._day_of(now)
        for evening in self.evenings(day - timedelta(days=_DAYS_BACK), day + timedelta(days=1)):
            if evening.begins_at <= now < evening.off_at:
                yield from evening.shows


def instant_of(local: datetime, zone: zoneinfo.ZoneInfo) -> datetime:
    """Return the instant, in UTC, at which the clocks of a zone show the whole second ``local``.

    A time that comes twice means its first coming; one that is skipped means the instant of the jump.
    """
    before_jump = local.replace(tzinfo=zone, fold=0).astimezone(UTC)
    if before_jump.astimezone(zone).replace(tzinfo=None) == local:
        return before_jump
    # Read by the offset from before the jump, a skipped time lies at or after it; by the one from after, before it.
    earlier = local.replace(tzinfo=zone, fold=1).astimezone(UTC)
    offset_after = before_jump.astimezone(zone).utcoffset()

    def has_jumped(after_seconds: int) -> bool:
        return (earlier + timedelta(seconds=after_seconds)).astimezone(zone).utcoffset() == offset_after

    gap_seconds = (before_jump - earlier) // timedelta(seconds=1)
    return earlier + timedelta(seconds=bisect_left(range(gap_seconds), True, key=has_jumped))


def leader_instant(at: datetime, wall_now: datetime, leader_now: LeaderInstant) -> LeaderInstant:
    """Return the leader instant of a wall-clock instant; the leader's clock shows ``leader_now`` at ``wall_now``."""
    return LeaderInstant(leader_now + span_ns(wall_now, at))


def span_ns(since: datetime, until: datetime) -> int:
    """Return from one instant to another, in ns."""
    return (until - since) // _MICROSECOND * MICROSECOND


def _whole_microseconds(duration_ns: int) -> timedelta:
    return timedelta(microseconds=duration_ns // MICROSECOND)


def _clock(at: datetime) -> str:
    return at.strftime("%H:%M" if at.second == 0 else "%H:%M:%S")


# -- reading the file --------------------------------------------------------------------------------------------


def parse_running_order(text: str, lengths: Mapping[str, int], source: str = "running order") -> RunningOrder:
    """Return the running order in ``text``; ``source`` names it in errors.

    ``lengths`` gives the length of every known show in nanoseconds by its id, as a manifest does.

    Raises ``ConfigurationError`` naming source, key path, value and what is allowed, for anything that is not exactly
    such a file: unknown keys and shows, and evenings that overlap.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigurationError(source, "its text", f"TOML ({error})") from None
    # The version comes first: what else may stand here depends on it.
    version = table.get("running_order")
    if version != RUNNING_ORDER_VERSION or type(version) is not int:
        raise ConfigurationError(f"{source}: running_order", version, f"version {RUNNING_ORDER_VERSION}")
    check_keys(table, source, {"running_order", "timezone", "evenings"}, required={"timezone", "evenings"})
    zone = _zone(table["timezone"], f"{source}: timezone")
    evenings = table["evenings"]
    if not isinstance(evenings, list) or not evenings:
        raise ConfigurationError(f"{source}: evenings", evenings, "at least one table [[evenings]]")
    plans = tuple(_plan(evening, f"{source}: evenings[{index}]", lengths) for index, evening in enumerate(evenings))
    _refuse_overlaps(plans, source)
    return RunningOrder(zone, plans)


def _zone(value: object, path: str) -> zoneinfo.ZoneInfo:
    allowed = "a name from the IANA time zone database, such as 'Europe/Berlin'"
    if not isinstance(value, str) or not value:
        raise ConfigurationError(path, value, allowed)
    try:
        return zoneinfo.ZoneInfo(value)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        if not zoneinfo.available_timezones():
            allowed = "any, once this system has time zone data: pip install tzdata"
        raise ConfigurationError(path, value, allowed) from None


def _plan(value: object, path: str, lengths: Mapping[str, int]) -> EveningPlan:
    required = {"starts", "off", "shows"}
    if not isinstance(value, dict):
        raise ConfigurationError(path, value, "a table")
    check_keys(value, path, {"days", "starts", "repeat_until", "off", "gap", "shows"}, required=required)
    starts = _starts(value["starts"], f"{path}.starts")
    off = _time(value["off"], f"{path}.off", starts[0])
    if off <= starts[-1]:
        raise ConfigurationError(f"{path}.off", value["off"], "a time after the last start")
    repeat_until = None
    if "repeat_until" in value:
        repeat_until = _time(value["repeat_until"], f"{path}.repeat_until", starts[0])
        if not starts[-1] < repeat_until <= off:
            raise ConfigurationError(
                f"{path}.repeat_until", value["repeat_until"], "a time after the last start and not after off"
            )
    gap_ns = _gap(value.get("gap", 0), f"{path}.gap")
    shows = value["shows"]
    if not isinstance(shows, list) or not shows:
        raise ConfigurationError(f"{path}.shows", shows, "a list of at least one show")
    turns = tuple(_turn(show, f"{path}.shows[{index}]", lengths, gap_ns) for index, show in enumerate(shows))
    return EveningPlan(_days(value.get("days", list(DAYS)), f"{path}.days"), starts, repeat_until, off, turns)


def _days(value: object, path: str) -> frozenset[int]:
    if not isinstance(value, list) or not value:
        raise ConfigurationError(path, value, "a list of at least one day")
    for day in value:
        if day not in DAYS:
            raise ConfigurationError(path, day, ", ".join(DAYS))
    return frozenset(DAYS.index(day) for day in value)


def _starts(value: object, path: str) -> tuple[timedelta, ...]:
    if not isinstance(value, list) or not value:
        raise ConfigurationError(path, value, "a list of at least one time of day")
    starts: list[timedelta] = []
    for index, text in enumerate(value):
        start = _time(text, f"{path}[{index}]", starts[0] if starts else None)
        if starts and start <= starts[-1]:
            raise ConfigurationError(f"{path}[{index}]", text, "a time after the start before it")
        starts.append(start)
    return tuple(starts)


def _time(value: object, path: str, first: timedelta | None) -> timedelta:
    match = _TIME.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        raise ConfigurationError(path, str(value), "a time of day in quotes, 'HH:MM' or 'HH:MM:SS'")
    hours, minutes, whole_seconds = (int(digits or 0) for digits in match.groups())
    of_day = timedelta(hours=hours, minutes=minutes, seconds=whole_seconds)
    return of_day if first is None or of_day > first else of_day + timedelta(days=1)


def _gap(value: Any, path: str) -> int:
    if type(value) not in (int, float) or not 0 <= value <= GAP_MAXIMUM_SECONDS:
        raise ConfigurationError(path, value, f"seconds, 0 to {GAP_MAXIMUM_SECONDS:g}")
    return seconds(value, field=path)


def _turn(value: object, path: str, lengths: Mapping[str, int], gap_ns: int) -> Turn:
    if isinstance(value, dict):
        check_keys(value, path, {"show", "gap"}, required={"show"})
        show = value["show"]
        if "gap" in value:
            gap_ns = _gap(value["gap"], f"{path}.gap")
    else:
        show = value
    if not isinstance(show, str) or show not in lengths:
        raise ConfigurationError(path, show, f"a show that is known: {', '.join(sorted(lengths))}")
    if lengths[show] < SHOW_MINIMUM_NS:
        raise ConfigurationError(path, show, "a show of at least 1 s")
    return Turn(show, lengths[show], gap_ns)


def _refuse_overlaps(plans: tuple[EveningPlan, ...], source: str) -> None:
    spans = sorted(
        (day * _DAY_SECONDS + plan.starts[0] // timedelta(seconds=1), (plan.off - plan.starts[0]), index)
        for index, plan in enumerate(plans)
        for day in plan.days
    )
    for number, (begins, lasts, index) in enumerate(spans):
        next_begins, _, other = spans[(number + 1) % len(spans)]
        # The last one of the week is followed by the first one of the next; a single one by itself a week on.
        wait_seconds = (next_begins - begins) % _WEEK_SECONDS
        if number + 1 == len(spans) and wait_seconds == 0:
            wait_seconds = _WEEK_SECONDS
        if lasts > timedelta(seconds=wait_seconds):
            raise ConfigurationError(
                f"{source}: evenings[{index}].off",
                _clock(datetime.combine(date.min, time()) + plans[index].off),
                f"a time by which evenings[{other}] of the same or the next day has not begun",
            )
