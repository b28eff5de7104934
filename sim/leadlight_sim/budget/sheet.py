"""The timing budget sheet: how far apart pieces can be, by cause, before anything is run.

Biases are added linearly and spreads as the root of the sum of their squares; the worst *pair* comes first, because an
audience sees differences. What all pieces share moves them together against the music and cancels between them.
"""

from __future__ import annotations

import heapq
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import combinations
from typing import Any, Final

from leadlight import LeadlightError
from leadlight.clock import ClockView
from leadlight.cue import FrameRate
from leadlight.errors import ConfigurationError
from leadlight.units import ShowPosition, seconds
from leadlight_sim.air import DSSS_RATES_MBPS, Band, Dropout, FrameCosts, Radio
from leadlight_sim.budget.network import Network, PieceClock
from leadlight_sim.budget.site import (
    WINDOWS,
    SoundFit,
    Storage,
    fit_sound,
    holdover_s,
    learnt_holdover_s,
    offset_for_one_pixel_ms,
    speed_of_sound,
    storage_of,
)
from leadlight_sim.hosts import HostSettings
from leadlight_sim.live import DATA_PACKET_BYTES, LiveFeed, universes
from leadlight_sim.scenario import Follower, Scenario
from leadlight_sim.world import host_settings

P95: Final = 1.96
"""Standard deviations within which a Gaussian stays 95 % of the time."""
PAIRS_MAXIMUM: Final = 20
NS_PER_MS: Final = 1e6
BEACON_BYTES: Final = 92
"""With two marks or medians; the other three are as sent in a rehearsal of the shipped scenario, without a key."""
SOUNDING_BYTES: Final = 60
ECHO_BYTES: Final = 56
TALLY_BYTES: Final = 61


class Cause(Enum):
    """What makes light early or late."""

    FLOORS = "unequal ways there and back"
    STAMPING = "hosts that stamp packets late"
    ESTIMATOR = "what the clock's averaging leaves"
    DRIFT = "drift between corrections"
    WAKING = "hosts that wake late for a frame"
    TICK = "output tick"
    STRING = "string time"
    TRIM = "trim resolution"


CLOCK_CAUSES: Final = frozenset({Cause.FLOORS, Cause.STAMPING, Cause.ESTIMATOR, Cause.DRIFT})
"""What a rehearsal scores as a clock's error."""
REHEARSED_CAUSES: Final = CLOCK_CAUSES | {Cause.WAKING}
"""What it scores as the distance of a piece's light from the music; the others it leaves out."""


@dataclass(frozen=True, slots=True)
class Share:
    """One cause's part, in ms, of a piece or a pair.

    ``late_ms`` is known and constant (positive: late); ``limit_ms`` and ``unknown_ms`` are the largest and the rms of a
    constant that nobody can know beforehand; ``spread_ms`` is what varies, rms.
    """

    cause: Cause
    late_ms: float = 0.0
    limit_ms: float = 0.0
    unknown_ms: float = 0.0
    spread_ms: float = 0.0


class _Sum:
    """What a list of shares comes to."""

    shares: tuple[Share, ...]

    def share(self, cause: Cause) -> Share:
        """Return one cause's part."""
        return next(share for share in self.shares if share.cause is cause)

    def spread_ms(self, causes: frozenset[Cause] = frozenset(Cause)) -> float:
        """Return the root of the sum of the squares of what varies."""
        return math.hypot(*(share.spread_ms for share in self.shares if share.cause in causes))

    def bias_ms(self, causes: frozenset[Cause] = frozenset(Cause)) -> float:
        """Return the sum of all constants at their largest."""
        return sum(abs(share.late_ms) + share.limit_ms for share in self.shares if share.cause in causes)

    def allow_ms(self, causes: frozenset[Cause] = frozenset(Cause)) -> float:
        """Return what to allow for: all constants at their largest, and 95 % of what varies."""
        return self.bias_ms(causes) + P95 * self.spread_ms(causes)

    def part_ms(self, cause: Cause) -> float:
        """Return one cause's part of what to allow for: what varies by its squares, so that the parts add up."""
        share, whole = self.share(cause), self.spread_ms()
        return abs(share.late_ms) + share.limit_ms + (P95 * share.spread_ms**2 / whole if whole else 0.0)

    def expect_ms(self, causes: frozenset[Cause] = frozenset(Cause)) -> float:
        """Return what to expect, rms over sites and time."""
        parts = [share for share in self.shares if share.cause in causes]
        known = sum(share.late_ms for share in parts)
        return math.hypot(known, *(share.unknown_ms for share in parts), *(share.spread_ms for share in parts))


