"""What a rehearsal is about: scenario files read, checked, varied and named by their content.

A scenario only describes what the world is like and what is asked of it; the rooms that simulate take their
own configuration from it. All problems of a file are reported together, one line each, by the key's path.
"""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from collections.abc import Mapping
from hashlib import blake2s
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from leadlight.errors import LeadlightError
from leadlight_sim.scenario_problems import DISAGREEMENT, disagreements, problem_lines

SHIPPED_DEFAULT = "quarry-lake"
FILE_MAXIMUM_BYTES = 4 << 20
"""A thousand followers with every key written out take less than a tenth of this."""

WIRE_MS_PER_PIXEL = 0.03
"""24 bits a pixel at 800 kbit/s: the one-wire output that most boards use."""


NAME_MAXIMUM_BYTES = 24
"""What a tally has room for."""


class ScenarioError(LeadlightError, ValueError):
    """A scenario cannot be used. ``args`` holds the problems, each one line that names its file and key."""

    def __str__(self) -> str:
        return "\n".join(map(str, self.args))


# --- What a scenario holds ----------------------------------------------------------------------------------


def _fits_a_tally(name: str) -> str:
    if len(name.encode()) > NAME_MAXIMUM_BYTES:
        raise ValueError
    return name


Name: TypeAlias = Annotated[
    str,
    AfterValidator(_fits_a_tally),
    Field(
        min_length=1,
        pattern=r"^[^\s\p{C}]([^\p{C}]*[^\s\p{C}])?$",
        description="printable text of 1 to 24 bytes in UTF-8, no space at either end",
    ),
]
ShowId: TypeAlias = Annotated[
    str,
    Field(
        max_length=64,
        pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$",
        description="small letters, digits and single hyphens, at most 64",
    ),
]
Label: TypeAlias = Annotated[
    str, Field(max_length=4000, pattern=r"^[^\p{Cc}]*$", description="one line of printable text")
]
Range: TypeAlias = Annotated[
    tuple[float, float],
    Field(strict=False, description="[lowest, highest], two numbers from -100 to 100 in rising order"),
]
HostPreset: TypeAlias = Literal["steady", "small-board", "busy"]
AirPreset: TypeAlias = Literal[
    "idle", "busy", "dozing", "model-a", "model-b", "model-c", "model-d", "model-e"
]
STATIONS = "names of the leader, followers or standbys, none of them wired, each once"
Fidelity: TypeAlias = Literal["sampled", "contended", "tabled"]


class _Part(BaseModel):
    # Strict: "5", true and 5.0 are not whole numbers. People write scenarios; a guess would hide a slip.
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class Run(_Part):
    """How long to rehearse, from which seed, and when scoring begins."""

    duration_s: float = Field(ge=1, le=7 * 86400)
    seed: int = Field(default=1, ge=0, le=2**63 - 1)
    settle_s: float = Field(default=60.0, ge=0, le=86400)
    """A follower is scored from this long after its first beacon."""


class Leader(_Part):
    """Who gives the time, how often, and over what."""

    name: Name = "leader"
    wired: bool = False
    interval_s: float = Field(default=1.0, ge=0.05, le=10, description="in whole milliseconds")
    delivery: Literal["automatic", "group", "copies", "both"] = "automatic"
    """How beacons go out: to the group, as copies to each follower, both, or as followers need it.

    By copies alone every follower that sounds is told the leader's address beforehand, since no beacon tells it.
    """
    lead_time_s: float = Field(default=2.0, ge=0, le=60)
    """How long before a cue takes effect it is announced."""
    sounding_budget: int = Field(default=60, ge=0, le=255)
    """Soundings a second that all followers may send together."""
    on_music_lost: Literal["continue", "finish", "dark"] = "continue"
    """What a standby does with the show when it takes over."""
    tally_interval_s: float = Field(default=5.0, ge=0.1, le=600)
    host: HostPreset = "steady"
    oscillator_ppm: float | None = Field(default=None, ge=-500, le=500)
    """``None``: drawn within the clocks' tolerance."""

    @field_validator("interval_s")
    @classmethod
    def _whole_milliseconds(cls, value: float) -> float:
        # Beacons carry their interval in milliseconds.
        if abs(value * 1000 - round(value * 1000)) > 1e-6:
            raise ValueError
        return value


