"""Is the group fit for the show? What a listener heard of it, made into findings."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from statistics import median_low
from typing import Final

from leadlight.cue import NO_SHOW
from leadlight.entropy import identity
from leadlight.follower import JOIN_PATIENCE_NS, SILENT_INTERVALS
from leadlight.leader import BEGIN_ABOVE_PERMILLE, END_BELOW_PERMILLE
from leadlight.readiness.findings import Finding, Verdict
from leadlight.readiness.listening import NOTHING_REFUSED, UNTAGGED, FollowerHeard, Heard, Refused, TenureHeard
from leadlight.terms import ClockState, ContentState, CueState, Refusal
from leadlight.units import MILLISECOND, describe

ALIVE_INTERVALS: Final = 3
"""A leader silent for no longer than this at the end leads still: three beacons are rarely lost in a row."""
FEWEST_BEACONS: Final = 8
"""A share of fewer says little: one lost of them is an eighth."""
HALF_PERMILLE: Final = 500
HELD_NS: Final = 50 * MILLISECOND
"""Half of the 102.4 ms between an access point's beacons: as long as group frames wait on average, at the least, where
they are held back for stations that doze (IEEE 802.11)."""
TOO_LATE_NS: Final = 500 * MILLISECOND
"""A quarter of the usual lead time of a cue, two seconds: later than this, a lost beacon or two make it too late."""
SLOW_ANSWER_NS: Final = 50 * MILLISECOND
"""Answers come within some ms where nobody dozes, and after 100 ms and more where this host's radio does."""
FEWEST_SOUNDINGS: Final = 4
ROUNDS: Final = 2
"""Every follower's turn must have come so often before its silence means something: one Tally can be lost."""


class Names:
    """Names by the numbers that beacons carry, as far as anybody said them."""

    def __init__(self, names: Iterable[str]) -> None:
        self._names = {identity(name): name for name in names}

    def of(self, leader: int) -> str:
        """Return the name of a leader, or its number in hexadecimal."""
        return self._names.get(leader, f"{leader:08x}")


def judge_datagrams(heard: Heard, *, is_keyed: bool) -> list[Finding]:
    """Return what refused datagrams say of the group's key, and of who else is there."""
    return [_key(heard, is_keyed), _strangers(heard)]


def _key(heard: Heard, is_keyed: bool) -> Finding:
    untagged = heard.refused.get(UNTAGGED, NOTHING_REFUSED)
    unfit = [heard.refused[cause] for cause in (Refusal.BAD_TAG, Refusal.NO_KEY) if cause in heard.refused]
    misfits = sum(refused.count for refused in unfit)
    values = {
        "keyed": is_keyed,
        "untagged": untagged.count,
        "tag_does_not_fit": misfits,
        "places": sorted({place for refused in (untagged, *unfit) for place in refused.places}),
    }
    if misfits and not is_keyed:
        said = f"the group has a key and this host has none: {_told_of(misfits, unfit)} with a tag"
        to_do = "start every node on this host with --key-file and a copy of the group's key"
        return Finding("key", "key", said, Verdict.NO_GO, to_do, values)
    if misfits:
        said = f"{_told_of(misfits, unfit)} with a tag that no key here fits"
        to_do = "copy one key file to every node of the group, this one included"
        return Finding("key", "key", said, Verdict.NO_GO, to_do, values)
    if untagged.count:
        said = f"{_told_of(untagged.count, [untagged])} without a tag, though this host has a key"
        to_do = "start those nodes with --key-file and a copy of the group's key"
        return Finding("key", "key", said, Verdict.NO_GO, to_do, values)
    if is_keyed and heard.tenures:
        return Finding("key", "key", "it fits all that was heard", values=values)
    said = "nothing was heard to try it on" if is_keyed else "nothing that was heard carries a tag"
    return Finding("key", "key", said, values=values)


def _told_of(count: int, refused: Iterable[Refused]) -> str:
    places = sorted({place for one in refused for place in one.places})
    return f"{count} datagram{'' if count == 1 else 's'} from {', '.join(places)}"


_OUR_OWN: Final = (UNTAGGED, Refusal.BAD_TAG, Refusal.NO_KEY, Refusal.OTHER_GROUP)
"""What is told of the key, and what is no trouble: another group beside this one."""