@dataclass(frozen=True)
class PieceBudget(_Sum):
    """One piece against the music. ``own`` are the shares that other pieces do not have in common with it."""

    name: str
    pixels: int
    view: ClockView
    string_ms: float
    frames_per_s_maximum: float
    """Above it a string is not full when the next frame is due."""
    shares: tuple[Share, ...]
    own: tuple[Share, ...]


@dataclass(frozen=True)
class PairBudget(_Sum):
    """Two pieces against each other. ``uncompensated_ms`` is what their strings would add without an early start."""

    names: tuple[str, str]
    tight: bool
    uncompensated_ms: float
    shares: tuple[Share, ...]


@dataclass(frozen=True, slots=True)
class Options:
    """What a scenario does not say. ``free_tick``: boards show frames at a tick of their own."""

    free_tick: bool = False
    trim_step_ms: float = 1.0
    copy_mbps: float = 18.0

    def __post_init__(self) -> None:
        if not 0 <= self.trim_step_ms <= 1000:
            raise ConfigurationError("--trim-step", self.trim_step_ms, "0 to 1000 ms")
        if not 0 < self.copy_mbps < math.inf:
            raise ConfigurationError("--copy-rate", self.copy_mbps, "a number of Mb/s above 0")


@dataclass(frozen=True, slots=True)
class Holdover:
    """One tolerance: for how long at each rate error in ppm, and with the learnt rate, in s."""

    tolerance_ms: float
    meaning: str
    by_ppm_s: tuple[tuple[float, float], ...]
    learnt_s: float


@dataclass(frozen=True, slots=True)
class Airtime:
    """Shares of the radio's time: timing alone, and the show sent live at several multicast rates and as unicast."""

    feed: LiveFeed
    stored: float
    live_unicast: float
    live_unicast_data: float
    live_group_data: float
    """As unicast and as multicast at the network's own rate, without synchronisation packets."""
    live_by_rate: tuple[tuple[float, float], ...]
    """(Mb/s, share): the network's own basic rate first."""

    @property
    def ratio(self) -> float:
        """How many times as much of the air the live show takes, as multicast at the network's own rate."""
        return self.live_by_rate[0][1] / self.stored if self.stored else math.inf


@dataclass(frozen=True, slots=True)
class Budget:
    """The whole sheet."""

    scenario: Scenario
    options: Options
    pieces: tuple[PieceBudget, ...]
    """The worst first."""
    pairs: tuple[PairBudget, ...]
    """The worst first: at most ``PAIRS_MAXIMUM``, and all tight pairs."""
    as_bad: int
    """How many pairs come to what the worst one does, in three significant digits, it among them."""
    one_pixel_ms: float
    half_frame_ms: float
    ms_per_m: float
    sound: tuple[SoundFit, ...]
    holdover: tuple[Holdover, ...]
    storage: tuple[Storage, ...]
    airtime: Airtime

    @property
    def worst_pair(self) -> PairBudget | None:
        """The pair that may be furthest apart; ``None`` where there is one piece only."""
        return self.pairs[0] if self.pairs else None

    @property
    def allowed_ms(self) -> float:
        """The difference of two pieces at which a pattern tears by a pixel or half a frame shows, whichever is less."""
        return min(self.one_pixel_ms, self.half_frame_ms)


def budget(scenario: Scenario, options: Options | None = None, markers: bool = True) -> Budget:
    """Return the budget of a scenario. Raises ``LeadlightError`` where no board can hear the leader.

    ``markers``: whether followers take turns as markers, as in ``World``.
    """
    options = options or Options()
    network = Network(scenario, markers)
    if network.is_deaf:
        raise LeadlightError("air.client_isolation: no board can hear a leader that is on Wi-Fi itself; use a cable")
    fastest = max(scenario.shows, key=lambda show: show.frame_rate[0] / show.frame_rate[1])
    frame_ms = fastest.frame_period_ms
    pieces = [_piece(network, follower, frame_ms, options) for follower in scenario.followers]
    tight = {frozenset(pair.pieces) for pair in scenario.tight_pairs}
    pairs, as_bad = _worst_pairs(pieces, tight)
    site = scenario.site
    ms_per_m = 1000 / speed_of_sound(site.temperature_c)
    return Budget(
        scenario=scenario,
        options=options,
        pieces=tuple(sorted(pieces, key=lambda piece: -piece.allow_ms())),
        pairs=pairs,
        as_bad=as_bad,
        one_pixel_ms=offset_for_one_pixel_ms(site.pattern_px_per_s),
        half_frame_ms=frame_ms / 2,
        ms_per_m=ms_per_m,
        sound=tuple(fit_sound(site.audience_near_m, site.audience_far_m, ms_per_m, window) for window in WINDOWS),
        holdover=_holdover(scenario, network, pieces),
        storage=_storage(scenario, options.copy_mbps),
        airtime=airtime_of(scenario, network),
    )


