"""The contended air: every frame competes for its channel, by the rules of IEEE 802.11.

What a datagram meets here is made, not drawn. There are collisions, retries, queues, the neighbours' load, and an
access point that holds group frames for dozing stations and interrupts everybody with its beacons. Only the loss of a
single try, and who sends when next door, are left to distributions. It costs one kernel event for each time a channel
becomes busy, so it runs scenes of minutes; an evening is for the sampled air.

Several access points may hang on one cable, each with a channel, a beacon grid and neighbours of its own. A station is
one's own at a time; what goes to the group goes out through all of them.

Its beacons and neighbours never end: run the kernel until an instant, not until nothing is left to do.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from leadlight.errors import ConfigurationError
from leadlight.units import SECOND
from leadlight_sim.air import Band, BeaconGrid, Channel, Counts, Dropout, JointChannel, LinkKind, LossAt, Station
from leadlight_sim.air.contended.cell import Cell
from leadlight_sim.air.contended.contention import Medium
from leadlight_sim.air.contended.neighbours import NeighbourStation
from leadlight_sim.air.contended.radio_queues import Frame, Port
from leadlight_sim.air.contended.settings import ContendedSettings, Scans
from leadlight_sim.kernel import Kernel, PlacedStream, Stream, Streams, TrueInstant

CHANNEL_AVAILABILITY_CHECK_NS = 60 * SECOND
"""How long an access point must listen on a 5 GHz channel that radars use before it may send there: 60 s, by ETSI EN
301 893 and 47 CFR 15.407(h), and ten minutes on the channels of weather radars."""


FEWEST_KEPT = 1024
"""Links whose latest frame is remembered before any is forgotten that its host has read."""


class ContendedAir:
    """An ``Air`` in which every frame contends.

    ``kernel`` gives the time and calls receivers; ``streams`` gives random streams by name; ``settings`` is the
    network. ``cells`` are its access points, the first one first; they may be read for their counts.
    """

    def __init__(self, kernel: Kernel, streams: Streams, settings: ContendedSettings) -> None:
        self._kernel = kernel
        self._streams = streams
        self._settings = settings
        self._ports: dict[str, Port] = {}
        self._unicast_wakes: dict[tuple[str, str, str], Stream] = {}
        self._group_wakes = PlacedStream()
        # When each link's latest datagram was read by its host: sockets are first in, first out.
        self._ready_at: dict[tuple[str, str, str], int] = {}
        self._most_kept = FEWEST_KEPT
        self._counts = {kind: Counts() for kind in LinkKind}
        self._cable_stream = streams.stream("air", "cable")
        self.cells = tuple(
            Cell(
                kernel,
                streams,
                settings,
                access_point,
                self._counts,
                # The first one's streams are named as where there is no other.
                (access_point.name,) if number else (),
                self._arrived_up,
                self._arrived_down,
                self._group_sent,
            )
            for number, access_point in enumerate(settings.access_points)
        )
        self._cell_by_name = {cell.name: cell for cell in self.cells}
        self._home = {name: own.name for own in settings.further for name in own.stations}

    @property
    def medium(self) -> Medium:
        """The first access point's channel."""
        return self.cells[0].medium

    @property
    def neighbours(self) -> tuple[NeighbourStation, ...]:
        """The neighbours on the first access point's channel."""
        return self.cells[0].neighbours

    @property
    def grid(self) -> BeaconGrid | None:
        """The first access point's beacon instants, or None where it sends none."""
        return self.cells[0].grid

    @property
    def airtime_ns(self) -> int:
        """Radio time used so far by what the stations sent, retries included: frames, ACKs, waits and counts.

        Waits and counts of several senders overlap, so under contention this adds up to more than the channel's time.
        Several channels' times are added.
        """
        return sum(cell.airtime_ns for cell in self.cells)

    @property
    def busy_share(self) -> float:
        """The share of time so far in which the busiest channel was busy, neighbours and beacons included."""
        return max(cell.medium.busy_ns for cell in self.cells) / self._kernel.now if self._kernel.now else 0.0

    @property
    def over_capacity(self) -> bool:
        """Whether a queue was ever so full that a frame was dropped from it."""
        return any(counts.overflowed for counts in self._counts.values())

    @property
    def counts(self) -> Mapping[LinkKind, Counts]:
        """Frames so far, by link kind."""
        return self._counts

    def attach(self, station: Station, extra: Dropout | None = None) -> None:
        """Put a station on the network, a member of the group; raises ``ConfigurationError`` if its name is taken.

        ``extra`` is what this station's link loses on top of what the network does to everyone.
        """
        name = station.name
        if name in self._ports:
            raise ConfigurationError("station", name, "a name that no other station has")
        settings = self._settings
        stream = self._streams.stream
        channel: LossAt = Channel(settings.dropout, self._streams.compact("air", "channel", name))
        if extra is not None:
            channel = JointChannel(channel, Channel(extra, self._streams.compact("air", "extra channel", name)))
        dozes = not station.wired and name in settings.power_save.stations
        port = Port(
            station,
            channel,
            stream("air", "loss", name),
            stream("air", "answer loss", name),
            self._streams.compact("air", "group", "number", name),
            self._streams.key("host", "group", "wake", name),
            dozes=dozes,
        )
        self._ports[name] = port
        self._renew(port)
        if station.wired:
            return
        self._cell_by_name[self._home.get(name, self.cells[0].name)].take(port)
        if settings.scans is not None and name in settings.scans.stations:
            self._plan_scan(port, settings.scans, 0)

    def loss_at(self, station: str, instant: TrueInstant) -> float:
        """Return the chance that one try on a station's link is lost, but for collisions; the cable loses nothing."""
        port = self._ports[station]
        if port.wired:
            return 0.0
        own, shared = port.channel.loss_at(instant), self._cell(port.cell).shared.loss_at(instant)
        return own + shared - own * shared

    def send(self, sender: str, data: bytes, destination: str | None) -> None:
        """Send a datagram now; a destination of None is the group, whose sender does not hear itself.

        Raises ``ConfigurationError`` if no station of the sender's name is attached. A destination that nobody has is
        counted as blocked, as a forged address would be.
        """
        port = self._port("sender", sender)
        receiver = None
        if destination is not None:
            receiver = self._ports.get(destination)
            if receiver is None or (self._settings.client_isolation and _share_a_radio(port, receiver)):
                counts = self._counts[LinkKind.CABLE if port.wired else LinkKind.UP]
                counts.sent += 1
                counts.blocked += 1
                return
        frame = Frame(data, port, receiver, port.numbers.getrandbits(128) | 1 if receiver is None else 0)
        if port.uplink is None:
            if receiver is not None and receiver.wired:
                self._to_cable(frame, receiver, self._kernel.now)
            else:
                self._over_cable(self._from_cable, frame)
            return
        self._counts[LinkKind.UP].sent += 1
        if port.uplink.accept(frame):
            cell = self._cell_by_name[port.cell]
            cell.wake(port)
            if not port.absences:
                cell.medium.request(port.uplink)

    def report_membership(self, name: str) -> None:
        """Have a station report that it is a member of the group, as joining again does."""
        self._renew(self._port("name", name))

    def roam(self, name: str, for_ns: int, to: str | None = None) -> None:
        """Have a radio station lose its access point for a while, without a word to it.

        It comes back to the access point named ``to``, whose snooping switch then knows nothing of it; None is the one
        it had.
        """
        port = self._port("name", name)
        if port.wired:
            raise ConfigurationError("name", name, "the name of a radio station")
        if to is not None and to not in self._cell_by_name:
            raise ConfigurationError("to", to, "the name of an access point")
        self._go(port, told=False)
        if to is not None and to != port.cell:
            self._move(port, self._cell_by_name[to])
        self._kernel.schedule_after(for_ns, self._come_back, port, False)

    def reboot(self, for_ns: int, rejoin_within_ns: int = 0, access_point: str | None = None) -> None:
        """Reboot an access point: it is down ``for_ns``, and what it had queued and knew of members is gone.

        Stations come back within ``rejoin_within_ns`` after that, each at its own uniform instant. Its beacons keep
        their phase, which a real one's would not. ``access_point`` None is the first one.
        """
        cell = self._cell(access_point)
        if not cell.is_down:
            for port in self._ports.values():
                if port.wired or port.cell == cell.name:
                    port.member_until = 0
            self._silence(cell, for_ns, rejoin_within_ns)

    def radar(
        self,
        for_ns: int = CHANNEL_AVAILABILITY_CHECK_NS,
        rejoin_within_ns: int = 0,
        access_point: str | None = None,
    ) -> None:
        """Have an access point hear a radar on its channel: it leaves it, and is silent ``for_ns``.

        That is the check of another channel. The frames that it had queued are lost with its stations, who come back
        within ``rejoin_within_ns`` after the silence; what its switch knows of members it keeps. The other channel is
        taken to be as loaded as the first, and the beacons to keep their phase. Raises ``ConfigurationError`` for a
        radio at 2.4 GHz, where no such rule holds.
        """
        cell = self._cell(access_point)
        if cell.radio.band is not Band.GHZ_5:
            raise ConfigurationError("band", cell.radio.band.value, "5 GHz, where an access point makes way for radars")
        if not cell.is_down:
            self._silence(cell, for_ns, rejoin_within_ns)

    def _silence(self, cell: Cell, for_ns: int, rejoin_within_ns: int) -> None:
        cell.go_down()
        named = () if cell is self.cells[0] else (cell.name,)
        draws = self._streams.stream("air", "rejoin", str(self._kernel.now), *named)
        for port in cell.ports:
            self._go(port, told=False)
            back_ns = for_ns + int(draws.uniform(0, rejoin_within_ns))
            self._kernel.schedule_after(back_ns, self._come_back, port, False)
        self._kernel.schedule_after(for_ns, self._come_up, cell)

    # From the sender to an access point, and on.

    def _arrived_up(self, cell: Cell, frame: Frame, ended_at: int) -> None:
        self._kernel.schedule(TrueInstant(ended_at), self._at_access_point, cell, frame)

    def _at_access_point(self, cell: Cell, frame: Frame) -> None:
        receiver = frame.receiver
        if receiver is None:
            self._to_wired_group(frame)
            self._to_radio_group(cell, frame)
            for other in self.cells:
                if other is not cell:
                    self._over_cable(self._to_radio_group, other, _copy(frame))
        elif receiver.wired:
            self._to_cable(frame, receiver, self._kernel.now)
        elif receiver.cell == cell.name:
            self._forward(frame, receiver)
        else:
            self._over_cable(self._forward, frame, receiver)

    def _over_cable(self, action: Callable[..., None], *arguments: object) -> None:
        self._kernel.schedule_after(self._settings.cable.draw(self._cable_stream), action, *arguments)

    def _from_cable(self, frame: Frame) -> None:
        if frame.receiver is not None:
            self._forward(frame, frame.receiver)
            return
        self._to_wired_group(frame)
        for number, cell in enumerate(self.cells):
            # Each access point has a frame of its own, for it is meant for other stations there.
            self._to_radio_group(cell, _copy(frame) if number else frame)

    def _forward(self, frame: Frame, receiver: Port) -> None:
        cell = self._cell_by_name[receiver.cell]
        counts = self._counts[LinkKind.DOWN]
        counts.sent += 1
        if cell.is_down:
            counts.lost += 1
            return
        # A frame that has crossed the radio once begins anew: its sender may still be trying the former one.
        cell.downlink.accept(_copy(frame) if frame.has_arrived else frame, receiver)
        cell.request()

    def _to_wired_group(self, frame: Frame) -> None:
        for port in self._ports.values():
            if port.wired and port is not frame.sender and self._is_member(port):
                self._to_cable(frame, port, self._kernel.now)

    def _to_radio_group(self, cell: Cell, frame: Frame) -> None:
        sender = frame.sender
        receivers = cell.receivers(sender)
        counts = self._counts[LinkKind.GROUP]
        isolated = self._settings.client_isolation and sender.cell == cell.name
        # A snooping switch sees the whole radio as one port, open while any of its stations is remembered.
        if isolated or not any(map(self._is_member, receivers)):
            counts.sent += len(receivers)
            counts.blocked += len(receivers)
            return
        if self._settings.converts_multicast:
            for port in receivers:
                if self._is_member(port):
                    self._forward(Frame(frame.data, sender, port, frame.number), port)
            return
        counts.sent += len(receivers)
        if cell.is_down:
            counts.lost += len(receivers)
            return
        frame.receivers = receivers
        cell.downlink.accept_for_group(frame, hold=cell.holds_groups)
        cell.request()

    # From an access point to the receivers.

    def _arrived_down(self, frame: Frame, ended_at: int) -> None:
        assert frame.receiver is not None
        self._deliver("unicast", frame, frame.receiver, ended_at)

    def _group_sent(self, cell: Cell, frame: Frame, began_at: int, ended_at: int) -> None:
        instant = TrueInstant(began_at)
        shared = cell.shared.loss_at(instant)
        is_deaf_asleep = self._settings.power_save.deaf
        lost = 0
        for port in frame.receivers:
            loss = port.channel.loss_at(instant)
            if shared:
                loss += shared - loss * shared
            is_deaf = port.absences or (port.is_asleep and is_deaf_asleep) or port.cell != cell.name
            if is_deaf or (loss and port.losses.chance(loss)):
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
        self._deliver("cable", frame, receiver, at + self._settings.cable.draw(self._cable_stream))

    def _deliver(self, traffic: str, frame: Frame, receiver: Port, at: int) -> None:
        sender = frame.sender.name
        key = traffic, sender, receiver.name
        wakes: Stream | None
        if frame.number:
            wakes = self._group_wakes
            self._group_wakes.place = frame.number * receiver.wake_key
        else:
            wakes = self._unicast_wakes.get(key)
            if wakes is None:
                wakes = self._unicast_wakes[key] = self._streams.stream("host", traffic, "wake", sender, receiver.name)
        ready_at = max(at + receiver.station.receive_delay_ns(wakes), self._ready_at.get(key, 0))
        self._ready_at[key] = ready_at
        if len(self._ready_at) > self._most_kept:
            now = self._kernel.now
            self._ready_at = {link: ready for link, ready in self._ready_at.items() if ready > now}
            self._most_kept = max(FEWEST_KEPT, 2 * len(self._ready_at))
        self._kernel.schedule(TrueInstant(ready_at), receiver.station.receive, frame.data, sender, TrueInstant(at))

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
        cell = self._cell_by_name[port.cell]
        if port.uplink is not None and port.uplink.queue:
            cell.medium.request(port.uplink)
        cell.downlink.serve(port)
        cell.request()

    def _move(self, port: Port, cell: Cell) -> None:
        old = port.uplink
        self._cell_by_name[port.cell].release(port)
        cell.take(port)
        assert old is not None
        assert port.uplink is not None
        # What it had to send it still has.
        old.hand_over(port.uplink)
        port.member_until = 0

    def _come_up(self, cell: Cell) -> None:
        cell.is_down = False

    # Places and members.

    def _port(self, field: str, name: str) -> Port:
        port = self._ports.get(name)
        if port is None:
            raise ConfigurationError(field, name, "the name of an attached station")
        return port

    def _cell(self, name: str | None) -> Cell:
        cell = self.cells[0] if name is None else self._cell_by_name.get(name)
        if cell is None:
            raise ConfigurationError("access_point", name, "the name of an access point")
        return cell

    def _renew(self, port: Port) -> None:
        lifetime_ns = self._settings.membership_lifetime_ns
        port.member_until = self._kernel.now + (lifetime_ns or 0)

    def _is_member(self, port: Port) -> bool:
        return self._settings.membership_lifetime_ns is None or port.member_until > self._kernel.now


def _copy(frame: Frame) -> Frame:
    return Frame(frame.data, frame.sender, frame.receiver, frame.number)


def _share_a_radio(one: Port, other: Port) -> bool:
    return one.cell == other.cell and not (one.wired or other.wired)
