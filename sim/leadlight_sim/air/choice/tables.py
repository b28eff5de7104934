"""Tables for the sampled air, made from a contended run.

A scene says what a network carries: beacons to the group, and soundings that each follower sends and the leader
answers. It is run once with every frame contending and no channel loss. So the distributions hold what contention does
(queues, collisions, retries, the neighbours' load, beacons on the air) and nothing else. The sampled air then adds
channel loss, retries and the hold for DTIM by its own rules. Distributions are quantiles of what was seen.

Delays are alike in time as the neighbours' load is. Each window of the run has a level of load, each level
distributions and a share of collisions of its own, and the sampled air replays the levels in the order in which they
came. Where group frames are held, the first that a DTIM beacon lets go has other distributions than those right behind
it.

What gets lost on the way: within one level a draw knows nothing of the next, so a follower's draws are its own in
unicast although all share the channel; a unicast frame that collides until it is given up is not in the distributions,
and none is lost for it (3 % are, beside forty neighbours that always send); and the scene's own beacons and soundings
are some of what there is to collide with, as often as the scene has them and not as often as a leader sends them.
"""

from __future__ import annotations

import json
import math
import os
from bisect import bisect_right
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from hashlib import blake2b
from pathlib import Path
from typing import Any

from leadlight.errors import ConfigurationError
from leadlight.units import MILLISECOND, SECOND
from leadlight_sim.air import (
    BEACON_INTERVAL_NS,
    NO_DROPOUT,
    Air,
    AirTables,
    BeaconGrid,
    Empirical,
    Fixed,
    GroupHold,
    LoadRecord,
    block_windows,
)
from leadlight_sim.air.contended import ContendedAir, ContendedSettings, Frame, Port
from leadlight_sim.air.sampled import SampledSettings
from leadlight_sim.kernel import Kernel, Stream, Streams, TrueInstant

QUANTILES = 1001
"""Per distribution: every thousandth, so that a 99.9th percentile is one of them."""
FORMAT = 4
"""Part of every digest: raise it when a change to the contended air changes what its runs give."""
DELAYS = ("up_ns", "down_ns", "group_ns", "forwarded_ns", "reply_ns", "behind_ns")
WINDOW_NS = 10 * MILLISECOND
"""What the load is told of as one: some ten exchanges of full frames; longer than most single delays."""
LEVELS_MAXIMUM = 8
BEACONS_PER_LEVEL = 100
"""At least so many make a level's distribution of shared delays."""
DELAYS_MINIMUM = 20
"""A level with fewer delays of a kind than this takes the distribution of all levels."""
LOSS_ERROR = 0.001
LOSS_ERROR_SHARE = 0.05
"""How well a share of beacons lost is to be known, as a standard error of its own and as a part of it."""
MEASURED_PERIOD_MAXIMUM = 2
"""A held scene is observed with a DTIM at every second beacon at most: half its beacons lead a burst then."""
DITHER_SHARE = 0.2
"""Beacons are sent up to this share of an interval late, as leaders do to break step with the access point."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What a network carries while it is observed.

    Sizes are UDP payloads. ``sounding_interval_ns`` is each follower's own; 0 means no soundings. It is observed for
    ``duration_ns``, and by as much again, up to ``duration_limit_ns``. It ends once the share of beacons that collide
    is known to a standard error of a twentieth of itself or of ``LOSS_ERROR``, whichever is more.
    """

    air: ContendedSettings = field(default_factory=ContendedSettings)
    followers: int = 8
    leader_is_wired: bool = True
    beacon_interval_ns: int = 100 * MILLISECOND
    beacon_bytes: int = 112
    sounding_interval_ns: int = 2 * SECOND
    sounding_bytes: int = 96
    duration_ns: int = 1_000 * SECOND
    duration_limit_ns: int = 0
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
        if self.duration_limit_ns < 0:
            raise ConfigurationError("duration_limit_ns", self.duration_limit_ns, "0 or more")
        if self.duration_ns < 100 * self.beacon_interval_ns:
            raise ConfigurationError("duration_ns", self.duration_ns, "a hundred beacon intervals or more")
        air = self.air
        habits = air.power_save.stations, air.scans, air.converts_multicast, air.membership_lifetime_ns, air.further
        if any(habits) or air.answer_loss_factor:
            allowed = "what a sampled air knows: nobody dozes, scans, snoops or lacks answers, one radio, no conversion"
            raise ConfigurationError("air", air, allowed)

    @property
    def digest(self) -> str:
        """A name for this scene and its outcome: scenes of one digest give the same tables."""
        return blake2b(repr((FORMAT, self)).encode(), digest_size=16, person=b"air tables").hexdigest()


