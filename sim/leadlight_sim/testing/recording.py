"""Records a modelled network as `leadlight record` records a real one, in virtual time, and tells the truth beside it.

made = record_virtually(preset="dozing", duration_s=60)
made.recording  # as read from the file that was written
made.truth.group[12].arrived_at["jetty"]  # when the air delivered group probe 12
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Final

from leadlight.errors import LeadlightError
from leadlight.net import ProbePlace, run_answerer, run_prober
from leadlight.recording import Answerer, Plan, Prober, Record, RecordedHost, Recording, parse_recording, to_line
from leadlight.units import LocalInstant, seconds
from leadlight.wire import Answer, GroupProbe, HostProbe, ProbeCodec
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.scenario import Scenario
from leadlight_sim.testing.network import VirtualHost, VirtualNetwork

GROUP: Final = "recorded"
BEGUN_AT: Final = datetime(2026, 11, 28, 17, 0, tzinfo=UTC)
SPARE_S: Final = 60.0
"""For calling, settling and collecting."""


@dataclass(slots=True)
class TrueGroupProbe:
    """One group probe: when it left, and when the air delivered it to each host, lost where absent; true ns."""

    left_at: TrueInstant
    arrived_at: dict[str, TrueInstant] = field(default_factory=dict)


@dataclass(slots=True)
class TrueHostProbe:
    """One probe to one host and its answer: when each left and arrived, ``None`` where it never did; true ns."""

    left_at: TrueInstant
    arrived_at: TrueInstant | None = None
    answer_left_at: TrueInstant | None = None
    answer_arrived_at: TrueInstant | None = None


@dataclass(slots=True)
class AirTruth:
    """What the air did to every probe of a recording, by the recording's own numbers and labels.

    Instants are true ns; those of a recording's prober become such by ``VirtualRecording.true_at``.
    """

    group: dict[int, TrueGroupProbe] = field(default_factory=dict)
    probes: dict[str, dict[int, TrueHostProbe]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class VirtualRecording:
    """A recording of a modelled network, the bytes of its file, the truth, and the network that it was made on."""

    recording: Recording
    content: bytes
    truth: AirTruth
    network: VirtualNetwork
    prober: VirtualHost
    began_at: LocalInstant

    def true_at(self, at: int) -> TrueInstant:
        """Return the true instant at which the prober's clock showed ``at`` ns since the recording began."""
        return self.prober.oscillator.true_at(LocalInstant(self.began_at + at))


class _Watch:
    """Takes down what truly happens to probes."""

    def __init__(self, codec: ProbeCodec, prober: str, hosts: Mapping[str, str]) -> None:
        self.truth = AirTruth(probes={label: {} for label in hosts.values()})
        self._codec = codec
        self._prober = prober
        self._by_address = hosts

    def left(self, host: str, data: bytes, at: TrueInstant) -> None:
        message = self._codec.decode(bytes(data))
        if isinstance(message, GroupProbe):
            self.truth.group[message.number] = TrueGroupProbe(at)
        elif isinstance(message, HostProbe):
            label = self._by_address[getattr(data, "destination")[0]]  # noqa: B009 - bytes, with its ends
            self.truth.probes[label][message.number] = TrueHostProbe(at)
        elif isinstance(message, Answer):
            self.truth.probes[host][message.number].answer_left_at = at

    def arrived(self, host: str, data: bytes, sender: str, at: TrueInstant) -> None:
        message = self._codec.decode(bytes(data))
        if isinstance(message, GroupProbe):
            self.truth.group[message.number].arrived_at.setdefault(host, at)
        elif isinstance(message, HostProbe):
            probe = self.truth.probes[host][message.number]
            probe.arrived_at = at if probe.arrived_at is None else probe.arrived_at
        elif isinstance(message, Answer):
            probe = self.truth.probes[sender][message.number]
            probe.answer_arrived_at = at if probe.answer_arrived_at is None else probe.answer_arrived_at


def record_virtually(
    duration_s: float = 300.0,
    *,
    preset: str | None = None,
    scenario: Scenario | None = None,
    seed: int | None = None,
    hosts: Sequence[str] = ("jetty", "reed beds", "willow"),
    prober: str = "boathouse",
    prober_is_wired: bool = True,
    plan: Plan | None = None,
) -> VirtualRecording:
    """Return a recording made over a modelled air, by the recorder's own code, with what the air truly did.

    ``preset``, ``scenario`` and ``seed`` are as for ``VirtualNetwork``; hosts that the scenario has are as it says, and
    others are small boards on the radio. ``plan`` goes before ``duration_s``.

    Raises ``LeadlightError`` if no host was heard.
    """
    plan = plan or Plan(seconds(duration_s, field="duration_s"))
    codec = ProbeCodec(GROUP)
    records: list[Record] = []
    with VirtualNetwork(preset, scenario=scenario, seed=seed) as network:
        recorder = network.host(prober, wired=prober_is_wired)
        answerers = [network.host(name) for name in hosts]
        network.watch = watch = _Watch(codec, prober, {host.address: host.name for host in answerers})
        made: list[Prober] = []

        async def probe() -> None:
            with ProbePlace(GROUP) as place:
                made.append(
                    Prober(
                        plan,
                        GROUP,
                        RecordedHost(prober, is_stamped=place.is_stamped, is_wireless=not prober_is_wired),
                        place.entropy,
                        begun_at=BEGUN_AT,
                        written_by="leadlight_sim",
                        hosts=len(hosts),
                    )
                )
                await run_prober(made[0], place, records.append, load=lambda: None)

        async def answer(host: VirtualHost) -> None:
            with ProbePlace(GROUP) as place:
                told = RecordedHost(host.name, is_stamped=place.is_stamped, is_wireless=not host.wired)
                await run_answerer(Answerer(GROUP, told, place.entropy), place, lambda _: None, load=lambda: None)

        for host in answerers:
            host.start(answer(host))
        network.run_until(recorder.start(probe()), plan.duration_ns / 1e9 + SPARE_S)
        began_at = made[0].began_at
    if began_at is None:
        raise LeadlightError(f"no host was heard on {preset or 'this network'}: there is no recording")
    content = b"".join(map(to_line, records))
    return VirtualRecording(parse_recording(content), content, watch.truth, network, recorder, began_at)
