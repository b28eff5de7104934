"""What every array of the wire holds, field by field: units, meanings, and how a value reads in words.

Names and ranges are the codec's (``wire``). Whatever tells people about the wire, the specification and `decode`,
reads these tables.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum
from typing import Final, NamedTuple

from leadlight.cue import NO_SHOW
from leadlight.terms import ClockState, ContentState, CueState, Kind
from leadlight.units import MICROSECOND, MILLISECOND, SECOND
from leadlight.wire import codec as wire
from leadlight.wire import framing, probes


class Meaning(NamedTuple):
    """What a field says and in which unit; its range is the wire module's to tell.

    ``said`` puts a value inside that range into words; without it a value with a unit is told in that, and one without
    by its number alone.
    """

    unit: str
    text: str
    said: Callable[[int], str] | None = None


class Part(NamedTuple):
    """What follows the numbers of a table in the same array: one value that is no number.

    An array is described by ``head``, the table of its first numbers, and ``run``, the table of those that repeat
    behind them up to ``most`` times. What repeats is called ``run_name`` where the array has a head as well.
    """

    name: str
    type: str
    text: str
    head: str = ""
    run: str = ""
    most: int = 0
    run_name: str = ""


def word(member: Enum) -> str:
    """Return a member of an enumeration as lower-case words."""
    return member.name.lower().replace("_", " ")


def instant_in_words(instant_ns: int) -> str:
    """Return an instant in seconds with all its nanoseconds: ``"10800.123456789 s"``."""
    return f"{instant_ns // SECOND}.{instant_ns % SECOND:09d} s"


def duration_in_words(duration_ns: int) -> str:
    """Return a duration in milliseconds with all its nanoseconds: ``"-0.020004 ms"``."""
    sign = "-" if duration_ns < 0 else ""
    return f"{sign}{abs(duration_ns) // MILLISECOND}.{abs(duration_ns) % MILLISECOND:06d} ms"


def show_in_words(key: int) -> str:
    """Return a show's key in hexadecimal digits."""
    return "no show" if key == NO_SHOW else f"{key:016x}"


def hex_32(number: int) -> str:
    """Return an identity, or another number of 32 bits that counts nothing, in hexadecimal digits."""
    return f"{number:08x}"


def _hex_64(number: int) -> str:
    return f"{number:016x}"


def _hex_16(number: int) -> str:
    return f"{number:04x}"


def _instant_ms(instant_ms: int) -> str:
    return f"{instant_ms // 1000}.{instant_ms % 1000:03d} s"


def _cue_state(number: int) -> str:
    return word(CueState(number))


def _clock_state(number: int) -> str:
    return word(ClockState(number))


def _content_state(number: int) -> str:
    return word(ContentState(number))


FLAGS: Final = {
    wire.FLAG_LIVE_DATA: ("live data", "pixels arrive for this piece from elsewhere too"),
    wire.FLAG_UNVERIFIED: ("unverified", "the leader's tenure was taken on trust"),
}
"""The flags of a Tally: their names and what they say."""


def _flags(number: int) -> str:
    return ", ".join(name for flag, (name, _) in FLAGS.items() if number & flag) or "none"


_BY_UNIT: Final[dict[str, Callable[[int], str]]] = {
    "ns": duration_in_words,
    "µs": lambda value: f"{value * MICROSECOND / MILLISECOND:.3f} ms",
    "ms": lambda value: f"{value} ms",
    "1/s": lambda value: f"{value} a second",
    "‰": lambda value: f"{value / 10:.1f} %",
    "10⁻⁹": lambda value: f"{value:+d} ppb" if value else "0 ppb",
}

FIELDS: Final[dict[str, tuple[framing.Field, ...]]] = {
    "beacon": wire.BEACON_FIELDS,
    "cue": wire.CUE_FIELDS,
    "order": wire.ORDER_FIELDS,
    "marks": wire.MARK_FIELDS,
    "delay-head": wire.DELAY_HEAD_FIELDS,
    "shared-delays": wire.SHARED_DELAY_FIELDS,
    "sounding": wire.SOUNDING_FIELDS,
    "reports": wire.DELAY_REPORT_FIELDS,
    "echo": wire.ECHO_FIELDS,
    "tally": wire.TALLY_FIELDS,
    "call": probes.CALL_FIELDS,
    "group-probe": probes.GROUP_PROBE_FIELDS,
    "host-probe": probes.HOST_PROBE_FIELDS,
    "presence": probes.PRESENCE_FIELDS,
    "answer": probes.ANSWER_FIELDS,
    "entries": probes.ENTRY_FIELDS,
}

