"""What is tried: keys of the scenario with their values, every combination of them, and how each is spoken of."""

from __future__ import annotations

import itertools
import shlex
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from leadlight.errors import ConfigurationError
from leadlight.terms import Delivery
from leadlight_sim.measures import Figures, limits_of
from leadlight_sim.scenario import Scenario, ScenarioError
from leadlight_sim.tune.beat import beat_of

INTERVAL: Final = "leader.interval_s"
DELIVERY: Final = "leader.delivery"
DEFAULT_INTERVALS_S: Final = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0)
CANDIDATES_MAXIMUM: Final = 1000
DELIVERIES: Final = tuple(delivery.value for delivery in Delivery)
"""Of two candidates that take as much airtime, the one whose delivery comes first is taken."""

_SPOKEN: Final = {
    INTERVAL: "beacon interval {} s",
    DELIVERY: "delivery {}",
    "leader.lead_time_s": "lead time {} s",
    "leader.sounding_budget": "sounding budget {}",
    "playback.recovery": "recovery {}",
    "boards.waking": "player woken by {}",
}
_LEAD_OPTIONS: Final = {
    INTERVAL: "--interval",
    DELIVERY: "--delivery",
    "leader.lead_time_s": "--lead-time",
    "leader.on_music_lost": "--on-music-lost",
}

Value = object
Settings = tuple[tuple[str, Value], ...]
"""Keys of the scenario and their values, in the order in which they were asked for."""


@dataclass(frozen=True, slots=True)
class Choice:
    """A key of the scenario, and the values to try."""

    key: str
    values: tuple[Value, ...]


@dataclass(slots=True)
class Count:
    """What so many evenings came to: how many missed a target, and which; and of each measure the worst value.

    It does not grow with the number of evenings.
    """

    evenings: int = 0
    missed: int = 0
    misses: dict[str, int] = field(default_factory=dict)
    worst: dict[str, float] = field(default_factory=dict)
    airtime_sum: float = 0.0

    def add(self, figures: Figures, missed: Iterable[str]) -> None:
        """Count one more evening, and the keys of the targets that it missed."""
        keys = list(missed)
        self.evenings += 1
        self.missed += bool(keys)
        self.airtime_sum += figures.values["airtime_share"]
        for key in keys:
            self.misses[key] = self.misses.get(key, 0) + 1
        for key, value in figures.values.items():
            self.worst[key] = max(value, self.worst.get(key, value))

    @property
    def airtime_share(self) -> float:
        """The mean share of the channel's time."""
        return self.airtime_sum / self.evenings if self.evenings else float("nan")

    @property
    def first_missed(self) -> str | None:
        """The key of the target that was missed most often."""
        return max(self.misses, key=lambda key: self.misses[key], default=None)


class Candidate:
    """One combination of values: its scenario, and what exploration has seen of it."""

    def __init__(self, settings: Settings, scenario: Scenario) -> None:
        self.settings = settings
        self.scenario = scenario
        self.digest = scenario.digest()
        self.limits: Mapping[str, float] = limits_of(scenario)
        self.seen = Count()
        self.airtimes: list[float] = []
        """Of each explored evening, for pairs."""
        self.is_left = False
        """Whether exploration left it, for what it missed."""

    @property
    def name(self) -> str:
        """The combination in words; `as it is` where nothing was varied."""
        return ", ".join(spoken(key, value) for key, value in self.settings) or "the scenario as it is"

    @property
    def delivery(self) -> Delivery:
        """By which delivery beacons go out."""
        return Delivery(self.scenario.leader.delivery)

    def plain(self) -> dict[str, Value]:
        """Return the settings by key."""
        return dict(self.settings)

    def to_set(self) -> str:
        """Return the options by which `leadlight rehearse` takes it."""
        return " ".join(f"--set {shlex.quote(f'{key}={_plain(value)}')}" for key, value in self.settings)

    def to_lead(self) -> str | None:
        """Return the line that starts a real leader so; ``None`` where nothing that was varied is the leader's."""
        words = [f"{_LEAD_OPTIONS[key]} {_plain(value)}" for key, value in self.settings if key in _LEAD_OPTIONS]
        return f"leadlight lead --name NAME --group GROUP {' '.join(words)}" if words else None

    def contradictions(self) -> Iterable[str]:
        """Yield what does not go together here, and an interval that falls into step with access points."""
        leader = self.scenario.leader
        if leader.interval_s > leader.lead_time_s:
            yield (
                f"A beacon interval of {leader.interval_s:g} s is longer than the lead time of {leader.lead_time_s:g} "
                f"s: a cue may take effect before any beacon has announced it."
            )
        beat = beat_of(leader.interval_s)
        if beat is not None:
            yield beat.told()


