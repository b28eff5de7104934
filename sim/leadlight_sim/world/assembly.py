"""A scenario made into a running world: leader, followers, air and faults placed in the kernel."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable, Mapping
from hashlib import blake2s
from typing import Final

from leadlight import (
    ClockSettings,
    Cue,
    CueState,
    Follower,
    FollowerSettings,
    FrameRate,
    KeyRing,
    LeaderSettings,
    OnMusicLost,
    ShowLine,
    StoredShow,
)
from leadlight.clock import CausalityBound, Estimator
from leadlight.cue import NO_SHOW
from leadlight.errors import ConfigurationError, OrderError
from leadlight.playback import BlendedRecovery, HoldRecovery, Recovery, SlewOnlyRecovery, StepOnlyRecovery, Still
from leadlight.terms import Delivery
from leadlight.units import MILLISECOND, SECOND, LeaderInstant, LocalInstant, ShowPosition, milliseconds, seconds
from leadlight_sim import scenario as described
from leadlight_sim.air import Dropout
from leadlight_sim.air.choice import AnyAir, make_air
from leadlight_sim.air.contended import ContendedAir
from leadlight_sim.baselines import accompanied
from leadlight_sim.hosts import Host, HostPreset, HostSettings, Oscillator, OscillatorSettings, settings_of
from leadlight_sim.kernel import Kernel, Stream, Streams, Trace, TrueInstant, collecting_seldom
from leadlight_sim.world.injected_faults import InjectedFaults, Mishap, Rule
from leadlight_sim.world.nodes import FollowerNode, LeaderNode, SharedCodec
from leadlight_sim.world.orders import Obeyed, give
from leadlight_sim.world.packets import PacketLog
from leadlight_sim.world.stranger import Stranger
from leadlight_sim.world.truth import PlannedCue, Truth

UPTIME_MAXIMUM_NS: Final = 40 * 86_400 * SECOND
"""A clock shows anything up to forty days when a run begins: nobody's clock starts with the show."""
COOLING_STARTS_WITHIN_S: Final = 600.0
ROAM_SLOWER_MS: Final = 20.0
"""How much slower the path is by an access point that nothing else is said of; assumed."""


_STATES: Final = {
    "rolling": CueState.ROLLING,
    "paused": CueState.PAUSED,
    "dark": CueState.DARK,
    "stopped": CueState.STOPPED,
}


def make_oscillator(clocks: described.Clocks, streams: Streams, name: str, ppm: float | None) -> Oscillator:
    """Return a node's clock as a scenario has it: drawn, but for its error in ppm if that is given."""
    stream = streams.stream("oscillator", "kind", name)
    drawn = stream.uniform(-clocks.tolerance_ppm, clocks.tolerance_ppm)
    wander = stream.uniform(*clocks.wander_ppm_per_sqrt_s)
    cooling = stream.uniform(*clocks.cooling_ppm) * (1 if stream.chance(0.5) else -1)
    settings = OscillatorSettings(
        offset_ns=int(stream.uniform(SECOND, UPTIME_MAXIMUM_NS)),
        frequency_ppm=drawn if ppm is None else ppm,
        wander_ppm=wander,
        cooling_ppm=cooling,
        cooling_from_s=stream.uniform(0.0, COOLING_STARTS_WITHIN_S),
        cooling_over_s=clocks.cooling_over_s,
    )
    return Oscillator(settings, streams.compact("oscillator", "walk", name))


def make_host(
    air: described.Air,
    streams: Streams,
    name: str,
    kind: described.Host | HostPreset,
    purpose: str = "host",
    make: Callable[[HostSettings, Stream], Host] = Host,
) -> Host:
    """Return a node's host of a kind, with the random stream of one purpose; ``make`` makes it of its settings."""
    # The reference models hold the receiver's delay in their own tables.
    if air.preset.startswith("model-"):
        settings = HostSettings.exact()
    else:
        settings = HostSettings.preset(kind) if isinstance(kind, HostPreset) else settings_of(kind)
    return make(settings, streams.stream(purpose, name))


def extra_loss(follower: described.Follower, air: described.Air) -> Dropout | None:
    """Return what a follower's own link loses on top of what the air does to all: as said of it, or as recorded."""
    if follower.extra_loss_fraction:
        return Dropout.from_mean(follower.extra_loss_fraction, follower.extra_burst_s)
    for lossy in air.fitted.lossy if air.fitted is not None else ():
        if lossy.name == follower.name:
            return Dropout.from_mean(lossy.extra_loss_fraction, lossy.extra_burst_s)
    return None