def _strangers(heard: Heard) -> Finding:
    strange = {cause: refused for cause, refused in heard.refused.items() if cause not in _OUR_OWN}
    values = {cause: refused.count for cause, refused in sorted(strange.items())}
    if not strange:
        return Finding("other_datagrams", "other datagrams", "none", values=values)
    said = ", ".join(f"{refused.count} {cause}" for cause, refused in sorted(strange.items()))
    places = sorted({place for refused in strange.values() for place in refused.places})
    said = f"{said}, from {', '.join(places)}"
    if Refusal.OTHER_VERSION in strange:
        to_do = "install one release on every node, for some speak another version of the protocol"
    else:
        to_do = "find out what sends there, or give the whole group another --port"
    return Finding("other_datagrams", "other datagrams", said, Verdict.LOOK, to_do, values)


def judge_leaders(heard: Heard, names: Names, *, leader_expected: bool, leads: bool) -> list[Finding]:
    """Return what there is to say of who leads, and of what arrives from it.

    ``leader_expected``: whether it is a fault if none is heard; ``leads``: whether this host is to lead itself.
    """
    leading = heard.leading
    if leading is None:
        return [_no_leader(heard, leader_expected)]
    findings = [_leaders(heard, leading, names, leads), _beacons(heard, leading)]
    if heard.delays_ns:
        findings.append(_lateness(heard))
    return [*findings, _soundings(heard, leading), _clock(heard, leading)]


def _no_leader(heard: Heard, leader_expected: bool) -> Finding:
    values = {"leaders": [], "at_once": False}
    said = f"none heard in {describe(heard.listened_ns)}"
    if not leader_expected:
        return Finding("leader", "leader", f"{said}, as it should be", values=values)
    to_do = "start one, or see whether it is on this network and this interface and has this group's name and port"
    if set(heard.refused) & {UNTAGGED, Refusal.BAD_TAG, Refusal.NO_KEY}:
        to_do = "see to the key first, for what was refused may have been the leader's"
    return Finding("leader", "leader", said, Verdict.NO_GO, to_do, values)


def _leaders(heard: Heard, leading: TenureHeard, names: Names, leads: bool) -> Finding:
    tenures = sorted(heard.tenures, key=lambda tenure: (tenure.beacon.rank, tenure.beacon.leader))
    told = {tenure.beacon.tenure: _tenure_in_words(tenure, names) for tenure in tenures}
    alive = [tenure for tenure in tenures if heard.now - tenure.last_at <= ALIVE_INTERVALS * tenure.beacon.interval_ns]
    # Of two, one that was heard again after the other: no takeover, which begins only when the other has gone.
    at_once = len(alive) > 1 and any(tenure.spells > 1 for tenure in alive)
    silent_ns = heard.now - leading.last_at
    values = {
        "leaders": [
            {
                "name": names.of(tenure.beacon.leader),
                "id": f"{tenure.beacon.leader:08x}",
                "tenure": f"{tenure.beacon.tenure:08x}",
                "rank": tenure.beacon.rank,
                "interval_ns": tenure.beacon.interval_ns,
                "place": tenure.place,
                "silent_ns": heard.now - tenure.last_at,
            }
            for tenure in tenures
        ],
        "at_once": at_once,
    }
    if at_once:
        said = f"{len(alive)} at once: {'; '.join(told[tenure.beacon.tenure] for tenure in alive)}"
        if len({tenure.beacon.leader for tenure in alive}) == 1:
            to_do = "give one of them another --name, for both lead under the same one"
        else:
            to_do = "stop all but one, and see why they do not hear each other: the network, or another key"
        return Finding("leader", "leader", said, Verdict.NO_GO, to_do, values)
    said = told[leading.beacon.tenure]
    if silent_ns > SILENT_INTERVALS * leading.beacon.interval_ns:
        to_do = "see whether it still runs, and what has come between it and this host"
        return Finding("leader", "leader", f"{said}; silent for {describe(silent_ns)}", Verdict.NO_GO, to_do, values)
    others = [told[tenure.beacon.tenure] for tenure in tenures if tenure is not leading]
    if others:
        to_do = "check again once nobody starts or stops a leader"
        said = f"{said}; heard meanwhile too: {'; '.join(others)}"
        return Finding("leader", "leader", said, Verdict.LOOK, to_do, values)
    if leads:
        to_do = "expect a leader that is started here to stand by, unless its --rank is lower, for this one leads"
        return Finding("leader", "leader", said, Verdict.LOOK, to_do, values)
    return Finding("leader", "leader", said, values=values)


