"""A leader in a thread whose show follows what a player reports."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import Any

import pytest

from leadlight.cue import FrameRate
from leadlight.events import CueAdopted, CueTookEffect, Event, LeaderFound, MediaJumped, RoleChanged
from leadlight.follower.settings import FollowerSettings
from leadlight.leader.settings import LeaderSettings
from leadlight.net.thread import FollowerThread, LeaderThread
from leadlight.playback.content import StoredShow
from leadlight.terms import CueState, MusicChange
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, ShowPosition

INTERFACE = "127.0.0.1"
TIDEFALL = StoredShow("Tidefall", FrameRate(40), frame_count=7680)
LATENCY_NS = 80 * MILLISECOND
PATIENCE_SECONDS = 10
"""For a busy machine; healthy runs need a tenth of it."""

pytestmark = pytest.mark.slow


class Told:
    """What a node in a thread has told."""

    def __init__(self) -> None:
        self._events: queue.Queue[Event] = queue.Queue()
        self.put: Callable[[Any], None] = self._events.put

    def wait_for(self, wanted: type[Event]) -> Event:
        while True:
            event = self._events.get(timeout=PATIENCE_SECONDS)
            if isinstance(event, wanted):
                return event


def test_music_that_jumps_is_told_and_followed_once_its_owner_cues_anew(group: str, port: int) -> None:
    at_desk, at_jetty = Told(), Told()
    where: dict[str, Any] = {"group": group, "port": port, "interface": INTERFACE}
    settings = LeaderSettings(
        "boathouse", interval_ns=50 * MILLISECOND, lead_time_ns=200 * MILLISECOND, listen_intervals=0
    )
    jetty = FollowerThread(FollowerSettings("jetty"), shows=[TIDEFALL], on_event=at_jetty.put, **where)
    with LeaderThread(settings, on_event=at_desk.put, **where) as desk, jetty as piece:
        at_jetty.wait_for(LeaderFound)
        cue = desk.roll(TIDEFALL.key)
        at_desk.wait_for(CueTookEffect)
        stop = threading.Event()

        def play() -> None:
            # A player that was told to begin two seconds further on.
            while not stop.wait(0.05):
                now = desk.now()
                heard = cue.line.position_at(LeaderInstant(now)) + 2 * SECOND
                desk.report_media(ShowPosition(heard + LATENCY_NS), LATENCY_NS, now)

        playing = threading.Thread(target=play)
        playing.start()
        try:
            jump = at_desk.wait_for(MediaJumped)
        finally:
            stop.set()
            playing.join()
        assert isinstance(jump, MediaJumped)
        assert jump.distance_ns == 2 * SECOND
        assert jump.what is MusicChange.SOUGHT
        now = desk.now()
        desk.roll(TIDEFALL.key, ShowPosition(jump.position + now - jump.at + settings.lead_time_ns))
        at_jetty.wait_for(CueAdopted)
        again = at_jetty.wait_for(CueAdopted)
        assert isinstance(again, CueAdopted)
        # Between reading the clock here and ordering there lies a call from thread to thread.
        expected = cue.line.position_at(again.cue.line.leader_at) + 2 * SECOND
        assert abs(again.cue.line.position - expected) < 100 * MILLISECOND
        piece.note_late_frame()
        assert piece.ask(lambda follower, _: follower.late_frames) == 1
        piece.note_frame_shown(0)  # two seconds late
        assert piece.ask(lambda follower, _: follower.late_frames) == 2
        desk.stop()
        stopped = at_jetty.wait_for(CueAdopted)
        assert isinstance(stopped, CueAdopted)
        assert stopped.cue.state is CueState.STOPPED


def test_a_leader_in_a_thread_takes_every_order(group: str, port: int) -> None:
    told = Told()
    settings = LeaderSettings(
        "boathouse", interval_ns=50 * MILLISECOND, lead_time_ns=50 * MILLISECOND, listen_intervals=0
    )
    with LeaderThread(settings, group=group, port=port, interface=INTERFACE, on_event=told.put) as desk:
        told.wait_for(RoleChanged)
        states: list[CueState] = []
        for order in (lambda: desk.roll(TIDEFALL.key), desk.pause, desk.go_dark, desk.stop):
            order()
            event = told.wait_for(CueTookEffect)
            assert isinstance(event, CueTookEffect)
            states.append(event.cue.state)
        assert states == [CueState.ROLLING, CueState.PAUSED, CueState.DARK, CueState.STOPPED]
