"""Tables for the sampled air, made from a contended run.

A scene says what a network carries: beacons to the group, and soundings that each follower sends and the leader
answers. It is run once with every frame contending and no channel loss, so that the laws hold what contention does
(queues, collisions, retries, the neighbours' load, beacons on the air) and nothing else; the sampled air then adds
channel loss, retries and the hold for DTIM by its own rules. Laws are quantiles of what was seen.

What gets lost on the way: one draw knows nothing of the next, so a busy second is not followed by another; a
follower's luck is its own in unicast although all share the channel; and the rare unicast frame that collides until
it is given up counts as one that took long.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from hashlib import blake2b
from pathlib import Path

from leadlight.errors import ConfigurationError
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.air.access_point import GroupHold
from leadlight_sim.air.contended import ContendedAir
from leadlight_sim.air.contended_settings import ContendedSettings
from leadlight_sim.air.dropouts import NO_DROPOUT
from leadlight_sim.air.interface import Air
from leadlight_sim.air.laws import AirTables, DelayLaw, Empirical, Fixed
from leadlight_sim.air.sampled import SampledSettings
from leadlight_sim.kernel import Kernel, TrueInstant
from leadlight_sim.streams import Stream, Streams

QUANTILES = 1001
"""Per law: every thousandth, so that a 99.9th percentile is one of them."""
FORMAT = 1
"""Part of every digest: raise it when a change to the contended air changes what its runs give."""
DITHER_SHARE = 0.2
"""Beacons are sent up to this share of an interval late, as leaders do to break step with the access point."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What a network carries while it is observed.

    Sizes are UDP payloads. ``sounding_interval_ns`` is each follower's own; 0 means no soundings.
    """

    air: ContendedSettings = field(default_factory=ContendedSettings)
    followers: int = 8
    leader_is_wired: bool = True
    beacon_interval_ns: int = 100 * MILLISECOND
    beacon_bytes: int = 112
    sounding_interval_ns: int = 2 * SECOND
    sounding_bytes: int = 96
    duration_ns: int = 1_000 * SECOND
    seed: int = 1

    def __post_init__(self) -> None:
        for name, least in (
            ("followers", 1),
            ("beacon_bytes", 16),
            ("sounding_bytes", 16),
            ("sounding_interval_ns", 0),
        ):
            value = getattr(self, name)
            if type(value) is not int or value < least:
                raise ConfigurationError(name, value, f"a whole number, {least} or more")
        if self.beacon_interval_ns < MILLISECOND:
            raise ConfigurationError("beacon_interval_ns", self.beacon_interval_ns, "a millisecond or more")
        if self.duration_ns < 100 * self.beacon_interval_ns:
            raise ConfigurationError("duration_ns", self.duration_ns, "a hundred beacon intervals or more")
        air = self.air
        if air.power_save.stations or air.scans is not None or air.converts_multicast or air.membership_lifetime_ns:
            raise ConfigurationError(
                "air", air, "one that the sampled air knows: no dozing followers, scans, conversion or snooping"
            )

    @property
    def digest(self) -> str:
        """A name for this scene and its outcome: scenes of one digest give the same tables."""
        return blake2b(repr((FORMAT, self)).encode(), digest_size=16, person=b"air tables").hexdigest()


@dataclass(frozen=True, slots=True)
class MeasuredLaws:
    """What a scene's contended run gave: quantiles of delays in ns, and the share of group frames that collided.

    A wired leader's delays have its cable in them.
    """

    up_ns: tuple[int, ...]
    down_ns: tuple[int, ...]
    group_ns: tuple[int, ...]
    group_loss: float

    def to_json(self) -> str:
        """Return the laws as text."""
        laws = {"up_ns": self.up_ns, "down_ns": self.down_ns, "group_ns": self.group_ns, "group_loss": self.group_loss}
        return json.dumps(laws)

    @classmethod
    def from_json(cls, text: str) -> MeasuredLaws:
        """Return the laws that ``to_json`` wrote."""
        laws = json.loads(text)
        up_ns, down_ns, group_ns = (tuple(laws[name]) for name in ("up_ns", "down_ns", "group_ns"))
        return cls(up_ns, down_ns, group_ns, laws["group_loss"])


class Observer:
    """A scene's traffic in any air, and what came of it.

    ``beacons`` holds, for each beacon heard, when it was sent and when the first follower had it; ``soundings`` and
    ``echoes`` delays in ns; ``sent`` the number of beacons sent.
    """

    def __init__(self, kernel: Kernel, air: Air, scene: Scene, streams: Streams) -> None:
        self.sent = 0
        self.beacons: dict[int, int] = {}
        self.at_access_point: dict[int, int] = {}
        self.soundings: list[int] = []
        self.echoes: list[int] = []
        self._kernel = kernel
        self._air = air
        self._scene = scene
        self._luck = streams.stream("observer")
        air.attach(_Ear("leader", scene.leader_is_wired, self))
        # A wired listener hears what reaches the access point, and probes the way down where the leader cannot.
        air.attach(_Ear("listener", True, self))
        for number in range(scene.followers):
            air.attach(_Ear(f"follower {number}", False, self))
            if scene.sounding_interval_ns:
                begin = int(self._luck.uniform(0, scene.sounding_interval_ns))
                kernel.schedule(TrueInstant(begin), self._sound, f"follower {number}")
        kernel.schedule(TrueInstant(0), self._beacon, 0)
        if not scene.leader_is_wired:
            kernel.schedule(TrueInstant(0), self._probe, 0)

    def heard(self, name: str, data: bytes, sender: str, at: int) -> None:
        """Note a datagram that a station hears."""
        sent_at = int.from_bytes(data[1:9], "big")
        if data[:1] == b"B":
            if name == "listener":
                self.at_access_point[sent_at] = at
            elif name != "leader":
                self.beacons.setdefault(sent_at, at)
        elif data[:1] == b"S":
            if self._scene.leader_is_wired:
                self.soundings.append(at - sent_at)
            self._air.send("leader", self._datagram(b"E", self._scene.sounding_bytes), sender)
        elif sender == ("leader" if self._scene.leader_is_wired else "listener"):
            self.echoes.append(at - sent_at)

    def _datagram(self, kind: bytes, size: int) -> bytes:
        return (kind + self._kernel.now.to_bytes(8, "big")).ljust(size, b"\0")

    def _beacon(self, number: int) -> None:
        scene = self._scene
        if number:
            self.sent += 1
            self._air.send("leader", self._datagram(b"B", scene.beacon_bytes), None)
        late = int(self._luck.uniform(0, DITHER_SHARE * scene.beacon_interval_ns))
        self._kernel.schedule(TrueInstant((number + 1) * scene.beacon_interval_ns + late), self._beacon, number + 1)

    def _sound(self, name: str) -> None:
        self._air.send(name, self._datagram(b"S", self._scene.sounding_bytes), "leader")
        self._kernel.schedule_after(self._scene.sounding_interval_ns, self._sound, name)

    def _probe(self, number: int) -> None:
        name = f"follower {number % self._scene.followers}"
        self._air.send("listener", self._datagram(b"P", self._scene.sounding_bytes), name)
        self._kernel.schedule_after(SECOND + int(self._luck.uniform(0, SECOND // 10)), self._probe, number + 1)


class _Ear:
    def __init__(self, name: str, wired: bool, observer: Observer) -> None:
        self.name = name
        self.wired = wired
        self._observer = observer

    def receive_delay_ns(self, luck: Stream) -> int:  # noqa: ARG002 - the host is not the air's
        return 0

    def receive(self, data: bytes, sender: str, arrived_at: TrueInstant) -> None:
        self._observer.heard(self.name, data, sender, arrived_at)


def measure(scene: Scene) -> MeasuredLaws:
    """Run a scene with every frame contending, and return the laws of what was seen.

    Raises ``ConfigurationError`` if the network is asked for more than it carries: no law holds then, for queues grow
    as long as one watches.
    """
    settings = replace(scene.air, dropout=NO_DROPOUT, shared_dropout=NO_DROPOUT)
    if not scene.leader_is_wired:
        # So that the listener hears at the instant at which the access point does.
        settings = replace(settings, cable=Fixed(0))
    kernel = Kernel()
    streams = Streams(scene.seed)
    air = ContendedAir(kernel, streams, settings)
    observer = Observer(kernel, air, scene, streams)
    kernel.run_until(TrueInstant(scene.duration_ns))
    if air.over_capacity:
        raise ConfigurationError("scene", scene.digest, "no more traffic than the air can carry")
    reached = (
        observer.at_access_point if not scene.leader_is_wired else {sent_at: sent_at for sent_at in observer.beacons}
    )
    group = []
    latest_dtim = -1
    for sent_at, heard_at in observer.beacons.items():
        begin = reached[sent_at]
        if settings.power_save.others_doze:
            assert air.grid is not None
            begin = int(air.grid.next_dtim(TrueInstant(begin)))
            # Behind another one, for whose airtime the sampled air's own queue accounts; or come while the DTIM beacon
            # was waiting for the medium or on the air, which the sampled air lets wait for the next one.
            if begin == latest_dtim or heard_at < begin:
                continue
            latest_dtim = begin
        group.append(heard_at - begin)
    up = observer.soundings
    if not scene.leader_is_wired:
        up = [at - sent_at for sent_at, at in observer.at_access_point.items()]
    counted = len(reached) if not scene.leader_is_wired else observer.sent
    # Those still under way at the end are not lost.
    lost = max(0, counted - len(observer.beacons) - 1)
    return MeasuredLaws(
        _quantiles(up or group), _quantiles(observer.echoes or group), _quantiles(group), lost / max(counted, 1)
    )


def measured(scene: Scene, cache: Path | None = None) -> MeasuredLaws:
    """Return ``measure(scene)``, from a file in the directory ``cache`` if it is there; else it is put there."""
    if cache is None:
        return measure(scene)
    path = cache / f"air-{scene.digest}.json"
    if path.exists():
        return MeasuredLaws.from_json(path.read_text(encoding="utf-8"))
    laws = measure(scene)
    cache.mkdir(parents=True, exist_ok=True)
    # Written whole or not at all, for several workers may measure the same scene.
    draft = path.with_suffix(f".{scene.seed}.draft")
    draft.write_text(laws.to_json(), encoding="utf-8")
    draft.replace(path)
    return laws


def sampled_settings(scene: Scene, laws: MeasuredLaws) -> SampledSettings:
    """Return the sampled air's settings for a scene's network, with the laws that were measured."""
    air = scene.air
    up: DelayLaw = Empirical(laws.up_ns)
    down: DelayLaw = Empirical(laws.down_ns)
    group: DelayLaw = Empirical(laws.group_ns)
    hold = None
    if air.power_save.others_doze:
        assert air.beacons is not None
        beacons = air.beacons
        hold = GroupHold(beacons.period, beacons.phase_ns, beacons.clock_error_ppb, queue_frames=air.group_queue_frames)
    return SampledSettings(
        tables=AirTables(
            up=up,
            down=down,
            group=group,
            private=Fixed(0),
            cable=air.cable,
            floor_ns=min(laws.up_ns[0], laws.down_ns[0]),
        ),
        dropout=air.dropout,
        shared_dropout=air.shared_dropout,
        hold=hold,
        radio=air.radio,
        group_loss=laws.group_loss,
        unicast_tries=sum(step.tries for step in air.rate_chain),
        client_isolation=air.client_isolation,
    )


def _quantiles(delays: list[int]) -> tuple[int, ...]:
    if not delays:
        raise ConfigurationError("scene", None, "one in which something is heard")
    ordered = sorted(delays)
    last = len(ordered) - 1
    return tuple(ordered[round(number * last / (QUANTILES - 1))] for number in range(QUANTILES))