def _tenure_in_words(tenure: TenureHeard, names: Names) -> str:
    beacon = tenure.beacon
    return (
        f"{names.of(beacon.leader)} at {tenure.place}, rank {beacon.rank}, tenure {beacon.tenure:08x},"
        f" a beacon in {describe(beacon.interval_ns)}"
    )


def _beacons(heard: Heard, leading: TenureHeard) -> Finding:
    sent, arrived = leading.sent_by(heard.now), len(leading.arrivals)
    values = {"sent": sent, "arrived": arrived, "copies": leading.copies}
    if not arrived:
        said = f"{leading.copies} copies to this host alone, and nothing that was sent to the group"
        to_do = "see whether the leader has --delivery copies, for if not, nothing carries what goes to the group here"
        return Finding("beacons", "beacons", said, Verdict.LOOK, to_do, values)
    said = f"{arrived} of {sent} sent to the group arrived"
    lost_permille = 1000 * (sent - arrived) // sent
    if sent < FEWEST_BEACONS:
        to_do = f"listen longer with --listen, for {sent} are too few to judge by"
        return Finding("beacons", "beacons", said, Verdict.LOOK, to_do, values)
    if lost_permille > HALF_PERMILLE:
        to_do = "bring this host nearer to the access point, or find out what fills the air"
        return Finding("beacons", "beacons", said, Verdict.NO_GO, to_do, values)
    if lost_permille > BEGIN_ABOVE_PERMILLE:
        to_do = "bring this host nearer to the access point, for it hears so little that it will be sent copies"
        return Finding("beacons", "beacons", said, Verdict.LOOK, to_do, values)
    if lost_permille > END_BELOW_PERMILLE:
        to_do = "listen again for longer, and bring this host nearer to the access point if as much is lost"
        return Finding("beacons", "beacons", said, Verdict.LOOK, to_do, values)
    return Finding("beacons", "beacons", said, values=values)


def _lateness(heard: Heard) -> Finding:
    count, median_ns, worst_ns = len(heard.delays_ns), median_low(heard.delays_ns), max(heard.delays_ns)
    values = {"median_ns": median_ns, "worst_ns": worst_ns, "count": count}
    said = f"{describe(median_ns)} after they were sent, {describe(worst_ns)} at worst of {count}"
    if worst_ns > TOO_LATE_NS:
        to_do = "find out what fills the air, and let the leader announce its cues earlier with --lead-time"
        return Finding("lateness", "beacons come", said, Verdict.LOOK, to_do, values)
    if median_ns > HELD_NS:
        to_do = "set the access point's DTIM period to 1 if it can be, for it holds group frames while a station dozes"
        return Finding("lateness", "beacons come", said, Verdict.LOOK, to_do, values)
    return Finding("lateness", "beacons come", said, values=values)


def _soundings(heard: Heard, leading: TenureHeard) -> Finding:
    asked, answered = heard.soundings, len(heard.round_trips_ns)
    values: dict[str, int | None] = {"sent": asked, "answered": answered, "median_round_trip_ns": None}
    if not answered and leading.beacon.sounding_budget == 0:
        to_do = "give the leader a sounding budget if it can be, for without one no clock is proven"
        return Finding("soundings", "soundings", "the leader wants none", Verdict.LOOK, to_do, values)
    if not answered:
        if asked < FEWEST_SOUNDINGS:
            to_do = f"listen longer with --listen, for {asked} unanswered are too few to judge by"
            return Finding("soundings", "soundings", f"none of {asked} answered yet", Verdict.LOOK, to_do, values)
        said = f"the leader is heard, but none of {asked} was answered: nothing goes the other way"
        to_do = "switch off what keeps stations apart (client isolation, a guest network), or a firewall at the leader"
        return Finding("soundings", "soundings", said, Verdict.NO_GO, to_do, values)
    median_ns = values["median_round_trip_ns"] = median_low(heard.round_trips_ns)
    said = f"{answered} of {asked} answered, there and back in {describe(median_ns)} (median)"
    if 2 * answered < asked:
        to_do = "bring this host nearer to the access point, or find out what fills the air"
        return Finding("soundings", "soundings", said, Verdict.LOOK, to_do, values)
    if median_ns > SLOW_ANSWER_NS:
        to_do = "switch Wi-Fi power saving off on this host and at the leader, and find out what fills the air"
        return Finding("soundings", "soundings", said, Verdict.LOOK, to_do, values)
    return Finding("soundings", "soundings", said, values=values)


