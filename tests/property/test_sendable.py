"""Nothing that a leader holds is unsendable, and what was made sendable shows the same."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from leadlight.cue import RATE_LIMIT_PPB, SHOW_KEY_MAXIMUM, Cue, ShowLine
from leadlight.leader.sendable import sendable_cue, sendable_off_at
from leadlight.terms import CueState
from leadlight.units import INSTANT_MAXIMUM, MILLISECOND, SECOND, LeaderInstant, ShowPosition
from leadlight.wire.codec import Codec

CODEC = Codec("Quarry Lake")
NEAR = st.integers(-100 * SECOND, 100 * SECOND)
ANY = NEAR | st.integers(-(1 << 63), 1 << 63)
CUES = st.builds(
    Cue,
    st.integers(0, SHOW_KEY_MAXIMUM),
    st.sampled_from(CueState),
    st.builds(ShowLine, ANY, ANY, st.integers(-RATE_LIMIT_PPB, RATE_LIMIT_PPB)),
    st.none() | ANY,
)


@given(cue=CUES, coming=st.none() | CUES, off_at=st.none() | ANY)
def test_whatever_a_leader_holds_its_beacon_goes(make_beacon: Any, cue: Cue, coming: Cue | None, off_at: Any) -> None:
    beacon = make_beacon(
        cue=sendable_cue(cue, off_at),
        next_cue=None if coming is None else sendable_cue(coming, off_at),
        off_at=sendable_off_at(off_at),
    )
    assert CODEC.decode(CODEC.encode(beacon)) == beacon


@given(cue=CUES, off_at=st.none() | ANY)
def test_what_travels_already_goes_as_it_is(cue: Cue, off_at: Any) -> None:
    line = ShowLine(LeaderInstant(abs(cue.line.leader_at) % INSTANT_MAXIMUM), ShowPosition(7), cue.line.rate_ppb)
    ordered_at = None if cue.ordered_at is None else LeaderInstant(abs(cue.ordered_at) % INSTANT_MAXIMUM)
    travels = cue._replace(line=line, ordered_at=ordered_at)
    assert sendable_cue(travels, off_at) is travels


@given(began=NEAR, position=st.integers(0, 100 * SECOND), rate_ppb=st.integers(-1000, 1000), now=st.integers(0, 10**13))
def test_a_show_from_before_the_clock_began_is_where_it_would_be(
    began: int, position: int, rate_ppb: int, now: int
) -> None:
    cue = Cue(7, CueState.ROLLING, ShowLine(LeaderInstant(began), ShowPosition(position), rate_ppb))
    sent = sendable_cue(cue, None)
    assert sent.line.leader_at >= 0
    # Drawn anew through another instant, a line is the same to the rounding of its rate.
    assert abs(sent.position_at(LeaderInstant(now)) - cue.position_at(LeaderInstant(now))) <= 1


@given(began=NEAR, off_at=NEAR, now=st.integers(MILLISECOND, 10**13))
def test_what_was_over_by_its_off_time_is_over(began: int, off_at: int, now: int) -> None:
    cue = Cue(7, CueState.ROLLING, ShowLine(LeaderInstant(began), ShowPosition(0)))
    sent, sent_off = sendable_cue(cue, LeaderInstant(off_at)), sendable_off_at(LeaderInstant(off_at))
    assert sent_off is not None

    def is_dark(cue: Cue, off_at: int) -> bool:
        return cue.state is CueState.DARK or (cue.line.leader_at < off_at <= now)

    # The wire rounds an off time down to a whole millisecond; that very one is exempt, for a cue and for now.
    rounded = off_at // MILLISECOND * MILLISECOND
    if not rounded <= now < off_at and not rounded <= began < off_at:
        assert is_dark(sent, sent_off) == is_dark(cue, off_at)
