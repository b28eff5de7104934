"""The contended air: every frame competes for the one channel, by the rules of IEEE 802.11.

What a datagram meets here is made, not drawn: collisions, retries, queues, the neighbours' load, an access point that
holds group frames for dozing stations and interrupts everybody with its beacons. Only the loss of a single try, and who
sends when next door, are left to laws. It costs one kernel event for each time the channel becomes busy, so it runs
scenes of minutes; an evening is for the sampled air.

Its beacons and neighbours never end: run the kernel until an instant, not until nothing is left to do.
"""

from __future__ import annotations

from collections.abc import Mapping

from leadlight.errors import ConfigurationError
from leadlight_sim.air.access_point import BEACON_INTERVAL_NS, CLOCK_ERROR_LIMIT_PPB, BeaconGrid
from leadlight_sim.air.contended_settings import Beacons, ContendedSettings, Scans
from leadlight_sim.air.contention import Medium
from leadlight_sim.air.dropouts import Channel, Dropout, JointChannel, LossAt
from leadlight_sim.air.interface import Counts, LinkKind, Station
from leadlight_sim.air.neighbours import Neighbour, NeighbourStation, start
from leadlight_sim.air.radio_queues import BeaconSender, Downlink, Frame, Port, Uplink
from leadlight_sim.air.rates import FrameTimes, RateStep
from leadlight_sim.air.timing import GROUP_OVERHEAD_BYTES, HT20_BITS_PER_SYMBOL
from leadlight_sim.kernel import Kernel, TrueInstant
from leadlight_sim.streams import Stream, Streams


class _Link:
    """What one sender's datagrams meet in one receiver's host: luck, and the order in which they came."""

    __slots__ = ("ready_at", "wakes")

    def __init__(self, wakes: Stream) -> None:
        self.wakes = wakes
        self.ready_at = 0


