"""A cell: one access point, its channel, who competes there, its beacons, and who dozes.

An access point alone knows of its cell; what goes from one cell to another, or to a cable, is ``contended``'s.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from leadlight_sim.air import GROUP_OVERHEAD_BYTES, HT20_BITS_PER_SYMBOL, BeaconGrid, Channel, Counts, LinkKind
from leadlight_sim.air.contended.contention import Medium
from leadlight_sim.air.contended.neighbours import Neighbour, NeighbourStation, start
from leadlight_sim.air.contended.radio_queues import Arrived, BeaconSender, Downlink, Frame, Port, Uplink
from leadlight_sim.air.contended.rates import FrameTimes, RateStep
from leadlight_sim.air.contended.settings import AccessPoint, Beacons, ContendedSettings
from leadlight_sim.kernel import Kernel, Stream, Streams, TrueInstant


class Cell:
    """One access point as it works.

    ``ports`` are the radio stations that are its own now, in the order in which they came. ``suffix`` ends the names of
    its streams. ``arrived_up`` and ``arrived_down`` take unicast frames that have come through, ``group_sent`` a group
    frame that went out alone.
    """

    def __init__(
        self,
        kernel: Kernel,
        streams: Streams,
        settings: ContendedSettings,
        own: AccessPoint,
        counts: dict[LinkKind, Counts],
        suffix: tuple[str, ...],
        arrived_up: Callable[[Cell, Frame, int], None],
        arrived_down: Arrived,
        group_sent: Callable[[Cell, Frame, int, int], None],
    ) -> None:
        self.name = own.name
        self.radio = own.radio
        self.ports: list[Port] = []
        self.is_down = False
        self.medium = Medium(kernel, own.access_rules)
        self.shared = self._open_channel(streams, own, suffix)
        self._kernel = kernel
        self._streams = streams
        self._settings = settings
        self._own = own
        self._suffix = suffix
        self._counts = counts
        self._times = FrameTimes(own.radio, own.rate_chain)
        self._arrived_up = partial(arrived_up, self)
        self._dozing = int(own.others_doze)
        self._beacon_is_dtim = False
        self._uplinks: dict[str, Uplink] = {}
        self._receivers: dict[str, list[Port]] = {}
        self.downlink = Downlink(
            self._stream("backoff", "access point"),
            self._times,
            counts[LinkKind.DOWN],
            counts[LinkKind.GROUP],
            self._is_lost,
            self._is_answer_lost if settings.answer_loss_factor else None,
            arrived_down,
            partial(group_sent, self),
            group_limit=settings.group_queue_frames,
            station_limit=settings.station_queue_frames,
        )
        self.medium.add(self.downlink)
        self.grid: BeaconGrid | None = None
        if own.beacons is not None:
            self.grid = self._draw_grid(own.beacons)
            frame_ns = own.radio.group_frame_ns(own.beacons.frame_bytes - GROUP_OVERHEAD_BYTES)
            self._beacons = BeaconSender(self._stream("beacons"), frame_ns, self._beacon_ended)
            self.medium.add(self._beacons)
            kernel.schedule(self.grid.next_beacon(kernel.now), self._beacon_due)
        self.neighbours = tuple(
            self._add_neighbour(number, neighbour) for number, neighbour in enumerate(own.neighbours)
        )

    @property
    def airtime_ns(self) -> int:
        """Radio time used so far by what the access point and its stations sent."""
        return self.downlink.used_ns + sum(uplink.used_ns for uplink in self._uplinks.values())

    @property
    def holds_groups(self) -> bool:
        """Whether group frames wait for DTIM now, because somebody dozes."""
        return self._dozing > 0

    # Stations that come, go, doze and wake.

    def take(self, port: Port) -> None:
        """Have a radio station be this access point's own."""
        port.cell = self.name
        self.ports.append(port)
        self._receivers.clear()
        uplink = self._uplinks.get(port.name)
        if uplink is None:
            uplink = self._uplinks[port.name] = Uplink(
                self._stream("backoff", port.name),
                port,
                self._times,
                self._counts[LinkKind.UP],
                self._is_lost,
                self._is_answer_lost if self._settings.answer_loss_factor else None,
                self._arrived_up,
                self._settings.station_queue_frames,
            )
            self.medium.add(uplink)
        port.uplink = uplink
        if port.dozes:
            self._watch_idleness(port)

    def release(self, port: Port) -> None:
        """Have a station be this access point's no longer; what waited for it here is lost."""
        assert port.uplink is not None
        self.wake(port)
        self.ports.remove(port)
        self._receivers.clear()
        self.downlink.forget(port)

    def receivers(self, sender: Port) -> list[Port]:
        """Return the radio stations for which a sender's group frames are meant."""
        receivers = self._receivers.get(sender.name)
        if receivers is None:
            receivers = self._receivers[sender.name] = [port for port in self.ports if port is not sender]
        return receivers

    def wake(self, port: Port) -> None:
        """Have a station doze no longer."""
        if port.is_asleep:
            port.is_asleep = False
            self._dozing -= 1
            self._watch_idleness(port)
            self.downlink.serve(port)

    def _watch_idleness(self, port: Port) -> None:
        now = self._kernel.now
        port.active_at = max(port.active_at, now)
        self._kernel.schedule_after(self._settings.power_save.sleep_after_ns, self._doze_if_idle, port)

    def _doze_if_idle(self, port: Port) -> None:
        if port.is_asleep or port.cell != self.name:
            return  # another watch was quicker, or it has roamed
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

    # The access point.

    def request(self) -> None:
        """Have the access point contend if it has something to send."""
        if self.downlink.has_frames:
            self.medium.request(self.downlink)

    def go_down(self) -> None:
        """Stop: everything that waits to be sent is forgotten and lost."""
        self.is_down = True
        for port in self.ports:
            self.wake(port)
            self.downlink.forget(port)
        self.downlink.clear()

    def _is_lost(self, port: Port, now: int, attempt: int) -> bool:
        if port.absences:
            return True
        loss = port.channel.loss_at(TrueInstant(now))
        shared = self.shared.loss_at(TrueInstant(now))
        loss = (loss + shared - loss * shared) * self._times.loss_factors[attempt]
        return loss > 0.0 and port.losses.chance(loss)

    def _is_answer_lost(self, port: Port, now: int, attempt: int) -> bool:  # noqa: ARG002 - an answer has its own rate
        loss = port.channel.loss_at(TrueInstant(now))
        shared = self.shared.loss_at(TrueInstant(now))
        loss = (loss + shared - loss * shared) * self._settings.answer_loss_factor
        return loss > 0.0 and port.answer_losses.chance(loss)

    def _beacon_due(self) -> None:
        assert self.grid is not None
        now = self._kernel.now
        self._kernel.schedule(self.grid.next_beacon(TrueInstant(now + 1)), self._beacon_due)
        if not self.is_down:
            self._beacon_is_dtim = self.grid.next_dtim(now) == now
            self.medium.request_first(self._beacons)

    def _beacon_ended(self, ended_at: int, heard: bool) -> None:
        self._kernel.schedule(TrueInstant(ended_at), self._after_beacon, self._beacon_is_dtim, heard)

    def _after_beacon(self, is_dtim: bool, heard: bool) -> None:
        if self.is_down:
            return
        if heard and self._dozing:
            for port in self.ports:
                if port.is_asleep and port.queue and not port.absences:
                    self.wake(port)
        if is_dtim:
            self.downlink.release()
        self.request()

    # What there is from the beginning.

    def _stream(self, *words: str) -> Stream:
        return self._streams.stream("air", *words, *self._suffix)

    @staticmethod
    def _open_channel(streams: Streams, own: AccessPoint, suffix: tuple[str, ...]) -> Channel:
        return Channel(own.shared_dropout, streams.stream("air", "shared channel", *suffix))

    def _add_neighbour(self, number: int, neighbour: Neighbour) -> NeighbourStation:
        radio = self._own.radio
        mcs = radio.unicast_mcs if neighbour.mcs is None else neighbour.mcs
        assert mcs < len(HT20_BITS_PER_SYMBOL)
        times = FrameTimes(radio, (RateStep(mcs),))
        station = NeighbourStation(
            self._stream("neighbour backoff", str(number)),
            times.unicast_ns(neighbour.payload_bytes, 0),
            times.answer_ns[0],
        )
        self.medium.add(station)
        stream = self._stream("neighbour traffic", str(number))
        start(self._kernel, self.medium, neighbour.traffic, station, stream)
        return station

    def _draw_grid(self, beacons: Beacons) -> BeaconGrid:
        stream = self._stream("access point")
        return BeaconGrid.drawn(stream, beacons.period, beacons.phase_ns, beacons.clock_error_ppb)
