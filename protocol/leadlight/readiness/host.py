"""Is this host fit for the show? What was measured of it, its key and its parts, made into findings."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from leadlight.evening import PartFound
from leadlight.readiness.findings import Finding, Verdict
from leadlight.readiness.waking import judge_waking
from leadlight.terms import ContentState

RELEASE_YEAR: Final = 2026
"""The year of this release, to be raised with each year's first: no clock that is right shows an earlier one."""
NOT_TOLD: Final = "not told here"
WEAK_BELOW_DBM: Final = -75
"""Assumed: radios of small boards fall to their slowest rates some decibels below."""


@dataclass(frozen=True, slots=True)
class HostFacts:
    """What was measured of a host. ``None`` stands for what the system does not tell, or could not be tried.

    ``interface`` is in words; ``is_named``: whether it was asked for, and not left to the system's routes.
    ``is_fit``: whether it is up, connected and able to carry groups. ``alternatives`` are the names of others that
    would do. ``wakes_ns`` are how late a player was woken, in ns, at least one; ``recorded_ns`` the same by each way of
    waiting, where that was asked for.
    """

    interface: str
    address: str | None
    is_named: bool
    is_loopback: bool
    is_fit: bool | None
    alternatives: tuple[str, ...] | None
    multicast_trouble: str | None
    buffer_bytes: int | None
    buffer_wanted_bytes: int
    is_stamped: bool | None
    wakes_ns: tuple[int, ...]
    is_wireless: bool | None
    saves_power: bool | None
    wall_now: datetime.datetime
    own_addresses: tuple[str, ...] | None = None
    recorded_ns: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    signal_dbm: int | None = None
    rate_bps: int | None = None


@dataclass(frozen=True, slots=True)
class KeyFacts:
    """A key file: its path, how many keys it holds, and whether others than its owner may use it."""

    path: str
    count: int
    is_open_to_others: bool


def judge_host(facts: HostFacts, *, leads: bool) -> list[Finding]:
    """Return what there is to say of a host; ``leads``: whether it is to lead, and so needs the time of day."""
    findings = [_multicast(facts), _interface(facts), *_receiving(facts)]
    findings += [judge_waking(facts.wakes_ns, facts.recorded_ns, facts.is_stamped), *_radio(facts)]
    return [*findings, _wall_clock(facts.wall_now, leads)]


def _multicast(facts: HostFacts) -> Finding:
    values = {"works": facts.multicast_trouble is None}
    if facts.multicast_trouble is None:
        return Finding("multicast", "multicast", "this host hears what it sends to the group", values=values)
    what, _, advice = facts.multicast_trouble.partition("; ")
    to_do = advice or "look for what is in the way, or use copies alone: see `leadlight lead --help`, --delivery"
    return Finding("multicast", "multicast", what, Verdict.NO_GO, to_do, values)


def _interface(facts: HostFacts) -> Finding:
    how = "as named" if facts.is_named else "by the system's routes"
    # Where only the address is known it is the label already.
    where = facts.interface if facts.address in (None, facts.interface) else f"{facts.interface}, {facts.address}"
    values = {
        "name": facts.interface,
        "address": facts.address,
        "named": facts.is_named,
        "loopback": facts.is_loopback,
        "fit": facts.is_fit,
        "alternatives": None if facts.alternatives is None else list(facts.alternatives),
    }
    if facts.is_loopback:
        to_do = "name one that leads to the network with --interface, unless all nodes run on this host"
        said = f"{where}, {how}: it reaches this host alone"
        return Finding("interface", "interface", said, Verdict.LOOK, to_do, values)
    if facts.is_fit is False:
        to_do = "connect it and bring it up, or name another with --interface"
        said = f"{where}, {how}: down, not connected, or unable to carry groups"
        return Finding("interface", "interface", said, Verdict.NO_GO, to_do, values)
    if facts.alternatives is None:
        return Finding("interface", "interface", f"{where}, {how}; others: {NOT_TOLD}", values=values)
    if not facts.alternatives:
        return Finding("interface", "interface", f"{where}, {how}; no other would do", values=values)
    said = f"{where}, {how}; {', '.join(facts.alternatives)} would do too"
    if facts.is_named:
        return Finding("interface", "interface", said, values=values)
    to_do = "name one with --interface, here and for every node on this host: routes change with what is plugged in"
    return Finding("interface", "interface", said, Verdict.LOOK, to_do, values)