# --- Pieces and pairs ---------------------------------------------------------------------------------------------


def waking_ms(host: HostSettings) -> tuple[float, float]:
    """Return mean and standard deviation of how late a host wakes its player, in ms.

    As ``Lateness`` has it, or an exponential, whose deviation is its mean; and in a share p of cases an even part of a
    stall of length B, of mean pB/2 and variance pB²/3 − (pB/2)².
    """
    stall, share = host.busy_ns / NS_PER_MS, host.busy_ns / host.busy_period_ns if host.busy_ns else 0.0
    late_ns, spread_ns = host.waking.moments_ns() if host.waking else (host.timer_late_ns, host.timer_late_ns)
    late, spread = late_ns / NS_PER_MS, spread_ns / NS_PER_MS
    stalled = share * stall / 2
    return late + stalled, math.sqrt(spread**2 + share * stall**2 / 3 - stalled**2)


def _piece(network: Network, follower: Follower, frame_ms: float, options: Options) -> PieceBudget:
    clock = network.clock_of(follower)
    waking, waking_spread = waking_ms(host_settings(network.scenario.air, network.scenario.host_of(follower)))
    step = options.trim_step_ms
    # Phase-locked, the tick is part of show time. Free, a frame waits for it: even over a frame, T/2 on average.
    wait_ms = frame_ms if options.free_tick else 0.0
    tick = Share(Cause.TICK, wait_ms / 2, spread_ms=wait_ms / math.sqrt(12))
    rest = (
        Share(Cause.WAKING, waking, spread_ms=waking_spread),
        tick,
        # The player starts early by its output's latency: what is left of it is zero.
        Share(Cause.STRING),
        Share(Cause.TRIM, limit_ms=step / 2, unknown_ms=step / math.sqrt(12)),
    )
    error = clock.error
    return PieceBudget(
        name=follower.name,
        pixels=follower.pixels,
        view=clock.view,
        string_ms=follower.latency_ms,
        frames_per_s_maximum=1000 / follower.latency_ms if follower.latency_ms else math.inf,
        shares=(*_clock_shares(clock, clock.limit_ms, clock.unknown_ms, error.estimator_ms, error.drift_ms), *rest),
        own=(
            *_clock_shares(clock, clock.own_limit_ms, clock.own_unknown_ms, error.own_estimator_ms, error.own_drift_ms),
            *rest,
        ),
    )


def _clock_shares(
    clock: PieceClock, limit_ms: float, unknown_ms: float, estimator_ms: float, drift_ms: float
) -> tuple[Share, ...]:
    return (
        Share(Cause.FLOORS, limit_ms=limit_ms, unknown_ms=unknown_ms),
        Share(Cause.STAMPING, clock.light_bias_ms),
        Share(Cause.ESTIMATOR, spread_ms=estimator_ms),
        Share(Cause.DRIFT, spread_ms=drift_ms),
    )


def _worst_pairs(pieces: Sequence[PieceBudget], tight: set[frozenset[str]]) -> tuple[tuple[PairBudget, ...], int]:
    made = (
        _pair(first, second, frozenset((first.name, second.name)) in tight) for first, second in combinations(pieces, 2)
    )
    kept: list[PairBudget] = []
    others: list[PairBudget] = []
    counts: Counter[str] = Counter()
    for pair in made:
        counts[f"{pair.allow_ms():.3g}"] += 1
        (kept if pair.tight else others).append(pair)
        if len(others) > 50 * PAIRS_MAXIMUM:
            others = heapq.nlargest(PAIRS_MAXIMUM, others, key=_badness)
    kept += heapq.nlargest(PAIRS_MAXIMUM, others, key=_badness)
    worst = sorted(kept, key=_badness, reverse=True)
    return tuple(worst), counts[f"{worst[0].allow_ms():.3g}"] if worst else 0


def _badness(pair: PairBudget) -> tuple[float, float]:
    # Of equals, those whose strings differ most: they need the early start most.
    return round(pair.allow_ms(), 6), pair.uncompensated_ms


