"""What a scenario says of its network: the air, who competes for it, access points."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import BeforeValidator, Field, field_validator

from leadlight_sim.scenario.parts import STATIONS, Name, Part

AirPreset: TypeAlias = Literal["idle", "busy", "dozing", "model-a", "model-b", "model-c", "model-d", "model-e"]
Fidelity: TypeAlias = Literal["sampled", "contended", "tabled"]


class Dropouts(Part):
    """Loss in time instead of the preset's."""

    mean_loss_fraction: float = Field(ge=0, le=0.95)
    mean_burst_s: float = Field(default=0.16, ge=0.001, le=600)
    shared_fraction: float = Field(default=0.5, ge=0, le=1)
    """The part of the loss that strikes all followers at once."""
    bad_loss_fraction: float = Field(default=1.0, gt=0, le=1)
    """What is lost in a bad spell: of unicast, which is tried again, far less comes to be lost than of this."""


class Scans(Part):
    """Boards whose radios leave the channel now and then, to look for other access points."""

    stations: Annotated[tuple[str, ...], Field(strict=False)] = Field(min_length=1, description=STATIONS)
    every_s: float = Field(default=120.0, gt=0, le=86400)
    for_s: float = Field(default=4.0, gt=0, le=3600)


def _band_as_text(value: object) -> object:
    # A label, though it looks like a number and is readily written as one.
    return f"{value:g}" if isinstance(value, float) or value == 5 else value


Quantiles: TypeAlias = Annotated[
    tuple[Annotated[int, Field(ge=0, le=60_000_000)], ...],
    Field(strict=False, min_length=1, max_length=1001, description="whole numbers of µs in rising order"),
]


class FittedLevel(Part):
    """Delays at one level of load, as equally spaced quantiles in µs, the least and the largest included."""

    up_us: Quantiles
    down_us: Quantiles
    group_us: Quantiles

    @field_validator("up_us", "down_us", "group_us")
    @classmethod
    def _rising(cls, value: tuple[int, ...]) -> tuple[int, ...]:
        if list(value) != sorted(value):
            raise ValueError
        return value


class FittedHold(Part):
    """The access point's hold as it was recorded."""

    beacons: int = Field(ge=1, le=10)
    """Access-point beacons (102.4 ms each) from one release to the next."""
    group_share: float = Field(ge=0, le=1)
    """Share of the time in which the group's packets were held."""
    mean_held_s: float = Field(default=30.0, ge=0.001, le=86400)
    """How long they were held at a time."""
    unicast_share: float = Field(default=0.0, ge=0, le=1)
    """Share of what went to one board that waited for a beacon."""
    phase_ms: float | None = None
    """When in the recording the first release was. An evening draws its own."""


class FittedLossy(Part):
    """A host that lost clearly more than the others: a board of its name has its loss, unless given one of its own."""

    name: str = Field(min_length=1, max_length=255)
    extra_loss_fraction: float = Field(gt=0, le=0.95)
    """Share of time in which its own link was out, beyond what all hosts lost on average."""
    extra_burst_s: float = Field(default=0.5, ge=0.001, le=600)


class RestsOn(Part):
    """What an air was learnt from."""

    recording: str = Field(default="", max_length=255)
    recorded_at: str = Field(default="", max_length=40)
    """In universal time; empty where the recording does not tell."""
    seconds: float = Field(ge=0)
    hosts: int = Field(ge=1)
    packets: int = Field(ge=0)
    assumed: Annotated[tuple[str, ...], Field(strict=False)] = Field(default=(), max_length=50)
    """What was not recorded, in sentences."""


