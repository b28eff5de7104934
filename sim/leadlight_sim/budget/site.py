"""The parts of a budget that no clock has a say in: sound over a distance, holdover, storage, and airtime.

Plain arithmetic, each formula with its source; nothing here knows of scenarios.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from leadlight.errors import ConfigurationError

# --- Sound --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Window:
    """How early and how late sound may be against light, in ms, and who says so."""

    name: str
    early_ms: float
    late_ms: float


WINDOWS: Final = (
    Window("ATSC IS-191", 15.0, 45.0),
    Window("EBU R37", 40.0, 60.0),
    Window("ITU-R BT.1359, noticed", 45.0, 125.0),
    Window("ITU-R BT.1359, accepted", 90.0, 185.0),
)
"""Tightest first. A long, eventful sequence such as a show to music is judged by the tight end."""


@dataclass(frozen=True, slots=True)
class SoundFit:
    """One window over the audience's depth. Leads are positive where sound comes before light.

    ``light_delay_ms`` is the best delay of all lights; beyond ``in_from_m`` and ``in_to_m`` listeners are outside.
    """

    window: Window
    light_delay_ms: float
    near_sound_lead_ms: float
    far_sound_lead_ms: float
    fits_depth_m: float
    in_from_m: float
    in_to_m: float
    fits: bool


def speed_of_sound(temperature_c: float) -> float:
    """Return metres a second in dry air: 331.3·sqrt(1 + T/273.15)."""
    return 331.3 * math.sqrt(1 + temperature_c / 273.15)


def sound_lead_ms(distance_m: float, light_delay_ms: float, ms_per_m: float) -> float:
    """Return by how much sound comes before light at a listener; negative where it comes after."""
    return light_delay_ms - distance_m * ms_per_m


def fit_sound(near_m: float, far_m: float, ms_per_m: float, window: Window) -> SoundFit:
    """Return the delay of the lights that leaves the nearest and the farthest listener the same margin.

    Sound may be early by ``early_ms`` at the nearest and late by ``late_ms`` at the farthest. The two limits on the
    delay are near·k + early and far·k − late, and their middle is best whether or not both can be kept.
    """
    if not 0 <= near_m <= far_m:
        raise ConfigurationError("audience", [near_m, far_m], "two distances in metres, 0 or more, the nearer first")
    most = near_m * ms_per_m + window.early_ms
    least = far_m * ms_per_m - window.late_ms
    delay = (most + least) / 2
    return SoundFit(
        window=window,
        light_delay_ms=delay,
        near_sound_lead_ms=sound_lead_ms(near_m, delay, ms_per_m),
        far_sound_lead_ms=sound_lead_ms(far_m, delay, ms_per_m),
        fits_depth_m=(window.early_ms + window.late_ms) / ms_per_m,
        in_from_m=max((delay - window.early_ms) / ms_per_m, 0.0),
        in_to_m=max((delay + window.late_ms) / ms_per_m, 0.0),
        fits=least <= most,
    )


# --- Pattern and frames -------------------------------------------------------------------------------------------


def offset_for_one_pixel_ms(pattern_px_per_s: float) -> float:
    """Return the difference of two pieces at which a moving pattern tears by one pixel: 1/v."""
    return 1000.0 / pattern_px_per_s


def tear_px(pattern_px_per_s: float, offset_ms: float) -> float:
    """Return by how many pixels a moving pattern tears: v·Δt."""
    return pattern_px_per_s * offset_ms / 1000.0


def free_tick_rms_ms(frame_period_ms: float) -> float:
    """Return the rms difference of two boards whose output ticks run free: T/sqrt(6).

    The phases are even over a frame and independent, so their difference is triangular on ±T.
    """
    return frame_period_ms / math.sqrt(6)


# --- Holdover -----------------------------------------------------------------------------------------------------


def holdover_s(tolerance_ms: float, ppm: float) -> float:
    """Return for how long a clock that is ``ppm`` off stays within a tolerance: 1 ppm is 1 µs a second."""
    return math.inf if ppm == 0 else tolerance_ms * 1000.0 / abs(ppm)


def learnt_holdover_s(tolerance_ms: float, rate_ppm: float, wander_ppm: float, cooling_ppm_per_s: float) -> float:
    """Return for how long a learnt rate keeps a clock within a tolerance, 95 % of the time.

    The error grows by 1.96·hypot(r·t, w·t^1.5/√3) for a rate that is off by r (rms) and wanders by w per square root
    of a second, and by c·t²/2 while the evening cools.
    """

    def grown_ms(t: float) -> float:
        chance = 1.96 * math.hypot(rate_ppm * t, wander_ppm * t**1.5 / math.sqrt(3))
        return (chance + abs(cooling_ppm_per_s) * t * t / 2) / 1000.0

    low, high = 0.0, 1.0
    while grown_ms(high) < tolerance_ms:
        high *= 2
        if high > 1e9:
            return math.inf
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if grown_ms(middle) < tolerance_ms else (low, middle)
    return low


# --- Storage and airtime ------------------------------------------------------------------------------------------

PIXEL_BYTES: Final = 3

@dataclass(frozen=True, slots=True)
class Storage:
    """One show on all boards. ``bytes_by_piece`` are in the pieces' order; ``copy_s`` is one after the other."""

    title: str
    frames: int
    bytes_by_piece: tuple[int, ...]
    copy_s: float
    read_rates: tuple[float, ...]
    """Bytes a second that each board reads."""

    @property
    def total_bytes(self) -> int:
        """Bytes over all boards."""
        return sum(self.bytes_by_piece)


def storage_of(title: str, pixels: Sequence[int], frames: int, frames_per_s: float, copy_mbps: float) -> Storage:
    """Return what a show takes to keep and to copy: pixels·3·frames bytes, at ``copy_mbps`` megabits a second."""
    each = tuple(count * PIXEL_BYTES * frames for count in pixels)
    return Storage(
        title,
        frames,
        each,
        sum(each) * 8 / (copy_mbps * 1e6),
        tuple(count * PIXEL_BYTES * frames_per_s for count in pixels),
    )