def spoken(key: str, value: Value) -> str:
    """Return a setting in words."""
    return _SPOKEN[key].format(_plain(value)) if key in _SPOKEN else f"{key} {_plain(value)}"


def _plain(value: Value) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)


# --- Reading ----------------------------------------------------------------------------------------------------------


def choice_from_text(text: str, option: str = "--vary") -> Choice:
    """Return a choice from ``KEY=V,V,...``. Raises ``ConfigurationError``."""
    key, equals, listed = text.partition("=")
    if not equals or not key.strip() or not listed.strip():
        raise ConfigurationError(option, text, "KEY=V,V,... such as leader.lead_time_s=2,5")
    try:
        values = tomllib.loads(f"values = [{listed}]")["values"]
    except ValueError:
        values = [_value(each.strip()) for each in listed.split(",")]
    kept: list[Value] = []
    for value in values:
        if value not in kept:
            kept.append(value)
    if len(kept) > CANDIDATES_MAXIMUM:
        raise ConfigurationError(option, f"{len(kept)} values", f"at most {CANDIDATES_MAXIMUM}")
    return Choice(key.strip(), tuple(kept))


def _value(text: str) -> Value:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except ValueError:
        return text


def combinations(scenario: Scenario, choices: Sequence[Choice]) -> list[Candidate]:
    """Return every combination. Raises ``ScenarioError`` for what is no key or no value, or ``ConfigurationError``."""
    keys = [choice.key for choice in choices]
    for key in keys:
        if keys.count(key) > 1:
            raise ConfigurationError("--vary", key, "each key once")
        if key.startswith("run."):
            raise ConfigurationError("--vary", key, "what the evening is like; how long it is scored is no setting")
        if key.startswith("targets."):
            raise ConfigurationError("--vary", key, "what the evening is like; targets are what it is judged by")
    number = 1
    for choice in choices:
        number *= len(choice.values)
    if number > CANDIDATES_MAXIMUM:
        raise ConfigurationError("--vary", f"{number} combinations", f"at most {CANDIDATES_MAXIMUM}")
    products = itertools.product(*(choice.values for choice in choices))
    return [candidate(scenario, tuple(zip(keys, values, strict=True))) for values in products]


def candidate(scenario: Scenario, settings: Settings) -> Candidate:
    """Return one combination. Raises ``ScenarioError``."""
    varied = scenario.with_changes(dict(settings), source="--vary")
    return Candidate(tuple((key, _as_taken(varied, key, value)) for key, value in settings), varied)


def _as_taken(scenario: Scenario, key: str, value: Value) -> Value:
    """Return a value as the scenario took it: a whole number may stand for one with a fraction."""
    taken: object = scenario
    for name in key.split("."):
        taken = getattr(taken, name, value)
    return taken if isinstance(taken, float) and isinstance(value, int) else value


def check_targets(scenario: Scenario) -> None:
    """Raise ``ConfigurationError`` for targets that contradict each other."""
    targets = scenario.targets
    if scenario.tight_pairs and targets.tight_pair_ms > targets.pair_ms:
        raise ConfigurationError(
            "targets.tight_pair_ms", targets.tight_pair_ms,
            f"at most targets.pair_ms, which is {targets.pair_ms:g}: a tight pair is a pair as well",
        )  # fmt: skip


# --- Between neighbours -----------------------------------------------------------------------------------------------


def between(scenario: Scenario, found: Sequence[Candidate], best: Candidate) -> Candidate | None:
    """Return a candidate between the best and a neighbour that was left and takes less airtime; ``None`` for none.

    Neighbours differ in the value of one key, a number. Between is the geometric mean, to two digits.
    """
    known = [other.settings for other in found]
    for place, (key, value) in enumerate(best.settings):
        if isinstance(value, bool) or not isinstance(value, int | float) or value <= 0:
            continue
        beside = [
            (other.settings[place][1], other)
            for other in found
            if other is not best and other.settings[:place] == best.settings[:place]
            and other.settings[place + 1 :] == best.settings[place + 1 :]
        ]  # fmt: skip
        for is_above in (True, False):
            side = [(number, other) for number, other in beside
                    if isinstance(number, int | float) and number > 0 and (number > value) is is_above]  # fmt: skip
            if not side:
                continue
            number, other = (min if is_above else max)(side, key=lambda pair: pair[0])
            if not other.is_left or other.seen.airtime_share >= best.seen.airtime_share:
                continue
            middle: float = float(f"{(value * number) ** 0.5:.2g}")
            if isinstance(value, int) and isinstance(number, int):
                middle = round(middle)
            settings = (*best.settings[:place], (key, middle), *best.settings[place + 1 :])
            if middle in (value, number) or settings in known:
                continue
            try:
                return candidate(scenario, settings)
            except ScenarioError:
                continue
    return None
