"""A budget in words and columns, for the terminal and for the page alike."""

from __future__ import annotations

import math
from collections.abc import Sequence

from leadlight_sim.budget.measuring import Effect, Mean
from leadlight_sim.budget.sheet import Budget
from leadlight_sim.budget.site import SoundFit, tear_px
from leadlight_sim.measures import limits_of
from leadlight_sim.telling import NOTHING, Sheet, as_ms, as_share, as_time, as_times

NOT_HERE = (
    "Amps, fuses and wire are not on this sheet: it is about time. Mains, outdoor power and high currents at low "
    "voltage are for licensed people and your local codes.",
    "Never move the audio to fix the lights: hearing is the sharper judge. Move the lights, by the delay above.",
    "Nothing here says that a programme is safe for photosensitive viewers: have its flashes counted, and warn.",
)


def sheets(found: Budget) -> list[Sheet]:
    """Return the whole budget as tables, the causes first."""
    return [_causes(found), _pieces(found), _sound(found), _holdover(found), _storage(found), _airtime(found)]


def headline(found: Budget) -> tuple[bool, str]:
    """Return whether the worst pair stays within what the pattern allows, and a sentence that says so."""
    measured = found.measured
    if measured.pair is None:
        name, limit = found.scenario.followers[0].name, limits_of(found.scenario)["light_p95_ms"]
        stays = as_time(measured.piece.value)
        return measured.piece.value <= limit, f"{name} stays within {stays} of the music; the target is {limit:g} ms."
    pair, allowed = measured.pair.value, found.allowed_ms
    return pair <= allowed, f"Two pieces differ by up to {as_time(pair)} (p95); the picture allows {as_time(allowed)}."


def by_gain(found: Budget) -> list[Effect]:
    """Return what was found of each cause, the one that is most worth removing first; all of them together last."""
    return sorted(found.measured.effects, key=lambda effect: (effect.cause is None, -effect.gain.value))


def sentences(found: Budget) -> list[str]:
    """Return what is worth knowing, a sentence each."""
    site, measured, scenario = found.scenario.site, found.measured, found.scenario
    lines = [
        f"A pattern at {site.pattern_px_per_s:g} px/s tears by a pixel at {as_time(found.one_pixel_ms)}; half a frame "
        f"of the fastest show is {as_time(found.half_frame_ms)}."
    ]
    if measured.pair is not None and measured.worst_pair is not None:
        lines.append(
            f"The worst pair, most often {measured.worst_pair[0]} and {measured.worst_pair[1]}, would tear by "
            f"{tear_px(site.pattern_px_per_s, measured.pair.value):.2f} px."
        )
    first = by_gain(found)[0]
    if first.cause is not None and first.gain.is_distinguishable and first.gain.value > 0:
        lines.append(f"Mending {first.cause.value} gains most: {as_time(first.gain.value)}.")
    else:
        lines.append("Mending any one cause gains nothing that can be told from chance.")
    limit = limits_of(scenario)["tight_pair_p95_ms"]
    lines += [
        f"{pair.pieces[0]} and {pair.pieces[1]} share a surface: they differ by up to {as_time(gap.value)} (p95), "
        f"{'within' if gap.value <= limit else 'above'} the target of {limit:g} ms."
        for pair, gap in zip(scenario.tight_pairs, measured.tight, strict=True)
    ]
    lines += [
        f"{follower.name} takes {as_time(follower.latency_ms)} to fill, longer than a frame: it cannot show more than "
        f"{1000 / follower.latency_ms:.0f} frames a second."
        for follower in scenario.followers
        if follower.latency_ms > 2 * found.half_frame_ms
    ]
    lines.append(_delay_sentence(found.sound[0]))
    feed = found.airtime
    if feed.live_by_rate[0][1] > 1:
        lines.append(
            f"Sent live to the group at {feed.live_by_rate[0][0]:g} Mb/s the show would need "
            f"{as_share(feed.live_by_rate[0][1])} of the channel's time: it cannot be done."
        )
    return [f"{line[0].upper()}{line[1:]}" for line in lines]