class Standby(_Part):
    """A node that follows, and leads once the leader is gone. ``rank``: the lowest waits least."""

    name: Name
    rank: int = Field(default=1, ge=1, le=127)
    wired: bool = False
    host: HostPreset = "steady"
    oscillator_ppm: float | None = Field(default=None, ge=-500, le=500)


class Follower(_Part):
    """One board and what it lights."""

    name: Name
    pixels: int = Field(ge=1, le=100_000)
    output_latency_ms: float | None = Field(default=None, ge=0, le=1000)
    """From handing a frame to the output until it shows; ``None``: one wire, 30 µs a pixel."""
    trim_ms: float = Field(default=0.0, ge=-1000, le=1000)
    oscillator_ppm: float | None = Field(default=None, ge=-500, le=500)
    """``None``: drawn within the clocks' tolerance."""
    extra_loss_fraction: float = Field(default=0.0, ge=0, le=0.95)
    """Share of time in which this board's own link is out, beyond what the air does to all."""
    extra_burst_s: float = Field(default=0.5, ge=0.001, le=600)
    """Mean length of one such outage."""
    host: HostPreset = "small-board"
    sounds: bool = True
    """False for a board that only listens."""

    @property
    def latency_ms(self) -> float:
        """Milliseconds from handing over a frame until it shows, as given or by the one-wire rule."""
        return self.pixels * WIRE_MS_PER_PIXEL if self.output_latency_ms is None else self.output_latency_ms


class Clocks(_Part):
    """How far and how fast crystals stray; each node draws its own values from these."""

    tolerance_ppm: float = Field(default=50.0, ge=0, le=500)
    wander_ppm_per_sqrt_s: Range = (0.01, 0.05)
    cooling_ppm: Range = (1.0, 5.0)
    """Frequency change while the evening cools, spread evenly over ``cooling_over_s``."""
    cooling_over_s: float = Field(default=1200.0, ge=1, le=86400)

    @field_validator("wander_ppm_per_sqrt_s", "cooling_ppm")
    @classmethod
    def _rising(cls, value: tuple[float, float]) -> tuple[float, float]:
        if not -100 <= value[0] <= value[1] <= 100:
            raise ValueError
        return value

    @field_validator("wander_ppm_per_sqrt_s")
    @classmethod
    def _no_negative_wander(cls, value: tuple[float, float]) -> tuple[float, float]:
        if value[0] < 0:
            raise PydanticCustomError(
                "narrower", "[lowest, highest], two numbers from 0 to 100 in rising order"
            )
        return value


class Dropouts(_Part):
    """Loss in time instead of the preset's."""

    mean_loss_fraction: float = Field(ge=0, le=0.95)
    mean_burst_s: float = Field(default=0.16, ge=0.001, le=600)
    shared_fraction: float = Field(default=0.5, ge=0, le=1)
    """The part of the loss that strikes all followers at once."""


class Scans(_Part):
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


class FittedLevel(_Part):
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


class Fitted(_Part):
    """What `leadlight fit` made of a recording: laws for each level of load, and the level of each window."""

    window_ms: float = Field(default=10.0, ge=1, le=600_000)
    windows: str = Field(
        pattern="^[a-z]+$", max_length=400_000, description="a letter for each window, a for the first level"
    )
    levels: tuple[FittedLevel, ...] = Field(strict=False, min_length=1, max_length=26)


Band: TypeAlias = Annotated[Literal["2.4", "5"], BeforeValidator(_band_as_text)]


class Air(_Part):
    """The Wi-Fi between them."""

    name: Name = "access point"
    """What faults call the access point, where there are several."""
    preset: AirPreset = "busy"
    fidelity: Fidelity = "sampled"
    """Whether delays are drawn from laws, or made by frames that compete, which takes far longer; or drawn from tables
    that ten minutes or more of competing frames on the same network gave, which are kept."""
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


class SaturatedNeighbour(_Part):
    """A station next door that always has something to send."""

    kind: Literal["saturated"]


class PoissonNeighbour(_Part):
    """A station next door whose frames come independently of each other."""

    kind: Literal["poisson"]
    load: float = Field(default=0.1, ge=0, le=1)
    """Share of the channel's time that it asks for."""


