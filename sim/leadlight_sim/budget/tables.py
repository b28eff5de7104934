"""A budget in words and columns, for the terminal and for the page alike."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from leadlight_sim.budget.sheet import CLOCK_CAUSES, REHEARSED_CAUSES, Budget, Cause, PairBudget, PieceBudget
from leadlight_sim.budget.site import SoundFit, tear_px
from leadlight_sim.telling import NOTHING, as_ms, as_share, as_time, as_times

NOT_HERE = (
    "Amps, fuses and wire are not on this sheet: it is about time. Mains, outdoor power and high currents at low "
    "voltage are for licensed people and your local codes.",
    "Never move the audio to fix the lights: hearing is the sharper judge. Move the lights, by the delay above.",
    "Nothing here says that a programme is safe for photosensitive viewers: have its flashes counted, and warn.",
)


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table: title, headings, rows, and what to make of it. The first column is text, the rest are numbers."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()


def sheets(found: Budget) -> list[Sheet]:
    """Return the whole budget as tables, the worst pair first."""
    return [
        *([_by_cause(found)] if found.worst_pair is not None else []),
        *([_pairs(found)] if len(found.pairs) > 1 else []),
        _pieces(found),
        _sound(found),
        _holdover(found),
        _storage(found),
        _airtime(found),
    ]


def headline(found: Budget) -> tuple[bool, str]:
    """Return whether the worst pair stays within what the pattern allows, and a sentence that says so."""
    pair = found.worst_pair
    if pair is None:
        piece = found.pieces[0]
        limit = found.scenario.error_target_ms
        good = piece.allow_ms() <= limit
        return good, f"{piece.name} stays within {as_time(piece.allow_ms())} of the music; the target is {limit:g} ms."
    good = pair.allow_ms() <= found.allowed_ms
    allowed = as_time(found.allowed_ms)
    return good, f"Allow {as_time(pair.allow_ms())} between {_worst(found)}; the picture allows {allowed}."


def alike(pairs: Sequence[PairBudget]) -> list[list[PairBudget]]:
    """Return pairs in groups of which all come to the same, to the digits that are told; a tight pair by itself."""
    groups: dict[tuple[str, tuple[str, str] | None], list[PairBudget]] = {}
    for pair in pairs:
        groups.setdefault((as_time(pair.allow_ms()), pair.names if pair.tight else None), []).append(pair)
    return list(groups.values())


def _worst(found: Budget) -> str:
    """The worst pair in words, and how many others come to the same."""
    pair = found.pairs[0]
    names = f"{pair.names[0]} and {pair.names[1]}"
    others = found.as_bad - 1
    count = len(found.pieces)
    if not others:
        return f"{names}, the worst two pieces"
    if found.as_bad == count * (count - 1) // 2:
        return f"any two pieces, such as {names}"
    return f"{names}, as between {others:,} other pair{'s' if others > 1 else ''}"


def sentences(found: Budget) -> list[str]:
    """Return what is worth knowing, a sentence each."""
    site = found.scenario.site
    lines = [
        f"A pattern at {site.pattern_px_per_s:g} px/s tears by a pixel at {as_time(found.one_pixel_ms)}; half a frame "
        f"of the fastest show is {as_time(found.half_frame_ms)}."
    ]
    pair = found.worst_pair
    if pair is not None:
        lines.append(
            f"{pair.names[0]} and {pair.names[1]} would tear by "
            f"{tear_px(site.pattern_px_per_s, pair.allow_ms()):.1f} px."
        )
        largest = max(Cause, key=pair.part_ms)
        lines.append(f"The largest part of it is {largest.value}: {as_time(pair.part_ms(largest))}.")
    limit = found.scenario.targets.tight_pair_ms
    lines += [
        f"{two.names[0]} and {two.names[1]} share a surface: allow {as_time(two.allow_ms())}, "
        f"{'within' if two.allow_ms() <= limit else 'above'} the target of {limit:g} ms."
        for two in found.pairs
        if two.tight
    ]
    slow = [piece for piece in found.pieces if piece.string_ms > 2 * found.half_frame_ms]
    lines += [
        f"{piece.name} takes {as_time(piece.string_ms)} to fill, longer than a frame: it cannot show more than "
        f"{piece.frames_per_s_maximum:.0f} frames a second."
        for piece in slow
    ]
    sound = found.sound[0]
    lines.append(_delay_sentence(sound))
    air = found.scenario.air
    if air.fidelity != "sampled":
        lines.append(
            f"This sheet is of the preset {air.preset}'s own laws of delay. What air.fidelity {air.fidelity} adds, "
            f"competing stations above all, only a rehearsal shows."
        )
    feed = found.airtime
    if feed.live_by_rate[0][1] > 1:
        lines.append(
            f"Sent live to the group at {feed.live_by_rate[0][0]:g} Mb/s the show would need "
            f"{as_share(feed.live_by_rate[0][1])} of the channel's time: it cannot be done."
        )
    return lines


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


def _by_cause(found: Budget) -> Sheet:
    pair = found.worst_pair
    assert pair is not None
    rows = [
        (
            share.cause.value,
            _or_nothing(abs(share.late_ms)),
            _or_nothing(share.limit_ms),
            _or_nothing(share.spread_ms),
        )
        for share in pair.shares
    ]
    known = sum(abs(share.late_ms) for share in pair.shares)
    limit = sum(share.limit_ms for share in pair.shares)
    rows.append(("together", as_ms(known), as_ms(limit), as_ms(pair.spread_ms())))
    notes = (
        f"Constants add up, spreads add as squares: {as_time(pair.bias_ms())} + 1.96 × {as_time(pair.spread_ms())} = "
        f"{as_time(pair.allow_ms())}. To expect, on average over sites: {as_time(pair.expect_ms())}.",
        f"A rehearsal scores the first five only: {as_time(pair.allow_ms(REHEARSED_CAUSES))}; "
        f"clocks alone are the first four: {as_time(pair.allow_ms(CLOCK_CAUSES))}.",
        f"Their strings differ by {as_time(pair.uncompensated_ms)}; an early start takes that out.",
    )
    return Sheet(
        f"The worst pair by cause: {pair.names[0]} and {pair.names[1]}",
        ("cause", "known constant", "unknown, at most", "spread (rms)"),
        tuple(rows),
        notes,
    )


def _or_nothing(value_ms: float) -> str:
    return as_ms(value_ms) if value_ms else NOTHING


def _pairs(found: Budget) -> Sheet:
    def row(pair: PairBudget) -> tuple[str, ...]:
        return (
            f"{pair.names[0]} – {pair.names[1]}" + (" (one surface)" if pair.tight else ""),
            as_ms(pair.allow_ms()),
            as_ms(pair.expect_ms()),
            as_ms(pair.allow_ms(CLOCK_CAUSES)),
            f"{tear_px(found.scenario.site.pattern_px_per_s, pair.allow_ms()):.2f}",
            as_ms(pair.uncompensated_ms),
        )

    shown = [pair for number, pair in enumerate(found.pairs) if number < 8 or pair.tight]
    return Sheet(
        "Pairs, the worst first",
        ("pair", "allow", "expect (rms)", "clocks alone", "tear, px", "strings, if not started early"),
        tuple(map(row, shown)),
    )


def _pieces(found: Budget) -> Sheet:
    def row(piece: PieceBudget) -> tuple[str, ...]:
        clock = sum(piece.share(cause).late_ms for cause in CLOCK_CAUSES)
        return (
            piece.name,
            piece.view.value,
            as_ms(piece.allow_ms()),
            as_ms(clock),
            as_ms(piece.share(Cause.FLOORS).limit_ms),
            as_ms(piece.spread_ms(CLOCK_CAUSES)),
            as_ms(piece.string_ms),
            "any" if math.isinf(piece.frames_per_s_maximum) else f"{piece.frames_per_s_maximum:.0f}",
        )

    return Sheet(
        "Pieces against the music",
        ("piece", "its clock by", "allow", "late by", "path, at most", "clock, rms", "string", "frames/s, at most"),
        tuple(row(piece) for piece in found.pieces),
        ("What all pieces share moves them together: it is in here, and cancels between two of them.",),
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
        (f"{total / 1e6:.0f} MB in all, {copying} to copy at {found.options.copy_mbps:g} Mb/s, one after the other.",),
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
    options = found.options
    tick = "at a tick of their own" if options.free_tick else "locked to show time"
    distributions = f"delays by the laws of {found.scenario.air.preset}, whoever competes"
    return (
        f"Assumed: {distributions}; frames {tick}; trims found to {options.trim_step_ms:g} ms; "
        f"copying at {options.copy_mbps:g} Mb/s.",
    )