def _delay_sentence(fit: SoundFit) -> str:
    way = "Delay" if fit.light_delay_ms >= 0 else "Advance"
    text = (
        f"{way} all lights by {as_time(abs(fit.light_delay_ms))}: sound is then {_lead(fit.near_sound_lead_ms)} at the "
    )
    text += f"nearest listener and {_lead(fit.far_sound_lead_ms)} at the farthest"
    return text + (f", inside {fit.window.name}." if fit.fits else f", more than {fit.window.name} allows.")


def _lead(value_ms: float) -> str:
    return f"{as_time(abs(value_ms))} {'early' if value_ms >= 0 else 'late'}"


# --- Tables -------------------------------------------------------------------------------------------------------


def _causes(found: Budget) -> Sheet:
    measured = found.measured

    def row(effect: Effect) -> tuple[str, ...]:
        name = "all of these together" if effect.cause is None else effect.cause.value
        pairs = () if effect.pair is None else (as_ms(effect.pair.value), _gain(effect.pair_gain))
        return name, *pairs, as_ms(effect.piece.value), _gain(effect.piece_gain)

    def usual(pair: Mean | None, piece: Mean) -> str:
        pairs = "" if pair is None else f"{as_time(pair.value)} between the worst pair, "
        return f"{pairs}{as_time(piece.value)} between the worst piece and the music"

    pairs = () if measured.pair is None else ("worst pair without it", "gain")
    return Sheet(
        "What removing each cause would gain, in light (p95)",
        ("cause", *pairs, "worst piece without it", "gain"),
        tuple(map(row, by_gain(found))),
        (
            f"With everything as it is: {usual(measured.pair, measured.piece)}.",
            f"Measured: {measured.seeds} evenings of {measured.duration_s / 60:g} minutes, each once with everything "
            "and once without each cause, by the same random streams. ± is the standard error; a gain within two of "
            "them is not distinguishable from none. Gains do not add up.",
            f"Not in it: a board that shows frames at a tick of its own, not locked to show time, differs from another "
            f"by {as_time(found.free_tick_ms)} (rms), and a trim is right to half the step in which it was found.",
        ),
    )


def _gain(gain: Mean | None) -> str:
    if gain is None or math.isnan(gain.value):
        return NOTHING
    if not gain.is_distinguishable:
        return "not distinguishable"
    return f"{as_ms(gain.value)} ± {as_ms(gain.error)}"


def _pieces(found: Budget) -> Sheet:
    measured = found.measured
    rows = tuple(
        (
            follower.name,
            f"{as_ms(piece.value)} ± {as_ms(piece.error)}",
            f"{as_ms(clock.value)} ± {as_ms(clock.error)}",
            as_ms(follower.latency_ms),
            f"{1000 / follower.latency_ms:,.0f}" if follower.latency_ms else NOTHING,
        )
        for follower, piece, clock in zip(found.scenario.followers, measured.pieces, measured.clocks, strict=True)
    )
    return Sheet(
        "Pieces against the music (p95)",
        ("piece", "light", "its clock", "string takes", "frames a second, at most"),
        rows,
        ("An early start takes out what a string takes to fill; without it pieces differ by that as well.",),
    )


def _sound(found: Budget) -> Sheet:
    site = found.scenario.site
    rows = tuple(
        (
            f"{fit.window.name} (+{fit.window.early_ms:g} / −{fit.window.late_ms:g} ms)",
            f"{fit.light_delay_ms:+.0f} ms",
            f"{fit.near_sound_lead_ms:+.0f} ms",
            f"{fit.far_sound_lead_ms:+.0f} ms",
            f"{fit.fits_depth_m:.0f} m",
            _outside(fit, site.audience_near_m, site.audience_far_m),
        )
        for fit in found.sound
    )
    return Sheet(
        f"Sound against light, {site.audience_near_m:g} to {site.audience_far_m:g} m from the loudspeaker, "
        f"{site.temperature_c:g} °C",
        ("window", "delay lights by", "nearest", "farthest", "depth that fits", "who is outside"),
        rows,
        (
            f"Positive: sound early. Sound takes {found.ms_per_m:.2f} ms a metre. "
            "Add the delay to every piece's trim_ms.",
        ),
    )