@dataclass(frozen=True, slots=True)
class LevelDistributions:
    """Quantiles of delays in ns, and the share of group frames that collided, at one level of load or at all of them.

    ``behind_ns`` and ``behind_loss`` are of group frames that went right behind another, where they are held for DTIM.
    ``group_ns`` and ``group_loss`` are then of the first that each DTIM beacon let go. What begins while the beacon is
    on the air waits for its end, what begins during the first frame waits for the end of that. One waits longer, and
    more often, so that the two collide unlike. ``count_stretch`` is how many times as long as on an idle medium a
    contender's count took. A wired leader's delays have its cable in them; with it, nothing is forwarded from radio to
    radio, and no reply is sent by radio.
    """

    up_ns: tuple[int, ...]
    down_ns: tuple[int, ...]
    group_ns: tuple[int, ...]
    forwarded_ns: tuple[int, ...]
    reply_ns: tuple[int, ...]
    behind_ns: tuple[int, ...]
    group_loss: float
    behind_loss: float
    count_stretch: float


@dataclass(frozen=True, slots=True)
class MeasuredDistributions:
    """What a scene's contended run gave.

    ``overall`` is what was seen at any time, and ``levels``, the calmest first, what was seen in windows of each level.
    ``windows`` has one letter from "a" on for each window's level.
    """

    overall: LevelDistributions
    levels: tuple[LevelDistributions, ...]
    windows: str

    def to_json(self) -> str:
        """Return the distributions as text."""
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, text: str) -> MeasuredDistributions:
        """Return the distributions that ``to_json`` wrote."""
        distributions = json.loads(text)

        def level(kept: dict[str, Any]) -> LevelDistributions:
            return LevelDistributions(**kept | {name: tuple(kept[name]) for name in DELAYS})

        return cls(
            level(distributions["overall"]), tuple(map(level, distributions["levels"])), distributions["windows"]
        )