class OnOffNeighbour(_Part):
    """A station next door that has something to send at all times for a while, and then nothing for a while."""

    kind: Literal["on-off"]
    load: float = Field(default=0.1, ge=0.001, le=0.999)
    """Share of time in which it has."""
    mean_on_s: float = Field(default=0.2, ge=0.001, le=600)


Neighbour: TypeAlias = Annotated[
    SaturatedNeighbour | PoissonNeighbour | OnOffNeighbour, Field(discriminator="kind")
]


class AccessPoint(_Part):
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


class Show(_Part):
    """One show of the running order."""

    id: ShowId
    title: Label = ""
    edition: Label = "1"
    duration_s: float = Field(gt=0, le=86400)
    frame_rate: Annotated[tuple[int, int], Field(strict=False)] = Field(
        default=(40, 1),
        description="[numerator, denominator], whole numbers above zero making 1 to 1000 frames a second",
    )

    @field_validator("frame_rate")
    @classmethod
    def _sane_rate(cls, value: tuple[int, int]) -> tuple[int, int]:
        if min(value) < 1 or max(value) > 2**31 or not value[1] <= value[0] <= 1000 * value[1]:
            raise ValueError
        return value

    @property
    def frame_period_ms(self) -> float:
        """Length of one frame in milliseconds."""
        return 1000 * self.frame_rate[1] / self.frame_rate[0]


class CueEntry(_Part):
    """What takes effect at one instant of the run."""

    at_s: float = Field(ge=0)
    show: str | None = Field(default=None, description="the id of a show")
    state: Literal["rolling", "paused", "dark", "stopped"] = "rolling"
    position_s: float = Field(default=0.0, ge=0)


class LeaderReboot(_Part):
    """The leader falls silent, and comes back as a new tenure."""

    kind: Literal["leader-reboot"]
    at_s: float = Field(ge=0)
    for_s: float = Field(gt=0, le=86400)


class PowerCut(_Part):
    """One follower loses power, and starts again from nothing."""

    kind: Literal["power-cut"]
    follower: str = Field(description="the name of a follower")
    at_s: float = Field(ge=0)
    for_s: float = Field(gt=0, le=86400)


class LeaderLost(_Part):
    """The leader falls silent for good."""

    kind: Literal["leader-lost"]
    at_s: float = Field(ge=0)


class AccessPointReboot(_Part):
    """An access point restarts: nothing crosses its radio.

    ``access_point``: its name; ``None``: the first one. Stations are back within ``rejoin_s`` after that.
    """

    kind: Literal["access-point-reboot"]
    access_point: str | None = Field(default=None, description="the name of an access point")
    at_s: float = Field(ge=0)
    for_s: float = Field(default=90.0, gt=0, le=86400)
    rejoin_s: float = Field(default=0.0, ge=0, le=600)


class Radar(_Part):
    """An access point at 5 GHz hears a radar, and is silent while it checks another channel."""

    kind: Literal["radar"]
    access_point: str | None = Field(default=None, description="the name of an access point")
    at_s: float = Field(ge=0)
    for_s: float = Field(default=60.0, gt=0, le=86400)
    """The check takes 60 s on most channels, 600 on those of weather radars (ETSI EN 301 893)."""
    rejoin_s: float = Field(default=0.0, ge=0, le=600)


class SplitNetwork(_Part):
    """Some nodes are cut off from the rest, and hear each other."""

    kind: Literal["split-network"]
    away: tuple[str, ...] = Field(strict=False, min_length=1, description="names of followers and standbys")
    at_s: float = Field(ge=0)
    for_s: float = Field(gt=0, le=86400)


class BoardSuspended(_Part):
    """One follower's host is suspended and resumed: it keeps its memory and hears nothing."""

    kind: Literal["board-suspended"]
    follower: str = Field(description="the name of a follower")
    at_s: float = Field(ge=0)
    for_s: float = Field(default=60.0, gt=0, le=86400)


class LossSpell(_Part):
    """Every packet is lost with this chance, on top of what the network does."""

    kind: Literal["loss-spell"]
    loss_fraction: float = Field(default=0.3, gt=0, le=1)
    at_s: float = Field(ge=0)
    for_s: float = Field(default=60.0, gt=0, le=86400)