def _outside(fit: SoundFit, near_m: float, far_m: float) -> str:
    outside = []
    if fit.in_from_m > near_m + 1e-9:
        outside.append(f"nearer than {fit.in_from_m:.1f} m")
    if fit.in_to_m < far_m - 1e-9:
        outside.append(f"beyond {fit.in_to_m:.1f} m")
    return ", ".join(outside) or "nobody"


def as_span(span_s: float) -> str:
    """Return a long span in the unit that reads best."""
    if math.isinf(span_s) or span_s > 30 * 86_400:
        return "weeks"
    if span_s < 99.5:
        return f"{span_s:.0f} s"
    return f"{span_s / 60:.1f} min" if span_s < 6_000 else f"{span_s / 3600:.1f} h"


def _holdover(found: Budget) -> Sheet:
    ppms = [ppm for ppm, _ in found.holdover[0].by_ppm_s]
    rows = tuple(
        (f"{row.meaning}, {row.tolerance_ms:g} ms", *(as_span(span) for _, span in row.by_ppm_s), as_span(row.learnt_s))
        for row in found.holdover
    )
    return Sheet(
        "Holdover: how long without a beacon",
        ("tolerance", *(f"{ppm:g} ppm off" for ppm in ppms), "learnt rate"),
        rows,
        (
            "A board goes dark after 10 minutes without a leader, whatever its clock could do: it cannot hear a stop. "
            "The learnt rate allows for wander and the evening's cooling.",
        ),
    )


def _storage(found: Budget) -> Sheet:
    rows = []
    for show in found.storage:
        largest = max(range(len(show.bytes_by_piece)), key=show.bytes_by_piece.__getitem__)
        rows.append(
            (
                show.title,
                f"{show.total_bytes / 1e6:.0f} MB",
                as_span(show.copy_s),
                found.scenario.followers[largest].name,
                f"{show.bytes_by_piece[largest] / 1e6:.1f} MB",
                f"{show.read_rates[largest] / 1e3:.0f} kB/s",
            )
        )
    total = sum(show.total_bytes for show in found.storage)
    copying = as_span(sum(show.copy_s for show in found.storage))
    return Sheet(
        "Stored on the boards",
        ("show", "all boards", "copying", "largest part", "its size", "read at"),
        tuple(rows),
        (f"{total / 1e6:.0f} MB in all, {copying} to copy at {found.copy_mbps:g} Mb/s, one after the other.",),
    )


def _airtime(found: Budget) -> Sheet:
    airtime = found.airtime
    feed = airtime.feed
    rows: list[tuple[str, ...]] = [("stored, timing only, once joined", as_share(airtime.stored), "1")]

    def times(share: float) -> str:
        return as_times(share / airtime.stored) if airtime.stored else NOTHING

    rows += [
        (f"live, to the group at {rate:g} Mb/s", as_share(share), times(share)) for rate, share in airtime.live_by_rate
    ]
    rows.append(("live, to each board", as_share(airtime.live_unicast), times(airtime.live_unicast)))
    rates = feed.rates_mbps
    return Sheet(
        "The channel's time: stored and live",
        ("way", "share", "times as much"),
        tuple(rows),
        (
            f"Live: {feed.universes} universes, {feed.packets_per_s:,.0f} packets a second of 638 bytes, "
            f"{rates['payload']:.2f} Mb/s of payload, {rates['wire']:.2f} Mb/s on the wire.",
            "Live, each frame has a synchronisation packet, to every board or to the group, which `rehearse --live` "
            f"does not send: without it {as_share(airtime.live_unicast_data)} to each board, "
            f"{as_share(airtime.live_group_data)} to the group at {airtime.live_by_rate[0][0]:g} Mb/s.",
            "Timing takes more while boards join and after faults, when they measure more often, and where boards hear "
            "too little and are sent copies: a rehearsal counts that as well.",
            "Above 100 % it cannot be sent; above 40 % it should not be planned on."
            + ("" if found.scenario.leader.wired else " What a leader on Wi-Fi sends crosses the radio twice."),
        ),
    )


def assumed(found: Budget) -> Sequence[str]:
    """Return what was taken for granted where the scenario does not say."""
    return (
        f"Assumed: no faults; frames locked to show time; copying at {found.copy_mbps:g} Mb/s. Of the channel's time "
        "for timing alone, the share was measured once pieces had settled.",
    )
