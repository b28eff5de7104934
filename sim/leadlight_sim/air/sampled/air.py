"""The sampled air: every delay drawn from a distribution, every loss from a channel that is good or bad for a while.

It costs one kernel event per delivery, so an evening takes seconds. From IEEE 802.11 and RFC 9119 it keeps this. A
group frame is sent once and never acknowledged, waits for DTIM while a station dozes, and reaches all its receivers at
one common instant. A unicast frame is tried again. What a radio station sends to the group first crosses to the access
point as unicast. What only frames that compete could show (collisions, a neighbour's load) is in the distributions.

Random streams are kept apart: the draws of a unicast link come from streams named after its two ends. A frame to the
group has a random number of its own, and each receiver a key, which together say what is drawn. So adding a station
changes no other station's outcomes, except through what all really share. Group frames of several senders wait for each
other's airtime, and held ones leave in the order in which they came. Where more radio time is asked for than there is,
everything waits (``Workload``). If told so, the access point's frames wait while it tries one again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from leadlight.errors import ConfigurationError
from leadlight.units import SECOND
from leadlight_sim.air import (
    NO_DROPOUT,
    AirTables,
    BeaconGrid,
    Channel,
    Conditions,
    Counts,
    DelayDistribution,
    Dropout,
    ExponentialSojourn,
    JointChannel,
    LinkKind,
    LossAt,
    Replay,
    Station,
    Trajectory,
)
from leadlight_sim.air.sampled.group_queue import QUEUE_OVERLOAD_NS, GroupQueue, Workload
from leadlight_sim.air.sampled.settings import Congestion, SampledSettings, with_measured_asymmetry
from leadlight_sim.kernel import Kernel, PlacedStream, Stream, Streams, TrueInstant


class _Episodes:
    # Congestion as it happens.
    __slots__ = ("_calm", "_congested", "_trajectory")

    def __init__(self, calm: AirTables, congested: AirTables, congestion: Congestion, draws: Stream) -> None:
        self._calm = calm
        self._congested = congested
        self._trajectory = Trajectory(
            ExponentialSojourn(congestion.mean_calm_seconds * SECOND),
            ExponentialSojourn(congestion.mean_congested_seconds * SECOND),
            draws,
            begin_bad=0.0,
        )

    def tables_at(self, instant: int) -> AirTables:
        return self._congested if self._trajectory.is_bad(TrueInstant(instant)) else self._calm


class _Port:
    """A station's place on the network."""

    __slots__ = (
        "channel",
        "delay_key",
        "down_shift_ns",
        "dozes",
        "line",
        "loss_at",
        "loss_key",
        "name",
        "number",
        "receive",
        "receive_delay_ns",
        "station",
        "up_shift_ns",
        "wake_key",
        "wired",
    )

    def __init__(
        self,
        station: Station,
        number: int,
        streams: Streams,
        channel: LossAt,
        line: Workload,
        up_shift_ns: int,
        down_shift_ns: int,
        dozes: bool,
    ) -> None:
        self.station = station
        self.number = number
        self.line = line
        self.name = name = station.name
        self.loss_at: Callable[[TrueInstant], float] = channel.loss_at
        self.receive: Callable[[bytes, str, TrueInstant], None] = station.receive
        self.receive_delay_ns: Callable[[Stream], int] = station.receive_delay_ns
        # What this station draws of a group frame is found by the frame's random number and these.
        self.delay_key = streams.key("air", "group", "delay", name)
        self.loss_key = streams.key("air", "group", "loss", name)
        self.wake_key = streams.key("host", "group", "wake", name)
        self.wired = station.wired
        self.channel = channel
        self.up_shift_ns = up_shift_ns
        self.down_shift_ns = down_shift_ns
        self.dozes = dozes


class _Link:
    """One sender's unicast frames to one receiver: its draws and its place in line."""

    __slots__ = ("arrived_at", "delays", "losses", "ready_at", "receiver", "wakes")

    def __init__(self, receiver: _Port, delays: Stream, losses: Stream, wakes: Stream) -> None:
        self.receiver = receiver
        self.delays = delays
        self.losses = losses
        self.wakes = wakes
        self.arrived_at = 0
        self.ready_at = 0