class Roam(_Part):
    """One follower changes to another access point: a gap, and another path from then on.

    ``to`` names one of the scenario's; ``None`` is one that it does not have, whose path is slower by ``slower_ms``, 20
    if that is left out.
    """

    kind: Literal["roam"]
    follower: str = Field(description="the name of a follower")
    to: str | None = Field(default=None, description="the name of an access point")
    at_s: float = Field(ge=0)
    for_s: float = Field(default=0.2, gt=0, le=60)
    slower_ms: float | None = Field(default=None, ge=0, le=1000)


class LiveData(_Part):
    """Live pixel data reaches one follower as well."""

    kind: Literal["live-data"]
    follower: str = Field(description="the name of a follower")
    at_s: float = Field(ge=0)
    for_s: float = Field(gt=0, le=86400)


class ClashingLeader(_Part):
    """A second leader that hears nobody comes up with a clock and a show of its own, and goes again.

    ``rank``: the scenario's leader has 0 and goes before it. ``show``: the id of what it rolls; ``None``: the first.
    """

    kind: Literal["clashing-leader"]
    rank: int = Field(default=1, ge=1, le=127)
    show: str | None = Field(default=None, description="the id of a show")
    at_s: float = Field(ge=0)
    for_s: float = Field(default=60.0, gt=0, le=86400)


# A further kind of fault is a class like these, added here. Its `at_s`, `for_s`, `follower` and `away`, where it
# has them, are then checked against the rest of the scenario without more ado.
Fault: TypeAlias = Annotated[
    LeaderReboot
    | LeaderLost
    | PowerCut
    | AccessPointReboot
    | Radar
    | SplitNetwork
    | BoardSuspended
    | LossSpell
    | Roam
    | LiveData
    | ClashingLeader,
    Field(discriminator="kind"),
]


def over_at_s(fault: Fault) -> float | None:
    """Return when a fault is over, in seconds of the run; ``None`` for one that is for good."""
    if isinstance(fault, LeaderLost):
        return None
    rejoin_s = fault.rejoin_s if isinstance(fault, AccessPointReboot | Radar) else 0.0
    return fault.at_s + fault.for_s + rejoin_s


def title_of(fault: Fault) -> str:
    """Return a fault in a few words, for a label."""
    if isinstance(fault, LeaderReboot):
        return "leader restarts"
    words = fault.kind.replace("-", " ")
    if isinstance(fault, PowerCut | BoardSuspended | Roam | LiveData):
        return f"{fault.follower}: {words}"
    return words


class Targets(_Part):
    """What the crowd should be given; times are 95th percentiles."""

    tight_pair_ms: float = Field(default=5.0, gt=0, le=10_000)
    """Two pieces that share a surface, where a pattern crosses the seam."""
    pair_ms: float = Field(default=15.0, gt=0, le=10_000)
    """Any two pieces that should strike together."""
    error_ms: float | None = Field(default=None, gt=0, le=10_000)
    """A follower against the leader; ``None``: half a frame of the fastest show."""
    wrong_frame_share: float = Field(default=0.2, ge=0, le=1)
    """Share of time in which another frame shows than should: 5 ms at 40 frames a second."""
    cue_ms: float = Field(default=100.0, gt=0, le=60_000)
    """How late a cue may take effect at any follower: twice what looks like one moment."""
    join_s: float = Field(default=10.0, gt=0, le=3600)
    """From a follower's first beacon until it stays within the error target."""
    recover_s: float = Field(default=10.0, gt=0, le=3600)
    """From the end of a fault until everyone is within the error target again."""


class TightPair(_Part):
    """Two pieces that share a surface and are held to the tighter target."""

    pieces: Annotated[tuple[str, str], Field(strict=False)] = Field(
        description="the names of two different followers, each pair once"
    )


class Site(_Part):
    """Where people stand, how cold it is, and how fast the fastest pattern runs: for the budget, not for a run."""

    audience_near_m: float = Field(default=5.0, ge=0, le=10_000)
    """From the loudspeaker to the nearest listener."""
    audience_far_m: float = Field(default=21.0, ge=0, le=10_000)
    temperature_c: float = Field(default=5.0, ge=-60, le=60)
    pattern_px_per_s: float = Field(default=90.0, gt=0, le=1_000_000)