class ContendedAir:
    """An ``Air`` in which every frame contends.

    ``kernel`` gives the time and calls receivers; ``streams`` gives luck by name; ``settings`` is the network.
    ``medium`` and ``neighbours`` may be read for their counts.
    """

    def __init__(self, kernel: Kernel, streams: Streams, settings: ContendedSettings) -> None:
        self._kernel = kernel
        self._streams = streams
        self._settings = settings
        self._ports: dict[str, Port] = {}
        self._links: dict[tuple[str, str, str], _Link] = {}
        self._radio_receivers: dict[str, list[Port]] = {}
        self._counts = {kind: Counts() for kind in LinkKind}
        self._shared = Channel(settings.shared_dropout, streams.stream("air", "shared channel"))
        self._cable_luck = streams.stream("air", "cable")
        self._times = FrameTimes(settings.radio, settings.rate_chain)
        self._dozing = int(settings.power_save.others_doze)
        self._is_down = False
        self._beacon_is_dtim = False
        self.medium = Medium(kernel, settings.access_rules)
        self._downlink = Downlink(
            streams.stream("air", "backoff", "access point"),
            self._times,
            self._counts[LinkKind.DOWN],
            self._counts[LinkKind.GROUP],
            self._is_lost,
            self._arrived_down,
            self._group_sent,
            group_limit=settings.group_queue_frames,
            station_limit=settings.station_queue_frames,
        )
        self.medium.add(self._downlink)
        self._grid: BeaconGrid | None = None
        if settings.beacons is not None:
            self._grid = self._draw_grid(settings.beacons)
            frame_ns = settings.radio.group_frame_ns(settings.beacons.frame_bytes - GROUP_OVERHEAD_BYTES)
            self._beacons = BeaconSender(streams.stream("air", "beacons"), frame_ns, self._beacon_ended)
            self.medium.add(self._beacons)
            kernel.schedule(self._grid.next_beacon(kernel.now), self._beacon_due)
        self.neighbours = tuple(
            self._add_neighbour(number, neighbour) for number, neighbour in enumerate(settings.neighbours)
        )

    @property
    def airtime_ns(self) -> int:
        """Radio time used so far by what the stations sent, retries included: frames, ACKs, waits and counts.

        Waits and counts of several senders overlap, so under contention this adds up to more than the channel's time.
        """
        uplinks = (port.uplink.used_ns for port in self._ports.values() if port.uplink is not None)
        return self._downlink.used_ns + sum(uplinks)

    @property
    def busy_share(self) -> float:
        """The share of time so far in which the channel was busy, neighbours and beacons included."""
        return self.medium.busy_ns / self._kernel.now if self._kernel.now else 0.0

    @property
    def over_capacity(self) -> bool:
        """Whether a queue was ever so full that a frame was dropped from it."""
        return any(counts.overflowed for counts in self._counts.values())

    @property
    def counts(self) -> Mapping[LinkKind, Counts]:
        """Frames so far, by link kind."""
        return self._counts

    @property
    def grid(self) -> BeaconGrid | None:
        """The access point's beacon instants, or None where it sends none."""
        return self._grid

    def attach(self, station: Station, extra: Dropout | None = None) -> None:
        """Put a station on the network, a member of the group; raises ``ConfigurationError`` if its name is taken.

        ``extra`` is what this station's link loses on top of what the network does to everyone.
        """
        name = station.name
        if name in self._ports:
            raise ConfigurationError("station", name, "a name that no other station has")
        settings = self._settings
        stream = self._streams.stream
        channel: LossAt = Channel(settings.dropout, stream("air", "channel", name))
        if extra is not None:
            channel = JointChannel(channel, Channel(extra, stream("air", "extra channel", name)))
        dozes = not station.wired and name in settings.power_save.stations
        port = Port(station, channel, stream("air", "loss", name), dozes=dozes)
        self._ports[name] = port
        self._radio_receivers.clear()
        self._renew(port)
        if station.wired:
            return
        port.uplink = Uplink(
            stream("air", "backoff", name),
            port,
            self._times,
            self._counts[LinkKind.UP],
            self._is_lost,
            self._arrived_up,
            settings.station_queue_frames,
        )
        self.medium.add(port.uplink)
        if dozes:
            self._watch_idleness(port)
        if settings.scans is not None and name in settings.scans.stations:
            self._plan_scan(port, settings.scans, 0)

    def send(self, sender: str, data: bytes, destination: str | None) -> None:
        """Send a datagram now; a destination of None is the group, whose sender does not hear itself.

        Raises ``ConfigurationError`` if no station of the sender's name is attached. A destination that nobody has is
        counted as blocked, as a forged address would be.
        """
        port = self._port("sender", sender)
        receiver = None
        if destination is not None:
            receiver = self._ports.get(destination)
            isolated = self._settings.client_isolation and receiver is not None and not (port.wired or receiver.wired)
            if receiver is None or isolated:
                counts = self._counts[LinkKind.CABLE if port.wired else LinkKind.UP]
                counts.sent += 1
                counts.blocked += 1
                return
        frame = Frame(data, port, receiver)
        if port.uplink is None:
            if receiver is not None and receiver.wired:
                self._to_cable(frame, receiver, self._kernel.now)
            else:
                delay_ns = self._settings.cable.draw(self._cable_luck)
                self._kernel.schedule_after(delay_ns, self._at_access_point, frame)
            return
        self._counts[LinkKind.UP].sent += 1
        if port.uplink.accept(frame):
            self._wake(port)
            if not port.absences:
                self.medium.request(port.uplink)

    def report_membership(self, name: str) -> None:
        """Have a station report that it is a member of the group, as joining again does."""
        self._renew(self._port("name", name))

    def roam(self, name: str, for_ns: int) -> None:
        """Have a radio station lose its access point for a while, without a word to it."""
        port = self._port("name", name)
        if port.wired:
            raise ConfigurationError("name", name, "the name of a radio station")
        self._go(port, told=False)
        self._kernel.schedule_after(for_ns, self._come_back, port, False)

    def reboot(self, for_ns: int, rejoin_within_ns: int = 0) -> None:
        """Reboot the access point: it is down ``for_ns``, and what it had queued and knew of members is gone.

        Stations come back within ``rejoin_within_ns`` after that, each at its own uniform instant. Its beacons keep
        their phase, which a real one's would not.
        """
        if self._is_down:
            return
        self._is_down = True
        for frame in self._downlink.clear():
            self._counts[LinkKind.DOWN].lost += 1
            assert frame.receiver is not None
            frame.receiver.is_in_turn = False
        luck = self._streams.stream("air", "rejoin", str(self._kernel.now))
        for port in self._ports.values():
            self._counts[LinkKind.DOWN].lost += len(port.queue)
            port.queue.clear()
            port.is_in_turn = False
            port.member_until = 0
            if not port.wired:
                self._wake(port)
                self._go(port, told=False)
                back_ns = for_ns + int(luck.uniform(0, rejoin_within_ns))
                self._kernel.schedule_after(back_ns, self._come_back, port, False)
        self._kernel.schedule_after(for_ns, self._come_up)

    # From the sender to the access point, and on.

    def _arrived_up(self, frame: Frame, ended_at: int) -> None:
        self._kernel.schedule(TrueInstant(ended_at), self._at_access_point, frame)

    def _at_access_point(self, frame: Frame) -> None:
        receiver = frame.receiver
        if receiver is None:
            self._forward_to_group(frame)
        elif receiver.wired:
            self._to_cable(frame, receiver, self._kernel.now)
        else:
            self._forward(frame, receiver)

    def _forward(self, frame: Frame, receiver: Port) -> None:
        counts = self._counts[LinkKind.DOWN]
        counts.sent += 1
        if self._is_down:
            counts.lost += 1
            return
        self._downlink.accept(frame, receiver)
        if self._downlink.has_frames:
            self.medium.request(self._downlink)

    def _forward_to_group(self, frame: Frame) -> None:
        now = self._kernel.now
        for port in self._ports.values():
            if port.wired and port is not frame.sender and self._is_member(port):
                self._to_cable(frame, port, now)
        receivers = self._receivers(frame.sender)
        counts = self._counts[LinkKind.GROUP]
        isolated = self._settings.client_isolation and not frame.sender.wired
        # A snooping switch sees the whole radio as one port, open while any of its stations is remembered.
        if isolated or not any(map(self._is_member, receivers)):
            counts.sent += len(receivers)
            counts.blocked += len(receivers)
            return
        if self._settings.converts_multicast:
            for port in receivers:
                if self._is_member(port):
                    copy = Frame(frame.data, frame.sender, port)
                    self._forward(copy, port)
            return
        counts.sent += len(receivers)
        if self._is_down:
            counts.lost += len(receivers)
            return
        frame.receivers = receivers
        self._downlink.accept_for_group(frame, hold=self._dozing > 0)
        if self._downlink.has_frames:
            self.medium.request(self._downlink)

    def _receivers(self, sender: Port) -> list[Port]:
        receivers = self._radio_receivers.get(sender.name)
        if receivers is None:
            receivers = [port for port in self._ports.values() if not port.wired and port is not sender]
            self._radio_receivers[sender.name] = receivers
        return receivers

    # From the access point to the receivers.

    def _is_lost(self, port: Port, now: int, attempt: int) -> bool:
        if port.absences:
            return True
        loss = port.channel.loss_at(TrueInstant(now))
        shared = self._shared.loss_at(TrueInstant(now))
        loss = (loss + shared - loss * shared) * self._times.loss_factors[attempt]
        return loss > 0.0 and port.losses.chance(loss)

    def _arrived_down(self, frame: Frame, ended_at: int) -> None:
        assert frame.receiver is not None
        self._deliver("unicast", frame, frame.receiver, ended_at)

    def _group_sent(self, frame: Frame, began_at: int, ended_at: int) -> None:
        instant = TrueInstant(began_at)
        shared = self._shared.loss_at(instant)
        is_deaf_asleep = self._settings.power_save.deaf
        lost = 0
        for port in frame.receivers:
            loss = port.channel.loss_at(instant)
            if shared:
                loss += shared - loss * shared
            if port.absences or (port.is_asleep and is_deaf_asleep) or (loss and port.losses.chance(loss)):
                lost += 1
            else:
                self._deliver("group", frame, port, ended_at)
        counts = self._counts[LinkKind.GROUP]
        counts.lost += lost
        counts.delivered += len(frame.receivers) - lost

    def _to_cable(self, frame: Frame, receiver: Port, at: int) -> None:
        counts = self._counts[LinkKind.CABLE]
        counts.sent += 1
        counts.delivered += 1
        self._deliver("cable", frame, receiver, at + self._settings.cable.draw(self._cable_luck))

    def _deliver(self, traffic: str, frame: Frame, receiver: Port, at: int) -> None:
        sender = frame.sender.name
        key = traffic, sender, receiver.name
        link = self._links.get(key)
        if link is None:
            link = self._links[key] = _Link(self._streams.stream("host", traffic, "wake", sender, receiver.name))
        # A host's socket is first in, first out.
        ready_at = max(at + receiver.station.receive_delay_ns(link.wakes), link.ready_at)
        link.ready_at = ready_at
        self._kernel.schedule(TrueInstant(ready_at), receiver.station.receive, frame.data, sender, TrueInstant(at))

    # Beacons and sleep.

    def _beacon_due(self) -> None:
        assert self._grid is not None
        now = self._kernel.now
        self._kernel.schedule(self._grid.next_beacon(TrueInstant(now + 1)), self._beacon_due)
        if not self._is_down:
            self._beacon_is_dtim = self._grid.next_dtim(now) == now
            self.medium.request_first(self._beacons)

    def _beacon_ended(self, ended_at: int, heard: bool) -> None:
        self._kernel.schedule(TrueInstant(ended_at), self._after_beacon, self._beacon_is_dtim, heard)

    def _after_beacon(self, is_dtim: bool, heard: bool) -> None:
        if self._is_down:
            return
        if heard and self._dozing:
            for port in self._ports.values():
                if port.is_asleep and port.queue and not port.absences:
                    self._wake(port)
        if is_dtim:
            self._downlink.release()
        if self._downlink.has_frames:
            self.medium.request(self._downlink)

    def _watch_idleness(self, port: Port) -> None:
        now = self._kernel.now
        port.active_at = max(port.active_at, now)
        self._kernel.schedule_after(self._settings.power_save.sleep_after_ns, self._doze_if_idle, port)

    def _doze_if_idle(self, port: Port) -> None:
        assert port.uplink is not None
        now = self._kernel.now
        if port.queue or port.uplink.queue or port.absences:
            port.active_at = now
        due = port.active_at + self._settings.power_save.sleep_after_ns
        if due > now:
            self._kernel.schedule(TrueInstant(due), self._doze_if_idle, port)
            return
        port.is_asleep = True
        self._dozing += 1

    def _wake(self, port: Port) -> None:
        if port.is_asleep:
            port.is_asleep = False
            self._dozing -= 1
            self._watch_idleness(port)
            self._downlink.serve(port)

    # Absences.

    def _plan_scan(self, port: Port, scans: Scans, number: int) -> None:
        begin = TrueInstant(scans.phase_ns + number * scans.period_ns)
        if begin >= self._kernel.now:
            self._kernel.schedule(begin, self._scan, port, scans, number)
        else:
            self._plan_scan(port, scans, -(-(self._kernel.now - scans.phase_ns) // scans.period_ns))

    def _scan(self, port: Port, scans: Scans, number: int) -> None:
        self._go(port, told=True)
        self._kernel.schedule_after(scans.duration_ns, self._come_back, port, True)
        self._plan_scan(port, scans, number + 1)

    def _go(self, port: Port, *, told: bool) -> None:
        port.absences += 1
        port.told += told

    def _come_back(self, port: Port, told: bool) -> None:
        port.absences -= 1
        port.told -= told
        if port.absences:
            return
        if port.uplink is not None and port.uplink.queue:
            self.medium.request(port.uplink)
        self._downlink.serve(port)
        if self._downlink.has_frames:
            self.medium.request(self._downlink)

    def _come_up(self) -> None:
        self._is_down = False

    # Places, members and luck.

    def _port(self, field: str, name: str) -> Port:
        port = self._ports.get(name)
        if port is None:
            raise ConfigurationError(field, name, "the name of an attached station")
        return port

    def _renew(self, port: Port) -> None:
        lifetime_ns = self._settings.membership_lifetime_ns
        port.member_until = self._kernel.now + (lifetime_ns or 0)

    def _is_member(self, port: Port) -> bool:
        return self._settings.membership_lifetime_ns is None or port.member_until > self._kernel.now

    def _add_neighbour(self, number: int, neighbour: Neighbour) -> NeighbourStation:
        radio = self._settings.radio
        mcs = radio.unicast_mcs if neighbour.mcs is None else neighbour.mcs
        assert mcs < len(HT20_BITS_PER_SYMBOL)
        times = FrameTimes(radio, (RateStep(mcs),))
        stream = self._streams.stream
        station = NeighbourStation(
            stream("air", "neighbour backoff", str(number)),
            times.unicast_ns(neighbour.payload_bytes, 0),
            times.answer_ns[0],
        )
        self.medium.add(station)
        luck = stream("air", "neighbour traffic", str(number))
        start(self._kernel, self.medium, neighbour.traffic, station, luck)
        return station

    def _draw_grid(self, beacons: Beacons) -> BeaconGrid:
        luck = self._streams.stream("air", "access point")
        # Both are drawn even where one is given, so that giving one leaves the other alone.
        dtim_interval_ns = beacons.period * BEACON_INTERVAL_NS
        phase_ns = int(luck.uniform(0.0, dtim_interval_ns)) % dtim_interval_ns
        clock_error_ppb = round(luck.uniform(-CLOCK_ERROR_LIMIT_PPB, CLOCK_ERROR_LIMIT_PPB))
        return BeaconGrid(
            beacons.period,
            phase_ns if beacons.phase_ns is None else beacons.phase_ns,
            clock_error_ppb if beacons.clock_error_ppb is None else beacons.clock_error_ppb,
        )