def _pair(first: PieceBudget, second: PieceBudget, tight: bool) -> PairBudget:
    # Two views share nothing that can be counted on.
    alike = first.view is second.view
    sides = (first.own, second.own) if alike else (first.shares, second.shares)
    shares = tuple(
        Share(
            one.cause,
            one.late_ms - other.late_ms,
            one.limit_ms + other.limit_ms,
            math.hypot(one.unknown_ms, other.unknown_ms),
            math.hypot(one.spread_ms, other.spread_ms),
        )
        for one, other in zip(*sides, strict=True)
    )
    return PairBudget((first.name, second.name), tight, abs(first.string_ms - second.string_ms), shares)


# --- The rest of the sheet ----------------------------------------------------------------------------------------

HOLDOVER_PPM: Final = (10.0, 20.0, 50.0, 100.0)


def _holdover(scenario: Scenario, network: Network, pieces: Sequence[PieceBudget]) -> tuple[Holdover, ...]:
    clocks = scenario.clocks
    ppms = sorted({*HOLDOVER_PPM, clocks.tolerance_ppm, 2 * clocks.tolerance_ppm} - {0.0})
    rate_ppm = max(network.clock_of(follower).error.rate_ppm for follower in scenario.followers)
    cooling = max(map(abs, clocks.cooling_ppm)) / clocks.cooling_over_s
    wander = network.wander * 1e6 * math.sqrt(2)
    targets = [(scenario.targets.error_ms or scenario.error_target_ms, "a piece against the music")]
    if len(pieces) > 1:
        targets.append((scenario.targets.pair_ms, "any two pieces"))
    if scenario.tight_pairs:
        targets.insert(0, (scenario.targets.tight_pair_ms, "two pieces of one surface"))
    return tuple(
        Holdover(
            limit,
            meaning,
            tuple((ppm, holdover_s(limit, ppm)) for ppm in ppms),
            learnt_holdover_s(limit, rate_ppm, wander, cooling),
        )
        for limit, meaning in targets
    )


def _storage(scenario: Scenario, copy_mbps: float) -> tuple[Storage, ...]:
    pixels = [follower.pixels for follower in scenario.followers]
    found = []
    for show in scenario.shows:
        rate = FrameRate(*show.frame_rate)
        frames = max(1, rate.frame_at(ShowPosition(seconds(show.duration_s))))
        found.append(storage_of(show.title or show.id, pixels, frames, 1000 / show.frame_period_ms, copy_mbps))
    return tuple(found)


def airtime_of(scenario: Scenario, network: Network) -> Airtime:
    """Return what timing and the live show take of one radio's time.

    A sender that is itself on Wi-Fi has each packet cross twice: up as unicast, then on. Copies to boards that hear
    little, and bursts at cues, are left out.
    """
    radio = network.settings.radio
    if not isinstance(radio, Radio):
        # The wired reference model has a radio without weight: the sheet shows what an ordinary one would bear.
        radio = Radio(Band.GHZ_5 if scenario.air.band == "5" else Band.GHZ_2_4)
    wired = scenario.leader.wired
    pixels = [follower.pixels for follower in scenario.followers]
    feed = LiveFeed(universes(pixels), max(1000 / show.frame_period_ms for show in scenario.shows))
    up = 0.0 if wired else feed.unicast_share(radio, 1)
    unicast = feed.unicast_share(radio, len(pixels))
    own_rate = radio.group_rate_mbps or (1.0 if radio.band is Band.GHZ_2_4 else 6.0)
    rates = [own_rate, *(rate for rate in (1.0, 6.0, 24.0) if rate != own_rate)]
    live = []
    for rate in rates:
        if rate in DSSS_RATES_MBPS and radio.band is Band.GHZ_5:
            continue
        at_rate = Radio(radio.band, rate, radio.unicast_mcs, radio.long_slot, radio.short_preamble)
        live.append((rate, feed.group_share(at_rate) + up))
    hops = 1 if wired else 2
    data, group = (
        feed.packets_per_s * cost_ns / 1e9
        for cost_ns in (radio.unicast_ns(DATA_PACKET_BYTES), radio.group_ns(DATA_PACKET_BYTES))
    )
    return Airtime(
        feed=feed,
        stored=_stored_share(scenario, network, radio),
        live_unicast=unicast * hops,
        live_unicast_data=data * hops,
        live_group_data=group + (0.0 if wired else data),
        live_by_rate=tuple(live),
    )