_RECORDING: Final = Meaning("", "number of the recording", hex_32)
_PROBE: Final = Meaning("", "number of the probe in its row")

MEANINGS: Final[dict[str, dict[str, Meaning]]] = {
    "beacon": {
        "leader": Meaning("", "identity of the leader", hex_32),
        "rank": Meaning("", "its rank; 0 leads before 1"),
        "tenure": Meaning("", "its tenure", hex_32),
        "timebase": Meaning("", "the clock that every instant here refers to", hex_32),
        "serial": Meaning("", "number of this beacon in the tenure"),
        "sent_at": Meaning("ns", "leader instant at which this datagram left", instant_in_words),
        "interval_ms": Meaning("ms", "nominal beacon interval"),
        "sounding_budget": Meaning("1/s", "Soundings that the whole group may send"),
        "group_size": Meaning("", "followers that share the budgets"),
        "off_at_ms": Meaning("ms", "leader instant from which everyone is dark; nil for none", _instant_ms),
        "marker": Meaning("", "identity of the follower whose turn it is; nil for none", hex_32),
    },
    "cue": {
        "show": Meaning("", "show key; 0 for no show", show_in_words),
        "state": Meaning("", "cue state", _cue_state),
        "line leader_at": Meaning(
            "ns", "leader instant of the line's point, and at which the cue takes effect", instant_in_words
        ),
        "line position": Meaning("ns", "show position at that instant", instant_in_words),
        "line rate_ppb": Meaning("10⁻⁹", "how much faster than leader time the show runs"),
    },
    "order": {
        "ordered_at": Meaning("ns", "leader instant at which a person ordered this cue", instant_in_words),
    },
    "marks": {
        "turns_back": Meaning("", "beacons back from this one to the one that gave the turn"),
        "age_ns": Meaning("ns", "how long before `sent_at` the Tally was heard"),
    },
    "delay-head": {
        "radio": Meaning("", "radio of the reporters; nil where they do not know theirs", _hex_16),
        "doubt_us": Meaning("µs", "largest standard deviation of the medians"),
    },
    "shared-delays": {
        "serials_back": Meaning("", "beacons back from this one to the one measured"),
        "delay_ns": Meaning("ns", "median of its delay"),
    },
    "sounding": {
        "follower": Meaning("", "identity of the follower", hex_32),
        "tenure": Meaning("", "the tenure that is sounded and that `delays` are about; 0 before any beacon", hex_32),
        "nonce": Meaning("", "random; comes back in the Echo", hex_32),
        "sent_at": Meaning("ns", "local instant at which this datagram left", instant_in_words),
        "cookie": Meaning("", "what the last Echo gave; nil for none", _hex_64),
        "radio": Meaning(
            "", "a number for the access point's radio, such as a hash of its BSSID; nil where unknown", _hex_16
        ),
    },
    "reports": {
        "serial": Meaning("", "low 16 bits of the beacon's serial"),
        "delay_ns": Meaning("ns", "its delay by the follower's own estimate"),
    },
    "echo": {
        "leader": Meaning("", "identity of the leader", hex_32),
        "tenure": Meaning("", "its tenure", hex_32),
        "timebase": Meaning("", "the clock of the two instants", hex_32),
        "nonce": Meaning("", "the Sounding's", hex_32),
        "received_at": Meaning("ns", "leader instant at which the Sounding arrived", instant_in_words),
        "sent_at": Meaning("ns", "leader instant at which this datagram left", instant_in_words),
        "cookie": Meaning("", "to be returned in the next Sounding; opaque", _hex_64),
    },
    "tally": {
        "follower": Meaning("", "identity of the follower", hex_32),
        "instance": Meaning("", "random, drawn at start", hex_32),
        "serial": Meaning("", "number of this Tally in the instance"),
        "tenure": Meaning("", "the tenure followed; 0 for none", hex_32),
        "turn": Meaning("", "serial of the beacon that gave the turn; nil in a Tally to the leader alone"),
        "clock": Meaning("", "clock state", _clock_state),
        "cue_state": Meaning("", "state of the cue in force here", _cue_state),
        "bound_us": Meaning("µs", "statistical bound, rounded up; nil for none"),
        "beacon_loss_permille": Meaning("‰", "beacons to the group that were not heard"),
        "content": Meaning("", "content state of `show`", _content_state),
        "radio": Meaning("", "as in a Sounding", _hex_16),
        "show": Meaning("", "key of the next show where one is announced, else of the one in force", show_in_words),
        "frame": Meaning("", "frame shown; 0 when dark"),
        "late_frames": Meaning("", "frames that the player could not show in time, since its start"),
        "flags": Meaning("", "sum of flags", _flags),
    },
    "call": {"recording": _RECORDING},
    "group-probe": {"recording": _RECORDING, "number": _PROBE},
    "host-probe": {
        "recording": _RECORDING,
        "number": _PROBE,
        "instance": Meaning("", "of the host that is meant", hex_32),
        "known": Meaning("", "entries of the host's account that have come"),
    },
    "presence": {
        "recording": _RECORDING,
        "instance": Meaning("", "random, drawn by the host when it starts", hex_32),
        "is_stamped": Meaning("", "1 where its kernel stamps arrivals, else 0"),
        "is_wireless": Meaning("", "1 for a radio, 0 for none; nil where unknown"),
        "saves_power": Meaning("", "1 for a radio that dozes, 0 for one that does not; nil where unknown"),
        "signal_dbm": Meaning("dBm", "how strong it hears its access point; nil where unknown"),
    },
    "answer": {
        "recording": _RECORDING,
        "instance": Meaning("", "the host's", hex_32),
        "number": Meaning("", "the Host probe's"),
        "heard_at": Meaning("ns", "local instant of the host at which that arrived", instant_in_words),
        "sent_at": Meaning("ns", "local instant of the host at which this datagram left", instant_in_words),
        "load_percent": Meaning("", "programs that wait for each of its cores, in hundredths; nil where unknown"),
        "first": Meaning("", "place of the first of `entries` in the account, counted from 0"),
        "total": Meaning("", "entries in the account"),
    },
    "entries": {
        "is_own": Meaning("", "1 for a Host probe, 0 for a Group probe"),
        "number": Meaning("", "its number"),
        "age_ns": Meaning("ns", "how long before `heard_at` it arrived"),
    },
}