class Scenario(_Part):
    """A rehearsal's whole description. Make one with ``load_scenario`` or ``check_scenario``."""

    name: Annotated[Label, Field(min_length=1)]
    description: Annotated[str, Field(max_length=20_000, description="text")] = ""
    run: Run
    leader: Leader = Leader()
    standbys: tuple[Standby, ...] = Field(default=(), strict=False, max_length=16)
    followers: tuple[Follower, ...] = Field(strict=False, min_length=1, max_length=1000)
    clocks: Clocks = Clocks()
    air: Air = Air()
    neighbours: tuple[Neighbour, ...] = Field(default=(), strict=False, max_length=50)
    """Who competes on the channel, unless ``air.fidelity`` is sampled; none given: the preset's."""
    access_points: tuple[AccessPoint, ...] = Field(default=(), strict=False, max_length=8)
    """Others than the first, with ``air.fidelity`` contended."""
    shows: tuple[Show, ...] = Field(strict=False, min_length=1, max_length=1000)
    cues: tuple[CueEntry, ...] = Field(strict=False, min_length=1, max_length=10_000)
    faults: tuple[Fault, ...] = Field(default=(), strict=False, max_length=10_000)
    targets: Targets = Targets()
    site: Site = Site()
    tight_pairs: tuple[TightPair, ...] = Field(default=(), strict=False, max_length=1000)

    @model_validator(mode="after")
    def _parts_agree(self) -> Scenario:
        found = list(disagreements(self.model_dump(mode="json", exclude_none=True)))
        if found:
            raise PydanticCustomError(DISAGREEMENT, "parts disagree: {found}", {"found": found})
        return self

    @property
    def error_target_ms(self) -> float:
        """The target for a follower's error in milliseconds, as given or half a frame of the fastest show."""
        if self.targets.error_ms is not None:
            return self.targets.error_ms
        return min(show.frame_period_ms for show in self.shows) / 2

    def digest(self) -> str:
        """Return 32 hexadecimal digits that depend on what the scenario says and not on how it is written.

        Comments, key order, ``1`` for ``1.0`` and defaults written out change nothing.
        """
        plain = json.loads(self.model_dump_json(), parse_float=lambda text: float(text) + 0.0)  # -0.0 is 0.0
        canonical = json.dumps(plain, sort_keys=True, separators=(",", ":"), allow_nan=False)
        return blake2s(canonical.encode(), digest_size=16, person=b"scenario").hexdigest()

    def with_changes(self, changes: Mapping[str, object], *, source: str = "") -> Scenario:
        """Return a checked copy with other values, by dotted key.

        ``changes`` maps keys such as ``"leader.interval_s"``, ``"followers[3].trim_ms"`` or
        ``"followers[ferry].trim_ms"`` to values as a TOML file would give them; ``None`` sets a key back to
        its default. ``source`` stands for the file in messages; by default the scenario's name.
        Raises ``ScenarioError``.
        """
        source = source or self.name
        table = self.model_dump(mode="json", exclude_unset=True)
        lines = [line for key, value in changes.items() if (line := _change(table, key, value))]
        if lines:
            raise ScenarioError(*(f"{source}: {line}" for line in lines))
        return check_scenario(table, source)

    def cut_to(self, duration_s: float) -> Scenario:
        """Return the run's first ``duration_s`` seconds: cues and faults that begin later are left out."""
        table = self.model_dump(mode="json", exclude_unset=True)
        kept = {
            part: [x for x in table.get(part, []) if x["at_s"] < duration_s] for part in ("cues", "faults")
        }
        return self.with_changes({"run.duration_s": duration_s, **kept})


# --- Reading ------------------------------------------------------------------------------------------------


def check_scenario(table: Mapping[str, object], source: str) -> Scenario:
    """Return the scenario that ``table`` describes, as ``tomllib`` would give it.

    ``source`` is the file's name for messages. Raises ``ScenarioError`` that lists every problem.
    """
    try:
        return Scenario.model_validate(dict(table))
    except ValidationError as error:
        lines = problem_lines(error, table, Scenario)
    raise ScenarioError(*(f"{source}: {line}" for line in lines))