def _clock(heard: Heard, leading: TenureHeard) -> Finding:
    state = heard.clock.name.lower().replace("_", " ")
    values = {"state": state, "bound_ns": heard.bound_ns}
    within = "" if heard.bound_ns is None else f", within {describe(heard.bound_ns)} of the leader's"
    if heard.clock is ClockState.LOCKED:
        return Finding("clock", "clock", f"{state}{within}", values=values)
    if heard.now - leading.first_at < JOIN_PATIENCE_NS:
        to_do = f"listen longer with --listen, for it takes up to {describe(JOIN_PATIENCE_NS)} from the first beacon"
        return Finding("clock", "clock", f"{state}{within}, so far", Verdict.LOOK, to_do, values)
    if leading.beacon.sounding_budget == 0:
        to_do = "listen longer with --listen, for a clock takes its time where the leader may not be asked"
        return Finding("clock", "clock", f"{state}{within}, so far", Verdict.LOOK, to_do, values)
    to_do = "see to the beacons and soundings first, for a piece here would not be in step"
    return Finding("clock", "clock", f"{state}{within}", Verdict.NO_GO, to_do, values)


def judge_followers(heard: Heard, expected: Collection[str]) -> list[Finding]:
    """Return what there is to say of the followers, and of the names that must be heard."""
    findings = []
    leading = heard.leading
    if leading is not None or heard.followers:
        findings.append(_followers(heard, leading))
        findings += _troubled(heard.followers)
    if heard.has_namesake:
        to_do = "let one check run at a time on boards of one name"
        findings.append(Finding("own_name", "this check", "another one has its name", Verdict.LOOK, to_do))
    if expected:
        findings.append(_expected(heard, expected))
    return findings


def _followers(heard: Heard, leading: TenureHeard | None) -> Finding:
    names = sorted(follower.tally.name for follower in heard.followers)
    # This node is one of those that the leader hears, once it was answered.
    known = 0 if leading is None else leading.beacon.group_size - bool(heard.round_trips_ns)
    turns = 0 if leading is None else leading.turns
    values = {"heard": names, "leader_hears": known, "turns": turns}
    count = f"{len(names)} heard{': ' if names else ''}{', '.join(names)}"
    is_settled = heard.rounds >= ROUNDS
    if len(names) >= known and names:
        return Finding("followers", "followers", count, values=values)
    if known <= 0:
        to_do = "start the boards, then check again"
        said = f"{count}, and the leader hears none"
        return Finding("followers", "followers", said, Verdict.LOOK, to_do, values)
    said = f"{count}; the leader counts {known}"
    if not turns:
        to_do = "listen longer with --listen, for the leader has given nobody a turn to be heard by all"
    elif not is_settled:
        to_do = "listen longer with --listen, for not everybody's turn has come twice"
    else:
        to_do = "check again in a minute, and if some still are not heard, see whether the network keeps stations apart"
    return Finding("followers", "followers", said, Verdict.LOOK, to_do, values)


