"""The timing budget sheet: what each cause costs the crowd, as measured, and what no clock has a say in.

The worst *pair* comes first, because an audience sees differences. What all pieces share moves them together against
the music and cancels between them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

from leadlight.cue import FrameRate
from leadlight.units import ShowPosition, seconds
from leadlight_sim.air import DSSS_RATES_MBPS, Band, Radio
from leadlight_sim.air.choice import air_settings
from leadlight_sim.budget.measuring import Effect, Mean, Measured
from leadlight_sim.budget.site import (
    WINDOWS,
    SoundFit,
    Storage,
    fit_sound,
    free_tick_rms_ms,
    holdover_s,
    learnt_holdover_s,
    offset_for_one_pixel_ms,
    speed_of_sound,
    storage_of,
)
from leadlight_sim.live import DATA_PACKET_BYTES, LiveFeed, universes
from leadlight_sim.measures import limits_of
from leadlight_sim.scenario import Scenario

COPY_MBPS: Final = 18.0


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
    copy_mbps: float
    measured: Measured
    one_pixel_ms: float
    half_frame_ms: float
    free_tick_ms: float
    """The rms difference of two pieces whose boards show frames at ticks of their own."""
    ms_per_m: float
    sound: tuple[SoundFit, ...]
    holdover: tuple[Holdover, ...]
    storage: tuple[Storage, ...]
    airtime: Airtime

    @property
    def allowed_ms(self) -> float:
        """The difference of two pieces at which a pattern tears by a pixel or half a frame shows, whichever is less."""
        return min(self.one_pixel_ms, self.half_frame_ms)


def budget(scenario: Scenario, measured: Measured, copy_mbps: float = COPY_MBPS) -> Budget:
    """Return the budget of a scenario whose causes were measured, with shows copied at ``copy_mbps``."""
    site = scenario.site
    ms_per_m = 1000 / speed_of_sound(site.temperature_c)
    frame_ms = min(show.frame_period_ms for show in scenario.shows)
    return Budget(
        scenario=scenario,
        copy_mbps=copy_mbps,
        measured=measured,
        one_pixel_ms=offset_for_one_pixel_ms(site.pattern_px_per_s),
        half_frame_ms=frame_ms / 2,
        free_tick_ms=free_tick_rms_ms(frame_ms),
        ms_per_m=ms_per_m,
        sound=tuple(fit_sound(site.audience_near_m, site.audience_far_m, ms_per_m, window) for window in WINDOWS),
        holdover=_holdover(scenario, measured.rate_ppm),
        storage=_storage(scenario, copy_mbps),
        airtime=airtime_of(scenario, measured.airtime_share),
    )


# --- The rest of the sheet ----------------------------------------------------------------------------------------

HOLDOVER_PPM: Final = (10.0, 20.0, 50.0, 100.0)


def _holdover(scenario: Scenario, rate_ppm: float) -> tuple[Holdover, ...]:
    clocks = scenario.clocks
    ppms = sorted({*HOLDOVER_PPM, clocks.tolerance_ppm, 2 * clocks.tolerance_ppm} - {0.0})
    cooling = max(map(abs, clocks.cooling_ppm)) / clocks.cooling_over_s
    low, high = clocks.wander_ppm_per_sqrt_s
    # Each board draws its own wander evenly from the range: the rms over boards, and two of them against each other.
    wander = math.sqrt(2 * (low * low + low * high + high * high) / 3)
    limits = limits_of(scenario)
    targets = [(limits["light_p95_ms"], "a piece against the music")]
    if len(scenario.followers) > 1:
        targets.append((limits["pair_p95_ms"], "any two pieces"))
    if scenario.tight_pairs:
        targets.insert(0, (limits["tight_pair_p95_ms"], "two pieces of one surface"))
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


def airtime_of(scenario: Scenario, stored_share: float) -> Airtime:
    """Return what timing and the live show take of one radio's time.

    ``stored_share`` was measured. A sender that is itself on Wi-Fi has each packet cross twice: up as unicast, then on.
    """
    radio = air_settings(scenario.air).radio
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
        stored=stored_share,
        live_unicast=unicast * hops,
        live_unicast_data=data * hops,
        live_group_data=group + (0.0 if wired else data),
        live_by_rate=tuple(live),
    )


# --- As plain values ----------------------------------------------------------------------------------------------


def to_json(found: Budget) -> dict[str, Any]:
    """Return the sheet as plain values; what is without limit or was not measured is ``None``."""
    scenario, measured, airtime = found.scenario, found.measured, found.airtime
    site = scenario.site
    return {
        "scenario": scenario.name,
        "scenario_digest": scenario.digest(),
        "seeds": measured.seeds,
        "assumed": {
            "audience_near_m": site.audience_near_m,
            "audience_far_m": site.audience_far_m,
            "temperature_c": site.temperature_c,
            "pattern_px_per_s": site.pattern_px_per_s,
            "copy_mbps": found.copy_mbps,
        },
        "light_p95_ms": {
            "worst_piece": _mean(measured.piece),
            "worst_pair": _mean(measured.pair),
            "usual_worst_pair": measured.worst_pair,
            "pieces": {
                follower.name: _mean(piece) | {"clock": _mean(clock)}
                for follower, piece, clock in zip(scenario.followers, measured.pieces, measured.clocks, strict=True)
            },
            "tight_pairs": [
                {"pieces": list(pair.pieces)} | _mean(gap)
                for pair, gap in zip(scenario.tight_pairs, measured.tight, strict=True)
            ],
        },
        "causes": {_key(effect): _effect(effect) for effect in measured.effects},
        "allowed": {"one_pixel_ms": found.one_pixel_ms, "half_frame_ms": found.half_frame_ms},
        "strings_ms": {follower.name: follower.latency_ms for follower in scenario.followers},
        "free_tick_rms_ms": found.free_tick_ms,
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


def _key(effect: Effect) -> str:
    return "all" if effect.cause is None else effect.cause.name.lower()


def _effect(effect: Effect) -> dict[str, Any]:
    return {
        "is_distinguishable": effect.gain.is_distinguishable,
        "worst_piece_without": _mean(effect.piece),
        "worst_piece_gain": _mean(effect.piece_gain),
        "worst_pair_without": _mean(effect.pair),
        "worst_pair_gain": _mean(effect.pair_gain),
    }


def _mean(mean: Mean | None) -> dict[str, Any]:
    return {} if mean is None else {"mean": _finite(mean.value), "standard_error": _finite(mean.error)}
