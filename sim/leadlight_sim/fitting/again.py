"""What was learnt, drawn again: the packets of a recording sent once more, through the air that was made of it."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType
from typing import Final, TypeAlias

from leadlight.units import MILLISECOND
from leadlight_sim import scenario as described
from leadlight_sim.air import Dropout
from leadlight_sim.air.choice import air_settings
from leadlight_sim.air.sampled import SampledAir, SampledSettings
from leadlight_sim.fitting.air import Fit, to_toml
from leadlight_sim.kernel import Kernel, Stream, Streams, TrueInstant
from leadlight_sim.recording import HostObserved, Observed, Way

PACKETS_MAXIMUM: Final = 12_000
APART_NS: Final = 40 * MILLISECOND
"""Packets of one link that are drawn nearer to each other would wait for one another, as those of the recording did."""
PROBER: Final = "prober"
EVENTS_MAXIMUM: Final = 10_000_000


def settings_of(found: Fit, observed: Observed) -> SampledSettings:
    """Return the sampled air's settings for a fit, as a scenario's file would give them."""
    written = tomllib.loads(to_toml(found, observed, ()))["air"]
    # What no recording tells of the floors is not drawn here.
    return air_settings(described.Air(**{"preset": "idle", "floor_asymmetry": 0.0} | written))


class _Ear:
    """Notes when each packet came, and answers what was sent to it alone."""

    def __init__(self, name: str, wired: bool, log: dict[tuple[str, int, str], int], answer: Answer | None) -> None:
        self.name = name
        self.wired = wired
        self._log = log
        self._answer = answer

    def receive_delay_ns(self, stream: Stream) -> int:  # noqa: ARG002 - the hosts' own time is in the recording
        return 0

    def receive(self, data: bytes, sender: str, arrived_at: TrueInstant) -> None:
        kind, number = data.decode().split(":")
        self._log[kind, int(number), sender if kind == "up" else self.name] = int(arrived_at)
        if kind == "down" and self._answer is not None:
            self._answer(self.name, _data("up", int(number)), PROBER)


Answer: TypeAlias = Callable[[str, bytes, str], None]


def drawn_again(found: Fit, observed: Observed, seed: int = 1) -> Observed:
    """Return a recording's packets as the fitted air carries them, sent when they were; thinned where dense."""
    lossy = {own.label: Dropout.from_mean(own.extra_share, own.extra_burst_s) for own in found.lossy}
    return carried(observed, settings_of(found, observed), seed, prober_is_wired=not found.crosses_twice, lossy=lossy)


def carried(
    observed: Observed,
    settings: SampledSettings,
    seed: int,
    *,
    prober_is_wired: bool = True,
    lossy: Mapping[str, Dropout] = MappingProxyType({}),
) -> Observed:
    """Return the packets of a recording as an air carries them; ``lossy`` is what some hosts lose on their own.

    Where both ways were recorded, what goes up answers what came down.
    """
    kernel = Kernel()
    log: dict[tuple[str, int, str], int] = {}
    air = SampledAir(kernel, Streams(seed), settings)
    air.attach(_Ear(PROBER, prober_is_wired, log, None))
    group = sorted({at for host in observed.hosts for at in _thinned(host.group, observed)})
    plans = []
    for number, host in enumerate(observed.hosts):
        name = f"host {number}"
        answers = bool(len(host.down) and len(host.up))
        air.attach(_Ear(name, False, log, air.send if answers else None), lossy.get(host.label))
        kind, sender, receiver = ("down", PROBER, name) if len(host.down) else ("up", name, PROBER)
        instants = _thinned(getattr(host, kind), observed)
        plans.append((host, name, kind, answers, instants))
        for place, at in enumerate(instants):
            kernel.schedule(TrueInstant(at), air.send, sender, _data(kind, place), receiver)
    for place, at in enumerate(group):
        kernel.schedule(TrueInstant(at), air.send, PROBER, _data("group", place), None)
    kernel.run_all(limit=EVENTS_MAXIMUM)

    def way(kind: str, name: str, places: Iterable[int], instants: Iterable[int]) -> Way:
        pairs = [(float(at), log.get((kind, place, name))) for place, at in zip(places, instants, strict=True)]
        return Way.of([at for at, _ in pairs], [None if came is None else came - at for at, came in pairs])

    hosts = []
    for host, name, kind, answers, instants in plans:
        ways = {kind: way(kind, name, range(len(instants)), instants)}
        if answers:
            heard = {place: log["down", place, name] for place in range(len(instants)) if ("down", place, name) in log}
            ways["up"] = way("up", name, heard.keys(), heard.values())
            backs = [(instants[place], log.get(("up", place, name))) for place in heard]
            trips = [(float(at), float(back - at)) for at, back in backs if back is not None]
            ways["round_trip"] = Way.of([at for at, _ in trips], [trip for _, trip in trips])
        if len(host.group):
            ways["group"] = way("group", name, range(len(group)), group)
        nothing = Way.of((), ())
        up, down, heard_group, both = (ways.get(kind, nothing) for kind in ("up", "down", "group", "round_trip"))
        hosts.append(HostObserved(host.label, up, down, heard_group, both, halved=host.halved))
    return Observed(observed.source, tuple(hosts), observed.length_ns)


def _thinned(way: Way, observed: Observed) -> list[int]:
    most = max(200, PACKETS_MAXIMUM // (2 * len(observed.hosts) + 1))
    kept: list[int] = []
    for at in way.sent_ns.tolist():
        if not kept or at - kept[-1] >= APART_NS:
            kept.append(max(0, round(at)))
            if len(kept) >= most:
                break
    return kept


def _data(kind: str, number: int) -> bytes:
    return f"{kind}:{number}".encode()
