"""What a leader leads, as plain values: for a file that the same leader reads when it is started again.

Only the clock's reading is this host's; everything else is in the timebase. So a leader that is started again on the
same running clock goes on to the nanosecond, and no follower has anything to learn anew.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from leadlight.clock import Estimate
from leadlight.cue import Cue, ShowLine, check_cue
from leadlight.errors import ConfigurationError, check_whole
from leadlight.leader.tenure import Inheritance
from leadlight.terms import CueState
from leadlight.units import INSTANT_MAXIMUM, LeaderInstant, LocalInstant, ShowPosition
from leadlight.wire import U32

_RATE_MAXIMUM = 1e-3


def is_idle(kept: Inheritance) -> bool:
    """Return whether nothing is shown, nor will be."""
    return kept.cue.state is CueState.DARK and not kept.scheduled


def in_a_new_timebase(kept: Inheritance, timebase: int) -> Inheritance:
    """Return it for a clock that may have lost time meanwhile, as a suspended host's does: it has another name now."""
    return replace(kept, timebase=timebase)


def kept_as_plain(kept: Inheritance, shift_ns: int) -> dict[str, Any]:
    """Return it as JSON takes it; ``shift_ns`` is what the clock of this boot shows more than this node's clock."""
    clock = kept.clock
    return {
        "timebase": kept.timebase,
        "clock": [clock.at + shift_ns, clock.offset_ns + shift_ns, clock.rate],
        "cue": _cue_as_plain(kept.cue),
        "scheduled": [_cue_as_plain(cue) for cue in kept.scheduled],
        "off_at": kept.off_at,
    }


def kept_from_plain(plain: Mapping[str, Any], shift_ns: int) -> Inheritance:
    """Return what ``kept_as_plain`` made plain; ``ConfigurationError`` for what it never makes."""
    try:
        at, offset_ns, rate = plain["clock"]
        off_at, timebase = plain["off_at"], plain["timebase"]
        check_whole("timebase", timebase, 1, U32, "1 to 2³² - 1")
        for field, value in (("clock", at), ("offset", offset_ns)):
            check_whole(field, value, -INSTANT_MAXIMUM, INSTANT_MAXIMUM, "ns")
        if off_at is not None:
            check_whole("off_at", off_at, 0, INSTANT_MAXIMUM, "an instant")
        if type(rate) not in (int, float) or not math.fabs(rate) <= _RATE_MAXIMUM:
            raise ConfigurationError("rate", rate, "a thousandth either way")
        clock = Estimate(LocalInstant(at - shift_ns), offset_ns - shift_ns, float(rate), 0.0, 0.0)
        scheduled = tuple(map(_cue_from_plain, plain["scheduled"]))
        return Inheritance(timebase, clock, _cue_from_plain(plain["cue"]), scheduled, off_at)
    except (KeyError, TypeError, ValueError) as error:
        if isinstance(error, ConfigurationError):
            raise
        raise ConfigurationError("kept", "its content", f"what a leader writes ({error!r})") from None


def _cue_as_plain(cue: Cue) -> list[Any]:
    return [f"{cue.show:016x}", cue.state.name, *cue.line, cue.ordered_at]


def _cue_from_plain(plain: list[Any]) -> Cue:
    show, state, leader_at, position, rate_ppb, ordered_at = plain
    line = ShowLine(LeaderInstant(leader_at), ShowPosition(position), rate_ppb)
    cue = Cue(int(show, 16), CueState[state], line, ordered_at)
    check_cue(cue)
    if ordered_at is not None:
        check_whole("ordered_at", ordered_at, 0, INSTANT_MAXIMUM, "an instant")
    return cue