def stored_shows(scenario: described.Scenario) -> list[StoredShow]:
    """Return the shows that every follower holds."""
    shows = []
    for show in scenario.shows:
        rate = FrameRate(*show.frame_rate)
        frames = max(1, rate.frame_at(ShowPosition(seconds(show.duration_s))))
        shows.append(StoredShow(show.id, rate, frames, show.edition))
    return shows


def group_key(scenario: described.Scenario) -> KeyRing:
    """Return the key of a rehearsed group: nobody outside the run ever needs it."""
    return KeyRing({1: blake2s(scenario.name.encode(), digest_size=16, person=b"rehearse").digest()})


RECOVERIES: Final[Mapping[str, Callable[[], Recovery]]] = {
    "blended": BlendedRecovery,
    "slew only": SlewOnlyRecovery,
    "step only": StepOnlyRecovery,
    "hold": HoldRecovery,
}
"""Ways of removing an error, as a scenario names them."""


class World:
    """One scenario, ready to run. ``run_to`` moves it on; ``leader``, standbys and ``followers`` are its nodes.

    ``air`` makes another air than the scenario's own, ``host`` other hosts, ``estimator`` another clock. ``stills``
    says which spans of a show a piece's player, by number from 0, marks as dark or unchanging; without it, none.
    """

    def __init__(
        self,
        scenario: described.Scenario,
        seed: int | None = None,
        estimator: Callable[[CausalityBound], Estimator] | None = None,
        markers: bool = True,
        recovery: Callable[[], Recovery] | None = None,
        air: Callable[[described.Scenario, Kernel, Streams], AnyAir] | None = None,
        stills: Callable[[StoredShow, int], tuple[Still, ...]] | None = None,
        host: Callable[[HostSettings, Stream], Host] = Host,
    ) -> None:
        self.scenario = scenario
        self.seed = scenario.run.seed if seed is None else seed
        self.kernel = Kernel()
        self.streams = Streams(self.seed)
        self.trace = Trace()
        self.shows = stored_shows(scenario)
        self.air = (air or make_air)(scenario, self.kernel, self.streams)
        self.end = TrueInstant(seconds(scenario.run.duration_s))
        self._markers = markers
        self._make_host = host
        self._recovery = recovery or RECOVERIES[scenario.playback.recovery]
        self._stills = stills
        self._estimator = estimator
        self._codec = SharedCodec(scenario.name, group_key(scenario) if scenario.keyed else None)
        self._keys = {show.show: show.key for show in self.shows}
        self.plan = sorted((self._planned(cue) for cue in scenario.cues), key=lambda planned: planned.at)
        self._boots: dict[str, int] = {}
        self.injected = InjectedFaults(self.kernel, self.streams)
        self.leader = self._place_leader(0, scenario.leader)
        self.leaders = [self.leader]
        self.followers: list[FollowerNode] = []
        for number, follower in enumerate(scenario.followers, start=1):
            self._place(number, follower)
        for number, standby in enumerate(scenario.standbys, start=1 + len(self.followers)):
            self.leaders.append(self._place_leader(number, standby))
        self.rivals: list[LeaderNode] = []
        self.truth = Truth(self.leaders, self.plan, self.rivals)
        self.kernel.schedule(TrueInstant(0), self._start_leader)
        for node, standby in zip(self.leaders[1:], scenario.standbys, strict=True):
            self.kernel.schedule(TrueInstant(0), self._start_standby, node, standby)
        self.strangers: list[Stranger] = []
        for fault in scenario.faults:
            self._schedule_fault(fault)
        self.obeyed: list[Obeyed] = []
        """The orders that reached a node, in order."""
        for order in scenario.orders:
            self.kernel.schedule(TrueInstant(seconds(order.at_s)), self._give, order)

    def keep_packets(self) -> PacketLog:
        """Keep all that leaders and followers send and read from now on, by their numbers: the leader's is 0, the
        followers' are 1, 2 … and the standbys' those that follow."""
        nodes = [self.leader, *self.followers, *self.leaders[1:]]
        log = PacketLog({node.name: number for number, node in enumerate(nodes)})
        for node in nodes:
            node.packets = log
        return log

    def keep_shadow_clocks(self) -> None:
        """Let a clock that believes the latest beacon look on at every follower that starts from now on.

        Where another estimator was given, what looks on was given with it.
        """
        self._estimator = self._estimator or accompanied()

    def run_to(self, instant: TrueInstant) -> None:
        """Run everything up to and including a true instant."""
        with collecting_seldom():
            self.kernel.run_until(instant)

    def leader_time(self, timebase: int, true: TrueInstant) -> LeaderInstant | None:
        """Return what the clock named by ``timebase`` shows at a true instant; see ``truth``."""
        return self.truth.leader_time(timebase, true)

    def ideal(self, true: TrueInstant) -> tuple[Cue, ShowPosition]:
        """Return what ought to be in force at a true instant, now or soon, and where in it the music is."""
        return self.truth.ideal(true)

    # -- placing ---------------------------------------------------------------------------------------------------

    def _place_leader(self, number: int, described_node: described.Leader | described.Standby) -> LeaderNode:
        node = LeaderNode(
            described_node.name,
            number,
            self.kernel,
            self.air,
            make_oscillator(self.scenario.clocks, self.streams, described_node.name, described_node.oscillator_ppm),
            self._host(described_node),
            self.trace,
            self.injected,
            described_node.wired,
        )
        self.air.attach(node)
        return node

    def _place(self, number: int, follower: described.Follower) -> None:
        node = FollowerNode(
            follower.name,
            number,
            self.kernel,
            self.air,
            make_oscillator(self.scenario.clocks, self.streams, follower.name, follower.oscillator_ppm),
            self._host(follower),
            self.trace,
            self.injected,
        )
        self.air.attach(node, extra_loss(follower, self.scenario.air))
        self.followers.append(node)
        # Boards come up within the first second, not at one instant.
        up = int(self.streams.stream("power-up", follower.name).uniform(0, SECOND))
        self.kernel.schedule(TrueInstant(up), self._start_follower, node, follower)

    def player_of(self, follower: described.Follower) -> Host:
        """Return a follower's host as its player knows it, for measures: it wakes for frames by a random stream of its
        own."""
        return self._host(follower, "player")

    def _host(self, node: described.Leader | described.Standby | described.Follower, purpose: str = "host") -> Host:
        kind = described.host_of(self.scenario, node)
        return make_host(self.scenario.air, self.streams, node.name, kind, purpose, self._make_host)

    # -- starting --------------------------------------------------------------------------------------------------

    def _boot_number(self, name: str) -> str:
        self._boots[name] = self._boots.get(name, 0) + 1
        return str(self._boots[name])

    def _start_leader(self) -> None:
        node, described_leader = self.leader, self.scenario.leader
        now = self.kernel.now
        under_way = None
        if node.is_started:
            # The running order and the wall clock say where the music takes up again: where it would have been.
            under_way = self.ideal(now)
        leader = node.start(
            self._leader_settings(described_leader.name, 0),
            self._codec,
            self.streams.compact("entropy", node.name, self._boot_number(node.name)),
            self.shows,
        )
        self._report_membership(node.name)
        if under_way is not None:
            cue, position = under_way
            leader.resume_line(Cue(cue.show, cue.state, ShowLine(LeaderInstant(node.now), position)), node.now)
        for planned in self.plan:
            if planned.at > now or (planned.at == now and under_way is None):
                at = LeaderInstant(node.local_at(planned.at))
                leader.schedule(Cue(planned.show, planned.state, ShowLine(at, planned.position)))
        node.run()

    def _leader_settings(self, name: str, rank: int) -> LeaderSettings:
        leader = self.scenario.leader
        return LeaderSettings(
            name=name,
            rank=rank,
            interval_ns=seconds(leader.interval_s),
            delivery=Delivery(leader.delivery),
            lead_time_ns=seconds(leader.lead_time_s),
            sounding_budget=leader.sounding_budget,
            group_size=len(self.scenario.followers),
            markers=self._markers,
            on_music_lost=OnMusicLost(leader.on_music_lost),
            roster_limit=leader.roster_limit,
            copies_limit=leader.copies_limit,
        )

    def _start_standby(self, node: LeaderNode, standby: described.Standby) -> None:
        entropy = self.streams.compact("entropy", node.name, self._boot_number(node.name))
        node.start(self._leader_settings(standby.name, standby.rank), self._codec, entropy, self.shows)
        self._report_membership(node.name)
        node.run()

    def _start_follower(self, node: FollowerNode, follower: described.Follower) -> None:
        shows = self.shows
        if self._stills is not None:
            piece = self.scenario.followers.index(follower)
            shows = [dataclasses.replace(show, stills=self._stills(show, piece)) for show in shows]

        leader = self.scenario.leader
        clock = ClockSettings() if self._estimator is None else ClockSettings(estimator=self._estimator)

        def make() -> Follower:
            settings = FollowerSettings(
                name=follower.name,
                latency_ns=milliseconds(follower.latency_ms),
                trim_ns=round(follower.trim_ms * MILLISECOND),
                soundings=follower.sounds,
                tally_interval_ns=seconds(leader.tally_interval_s),
                clock=clock,
            )
            made = Follower(
                settings,
                self._codec,
                self.streams.compact("entropy", node.name, self._boot_number(node.name)),
                shows,
                self._recovery(),
            )
            if Delivery(leader.delivery) is Delivery.COPIES and settings.soundings:
                # Nothing goes to the group that could tell a board where its leader is: it is told beforehand.
                made.ask(leader.name, node.now)
            return made

        self._report_membership(node.name)
        node.start(make)

    def _report_membership(self, name: str) -> None:
        # Joining the group at every start is what a host does; nothing else renews it where nobody asks.
        if isinstance(self.air, ContendedAir):
            self.air.report_membership(name)

    def _planned(self, cue: described.CueEntry) -> PlannedCue:
        return PlannedCue(
            TrueInstant(seconds(cue.at_s)),
            NO_SHOW if cue.show is None else self._keys[cue.show],
            _STATES[cue.state],
            ShowPosition(seconds(cue.position_s)),
        )

    # -- orders ----------------------------------------------------------------------------------------------------

    def _give(self, order: described.Order) -> None:
        node = self.node_that_leads(order.node)
        if not node.is_awake or not node.is_started:
            return
        try:
            cue = give(order, node, self._keys)
        except (OrderError, ConfigurationError):
            return  # it was told that it cannot be done, and nothing has changed
        begins_at = None if cue is None else node.true_at(LocalInstant(cue.line.leader_at))
        self.obeyed.append(Obeyed(self.kernel.now, node, order, cue, begins_at))
        node.run()

    def node_that_leads(self, name: str | None) -> LeaderNode:
        """Return the leader or standby of a name; the leader for ``None``."""
        return self.leader if name is None else next(node for node in self.leaders if node.name == name)

    # -- faults ----------------------------------------------------------------------------------------------------

    def _schedule_fault(self, fault: described.Fault) -> None:
        begin = TrueInstant(seconds(fault.at_s))
        if isinstance(fault, described.LeaderLost):
            self.kernel.schedule(begin, self.leader.power_off)
            return
        if isinstance(fault, described.ClockStep):
            self.kernel.schedule(begin, self._node(fault.node).step_clock, round(fault.by_ms * MILLISECOND))
            return
        end = TrueInstant(begin + seconds(fault.for_s))
        if isinstance(fault, described.ClockStands):
            node = self._node(fault.node)
            self.kernel.schedule(begin, node.stand_still)
            self.kernel.schedule(end, node.go_on)
        elif isinstance(fault, described.LeaderSuspended):
            leading = self.node_that_leads(fault.node)
            self.kernel.schedule(begin, leading.suspend)
            self.kernel.schedule(end, leading.resume)
        elif isinstance(fault, described.StandbyReboot):
            standby = self.node_that_leads(fault.standby)
            self.kernel.schedule(begin, standby.power_off)
            described_standby = next(one for one in self.scenario.standbys if one.name == fault.standby)
            self.kernel.schedule(end, self._start_standby, standby, described_standby)
        elif isinstance(fault, described.Corruption):
            self.injected.add_mishap(Mishap(fault.share, flips_bits=True), begin, end)
        elif isinstance(fault, described.Repetition):
            mishap = Mishap(fault.share, again_within_ns=milliseconds(fault.within_ms))
            self.injected.add_mishap(mishap, begin, end)
        elif isinstance(fault, described.Reordering):
            self.injected.add_mishap(Mishap(fault.share, late_by_ns=milliseconds(fault.by_ms)), begin, end)
        elif isinstance(fault, described.HostilePackets):
            self._schedule_stranger(fault, begin, end)
        elif isinstance(fault, described.LeaderReboot):
            self.kernel.schedule(begin, self.leader.power_off)
            self.kernel.schedule(end, self._start_leader)
        elif isinstance(fault, described.AccessPointReboot | described.Radar):
            self._schedule_silence(fault, begin, end)
        elif isinstance(fault, described.SplitNetwork):
            self.injected.add(Rule(functools.partial(_is_cut, frozenset(fault.away), fault.direction)), begin, end)
        elif isinstance(fault, described.LossSpell):
            self.injected.add(Rule(lambda _sender, _receiver: True, fault.loss_fraction), begin, end)
        elif isinstance(fault, described.ClashingLeader):
            self._schedule_rival(fault, begin, end)
        elif isinstance(fault, described.Roam) and fault.to is not None:
            assert isinstance(self.air, ContendedAir)
            self.kernel.schedule(begin, self.air.roam, fault.follower, end - begin, fault.to)
        elif isinstance(fault, described.Roam):
            name = fault.follower
            concerns = functools.partial(_is_end_of_link, name)
            self.injected.add(Rule(concerns), begin, end)
            slower_ms = ROAM_SLOWER_MS if fault.slower_ms is None else fault.slower_ms
            self.injected.add(Rule(concerns, 0.0, milliseconds(slower_ms)), end, None)
        else:
            self._schedule_follower_fault(fault, begin, end)

    def _schedule_silence(
        self, fault: described.AccessPointReboot | described.Radar, begin: TrueInstant, end: TrueInstant
    ) -> None:
        rejoin_ns = seconds(fault.rejoin_s)
        if isinstance(self.air, ContendedAir):
            act = self.air.radar if isinstance(fault, described.Radar) else self.air.reboot
            self.kernel.schedule(begin, act, end - begin, rejoin_ns, fault.access_point)
            return
        wired = {node.name for node in self.leaders if node.wired}
        self.injected.add(Rule(lambda sender, receiver: not {sender, receiver} <= wired), begin, end)
        if not rejoin_ns:
            return
        stream = self.streams.stream("faults", "rejoin", str(begin))
        for node in [*self.leaders, *self.followers]:
            if not node.wired:
                back = TrueInstant(end + int(stream.uniform(0, rejoin_ns)))
                self.injected.add(Rule(functools.partial(_is_end_of_link, node.name)), end, back)

    def _node(self, name: str) -> LeaderNode | FollowerNode:
        everyone: list[LeaderNode | FollowerNode] = [*self.leaders, *self.followers]
        return next(node for node in everyone if node.name == name)

    def _schedule_stranger(self, fault: described.HostilePackets, begin: TrueInstant, end: TrueInstant) -> None:
        name = f"stranger {1 + len(self.strangers)}"
        stream = self.streams.stream("stranger", name)
        stranger = Stranger(name, self.scenario.name, fault.what, stream, self.air)
        self.air.attach(stranger)
        self._report_membership(name)
        self.strangers.append(stranger)
        every_ns = seconds(fault.every_s)
        self.kernel.schedule(begin, self._let_act, stranger, end, every_ns)

    def _let_act(self, stranger: Stranger, end: TrueInstant, every_ns: int) -> None:
        stranger.act()
        if self.kernel.now + every_ns < end:
            self.kernel.schedule_after(every_ns, self._let_act, stranger, end, every_ns)

    def _schedule_rival(self, fault: described.ClashingLeader, begin: TrueInstant, end: TrueInstant) -> None:
        number = 1 + len(self.followers) + len(self.leaders) + len(self.rivals)
        name = f"rival leader {1 + len(self.rivals)}"
        node = self._place_leader(number, described.Standby(name=name, rank=fault.rank))
        self.rivals.append(node)
        # It leads because it hears nobody: a leader that hears another stands by.
        self.injected.add(Rule(lambda _sender, receiver: receiver == name), begin, end)
        self.kernel.schedule(begin, self._start_rival, node, fault)
        self.kernel.schedule(end, node.power_off)

    def _start_rival(self, node: LeaderNode, fault: described.ClashingLeader) -> None:
        settings = dataclasses.replace(self._leader_settings(node.name, fault.rank), listen_intervals=0)
        entropy = self.streams.compact("entropy", node.name, self._boot_number(node.name))
        leader = node.start(settings, self._codec, entropy, self.shows)
        show = self._keys[fault.show] if fault.show is not None else self.shows[0].key
        leader.schedule(Cue(show, CueState.ROLLING, ShowLine(LeaderInstant(node.now), ShowPosition(0))))
        node.run()

    def _schedule_follower_fault(
        self,
        fault: described.PowerCut | described.BoardSuspended | described.LiveData,
        begin: TrueInstant,
        end: TrueInstant,
    ) -> None:
        number = [follower.name for follower in self.scenario.followers].index(fault.follower)
        node = self.followers[number]
        if isinstance(fault, described.PowerCut):
            self.kernel.schedule(begin, node.power_off)
            self.kernel.schedule(end, self._start_follower, node, self.scenario.followers[number])
        elif isinstance(fault, described.BoardSuspended):
            self.kernel.schedule(begin, node.suspend)
            self.kernel.schedule(end, node.resume)
        else:
            for step in range(begin, end, SECOND):
                self.kernel.schedule(TrueInstant(step), node.see_live_data)


def _is_cut(away: frozenset[str], direction: str, sender: str, receiver: str) -> bool:
    outward = sender in away and receiver not in away and direction != "inbound"
    return outward or (receiver in away and sender not in away and direction != "outbound")


def _is_end_of_link(name: str, sender: str, receiver: str) -> bool:
    return name in (sender, receiver)
