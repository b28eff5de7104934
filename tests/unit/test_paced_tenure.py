"""A tenure whose show follows the music, by hand-stepped time."""

from __future__ import annotations

from itertools import pairwise
from random import Random
from typing import Any

import pytest

from leadlight.cue import START, Cue, ShowLine, show_key
from leadlight.errors import ConfigurationError
from leadlight.events import MediaJumped
from leadlight.leader.leader import Leader
from leadlight.leader.settings import LeaderSettings
from leadlight.terms import CueState, MusicChange
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon

CODEC = Codec("Quarry Lake")
TIDEFALL = show_key("Tidefall")
BEGINS = LocalInstant(1_000 * SECOND)
LATENCY = 80 * MILLISECOND
FAST_PPM = 80
ROUNDING_NS = 1
"""A line is floored to whole nanoseconds; drawn from another of its points it may be floored the other way."""


def at(seconds: float) -> LocalInstant:
    return LocalInstant(BEGINS + round(seconds * SECOND))


class Boathouse:
    """A leader whose show began at ``BEGINS``, and a player whose second is ``FAST_PPM`` short."""

    def __init__(self, **settings: Any) -> None:
        plain: dict[str, Any] = {"name": "boathouse", "listen_intervals": 0}
        self.leader = Leader(LeaderSettings(**(plain | settings)), CODEC, Random(4), at(-1))
        self.leader.schedule(Cue(TIDEFALL, CueState.ROLLING, ShowLine(LeaderInstant(BEGINS), START)))
        self.beacons: list[tuple[LocalInstant, Beacon]] = []
        self.step(at(0))

    def step(self, now: LocalInstant) -> None:
        self.leader.handle_timer(now)
        for data, _ in self.leader.datagrams_to_send(now):
            message = CODEC.decode(data)
            assert isinstance(message, Beacon)
            self.beacons.append((now, message))

    def run(self, until: LocalInstant) -> None:
        while (due := self.leader.next_timer()) is not None and due <= until:
            self.step(due)

    @staticmethod
    def heard(now: LocalInstant) -> ShowPosition:
        return ShowPosition(round((now - BEGINS) * (1 + FAST_PPM * 1e-6)))

    def play(self, since: float, until: float, shift_ns: int = 0) -> None:
        """Let the player report every quarter of a second."""
        for quarter in range(round(since * 4), round(until * 4)):
            now = at(quarter / 4)
            self.run(now)
            self.leader.report_media(ShowPosition(self.heard(now) + shift_ns + LATENCY), LATENCY, now)

    def jumps(self) -> list[MediaJumped]:
        told: list[MediaJumped] = []
        while (event := self.leader.next_event()) is not None:
            if isinstance(event, MediaJumped):
                told.append(event)
        return told


def distance(lead: Boathouse, seconds: float) -> int:
    return lead.heard(at(seconds)) - lead.leader.cue.position_at(LeaderInstant(at(seconds)))


def test_the_show_in_force_follows_the_music() -> None:
    paced, left_alone = Boathouse(), Boathouse()
    paced.play(0, 180)
    left_alone.run(at(180))
    assert distance(left_alone, 180) == 180 * FAST_PPM * 1000
    # The pacer's own promise, with whole reports and no jitter: it closes on the music within its noise floor.
    assert abs(distance(paced, 180)) < MILLISECOND
    assert paced.leader.cue.line.rate_ppb == pytest.approx(FAST_PPM * 1000, abs=2000)


@pytest.mark.parametrize("interval_ms", [50, 250, 1000, 4000])
def test_it_follows_whatever_the_beacon_interval(interval_ms: int) -> None:
    lead = Boathouse(interval_ns=interval_ms * MILLISECOND)
    lead.play(0, 240)
    assert abs(distance(lead, 240)) < 2 * MILLISECOND


def test_beacons_tell_of_the_music_at_their_own_times_and_without_a_seam() -> None:
    paced, left_alone = Boathouse(), Boathouse()
    paced.play(0, 120)
    paced.run(at(120))
    left_alone.run(at(120))
    assert [sent for sent, _ in paced.beacons] == [sent for sent, _ in left_alone.beacons]
    lines = [(LeaderInstant(sent), beacon.cue.line) for sent, beacon in paced.beacons if sent >= BEGINS]
    changed = 0
    for (_, before), (now, after) in pairwise(lines):
        if before != after:
            changed += 1
            assert abs(after.position_at(now) - before.position_at(now)) <= ROUNDING_NS
    assert changed > 10


def test_a_paced_line_is_drawn_from_where_its_cue_took_effect() -> None:
    """Stops and off times are told to be earlier or later than a cue by its instant, which pacing must not move."""
    lead = Boathouse()
    lead.play(0, 300)
    line = lead.leader.cue.line
    # Fast music has a negative position before the beginning, which no beacon can carry: the point is just after.
    most_ahead_ns = 300 * FAST_PPM * 1000
    assert 0 <= line.leader_at - BEGINS <= 2 * most_ahead_ns
    assert 0 <= line.position <= 2 * most_ahead_ns


def test_music_that_jumps_is_told_once_and_not_chased_until_a_cue_rolls_anew() -> None:
    lead = Boathouse()
    lead.play(0, 20)
    line = lead.leader.cue.line
    lead.play(20, 30, shift_ns=2 * SECOND)
    (jump,) = lead.jumps()
    assert jump.distance_ns == pytest.approx(2 * SECOND, abs=2 * MILLISECOND)
    assert jump.what is MusicChange.SOUGHT
    assert lead.leader.cue.line == line
    rolls = lead.leader.roll(TIDEFALL, at(30), ShowPosition(34 * SECOND))
    lead.play(30, 60, shift_ns=2 * SECOND)
    assert lead.jumps() == []
    assert lead.leader.cue.line.leader_at >= rolls.line.leader_at


def test_nothing_is_paced_while_the_show_does_not_roll() -> None:
    lead = Boathouse()
    lead.play(0, 10)
    lead.leader.pause(at(10))
    lead.run(at(13))
    paused = lead.leader.cue
    assert paused.state is CueState.PAUSED
    lead.play(13, 30)
    assert lead.leader.cue == paused
    assert lead.jumps() == []


def test_a_standby_counts_no_reports() -> None:
    listening = Leader(LeaderSettings("gatehouse"), CODEC, Random(1), at(0))
    listening.report_media(ShowPosition(0), SECOND, at(1))
    assert listening.next_event() is None


def test_a_latency_that_cannot_be_is_refused() -> None:
    with pytest.raises(ConfigurationError, match="0 to 10 s"):
        Boathouse().leader.report_media(START, 11 * SECOND, at(1))


def test_what_is_withdrawn_never_rolls_but_what_was_announced_does() -> None:
    lead = Boathouse()
    announced, later = (
        Cue(show_key(name), CueState.ROLLING, ShowLine(LeaderInstant(at(seconds)), START))
        for name, seconds in (("Night Ferry", 6), ("Embers", 60))
    )
    lead.leader.schedule(announced)
    lead.leader.schedule(later)
    lead.run(at(5))
    lead.leader.withdraw()
    lead.run(at(70))
    assert lead.leader.cue == announced