_PADDING: Final = Part("padding", "binary", "zero bytes")

BEHIND: Final[dict[str, tuple[Part, ...]]] = {
    "beacon": (
        Part("cue", "array", "the cue in force", head="cue"),
        Part("next_cue", "array or nil", "the cue that comes next, from one lead time before it", head="cue"),
        Part("marks", "flat array", "when Tallies to the group were heard", run="marks", most=wire.MARKS_MAXIMUM),
        Part(
            "delays",
            "flat array",
            "medians of shared delays",
            head="delay-head",
            run="shared-delays",
            most=wire.DELAYS_MAXIMUM,
            run_name="medians",
        ),
        Part("goodbye", "truth, may be absent", "whether the leader ends now"),
    ),
    "cue": (Part("order", "array, may be absent", "who ordered the cue, if a person did", head="order"),),
    "sounding": (
        Part("delays", "flat array", "how long beacons took", run="reports", most=wire.DELAYS_MAXIMUM),
        Part("padding", "binary", "zero bytes that make room for the Echo"),
    ),
    "tally": (Part("name", "text", "the follower's name"),),
    "call": (_PADDING,),
    "group-probe": (_PADDING,),
    "host-probe": (_PADDING,),
    "presence": (Part("label", "text", "what the host is called, in 0 to 24 bytes; empty for nothing"), _PADDING),
    "answer": (
        Part("entries", "flat array", "more of the host's account", run="entries", most=probes.ENTRIES_MAXIMUM),
        _PADDING,
    ),
}
"""What follows the numbers of a table in the same array."""

TABLES: Final = {
    Kind.BEACON: "beacon",
    Kind.BEACON_COPY: "beacon",
    Kind.SOUNDING: "sounding",
    Kind.ECHO: "echo",
    Kind.TALLY: "tally",
}
"""The table of each kind's body. A copy's is a beacon's: the kind alone tells them apart."""


def value_in_words(meaning: Meaning, value: int | None) -> str:
    """Return a field's value in words and units, or nothing where its number alone says it."""
    if value is None:
        return ""
    said = meaning.said or _BY_UNIT.get(meaning.unit)
    return "" if said is None else said(value)