def _troubled(followers: Collection[FollowerHeard]) -> list[Finding]:
    def named(chosen: Iterable[FollowerHeard]) -> list[str]:
        return sorted(follower.tally.name for follower in chosen)

    cloned = named(follower for follower in followers if follower.is_cloned)
    restarted = named(follower for follower in followers if not follower.is_cloned and len(follower.instances) > 1)
    lacking = named(
        follower
        for follower in followers
        if follower.tally.content in (ContentState.MISSING, ContentState.OTHER_EDITION)
    )
    fed = named(follower for follower in followers if follower.tally.live_data)
    adrift = named(follower for follower in followers if follower.tally.clock is not ClockState.LOCKED)
    told = [
        ("cloned", "names", cloned, "two boards each of the name", Verdict.NO_GO,
         "give every board a name of its own with --name"),
        ("restarted", "restarts", restarted, "begun anew while this check listened:", Verdict.LOOK,
         "see whether these boards restart by themselves, and whether two have one name"),
        ("lacking", "their contents", lacking, "without the show that is on or to come:", Verdict.NO_GO,
         "copy that show's part to these boards: `leadlight manifest check` says what is wrong there"),
        ("live_data", "second source", fed, "fed live pixels as well:", Verdict.LOOK,
         "let one of the two drive these boards' pixels, or they fight frame by frame"),
        ("not_locked", "their clocks", adrift, "not locked:", Verdict.LOOK,
         "give these boards a minute, then check on those that still are not"),
    ]  # fmt: skip
    return [
        Finding(key, looked_at, f"{said} {', '.join(names)}", verdict, to_do, {"names": names})
        for key, looked_at, names, said, verdict, to_do in told
        if names
    ]


def _expected(heard: Heard, expected: Collection[str]) -> Finding:
    missing = not_yet_heard(heard, expected)
    values = {"expected": sorted(set(expected)), "missing": missing}
    if not missing:
        return Finding("expected", "expected names", f"all {len(set(expected))} heard", values=values)
    to_do = "switch those on, and see whether they have this group's name and key"
    if heard.leading is not None and heard.rounds < ROUNDS:
        to_do = "listen longer with --listen, for not everybody's turn has come twice, then see to those still missing"
    return Finding("expected", "expected names", f"not heard: {', '.join(missing)}", Verdict.NO_GO, to_do, values)


def not_yet_heard(heard: Heard, expected: Collection[str]) -> list[str]:
    """Return, in order, the names of which neither a beacon nor a Tally to the group was heard."""
    present = {tenure.beacon.leader for tenure in heard.tenures}
    present |= {follower.tally.follower for follower in heard.followers}
    return sorted(name for name in set(expected) if identity(name) not in present)


def judge_cues(heard: Heard, shows: Mapping[int, str]) -> Finding | None:
    """Return whether the manifest, whose shows by key these are, lists what the leader plays; ``None`` if nothing is.

    A show of another edition or manifest has another key.
    """
    keys = [cue.show for cue in heard.cues() if cue.show != NO_SHOW and cue.state is not CueState.DARK]
    if not keys:
        return None
    told = [shows.get(key, f"{key:016x}") for key in dict.fromkeys(keys)]
    values = {"shows": told, "listed": all(key in shows for key in keys)}
    if values["listed"]:
        return Finding("show", "the leader's show", f"listed: {', '.join(told)}", values=values)
    unlisted = ", ".join(f"{key:016x}" for key in dict.fromkeys(keys) if key not in shows)
    to_do = "give the leader and every board one manifest, for this one does not list what the leader plays"
    return Finding("show", "the leader's show", f"not listed: {unlisted}", Verdict.NO_GO, to_do, values)


def judge_own_name(heard: Heard, name: str, own_addresses: Collection[str] | None) -> Finding | None:
    """Return a finding if another host answers to this board's name; ``None`` if none does or nobody can tell."""
    if own_addresses is None:
        return None
    board = next((follower for follower in heard.followers if follower.tally.follower == identity(name)), None)
    elsewhere = [] if board is None else sorted(board.places - set(own_addresses))
    if not elsewhere:
        return None
    said = f"{name} is heard from {', '.join(elsewhere)}, which is not this host"
    to_do = "give one of the two boards another --name"
    return Finding("own_name_elsewhere", "this board's name", said, Verdict.NO_GO, to_do, {"places": elsewhere})


def listening_lasts_ns(heard: Heard, at_least_ns: int, at_most_ns: int) -> int:
    """Return how long to listen in all, by what was heard so far: until enough beacons and everybody's turn came."""
    leading = heard.leading
    if leading is None:
        return at_least_ns
    intervals = max(FEWEST_BEACONS, ROUNDS * (leading.beacon.group_size + 1)) + 2
    return min(max(at_least_ns, intervals * leading.beacon.interval_ns), at_most_ns)
