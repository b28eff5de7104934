"""What a command shows of its node: rows for a table, a screen, and a status for scripts and the log book."""

from __future__ import annotations

import datetime
from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final, Protocol

from leadlight.commands.screen import InForce, Table, cue_lines, in_force, picture
from leadlight.commands.spool import Picture
from leadlight.commands.telling import (
    FOLLOWER_HEADER,
    FOLLOWER_NEWS,
    ROSTER_HEADER,
    ROSTER_NEWS,
    cue_as_json,
    follower_row,
    leader_doing,
    leader_rows,
    show_as_json,
)
from leadlight.commands.troubles import Health, Trouble, health, troubles_of, unheard_since
from leadlight.follower import Follower
from leadlight.leader import Leader, RosterEntry
from leadlight.terms import ClockState, ContentState
from leadlight.units import LeaderInstant, LocalInstant
from leadlight.wire import word

_ROSTER_GIVEN_UP: Final = ("trouble", "sent to", "show", "group loss", "late", "frame", "content", "cue", "bound")
"""Trouble is told above the table; the others go as a screen gets narrower."""
_ROSTER_USUAL: Final = (
    "", "999 s", "acquiring", "99.9 ms", "99.9%", "rolling", "", "other edition", "99999", "9999", "copies", ""
)  # fmt: skip
_FOLLOWER_USUAL: Final = ("", "acquiring", "-99.9 ms", "99.9 ms", "rolling", "", "99999", "99.9%")
_FOLLOWER_GIVEN_UP: Final = ("show", "cue", "group loss", "frame", "bound", "offset")


class View(Protocol):
    """What is shown of a node. Instants are its own clock's, and those of the wall at the same moment."""

    @property
    def header(self) -> Sequence[str]:
        """The names of the rows' columns."""

    @property
    def news(self) -> Sequence[int]:
        """The columns whose change is news."""

    def rows(self, now: LocalInstant) -> list[tuple[str, ...]]:
        """Return the table's rows."""

    def picture(self, now: LocalInstant, wall_now: datetime.datetime, size: tuple[int, int]) -> Picture:
        """Return the whole screen."""

    def status(self, now: LocalInstant) -> dict[str, Any]:
        """Return how things stand, as JSON takes it."""


class LeaderView:
    """A leader: ``shows`` gives names by key, ``lengths`` lengths in ns; ``expected`` are the followers' names."""

    header = ROSTER_HEADER
    news = ROSTER_NEWS

    def __init__(
        self,
        leader: Leader,
        group: str,
        shows: Mapping[int, str],
        lengths: Mapping[int, int],
        expected: Collection[str] = (),
    ) -> None:
        self._leader = leader
        self._group = group
        self._shows = shows
        self._lengths = lengths
        self._expected = expected

    def rows(self, now: LocalInstant) -> list[tuple[str, ...]]:
        """Return a row for each follower, those most in need of a look first."""
        return leader_rows(self._leader, now, self._shows)

    def picture(self, now: LocalInstant, wall_now: datetime.datetime, size: tuple[int, int]) -> Picture:
        """Return the whole screen."""
        leader = self._leader
        found = self._health(now)
        well = f"{found.well} of {found.expected} well" if leader.is_leading else word(leader.role)
        headline = f"{wall_now:%H:%M:%S}  {leader_doing(leader, self._group)}", well
        cue = cue_lines(self._in_force(now), self._shows, wall_now, size[0])
        table = Table(self.header, self.rows(now), _ROSTER_GIVEN_UP, _ROSTER_USUAL)
        return picture(headline, cue, found.troubles, table, size)

    def status(self, now: LocalInstant) -> dict[str, Any]:
        """Return what is in force, and how each follower is."""
        leader = self._leader
        found = self._health(now)
        since = unheard_since(leader, now)
        pieces = [
            _piece(entry, now, troubles_of(entry, since, leader.not_stopped), self._shows) for entry in leader.roster
        ]
        return {
            "role": word(leader.role),
            **_playing(self._in_force(now), self._shows),
            "followers": found.expected,
            "well": found.well,
            "troubles": {trouble.what: list(trouble.names) for trouble in found.troubles},
            "pieces": pieces,
        }

    def _health(self, now: LocalInstant) -> Health:
        # Who does not lead hears of nobody, and has nothing to say of anybody.
        return health(self._leader, now, self._expected) if self._leader.is_leading else Health(0, 0, ())

    def _in_force(self, now: LocalInstant) -> InForce:
        leader = self._leader
        leader_now = leader.leader_at(now)
        if not leader.scheduled and leader.waiting:
            # Its own, which comes once it leads, by this host's clock.
            first = leader.waiting[0]
            playing = in_force(leader.cue, None, leader_now, self._lengths)
            return playing._replace(next_cue=first, next_in_ns=first.line.leader_at - now)
        return in_force(leader.cue, next(iter(leader.scheduled), None), leader_now, self._lengths)