class Fitted(Part):
    """What `leadlight fit` made of a recording: distributions for each level of load, and the level of each window."""

    rests_on: RestsOn | None = None
    window_ms: float = Field(default=10.0, ge=1, le=600_000)
    windows: str = Field(
        pattern="^[a-z]+$", max_length=400_000, description="a letter for each window, a for the first level"
    )
    levels: tuple[FittedLevel, ...] = Field(strict=False, min_length=1, max_length=26)
    apart_us: Annotated[tuple[Annotated[int, Field(ge=0, le=60_000_000)], ...], Field(strict=False)] = Field(
        default=(), max_length=1001, description="whole numbers of µs in rising order"
    )
    """What each board adds to what a group packet takes to all, as equally spaced quantiles; none given: nothing."""
    crosses_twice: bool = False
    """Whether both ends of the recording were on the radio, so that each way is two crossings."""
    hold: FittedHold | None = None
    lossy: Annotated[tuple[FittedLossy, ...], Field(strict=False)] = Field(default=(), max_length=1000)

    @field_validator("apart_us")
    @classmethod
    def _rising(cls, value: tuple[int, ...]) -> tuple[int, ...]:
        if list(value) != sorted(value):
            raise ValueError
        return value


Band: TypeAlias = Annotated[Literal["2.4", "5"], BeforeValidator(_band_as_text)]


class Air(Part):
    """The Wi-Fi between them."""

    name: Name = "access point"
    """What faults call the access point, where there are several."""
    preset: AirPreset = "busy"
    fidelity: Fidelity = "sampled"
    """Whether delays are drawn from distributions, or made by frames that compete, which takes far longer; or drawn
    from tables that ten minutes or more of competing frames on the same network gave, which are kept."""
    band: Band = "2.4"
    """GHz."""
    dtim_period: int = Field(default=2, ge=1, le=10)
    """Access-point beacons (102.4 ms each) from one release of held group frames to the next."""
    floor_asymmetry: float = Field(default=0.25, ge=0, lt=1)
    """How unequal the shortest delays of the two directions may be, as a fraction of the shortest delay; frames that
    compete take equally long both ways."""
    measured_asymmetry: bool = False
    """Use the unequal delays that were measured on a home network, not equal ones."""
    client_isolation: bool = False
    """The access point carries nothing from one Wi-Fi station to another."""
    dropouts: Dropouts | None = None
    fitted: Fitted | None = None
    """Delays as they were recorded, instead of the preset's; its loss is still the preset's, or that of `dropouts`."""
    # What only frames that compete can show.
    dozing: Annotated[tuple[str, ...], Field(strict=False)] = Field(default=(), description=STATIONS)
    """Who dozes while there is nothing to hear or say."""
    scans: Scans | None = None
    converts_multicast: bool = False
    """The access point sends each member of a group an acknowledged copy instead."""
    answer_loss_factor: float = Field(default=0.0, ge=0, le=1)
    """An acknowledgement's loss, as a part of the loss of what it answers: its sender tries again what has arrived."""
    forgets_members: bool = False
    """A switch that looks into the group's reports, without anybody to ask for them, forgets members after 260 s."""


class SaturatedNeighbour(Part):
    """A station next door that always has something to send."""

    kind: Literal["saturated"]


class PoissonNeighbour(Part):
    """A station next door whose frames come independently of each other."""

    kind: Literal["poisson"]
    load: float = Field(default=0.1, ge=0, le=1)
    """Share of the channel's time that it asks for."""


class OnOffNeighbour(Part):
    """A station next door that has something to send at all times for a while, and then nothing for a while."""

    kind: Literal["on-off"]
    load: float = Field(default=0.1, ge=0.001, le=0.999)
    """Share of time in which it has."""
    mean_on_s: float = Field(default=0.2, ge=0.001, le=600)


Neighbour: TypeAlias = Annotated[SaturatedNeighbour | PoissonNeighbour | OnOffNeighbour, Field(discriminator="kind")]


class AccessPoint(Part):
    """Another access point on the same cable, with a channel, beacons and neighbours of its own."""

    name: Name
    stations: Annotated[tuple[str, ...], Field(strict=False)] = Field(default=(), description=STATIONS)
    """Who begins the evening there; all others begin it at the first access point."""
    band: Band = "2.4"
    dtim_period: int = Field(default=2, ge=1, le=10)
    others_doze: bool = False
    """Whether a visitor's phone dozes there, so that the group's packets are held for DTIM."""
    neighbours: tuple[Neighbour, ...] = Field(default=(), strict=False, max_length=50)
    """Who competes on its channel; none given: nobody."""