def _receiving(facts: HostFacts) -> list[Finding]:
    findings = []
    if facts.buffer_bytes is not None:
        values = {"bytes": facts.buffer_bytes, "wanted_bytes": facts.buffer_wanted_bytes}
        said = f"{facts.buffer_bytes // 1024} KiB granted, {facts.buffer_wanted_bytes // 1024} KiB asked for"
        if facts.buffer_bytes < facts.buffer_wanted_bytes:
            to_do = (
                "raise the system's limit (Linux: net.core.rmem_max), or datagrams are lost while the player is busy"
            )
            findings.append(Finding("receive_buffer", "receive buffer", said, Verdict.LOOK, to_do, values))
        else:
            findings.append(Finding("receive_buffer", "receive buffer", said, values=values))
    if facts.is_stamped is not None:
        values = {"stamped": facts.is_stamped}
        if facts.is_stamped:
            said = "the kernel says when a datagram came"
            findings.append(Finding("arrival_stamps", "arrival stamps", said, values=values))
        else:
            said = "none from the kernel: a datagram counts as come when the program reads it"
            to_do = "keep the player's loop free, since a piece that is busy takes old beacons for new ones"
            findings.append(Finding("arrival_stamps", "arrival stamps", said, Verdict.LOOK, to_do, values))
    return findings


def _radio(facts: HostFacts) -> list[Finding]:
    values = {
        "wireless": facts.is_wireless,
        "saves_power": facts.saves_power,
        "signal_dbm": facts.signal_dbm,
        "rate_bps": facts.rate_bps,
    }
    if not facts.is_wireless:
        said = f"Wi-Fi or not: {NOT_TOLD}" if facts.is_wireless is None else "no Wi-Fi"
        return [Finding("radio", "radio", said, values=values)]
    strength = "" if facts.signal_dbm is None else f", heard at {facts.signal_dbm} dBm"
    strength += "" if facts.rate_bps is None else f", sends at {facts.rate_bps / 1e6:g} Mbit/s"
    if facts.saves_power:
        to_do = "switch its power saving off: a radio that dozes has every group frame held back, for everybody"
        return [Finding("radio", "radio", f"Wi-Fi{strength}, and it saves power", Verdict.LOOK, to_do, values)]
    awake = ", awake all the time" if facts.saves_power is False else f"; whether it saves power: {NOT_TOLD}"
    said = f"Wi-Fi{strength}{awake}"
    if facts.signal_dbm is not None and facts.signal_dbm < WEAK_BELOW_DBM:
        to_do = "bring it or its aerial nearer to the access point, or into its sight: so weak, it will lose much"
        return [Finding("radio", "radio", said, Verdict.LOOK, to_do, values)]
    return [Finding("radio", "radio", said, values=values)]


def _wall_clock(wall_now: datetime.datetime, leads: bool) -> Finding:
    values = {"now": wall_now.isoformat(timespec="seconds")}
    said = f"{wall_now:%Y-%m-%d %H:%M:%S} by this host, UTC{wall_now:%z}"
    if wall_now.year >= RELEASE_YEAR:
        return Finding("wall_clock", "wall clock", said, values=values)
    said = f"{said}: before this release was made"
    if leads:
        to_do = "set this host's clock, for --show-at and running orders go by it"
        return Finding("wall_clock", "wall clock", said, Verdict.NO_GO, to_do, values)
    to_do = "set this host's clock before it leads by --show-at or a running order; to follow it needs no time of day"
    return Finding("wall_clock", "wall clock", said, Verdict.LOOK, to_do, values)


def judge_content(parts: Mapping[str, PartFound], name: str) -> Finding:
    """Return how the parts that a follower should hold stand, by show."""
    words = {show: PartFound(part.state).in_words for show, part in parts.items()}
    wrong = [show for show, part in parts.items() if part.state is not ContentState.PRESENT]
    values = {"name": name, "shows": words}
    if not wrong:
        said = f"all {len(words)} parts of {name} are as the manifest lists them"
        return Finding("content", "contents", said, values=values)
    said = f"{name}: {', '.join(f'{show} {parts[show].in_words}' for show in wrong)}"
    to_do = "copy those parts to this board again, from the folder that the manifest was built from"
    return Finding("content", "contents", said, Verdict.NO_GO, to_do, values)


def judge_key_file(facts: KeyFacts | None) -> Finding:
    """Return what there is to say of the key that this host uses, apart from what is heard."""
    if facts is None:
        to_do = "make one with `leadlight key FILE` and give it to every node: else anybody on this network can lead"
        return Finding("key_file", "key file", "none: no key is used", Verdict.LOOK, to_do, {"keys": 0})
    keys = f"{facts.count} key{'' if facts.count == 1 else 's'}"
    values = {"keys": facts.count, "open_to_others": facts.is_open_to_others}
    if facts.is_open_to_others:
        said = f"{facts.path}: {keys}, and others than its owner may use it"
        to_do = f"keep it to its owner: chmod 600 {facts.path}, and make a new key if strangers use this host"
        return Finding("key_file", "key file", said, Verdict.NO_GO, to_do, values)
    return Finding("key_file", "key file", f"{facts.path}: {keys}, for its owner alone", values=values)