def _piece(entry: RosterEntry, now: LocalInstant, troubles: list[str], shows: Mapping[int, str]) -> dict[str, Any]:
    tally = entry.tally
    told: dict[str, Any] = {"name": entry.name, "heard_ns": now - entry.heard_at, "troubles": troubles}
    if tally is not None:
        told |= {
            "clock": word(tally.clock),
            "bound_ns": tally.bound_ns,
            "group_loss": tally.beacon_loss_permille / 1000,
            "state": word(tally.cue_state),
            **show_as_json(tally.show, shows),
            "content": word(tally.content),
            "frame": tally.frame,
            "late_frames": tally.late_frames,
        }
    return told


def _playing(playing: InForce, shows: Mapping[int, str]) -> dict[str, Any]:
    return {
        "cue": cue_as_json(playing.cue, shows),
        "position_ns": playing.position_ns,
        "remaining_ns": playing.remaining_ns,
        "next_cue": None if playing.next_cue is None else cue_as_json(playing.next_cue, shows),
        "next_in_ns": playing.next_in_ns,
    }


class FollowerView:
    """A follower, called ``name``; the rest as for a leader."""

    header = FOLLOWER_HEADER
    news = FOLLOWER_NEWS

    def __init__(self, follower: Follower, group: str, shows: Mapping[int, str], lengths: Mapping[int, int]) -> None:
        self._follower = follower
        self._name = follower.settings.name
        self._group = group
        self._shows = shows
        self._lengths = lengths

    def rows(self, now: LocalInstant) -> list[tuple[str, ...]]:
        """Return its one row."""
        return [follower_row(self._name, self._follower.snapshot(now), self._shows)]

    def picture(self, now: LocalInstant, wall_now: datetime.datetime, size: tuple[int, int]) -> Picture:
        """Return the whole screen."""
        doing = "follows" if self._follower.tenure is not None else "hears no leader of"
        headline = f"{wall_now:%H:%M:%S}  {self._name} {doing} {self._group}", word(self._follower.clock.state)
        cue = cue_lines(self._in_force(now), self._shows, wall_now, size[0])
        table = Table(self.header, self.rows(now), _FOLLOWER_GIVEN_UP, _FOLLOWER_USUAL)
        return picture(headline, cue, self._troubles(now), table, size)

    def status(self, now: LocalInstant) -> dict[str, Any]:
        """Return what is in force, and how well this node knows it."""
        seen = self._follower.snapshot(now)
        return {
            "clock": word(seen.clock),
            "offset_ns": seen.offset_ns,
            "bound_ns": seen.bounds.statistical_ns,
            **_playing(self._in_force(now), self._shows),
            "frame": seen.frame,
            "group_loss": round(seen.beacon_loss, 3),
            "beacon_age_ns": seen.beacon_age_ns,
            "late_frames": seen.late_frames,
            "refused": seen.refused,
            "troubles": {trouble.what: list(trouble.names) for trouble in self._troubles(now)},
        }

    def _in_force(self, now: LocalInstant) -> InForce:
        follower = self._follower
        served = follower.clock.served
        leader_now: LeaderInstant | None = None if served is None else served.leader_at(now)
        return in_force(follower.cue, follower.next_cue, leader_now, self._lengths)

    def _troubles(self, now: LocalInstant) -> list[Trouble]:
        follower = self._follower
        show = self._shows.get(follower.cue.show, f"{follower.cue.show:016x}")
        content = follower.library.state_of(follower.cue.show)
        found = [
            (
                follower.clock.state is ClockState.HOLDOVER,
                Trouble("no beacons", (self._group,), "does its leader run, and is the reception good here?"),
            ),
            (
                content in (ContentState.MISSING, ContentState.OTHER_EDITION),
                Trouble(f"{word(content)} here", (show,), "--show and --edition, or --manifest, say what is held"),
            ),
            (
                follower.live_data_at(now),
                Trouble("live data as well", (self._name,), "let one of the two drive its pixels"),
            ),
        ]
        return [trouble for is_so, trouble in found if is_so]