class _Arrivals:
    """When each receiver, by its port's number, got one sender's latest frame to the group, and when its host learnt of
    it: a link is first in, first out. Forgotten once all have, since every pair of stations would be too much to keep.
    """

    __slots__ = ("arrived_at", "numbers", "ready_at", "settled_at")

    def __init__(self, numbers: Stream) -> None:
        self.numbers = numbers
        self.arrived_at: list[int] = []
        self.ready_at: list[int] = []
        self.settled_at = 0


class _Flow:
    """One sender's frames to the group: its first hop, its delays, and what of them is still on its way."""

    __slots__ = ("at_access_point", "by_cable", "by_radio", "common", "delays", "losses", "on_air_at", "sender")

    def __init__(self, sender: _Port, delays: Stream, losses: Stream, common: Stream, by_radio: _Arrivals) -> None:
        self.sender = sender
        self.delays = delays
        self.losses = losses
        self.common = common
        self.by_radio = by_radio
        self.by_cable: _Arrivals | None = None
        self.at_access_point = 0
        self.on_air_at = 0


class SampledAir:
    """An ``Air`` whose delays and losses are drawn from distributions.

    ``kernel`` gives the time and calls receivers; ``streams`` gives random streams by name; ``settings`` is the
    network.
    """

    def __init__(self, kernel: Kernel, streams: Streams, settings: SampledSettings) -> None:
        self._kernel = kernel
        self._streams = streams
        self._settings = settings
        self._tables = self._prepared(settings.tables)
        self._conditions = self._open_conditions()
        self._group_distribution_cost_ns: int | None = None
        if settings.group_distribution_bytes is not None:
            self._group_distribution_cost_ns = settings.radio.group_ns(settings.group_distribution_bytes)
        self._unicast_distribution_cost_ns: int | None = None
        if settings.unicast_distribution_bytes is not None:
            self._unicast_distribution_cost_ns = settings.radio.unicast_ns(settings.unicast_distribution_bytes)
        self._shared = Channel(settings.shared_dropout, streams.stream("air", "shared channel"))
        self._loses_together = settings.shared_dropout != NO_DROPOUT
        self._radio = settings.radio
        self._ports: dict[str, _Port] = {}
        self._on_radio: list[_Port] = []
        self._on_cable: list[_Port] = []
        self._unicast: dict[tuple[str, str], _Link] = {}
        self._flows: dict[str, _Flow] = {}
        self._unsettled: list[_Arrivals] = []
        # They are put anew for every frame and receiver.
        self._delays, self._losses, self._wakes = PlacedStream(), PlacedStream(), PlacedStream()
        self._airtime_ns = 0
        # From when until when the access point is taken up with a frame that it tries again: paths are settled as soon
        # as something is sent, and what gets there earlier is not held up.
        self._blocked_from = self._blocked_until = 0
        self._held_on_air_at = 0
        self._group_costs_ns: dict[int, int] = {}
        self._unicast_costs_ns: dict[int, list[int]] = {}
        self._counts = {kind: Counts() for kind in LinkKind}
        self._up = self._counts[LinkKind.UP]
        self._down = self._counts[LinkKind.DOWN]
        self._grid = self._draw_grid()
        self._workload = Workload()
        self._line = self._open_line()
        self._group_queue: GroupQueue[_Flow] = GroupQueue(
            kernel,
            self._line,
            self._transmit,
            self._drop,
            grid=self._grid,
            is_holding=self._open_holding(),
            limit_frames=settings.hold.queue_frames if settings.hold is not None else 0,
            backlog_ns=settings.backlog_ns,
        )

    @property
    def airtime_ns(self) -> int:
        """Radio time used so far by what the stations sent, retries included."""
        return self._airtime_ns

    @property
    def over_capacity(self) -> bool:
        """Whether more radio time was ever asked for than there was, so that frames waited in line or were dropped."""
        return self._workload.has_overflowed

    @property
    def counts(self) -> Mapping[LinkKind, Counts]:
        """Frames so far, by link kind; an outcome counts as soon as it is drawn."""
        return self._counts

    @property
    def grid(self) -> BeaconGrid | None:
        """The access point's beacon instants, or None where nothing is held."""
        return self._grid

    def attach(self, station: Station, extra: Dropout | None = None) -> None:
        """Put a station on the network; raises ``ConfigurationError`` if its name is taken.

        ``extra`` is what this station's link loses on top of what the network does to everyone.
        """
        name = station.name
        if name in self._ports:
            raise ConfigurationError("station", name, "a name that no other station has")
        settings = self._settings
        draws = self._streams.stream("air", "floor", name)
        hold = settings.hold
        channel: LossAt = Channel(settings.dropout, self._streams.compact("air", "channel", name))
        if extra is not None:
            channel = JointChannel(channel, Channel(extra, self._streams.compact("air", "extra channel", name)))
        reach = settings.floor_asymmetry * settings.tables.floor_ns
        port = _Port(
            station,
            len(self._ports),
            self._streams,
            channel,
            self._open_line(),
            up_shift_ns=round(draws.uniform(-reach, reach)),
            down_shift_ns=round(draws.uniform(-reach, reach)),
            dozes=hold is not None and hold.doze_share > 0 and name not in hold.awake,
        )
        self._ports[name] = port
        (self._on_cable if port.wired else self._on_radio).append(port)

    def loss_at(self, station: str, instant: TrueInstant) -> float:
        """Return the chance that one try on a station's link is lost, but for collisions; the cable loses nothing."""
        port = self._ports[station]
        if port.wired:
            return 0.0
        own, shared = port.loss_at(instant), self._shared.loss_at(instant)
        return own + shared - own * shared

    def send(self, sender: str, data: bytes, destination: str | None) -> None:
        """Send a datagram now; a destination of None is the group, whose sender does not hear itself.

        Raises ``ConfigurationError`` if no station of the sender's name is attached. A destination that
        nobody has is counted as blocked, as a forged address would be.
        """
        port = self._ports.get(sender)
        if port is None:
            raise ConfigurationError("sender", sender, "the name of an attached station")
        if destination is None:
            self._send_group(port, data)
        else:
            self._send_unicast(port, data, destination)

    # Unicast: the whole path is settled at once, since other senders only matter to it where the radio is overloaded.

    def _send_unicast(self, sender: _Port, data: bytes, destination: str) -> None:
        receiver = self._ports.get(destination)
        if receiver is None or (self._settings.client_isolation and not (sender.wired or receiver.wired)):
            counts = self._counts[LinkKind.CABLE if sender.wired else LinkKind.UP]
            counts.sent += 1
            counts.blocked += 1
            return
        link = self._unicast.get((sender.name, destination))
        if link is None:
            link = self._unicast[sender.name, destination] = self._link(sender, receiver)
        at: int = self._kernel.now
        tables = self._tables_at(at)
        size = len(data)
        if not sender.wired:
            first_hop = None if receiver.wired else tables.first_hop
            # A first hop with a distribution of its own has its own floor, which no asymmetry is a share of.
            distribution, shift_ns = (tables.up, sender.up_shift_ns) if first_hop is None else (first_hop, 0)
            if tables.reply is not None and self._is_reply(sender, destination, at, tables.reply_within_ns):
                distribution = tables.reply
            reached = self._cross(self._up, distribution, shift_ns, sender, link.delays, link.losses, at, size, tables)
            if reached is None:
                return
            at = reached
            if self._settings.retries_block and sender.name in self._flows:
                # Behind what the sender has sent to the group: its copies would hold that up.
                at = max(at, self._flows[sender.name].at_access_point)
        if not receiver.wired:
            if receiver.dozes and self._finds_asleep(link.delays):
                at = self._next_beacon(at)
            distribution, shift_ns = tables.down, receiver.down_shift_ns
            if tables.forwarded is not None and not sender.wired:
                distribution = tables.forwarded
            if self._blocked_from <= at < self._blocked_until:
                at = self._blocked_until
                if at - self._kernel.now > self._settings.backlog_ns:
                    self._workload.overflow()
                    self._down.sent += 1
                    self._down.overflowed += 1
                    return
            reached = self._cross(
                self._down, distribution, shift_ns, receiver, link.delays, link.losses, at, size, tables
            )
            if reached is None:
                return
            at = reached
        else:
            self._count_cable()
            if sender.wired:
                at += tables.cable.draw(link.delays)
        self._deliver(link, at + tables.private.draw(link.delays), data, sender.name)

    def _is_reply(self, sender: _Port, destination: str, now: int, within_ns: int) -> bool:
        # Whether the acknowledgement of what the other has just sent here, and a DIFS after it, are still to come.
        back = self._unicast.get((destination, sender.name))
        return back is not None and 0 <= now - back.arrived_at < within_ns

    def _cross(
        self,
        counts: Counts,
        distribution: DelayDistribution,
        shift_ns: int,
        radio_port: _Port,
        delays: Stream,
        losses: Stream,
        begin: int,
        size: int,
        tables: AirTables,
    ) -> int | None:
        # One acknowledged crossing: tries until one gets through, each later one after its own wait.
        counts.sent += 1
        now = self._kernel.now
        count_stretch = tables.count_stretch
        workload = self._workload
        line = self._line if counts is self._down else radio_port.line
        queueing_ns = line.excess_ns(now)
        if queueing_ns > self._settings.backlog_ns:
            line.overflow()
            counts.overflowed += 1
            return None
        if self._unicast_distribution_cost_ns is not None:
            shift_ns += self._radio.unicast_ns(size) - self._unicast_distribution_cost_ns
        delay_ns = distribution.draw(delays) + shift_ns
        at = begin + queueing_ns + (delay_ns if delay_ns > 0 else 0)
        costs_ns = self._unicast_costs_ns.get(size)
        if costs_ns is None:
            tries = range(self._settings.unicast_tries)
            costs_ns = self._unicast_costs_ns[size] = [self._radio.unicast_ns(size, attempt) for attempt in tries]
        for attempt, cost_ns in enumerate(costs_ns):
            self._airtime_ns += cost_ns
            workload.add(now, cost_ns)
            if attempt:
                again_ns = cost_ns
                if count_stretch != 1.0:
                    again_ns += round((count_stretch - 1.0) * self._settings.radio.mean_backoff_ns(attempt))
                if self._settings.retries_delay:
                    at += again_ns
                if self._settings.retries_block:
                    if counts is self._down:
                        self._block(begin, at)
                    else:
                        line.add(now, again_ns)
            elif line is not workload:
                line.add(now, self._kept_ns(costs_ns, tables))
            instant = TrueInstant(at)
            loss = radio_port.channel.loss_at(instant)
            if self._loses_together:
                shared = self._shared.loss_at(instant)
                loss = loss + shared - loss * shared
            if loss <= 0.0 or (loss < 1.0 and losses.random() >= loss):
                counts.delivered += 1
                return at
        counts.lost += 1
        return None

    def _kept_ns(self, costs_ns: list[int], tables: AirTables) -> int:
        # How long a frame keeps its sender whose next one waits: each try with its count as slow as the load makes it,
        # and the tries after that as often as frames collide.
        total_ns, chance = 0.0, 1.0
        for attempt, cost_ns in enumerate(costs_ns):
            longer_ns = (tables.count_stretch - 1.0) * self._settings.radio.mean_backoff_ns(attempt)
            total_ns += chance * (cost_ns + longer_ns)
            chance *= tables.group_loss
            if not chance:
                break
        return round(total_ns)

    def _block(self, begin: int, end: int) -> None:
        # One that begins after the latest is over stands for itself; others are one with it.
        if begin > self._blocked_until:
            self._blocked_from = begin
        else:
            self._blocked_from = min(self._blocked_from, begin)
        self._blocked_until = max(self._blocked_until, end)

    def _deliver(self, link: _Link, at: int, data: bytes, sender: str) -> None:
        # A link is first in, first out, on the air and in the host's socket.
        if at < link.arrived_at:
            at = link.arrived_at
        else:
            link.arrived_at = at
        receiver = link.receiver
        ready_at = at + receiver.receive_delay_ns(link.wakes)
        if ready_at < link.ready_at:
            ready_at = link.ready_at
        else:
            link.ready_at = ready_at
        self._kernel.schedule_after(ready_at - self._kernel.now, receiver.receive, data, sender, at)

    # Group frames: to the access point, perhaps held there, then once to everybody.

    def _send_group(self, sender: _Port, data: bytes) -> None:
        flow = self._flows.get(sender.name) or self._open_flow(sender)
        at: int = self._kernel.now
        tables = self._tables_at(at)
        if not sender.wired:
            distribution, shift_ns = tables.first_hop, 0
            if distribution is None:
                distribution, shift_ns = tables.up, sender.up_shift_ns
            reached = self._cross(
                self._up, distribution, shift_ns, sender, flow.delays, flow.losses, at, len(data), tables
            )
            if reached is None:
                return
            at = flow.at_access_point = max(reached, flow.at_access_point)
        receivers = self._radio_receivers(flow)
        counts = self._counts[LinkKind.GROUP]
        counts.sent += receivers
        if self._on_cable:
            self._send_by_cable(flow, data, at, tables)
        if self._settings.client_isolation and not sender.wired:
            counts.blocked += receivers
        elif at == self._kernel.now:
            self._group_queue.take(flow, data)
        else:
            # Frames of several senders meet in the queue in the order in which they get there.
            self._kernel.schedule(TrueInstant(at), self._group_queue.take, flow, data)

    def _send_by_cable(self, flow: _Flow, data: bytes, at: int, tables: AirTables) -> None:
        arrivals = flow.by_cable
        if arrivals is None:
            name = flow.sender.name
            arrivals = flow.by_cable = _Arrivals(self._streams.compact("air", "group by cable", "number", name))
        number = self._begin(arrivals, at)
        delays, wakes = self._delays, self._wakes
        for port in self._on_cable:
            if port is flow.sender:
                continue
            self._count_cable()
            delays.place = number * port.delay_key
            place = port.number
            arrived_at = max(at + tables.cable.draw(delays) + tables.private.draw(delays), arrivals.arrived_at[place])
            wakes.place = number * port.wake_key
            ready_at = max(arrived_at + port.receive_delay_ns(wakes), arrivals.ready_at[place])
            arrivals.arrived_at[place], arrivals.ready_at[place] = arrived_at, ready_at
            arrivals.settled_at = max(arrivals.settled_at, ready_at)
            self._kernel.schedule(TrueInstant(ready_at), port.receive, data, flow.sender.name, arrived_at)

    def _begin(self, arrivals: _Arrivals, at: int) -> int:
        # A frame to the group that nobody has before ``at``; returns its random number, which is odd.
        now = self._kernel.now
        unsettled = self._unsettled
        if unsettled and unsettled[0].settled_at <= now:
            for former in unsettled:
                if former.settled_at <= now:
                    former.arrived_at, former.ready_at = [], []
            self._unsettled = [former for former in unsettled if former.settled_at > now]
        ports = len(self._ports)
        if arrivals.settled_at <= at:
            arrivals.arrived_at, arrivals.ready_at = [0] * ports, [0] * ports
        else:
            newcomers = ports - len(arrivals.arrived_at)
            arrivals.arrived_at += [0] * newcomers
            arrivals.ready_at += [0] * newcomers
        if arrivals not in self._unsettled:
            self._unsettled.append(arrivals)
        return arrivals.numbers.getrandbits(128) | 1

    def _drop(self, flow: _Flow) -> None:
        self._counts[LinkKind.GROUP].overflowed += self._radio_receivers(flow)

    def _radio_receivers(self, flow: _Flow) -> int:
        return len(self._on_radio) - (not flow.sender.wired)

    def _transmit(self, flow: _Flow, data: bytes, begin: int, is_behind: bool) -> int:
        # The hot loop of every rehearsal: one pass over the receivers, written flat on purpose.
        size = len(data)
        cost_ns = self._group_costs_ns.get(size)
        if cost_ns is None:
            cost_ns = self._group_costs_ns[size] = self._radio.group_ns(size)
        self._airtime_ns += cost_ns
        self._workload.add(self._kernel.now, cost_ns)
        tables = self._tables_at(begin)
        # What a DTIM beacon lets go leaves in one burst, in order; otherwise the distribution's delay is each sender's
        # own.
        first_at = flow.on_air_at if self._grid is None else self._held_on_air_at
        distribution, group_loss = tables.group, tables.group_loss
        if is_behind and tables.behind is not None:
            distribution, group_loss = tables.behind, tables.behind_loss
        ended_at = begin + distribution.draw(flow.common)
        if self._blocked_from < begin < self._blocked_until:
            ended_at += self._blocked_until - begin
        if self._group_distribution_cost_ns is not None:
            ended_at += cost_ns - self._group_distribution_cost_ns
        common_at = TrueInstant(max(ended_at, first_at))
        flow.on_air_at = self._held_on_air_at = common_at
        if self._line is not self._workload:
            self._line.add(self._kernel.now, self._kept_ns([cost_ns], tables))
        # Where it is known how long one takes behind another, the next begins where this one ends.
        kept_ns = cost_ns if tables.behind is None else common_at - begin
        receivers = self._radio_receivers(flow)
        if group_loss and flow.common.chance(group_loss):
            self._counts[LinkKind.GROUP].lost += receivers
            return kept_ns
        shared = self._shared.loss_at(common_at)
        draw_private = (tables.apart or tables.private).draw
        now = self._kernel.now
        schedule_after = self._kernel.schedule_after
        sender = flow.sender
        name = sender.name
        arrivals = flow.by_radio
        number = self._begin(arrivals, common_at)
        arrived, ready, settled_at = arrivals.arrived_at, arrivals.ready_at, arrivals.settled_at
        delays, losses, wakes = self._delays, self._losses, self._wakes
        lost = 0
        for port in self._on_radio:
            if port is sender:
                continue
            loss = port.loss_at(common_at)
            if shared:
                loss += shared - loss * shared
            if loss:
                losses.place = number * port.loss_key
                if losses.random() < loss:
                    lost += 1
                    continue
            place = port.number
            delays.place = number * port.delay_key
            arrived_at = common_at + draw_private(delays)
            if arrived_at < arrived[place]:
                arrived_at = arrived[place]
            else:
                arrived[place] = arrived_at
            wakes.place = number * port.wake_key
            ready_at = arrived_at + port.receive_delay_ns(wakes)
            if ready_at < ready[place]:
                ready_at = ready[place]
            else:
                ready[place] = ready_at
                if ready_at > settled_at:
                    settled_at = ready_at
            schedule_after(ready_at - now, port.receive, data, name, arrived_at)
        arrivals.settled_at = settled_at
        counts = self._counts[LinkKind.GROUP]
        counts.lost += lost
        counts.delivered += receivers - lost
        return kept_ns

    # Places and random streams.

    def _open_flow(self, sender: _Port) -> _Flow:
        stream = self._streams.compact
        name = sender.name
        flow = _Flow(
            sender,
            delays=stream("air", "first hop delay", name),
            losses=stream("air", "first hop loss", name),
            common=stream("air", "group delay", name),  # the spelling seeds it
            by_radio=_Arrivals(stream("air", "group", "number", name)),
        )
        self._flows[name] = flow
        return flow

    def _open_line(self) -> Workload:
        # Where frames competed, each keeps its sender for as long as it takes, waits included; elsewhere distributions
        # hold waits that are not the radio's, and airtime alone is counted.
        return Workload(QUEUE_OVERLOAD_NS, beside=self._workload) if self._settings.retries_block else self._workload

    def _link(self, sender: _Port, receiver: _Port) -> _Link:
        return _Link(
            receiver,
            delays=self._streams.stream("air", "unicast", "delay", sender.name, receiver.name),
            losses=self._streams.stream("air", "unicast", "loss", sender.name, receiver.name),
            wakes=self._streams.stream("host", "unicast", "wake", sender.name, receiver.name),
        )

    def _prepared(self, tables: AirTables) -> AirTables:
        return with_measured_asymmetry(tables) if self._settings.measured_asymmetry else tables

    def _tables_at(self, instant: int) -> AirTables:
        return self._tables if self._conditions is None else self._conditions.tables_at(instant)

    def _open_conditions(self) -> Conditions | None:
        congestion, load = self._settings.congestion, self._settings.load
        if congestion is not None:
            draws = self._streams.stream("air", "congestion")
            return _Episodes(self._tables, self._prepared(congestion.tables), congestion, draws)
        if load is not None:
            return Replay(load, tuple(map(self._prepared, load.levels)), self._streams.stream("air", "load"))
        return None

    def _draw_grid(self) -> BeaconGrid | None:
        hold = self._settings.hold
        if hold is None:
            return None
        draws = self._streams.stream("air", "access point")
        return BeaconGrid.drawn(draws, hold.period, hold.phase_ns, hold.clock_error_ppb)

    def _open_holding(self) -> Callable[[TrueInstant], bool] | None:
        hold = self._settings.hold
        if hold is None or hold.held_share == 1.0:
            return None
        if hold.held_share == 0.0:
            return lambda _: False
        held_ns = hold.mean_held_seconds * SECOND
        free_ns = held_ns * (1.0 - hold.held_share) / hold.held_share
        draws = self._streams.stream("air", "group hold")
        return Trajectory(ExponentialSojourn(free_ns), ExponentialSojourn(held_ns), draws).is_bad

    def _finds_asleep(self, draws: Stream) -> bool:
        assert self._settings.hold is not None
        return draws.chance(self._settings.hold.doze_share)

    def _next_beacon(self, at: int) -> int:
        assert self._grid is not None
        return self._grid.next_beacon(TrueInstant(at))

    def _count_cable(self) -> None:
        counts = self._counts[LinkKind.CABLE]
        counts.sent += 1
        counts.delivered += 1