def load_scenario(path: str | Path) -> Scenario:
    """Return the scenario in the TOML file at ``path``. Raises ``ScenarioError`` that lists every problem."""
    try:
        with Path(path).open("rb") as file:
            data = file.read(FILE_MAXIMUM_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise ScenarioError(f"{path}: cannot be read: {reason}") from error
    return _parse(data, str(path))


def shipped_scenarios() -> list[str]:
    """Return the names of the scenarios that come with the simulator, in order."""
    folder = files("leadlight_sim").joinpath("scenarios")
    return sorted(
        entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml")
    )


def load_shipped(name: str = SHIPPED_DEFAULT) -> Scenario:
    """Return a scenario that comes with the simulator; a name it lacks raises ``ScenarioError``."""
    if name not in shipped_scenarios():
        raise ScenarioError(_no_such_scenario(name))
    data = files("leadlight_sim").joinpath("scenarios").joinpath(f"{name}.toml").read_bytes()
    return _parse(data, f"{name}.toml")


def resolve_scenario(text: str | None) -> Scenario:
    """Return the scenario a person asked for: a shipped name, a file's path, or nothing for Quarry Lake."""
    if text is None or text in shipped_scenarios():
        return load_shipped(text or SHIPPED_DEFAULT)
    if not Path(text).exists():
        raise ScenarioError(_no_such_scenario(text))
    return load_scenario(text)


def change_from_text(text: str) -> tuple[str, object]:
    """Return the key and value of ``KEY=VALUE`` for ``with_changes``. A value that is not TOML is text."""
    key, equals, value = text.partition("=")
    if not equals or not key.strip():
        raise ScenarioError(f"{text}: allowed: KEY=VALUE, such as leader.interval_s=0.5")
    try:
        parsed = tomllib.loads(f"value = {value}")
    except ValueError:
        parsed = {}
    return key.strip(), parsed["value"] if len(parsed) == 1 else value.strip()


def _no_such_scenario(name: str) -> str:
    known = shipped_scenarios()
    near = difflib.get_close_matches(Path(name).name.removesuffix(".toml"), known, n=1, cutoff=0.4)
    hint = f"; did you mean {near[0]}?" if near else ""
    return f"{name}: neither a file nor a shipped scenario; shipped: {', '.join(known)}{hint}"


def _parse(data: bytes, source: str) -> Scenario:
    if len(data) > FILE_MAXIMUM_BYTES:
        raise ScenarioError(f"{source}: too long; allowed: {FILE_MAXIMUM_BYTES} bytes")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line, column = _place_after(data[: error.start].decode("utf-8", "replace"))
        raise ScenarioError(f"{source}: line {line}, column {column}: not UTF-8 text") from error
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        told = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", str(error), re.DOTALL)
        reason = told[1] if told else str(error).removesuffix(" (at end of document)")
        line, column = (int(told[2]), int(told[3])) if told else _place_after(text)
        raise ScenarioError(f"{source}: line {line}, column {column}: not TOML: {reason}") from error
    except (ValueError, RecursionError) as error:
        # A whole number of thousands of digits, or brackets nested as deep.
        raise ScenarioError(f"{source}: not TOML that can be read: {error}") from error
    return check_scenario(table, source)


def _place_after(text: str) -> tuple[int, int]:
    return text.count("\n") + 1, len(text) - text.rfind("\n")


def _change(table: dict[str, Any], key: str, value: object) -> str | None:
    # Sets one dotted key in place; returns what is wrong with the key, if anything.
    if not re.fullmatch(r"[\w-]+(\[[^\[\]]+\])?(\.[\w-]+(\[[^\[\]]+\])?)*", key):
        return f"{key}: not a key; allowed: such as leader.interval_s, followers[0].trim_ms or air.preset"
    at: Any = {"": table}
    step: Any = ""
    for name, entry in re.findall(r"([\w-]+)(?:\[([^\[\]]+)\])?(?:\.|$)", key):
        at, step = _inside(at, step), name
        if not isinstance(at, dict):
            return f"{key}: {name} is not inside a table"
        if entry:
            at = at.get(name)
            called = [str(one.get("name", one.get("id"))) for one in at] if isinstance(at, list) else []
            step = (
                int(entry) if entry.isdecimal() else called.index(entry) if entry in called else len(called)
            )
            if step >= len(called):
                near = difflib.get_close_matches(entry, called, n=1)
                hint = f"; did you mean {near[0]}?" if near else ""
                return f"{key}: there is no [{entry}]; allowed: a name, or a number below {len(called)}{hint}"
    if value is None and isinstance(at, dict):
        at.pop(step, None)
    else:
        at[step] = value
    return None


def _inside(at: Any, step: Any) -> Any:
    # A table that the file left out starts empty.
    return at.setdefault(step, {}) if isinstance(at, dict) else at[step]
