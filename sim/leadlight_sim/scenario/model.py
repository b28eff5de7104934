"""What a rehearsal is about: scenario files read, checked, varied and named by their content.

A scenario only describes what the world is like and what is asked of it; the rooms that simulate take their
own configuration from it. All problems of a file are reported together, one line each, by the key's path.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from hashlib import blake2s
from typing import Annotated, Literal, TypeAlias

from pydantic import Field, ValidationError, field_validator, model_validator
from pydantic_core import PydanticCustomError

from leadlight.follower import TALLY_INTERVAL_NS
from leadlight.leader import BEACON_INTERVAL_NS, COPIES_MAXIMUM, ROSTER_MAXIMUM
from leadlight.units import SECOND
from leadlight_sim.scenario.faults import Fault
from leadlight_sim.scenario.hosts import Host, HostOf
from leadlight_sim.scenario.network import AccessPoint, Air, Neighbour
from leadlight_sim.scenario.orders import Order
from leadlight_sim.scenario.parts import Label, Name, Part, Range, ShowId
from leadlight_sim.scenario.problems import DISAGREEMENT, ScenarioError, disagreements, problem_lines
from leadlight_sim.scenario.variations import set_key

WIRE_MS_PER_PIXEL = 0.03
"""24 bits a pixel at 800 kbit/s: the one-wire output that most boards use."""


# --- What a scenario holds ----------------------------------------------------------------------------------


class Run(Part):
    """How long to rehearse, from which seed, and when scoring begins."""

    duration_s: float = Field(ge=1, le=7 * 86400)
    seed: int = Field(default=1, ge=0, le=2**63 - 1)
    settle_s: float = Field(default=60.0, ge=0, le=86400)
    """A follower is scored from this long after its first beacon."""


class Leader(Part):
    """Who gives the time, how often, and over what."""

    name: Name = "leader"
    wired: bool = False
    interval_s: float = Field(default=BEACON_INTERVAL_NS / SECOND, ge=0.05, le=10, description="in whole milliseconds")
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
    roster_limit: int = Field(default=ROSTER_MAXIMUM, ge=1, le=65535)
    """Followers that a leader keeps at most; it tells when it hears more."""
    copies_limit: int = Field(default=COPIES_MAXIMUM, ge=1, le=65535)
    """Followers that copies go to at most."""
    tally_interval_s: float = Field(default=TALLY_INTERVAL_NS / SECOND, ge=0.1, le=600)
    host: HostOf = Host(machine="steady")
    oscillator_ppm: float | None = Field(default=None, ge=-500, le=500)
    """``None``: drawn within the clocks' tolerance."""

    @field_validator("interval_s")
    @classmethod
    def _whole_milliseconds(cls, value: float) -> float:
        # Beacons carry their interval in milliseconds.
        if abs(value * 1000 - round(value * 1000)) > 1e-6:
            raise ValueError
        return value


class Standby(Part):
    """A node that follows, and leads once the leader is gone. ``rank``: the lowest waits least."""

    name: Name
    rank: int = Field(default=1, ge=1, le=127)
    wired: bool = False
    host: HostOf = Host(machine="steady")
    oscillator_ppm: float | None = Field(default=None, ge=-500, le=500)


class Follower(Part):
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
    host: HostOf | None = None
    """``None``: the scenario's ``boards``."""
    sounds: bool = True
    """False for a board that only listens."""

    @property
    def latency_ms(self) -> float:
        """Milliseconds from handing over a frame until it shows, as given or by the one-wire rule."""
        return self.pixels * WIRE_MS_PER_PIXEL if self.output_latency_ms is None else self.output_latency_ms


class Playback(Part):
    """How boards remove an error of what they show."""

    recovery: Literal["blended", "slew only", "step only", "hold"] = "blended"


class Clocks(Part):
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
            raise PydanticCustomError("narrower", "[lowest, highest], two numbers from 0 to 100 in rising order")
        return value


class Show(Part):
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


class CueEntry(Part):
    """What takes effect at one instant of the run."""

    at_s: float = Field(ge=0)
    show: str | None = Field(default=None, description="the id of a show")
    state: Literal["rolling", "paused", "dark", "stopped"] = "rolling"
    position_s: float = Field(default=0.0, ge=0)