def _stored_share(scenario: Scenario, network: Network, radio: FrameCosts) -> float:
    wired = scenario.leader.wired
    hops = 1 if wired else 2
    crowd = len(scenario.followers)
    beacons = 1 / scenario.leader.interval_s
    marks = beacons
    # A marker's Tally stands in for its next ordinary one, half of one on average.
    tallies = max(crowd / scenario.leader.tally_interval_s - marks / 2, 0.0)
    soundings = network.sounders / network.sounding_s
    group_hop = 0 if wired else 1

    def unicast_ns(payload_bytes: int) -> float:
        return tried_ns(radio, payload_bytes, network.settings.dropout, network.settings.unicast_tries)

    per_s = beacons * (radio.group_ns(BEACON_BYTES) + group_hop * unicast_ns(BEACON_BYTES))
    per_s += marks * (radio.group_ns(TALLY_BYTES) + unicast_ns(TALLY_BYTES))
    per_s += tallies * hops * unicast_ns(TALLY_BYTES)
    per_s += soundings * hops * (unicast_ns(SOUNDING_BYTES) + unicast_ns(ECHO_BYTES))
    return per_s / 1e9


def tried_ns(radio: FrameCosts, payload_bytes: int, dropout: Dropout, tries: int) -> float:
    """Return the mean radio time of one unicast packet, its retries included: a bad spell outlasts them all."""
    whole = 0.0
    spread = dropout.bad_loss - dropout.good_loss
    bad_share = 0.0 if dropout.bad is None or not spread else (dropout.mean_loss - dropout.good_loss) / spread
    for share, loss in ((1 - bad_share, dropout.good_loss), (bad_share, dropout.bad_loss)):
        whole += share * sum(loss**attempt * radio.unicast_ns(payload_bytes, attempt) for attempt in range(tries))
    return whole


# --- As plain values ----------------------------------------------------------------------------------------------


def to_json(found: Budget) -> dict[str, Any]:
    """Return the sheet as plain values; what is without limit is ``None``."""

    def shares(parts: _Sum) -> dict[str, Any]:
        return {
            share.cause.name.lower(): {
                "late_ms": share.late_ms,
                "limit_ms": share.limit_ms,
                "unknown_rms_ms": share.unknown_ms,
                "spread_rms_ms": share.spread_ms,
            }
            for share in parts.shares
        } | {"allow_ms": parts.allow_ms(), "expect_rms_ms": parts.expect_ms()}

    site, airtime = found.scenario.site, found.airtime
    return {
        "scenario": found.scenario.name,
        "scenario_digest": found.scenario.digest(),
        "assumed": {
            "audience_near_m": site.audience_near_m,
            "audience_far_m": site.audience_far_m,
            "temperature_c": site.temperature_c,
            "pattern_px_per_s": site.pattern_px_per_s,
            "free_tick": found.options.free_tick,
            "trim_step_ms": found.options.trim_step_ms,
            "copy_mbps": found.options.copy_mbps,
        },
        "pairs": [
            {"pieces": list(pair.names), "tight": pair.tight, "uncompensated_string_ms": pair.uncompensated_ms}
            | shares(pair)
            for pair in found.pairs
        ],
        "pieces": [
            {"name": piece.name, "view": piece.view.value, "string_ms": piece.string_ms} | shares(piece)
            for piece in found.pieces
        ],
        "allowed": {"one_pixel_ms": found.one_pixel_ms, "half_frame_ms": found.half_frame_ms},
        "sound": [
            {
                "window": fit.window.name,
                "early_ms": fit.window.early_ms,
                "late_ms": fit.window.late_ms,
                "light_delay_ms": fit.light_delay_ms,
                "near_sound_lead_ms": fit.near_sound_lead_ms,
                "far_sound_lead_ms": fit.far_sound_lead_ms,
                "fits_depth_m": fit.fits_depth_m,
                "fits": fit.fits,
                "in_from_m": fit.in_from_m,
                "in_to_m": fit.in_to_m,
            }
            for fit in found.sound
        ],
        "holdover": [
            {
                "tolerance_ms": row.tolerance_ms,
                "minutes_by_ppm": {f"{ppm:g}": span / 60 for ppm, span in row.by_ppm_s},
                "minutes_with_learnt_rate": _finite(row.learnt_s / 60),
            }
            for row in found.holdover
        ],
        "storage": [
            {"show": kept.title, "frames": kept.frames, "bytes": kept.total_bytes, "copy_s": kept.copy_s}
            for kept in found.storage
        ],
        "airtime": {
            "universes": airtime.feed.universes,
            "packets_per_s": airtime.feed.packets_per_s,
            "rates_mbps": airtime.feed.rates_mbps,
            "stored_share": airtime.stored,
            "live_multicast_share_by_mbps": {f"{rate:g}": share for rate, share in airtime.live_by_rate},
            "live_unicast_share": airtime.live_unicast,
            "live_unicast_data_share": airtime.live_unicast_data,
            "live_group_data_share": airtime.live_group_data,
            "ratio": _finite(airtime.ratio),
        },
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