class Observer:
    """A scene's traffic in any air, and what came of it.

    ``sent`` holds when each beacon was sent, and ``beacons``, for each one heard, when the first follower had it.
    ``soundings`` and ``echoes`` hold when each was sent, and its delay in ns. Where the leader is on the radio,
    ``forwarded`` holds when each of both was at the access point and how long it took from there. ``replies`` holds
    when each Echo was sent and how long it took to get there.
    """

    def __init__(self, kernel: Kernel, air: Air, scene: Scene, streams: Streams) -> None:
        self.sent: list[int] = []
        self.beacons: dict[int, int] = {}
        self.at_access_point: dict[int, int] = {}
        self.soundings: list[tuple[int, int]] = []
        self.echoes: list[tuple[int, int]] = []
        self.forwarded: list[tuple[int, int]] = []
        self.replies: list[tuple[int, int]] = []
        self._passed: dict[bytes, int] = {}
        self._kernel = kernel
        self._air = air
        self._scene = scene
        self._stream = streams.stream("observer")
        air.attach(_Ear("leader", scene.leader_is_wired, self))
        # A wired listener hears what reaches the access point, and probes the way down where the leader cannot.
        air.attach(_Ear("listener", True, self))
        for number in range(scene.followers):
            air.attach(_Ear(f"follower {number}", False, self))
            if scene.sounding_interval_ns:
                begin = int(self._stream.uniform(0, scene.sounding_interval_ns))
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
                self.soundings.append((sent_at, at - sent_at))
            else:
                self._note_forwarded(data, at)
            self._air.send("leader", self._datagram(b"E", self._scene.sounding_bytes), sender)
        elif sender == ("leader" if self._scene.leader_is_wired else "listener"):
            self.echoes.append((sent_at, at - sent_at))
        elif data[:1] == b"E":
            passed_at = self._note_forwarded(data, at)
            if passed_at is not None:
                self.replies.append((sent_at, passed_at - sent_at))

    def passes(self, data: bytes) -> None:
        """Note a datagram that has just reached the access point by radio, for one station."""
        self._passed[data] = self._kernel.now

    def _note_forwarded(self, data: bytes, at: int) -> int | None:
        # Nothing is known of it in an air that does not tell what passes.
        passed_at = self._passed.pop(data, None)
        if passed_at is not None:
            self.forwarded.append((passed_at, at - passed_at))
        return passed_at

    def _datagram(self, kind: bytes, size: int) -> bytes:
        return (kind + self._kernel.now.to_bytes(8, "big")).ljust(size, b"\0")

    def _beacon(self, number: int) -> None:
        scene = self._scene
        if number:
            self.sent.append(self._kernel.now)
            self._air.send("leader", self._datagram(b"B", scene.beacon_bytes), None)
        late = int(self._stream.uniform(0, DITHER_SHARE * scene.beacon_interval_ns))
        self._kernel.schedule(TrueInstant((number + 1) * scene.beacon_interval_ns + late), self._beacon, number + 1)

    def _sound(self, name: str) -> None:
        self._air.send(name, self._datagram(b"S", self._scene.sounding_bytes), "leader")
        self._kernel.schedule_after(self._scene.sounding_interval_ns, self._sound, name)

    def _probe(self, number: int) -> None:
        name = f"follower {number % self._scene.followers}"
        self._air.send("listener", self._datagram(b"P", self._scene.beacon_bytes), name)
        self._kernel.schedule_after(SECOND + int(self._stream.uniform(0, SECOND // 10)), self._probe, number + 1)


class _Ear:
    def __init__(self, name: str, wired: bool, observer: Observer) -> None:
        self.name = name
        self.wired = wired
        self._observer = observer

    def receive_delay_ns(self, stream: Stream) -> int:  # noqa: ARG002 - the host is not the air's
        return 0

    def receive(self, data: bytes, sender: str, arrived_at: TrueInstant) -> None:
        self._observer.heard(self.name, data, sender, arrived_at)


class _WatchedAir(ContendedAir):
    # Tells the observer what passes the access point from one radio station to another.

    observer: Observer | None = None

    def _forward(self, frame: Frame, receiver: Port) -> None:
        if self.observer is not None and not frame.sender.wired:
            self.observer.passes(frame.data)
        super()._forward(frame, receiver)


class _LoadWatch:
    # For each window, what share of its time the neighbours took of that which the network's own frames left them, and
    # how many slots were counted down.

    def __init__(self, kernel: Kernel, air: ContendedAir) -> None:
        self.shares: list[float] = []
        self.slots: list[int] = []
        self._kernel = kernel
        self._air = air
        self._busy_ns = self._others_ns = self._counted = 0
        kernel.schedule_after(WINDOW_NS, self._look)

    def _look(self) -> None:
        medium = self._air.medium
        others_ns = sum(neighbour.on_air_ns for neighbour in self._air.neighbours)
        others = others_ns - self._others_ns
        left_ns = WINDOW_NS - max(0, medium.busy_ns - self._busy_ns - others)
        self.shares.append(others / left_ns if left_ns > 0 else 1.0)
        self.slots.append(medium.slots_until_now - self._counted)
        self._busy_ns, self._others_ns, self._counted = medium.busy_ns, others_ns, medium.slots_until_now
        self._kernel.schedule_after(WINDOW_NS, self._look)


class _Levels:
    # Which level each window of a run has: so many that each is met by as many of the instants given. A window's level
    # is the neighbours' share of the window before it: what is sent in a window takes air from the neighbours, so that
    # their share of the same one would tell of the network's own frames.

    def __init__(self, watch: _LoadWatch, instants: list[int], slot_ns: int) -> None:
        self._shares = [*watch.shares[:1], *watch.shares[:-1]] or [0.0]
        self._slots = watch.slots
        self._slot_ns = slot_ns
        met = sorted(self._share_at(instant) for instant in instants)
        count = max(1, min(LEVELS_MAXIMUM, len(met) // BEACONS_PER_LEVEL))
        self._bounds = sorted({met[len(met) * number // count] for number in range(1, count)} - {met[0]} if met else ())

    def stretch(self, level: int | None = None) -> float:
        slots = [
            counted
            for counted, share in zip(self._slots, self._shares, strict=False)
            if level is None or bisect_right(self._bounds, share) == level
        ]
        counted_ns = sum(slots) * self._slot_ns
        return max(1.0, len(slots) * WINDOW_NS / counted_ns) if counted_ns else 1.0

    @property
    def count(self) -> int:
        return len(self._bounds) + 1

    @property
    def windows(self) -> str:
        return "".join(chr(ord("a") + bisect_right(self._bounds, share)) for share in self._shares)

    def at(self, instant: int) -> int:
        return bisect_right(self._bounds, self._share_at(instant))

    def shares_lost(self, outcomes: _Outcomes) -> list[float]:
        # Of each level. Beacons do not meet windows of each level quite as often as there are such windows, for those
        # that follow a beacon look a little different; all windows together are to lose what was lost.
        lost, met = [0] * self.count, [0] * self.count
        for begin, is_lost in zip(outcomes.begins, outcomes.lost, strict=True):
            level = self.at(begin)
            met[level] += 1
            lost[level] += is_lost
        shares = [one / of if of else outcomes.share_lost for one, of in zip(lost, met, strict=True)]
        windows = self.windows
        mixed = sum(share * windows.count(chr(ord("a") + level)) for level, share in enumerate(shares)) / len(windows)
        factor = outcomes.share_lost / mixed if mixed else 1.0
        return [min(1.0, factor * share) for share in shares]

    def _share_at(self, instant: int) -> float:
        return self._shares[min(instant // WINDOW_NS, len(self._shares) - 1)]


def measure(scene: Scene) -> MeasuredDistributions:
    """Run a scene with every frame contending, and return the distributions of what was seen.

    Raises ``ConfigurationError`` if the network is asked for more than it carries: no distribution holds then, for
    queues grow as long as one watches.
    """
    # Isolation keeps a radio leader's frames from the followers; what they meet on the air is as without it.
    settings = replace(scene.air, dropout=NO_DROPOUT, shared_dropout=NO_DROPOUT, client_isolation=False)
    if settings.power_save.others_doze:
        assert settings.beacons is not None
        # What a DTIM beacon lets go meets the same whether it waited for one beacon or for ten, and more often of two.
        period = min(settings.beacons.period, MEASURED_PERIOD_MAXIMUM)
        settings = replace(settings, beacons=replace(settings.beacons, period=period, phase_ns=None))
    if not scene.leader_is_wired:
        # So that the listener hears at the instant at which the access point does.
        settings = replace(settings, cable=Fixed(0))
    kernel = Kernel()
    streams = Streams(scene.seed)
    air = _WatchedAir(kernel, streams, settings)
    observer = air.observer = Observer(kernel, air, scene, streams)
    watch = _LoadWatch(kernel, air)
    held_by = air.grid if settings.power_save.others_doze else None
    end_ns = 0
    while True:
        end_ns += scene.duration_ns
        kernel.run_until(TrueInstant(end_ns))
        if air.over_capacity:
            raise ConfigurationError("scene", scene.digest, "no more traffic than the air can carry")
        leading, following = _beacon_outcomes(observer, held_by, scene.leader_is_wired, end_ns)
        if end_ns + scene.duration_ns > scene.duration_limit_ns or (leading.is_known and following.is_known):
            break
    up = observer.soundings
    if not scene.leader_is_wired:
        up = [(sent_at, at - sent_at) for sent_at, at in observer.at_access_point.items()]
    levels = _Levels(watch, [*leading.begins, *following.begins], settings.access_rules.slot_ns)
    kinds = (
        up or leading.delays,
        observer.echoes or leading.delays,
        leading.delays,
        _as_large(scene, observer.forwarded),
        _as_large(scene, observer.replies),
        following.delays,
    )
    all_ns = [_quantiles([delay for _, delay in kind]) if kind else () for kind in kinds]
    overall = LevelDistributions(
        **dict(zip(DELAYS, all_ns, strict=True)),
        group_loss=leading.share_lost,
        behind_loss=following.share_lost,
        count_stretch=levels.stretch(),
    )
    losses = zip(levels.shares_lost(leading), levels.shares_lost(following), strict=True)
    by_level = []
    for level, (group_loss, behind_loss) in enumerate(losses):
        distributions = []
        for kind, distribution in zip(kinds, all_ns, strict=True):
            delays = [delay for at, delay in kind if levels.at(at) == level]
            distributions.append(_quantiles(delays) if len(delays) >= DELAYS_MINIMUM else distribution)
        by_level.append(
            LevelDistributions(
                **dict(zip(DELAYS, distributions, strict=True)),
                group_loss=group_loss,
                behind_loss=behind_loss,
                count_stretch=levels.stretch(level),
            )
        )
    return MeasuredDistributions(overall, tuple(by_level), levels.windows)


@dataclass(slots=True)
class _Outcomes:
    # What became of beacons: when each one was at the access point and might go, whether it was lost, and for those
    # that were not, when that was and how long they took from then on.

    begins: list[int] = field(default_factory=list)
    lost: list[bool] = field(default_factory=list)
    delays: list[tuple[int, int]] = field(default_factory=list)

    @property
    def share_lost(self) -> float:
        return sum(self.lost) / len(self.lost) if self.lost else 0.0

    @property
    def is_known(self) -> bool:
        if not self.lost:
            return True  # there are none of this kind
        # By Laplace's rule of succession, since few that are all heard do not prove that none is ever lost.
        share = (sum(self.lost) + 1) / (len(self.lost) + 2)
        return math.sqrt(share * (1 - share) / len(self.lost)) <= max(LOSS_ERROR, LOSS_ERROR_SHARE * share)


def _beacon_outcomes(
    observer: Observer, held_by: BeaconGrid | None, leader_is_wired: bool, end_ns: int
) -> tuple[_Outcomes, _Outcomes]:
    # Of the beacons that went first, and of those that went right behind another of a burst.
    leading, following = _Outcomes(), _Outcomes()
    over_at = end_ns - min(SECOND, end_ns // 10)
    reached = {at: at for at in observer.sent} if leader_is_wired else observer.at_access_point
    latest_dtim, latest_heard_at = -1, None
    for sent_at, begin in reached.items():
        if begin > over_at:
            continue  # perhaps still under way
        heard_at = observer.beacons.get(sent_at)
        outcomes = leading
        if held_by is not None:
            dtim = held_by.next_dtim(TrueInstant(begin))
            if heard_at is not None and heard_at < dtim:
                # It came while the latest DTIM beacon was waiting for the medium or on the air, and went with that.
                dtim = held_by.next_dtim(TrueInstant(max(0, begin - BEACON_INTERVAL_NS // 2)))
            begin = int(dtim)
            if dtim == latest_dtim:
                outcomes = following
            latest_dtim = dtim
        outcomes.begins.append(begin)
        outcomes.lost.append(heard_at is None)
        if heard_at is not None:
            if outcomes is leading:
                outcomes.delays.append((begin, heard_at - begin))
            elif latest_heard_at is not None:
                outcomes.delays.append((begin, heard_at - latest_heard_at))
        latest_heard_at = heard_at
    return leading, following


def measured(scene: Scene, cache: Path | None = None) -> MeasuredDistributions:
    """Return ``measure(scene)``, from a file in the directory ``cache`` if it is there; else it is put there.

    A directory that cannot be read or written costs nothing but the time to measure again.
    """
    if cache is None:
        return measure(scene)
    path = cache / f"air-{scene.digest}.json"
    with suppress(OSError, ValueError, KeyError, TypeError):
        return MeasuredDistributions.from_json(path.read_text(encoding="utf-8"))
    distributions = measure(scene)
    with suppress(OSError):
        cache.mkdir(parents=True, exist_ok=True)
        # Written whole or not at all, for several workers may measure the same scene.
        draft = path.with_suffix(f".{os.getpid()}.draft")
        draft.write_text(distributions.to_json(), encoding="utf-8")
        draft.replace(path)
    return distributions


def sampled_settings(scene: Scene, distributions: MeasuredDistributions) -> SampledSettings:
    """Return the sampled air's settings for a scene's network, with the distributions that were measured."""
    air = scene.air
    hold = None
    if air.power_save.others_doze:
        assert air.beacons is not None
        beacons = air.beacons
        hold = GroupHold(beacons.period, beacons.phase_ns, beacons.clock_error_ppb, queue_frames=air.group_queue_frames)
    load = None
    if len(distributions.levels) > 1:
        windows = bytes(ord(letter) - ord("a") for letter in distributions.windows)
        block = block_windows(len(windows), WINDOW_NS)
        load = LoadRecord(tuple(_tables(air, level) for level in distributions.levels), windows, WINDOW_NS, block)
    return SampledSettings(
        tables=_tables(air, distributions.overall),
        load=load,
        group_distribution_bytes=scene.beacon_bytes,
        unicast_distribution_bytes=scene.sounding_bytes if scene.leader_is_wired else scene.beacon_bytes,
        dropout=air.dropout,
        shared_dropout=air.shared_dropout,
        hold=hold,
        radio=air.radio,
        retries_block=True,
        unicast_tries=sum(step.tries for step in air.rate_chain),
        client_isolation=air.client_isolation,
    )


def _tables(air: ContendedSettings, distributions: LevelDistributions) -> AirTables:
    return AirTables(
        up=Empirical(distributions.up_ns),
        down=Empirical(distributions.down_ns),
        group=Empirical(distributions.group_ns),
        forwarded=Empirical(distributions.forwarded_ns) if distributions.forwarded_ns else None,
        reply=Empirical(distributions.reply_ns) if distributions.reply_ns else None,
        reply_within_ns=air.radio.busy_after_ns,
        private=Fixed(0),
        cable=air.cable,
        floor_ns=min(distributions.up_ns[0], distributions.down_ns[0]),
        group_loss=distributions.group_loss,
        behind=Empirical(distributions.behind_ns) if distributions.behind_ns else None,
        behind_loss=distributions.behind_loss,
        count_stretch=distributions.count_stretch,
    )


def _as_large(scene: Scene, delays: list[tuple[int, int]]) -> list[tuple[int, int]]:
    # What Soundings and Echoes took, had they been as large as a beacon: all distributions of unicast are of one size.
    radio = scene.air.radio
    more_ns = radio.unicast_ns(scene.beacon_bytes) - radio.unicast_ns(scene.sounding_bytes)
    return [(at, delay_ns + more_ns) for at, delay_ns in delays]


def _quantiles(delays: list[int]) -> tuple[int, ...]:
    if not delays:
        raise ConfigurationError("scene", None, "one in which something is heard")
    ordered = sorted(delays)
    last = len(ordered) - 1
    return tuple(ordered[round(number * last / (QUANTILES - 1))] for number in range(QUANTILES))