class Targets(Part):
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
    airtime_share: float | None = Field(default=None, gt=0, le=1)
    """Share of the channel's time that timing may take; ``None``: any."""


class TightPair(Part):
    """Two pieces that share a surface and are held to the tighter target."""

    pieces: Annotated[tuple[str, str], Field(strict=False)] = Field(
        description="the names of two different followers, each pair once"
    )


Place: TypeAlias = Annotated[
    tuple[Annotated[float, Field(ge=-100_000, le=100_000)], Annotated[float, Field(ge=-100_000, le=100_000)]],
    Field(strict=False, description="[right, away], two numbers of m"),
]


class Site(Part):
    """Where people and pieces stand, how cold it is, how fast a pattern runs: for the budget and drawings, not for a
    run."""

    audience_near_m: float = Field(default=5.0, ge=0, le=10_000)
    """From the loudspeaker to the nearest listener."""
    audience_far_m: float = Field(default=21.0, ge=0, le=10_000)
    temperature_c: float = Field(default=5.0, ge=-60, le=60)
    pattern_px_per_s: float = Field(default=90.0, gt=0, le=1_000_000)
    places: Mapping[str, Place] = Field(default={}, description="followers' names with two numbers of m each")
    """Where pieces stand, seen from above: m right of the loudspeaker, and m away from the crowd. For drawings."""


class Scenario(Part):
    """A rehearsal's whole description. Make one with ``load_scenario`` or ``check_scenario``."""

    name: Annotated[Label, Field(min_length=1)]
    description: Annotated[str, Field(max_length=20_000, description="text")] = ""
    keyed: bool = False
    """Whether the group has a key. In a rehearsal any will do: it is made of the scenario's name."""
    run: Run
    leader: Leader = Leader()
    standbys: tuple[Standby, ...] = Field(default=(), strict=False, max_length=16)
    followers: tuple[Follower, ...] = Field(strict=False, min_length=1, max_length=5000)
    boards: HostOf = Host()
    """What followers run on that say nothing else."""
    playback: Playback = Playback()
    clocks: Clocks = Clocks()
    air: Air = Air()
    neighbours: tuple[Neighbour, ...] = Field(default=(), strict=False, max_length=50)
    """Who competes on the channel, unless ``air.fidelity`` is sampled; none given: the preset's."""
    access_points: tuple[AccessPoint, ...] = Field(default=(), strict=False, max_length=8)
    """Others than the first, with ``air.fidelity`` contended."""
    shows: tuple[Show, ...] = Field(strict=False, min_length=1, max_length=1000)
    cues: tuple[CueEntry, ...] = Field(strict=False, min_length=1, max_length=10_000)
    orders: tuple[Order, ...] = Field(default=(), strict=False, max_length=10_000)
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
        # Where nobody says where pieces stand a scenario is called what it was called before one could say it.
        if not plain["site"]["places"]:
            del plain["site"]["places"]
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
        lines = [line for key, value in changes.items() if (line := set_key(table, key, value))]
        if lines:
            raise ScenarioError(*(f"{source}: {line}" for line in lines))
        return check_scenario(table, source)

    def cut_to(self, duration_s: float) -> Scenario:
        """Return the run's first ``duration_s`` seconds: cues and faults that begin later are left out."""
        table = self.model_dump(mode="json", exclude_unset=True)
        kept = {
            part: [x for x in table.get(part, []) if x["at_s"] < duration_s] for part in ("cues", "orders", "faults")
        }
        return self.with_changes({"run.duration_s": duration_s, **kept})


# --- Reading ------------------------------------------------------------------------------------------------


def host_of(scenario: Scenario, node: Leader | Standby | Follower) -> Host:
    """Return what a node of a scenario runs on."""
    return scenario.boards if node.host is None else node.host


def check_scenario(table: Mapping[str, object], source: str) -> Scenario:
    """Return the scenario that ``table`` describes, as ``tomllib`` would give it.

    ``source`` is the file's name for messages. Raises ``ScenarioError`` that lists every problem.
    """
    try:
        return Scenario.model_validate(dict(table))
    except ValidationError as error:
        lines = problem_lines(error, table, Scenario)
    raise ScenarioError(*(f"{source}: {line}" for line in lines))
