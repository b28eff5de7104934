"""How close the contended air comes to theory, and how fast both airs are, in one run.

What is checked, each as a table:

- Bianchi's saturation throughput and collision chance, basic access, W = 32, m = 3 (IEEE JSAC 18(3), 2000), with the
  paper's convention that a busy period counts as a slot, and with real counts, which stand still;
- the published throughput table for 802.11a, 1500-byte packets (ns-3, ``wifi-bianchi.cc`` and its reference curves);
- the rates of a lone sender, and the airtime of a live feed of 638-byte packets, against the duration formulas;
- delays to the DTIM beacon; loss of group and unicast frames; scans; a snooping switch without a querier;
- beacons in the sampled air, with tables from the contended one, beside the contended one's on the presets' networks.

Prints one line of JSON last. Run with ``PYTHONPATH=protocol:sim python tests/bench/air.py``; ``--quick`` simulates less
than that, to see that it works rather than to quote its figures.
"""

from __future__ import annotations

import argparse
import json
import math
import random
from dataclasses import dataclass, replace
from statistics import fmean
from time import perf_counter
from typing import Any

from leadlight.units import MICROSECOND, MILLISECOND, SECOND
from leadlight_sim.air.choice.choosing import PRESET_NEIGHBOURS, contended_settings
from leadlight_sim.air.choice.presets import IDLE
from leadlight_sim.air.choice.tables import Observer, Scene, measure, sampled_settings
from leadlight_sim.air.contended.access_rules import AccessRules
from leadlight_sim.air.contended.air import ContendedAir
from leadlight_sim.air.contended.contention import Medium
from leadlight_sim.air.contended.neighbours import Neighbour, NeighbourStation
from leadlight_sim.air.contended.rates import RateStep
from leadlight_sim.air.contended.settings import Beacons, ContendedSettings, PowerSave, Scans
from leadlight_sim.air.distributions import Fixed
from leadlight_sim.air.dropouts import NO_DROPOUT, Dropout
from leadlight_sim.air.interface import Air, LinkKind
from leadlight_sim.air.sampled.air import SampledAir
from leadlight_sim.air.sampled.settings import SampledSettings
from leadlight_sim.air.timing import ACK_BYTES, Band, Radio, ofdm_frame_ns
from leadlight_sim.kernel import Stream, Streams
from leadlight_sim.kernel.kernel import Kernel, TrueInstant
from leadlight_sim.scenario.files import load_shipped
from saturation import saturation

CONTENDERS = (5, 10, 20, 50)
# The frequency-hopping radio of Bianchi's paper, in µs.
FH_PAYLOAD, FH_FRAME, FH_ANSWER, FH_SLOT, FH_SIFS, FH_DIFS = 8184, 8585, 269, 50, 28, 128
# Mb/s for 5, 10, 20 and 50 stations, where a collision is followed by a DIFS and where by an EIFS.
PUBLISHED = {
    (6.0, "DIFS"): (4.7087, 4.3453, 3.9899, 3.5071),
    (24.0, "DIFS"): (16.2470, 15.1426, 14.0072, 12.4144),
    (54.0, "DIFS"): (29.8324, 28.1519, 26.2925, 23.5618),
    (6.0, "EIFS"): (4.6899, 4.3197, 3.9589, 3.4711),
    (24.0, "EIFS"): (16.0836, 14.9153, 13.7300, 12.0889),
    (54.0, "EIFS"): (29.2861, 27.3763, 25.3325, 22.4162),
}
PUBLISHED_FRAME_BYTES = 1500 + 28 + 6
# Frames a second of a sender that is alone: radio, UDP payload, destination, rate.
WIDE = Radio(Band.GHZ_5)
LONE: tuple[tuple[str, Radio, int, str | None, int], ...] = (
    ("group 1 Mb/s, long slot", Radio(long_slot=True), 64, None, 587),
    ("group 1 Mb/s, long slot", Radio(long_slot=True), 638, None, 159),
    ("group 1 Mb/s", Radio(), 64, None, 695),
    ("group 1 Mb/s", Radio(), 638, None, 166),
    ("group 6 Mb/s", WIDE, 64, None, 3150),
    ("group 6 Mb/s", WIDE, 638, None, 921),
    ("group 12 Mb/s", replace(WIDE, group_rate_mbps=12.0), 638, None, 1652),
    ("group 24 Mb/s", replace(WIDE, group_rate_mbps=24.0), 638, None, 2736),
    ("group 24 Mb/s", replace(WIDE, group_rate_mbps=24.0), 1472, None, 1559),
    ("unicast MCS 0", replace(WIDE, unicast_mcs=0), 638, "a", 918),
    ("unicast MCS 3", replace(WIDE, unicast_mcs=3), 638, "a", 2466),
    ("unicast MCS 7", replace(WIDE, unicast_mcs=7), 638, "a", 3656),
    ("unicast MCS 7", replace(WIDE, unicast_mcs=7), 1472, "a", 2677),
)
# Share of airtime of a live feed at 40 frames a second: universes of 170 pixels, radio, destination, share.
LIVE: tuple[tuple[str, Radio, int, str | None, float], ...] = (
    ("group 1 Mb/s", Radio(), 1, None, 0.241),
    ("group 1 Mb/s", Radio(), 3, None, 0.724),
    ("group 6 Mb/s", WIDE, 6, None, 0.261),
    ("group 6 Mb/s", WIDE, 12, None, 0.521),
    ("group 24 Mb/s", replace(WIDE, group_rate_mbps=24.0), 24, None, 0.351),
    ("unicast MCS 7", replace(WIDE, unicast_mcs=7), 6, "a", 0.066),
    ("unicast MCS 7", replace(WIDE, unicast_mcs=7), 24, "a", 0.263),
    ("unicast MCS 0", replace(WIDE, unicast_mcs=0), 6, "a", 0.261),
)
RUNS = {"idle": 8, "busy": 24, "dozing": 48}
"""Runs of each air, so many that a difference of a twentieth in the share of beacons lost is told from chance."""
RARE = 0.005
"""A share of beacons lost that is so small that its own error is a tenth of it or more."""
QUIET = ContendedSettings(radio=WIDE, beacons=None, cable=Fixed(0))


class Ear:
    """A station that notes when it hears what."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.wired = name.startswith("wired")
        self.heard: list[tuple[bytes, int]] = []

    def receive_delay_ns(self, stream: Stream) -> int:  # noqa: ARG002 - an exact host
        return 0

    def receive(self, data: bytes, sender: str, arrived_at: TrueInstant) -> None:  # noqa: ARG002 - one sender each
        self.heard.append((data, arrived_at))


def contended(settings: ContendedSettings, *names: str) -> tuple[Kernel, ContendedAir, dict[str, Ear]]:
    """Return a kernel, an air and its stations."""
    kernel = Kernel()
    air = ContendedAir(kernel, Streams(1), settings)
    ears = {name: Ear(name) for name in names}
    for ear in ears.values():
        air.attach(ear)
    return kernel, air, ears


def feed(kernel: Kernel, air: Air, interval_ns: int, sender: str, data: bytes, destination: str | None = None) -> None:
    """Send a datagram now and every ``interval_ns`` from now on."""

    def send() -> None:
        air.send(sender, data, destination)
        kernel.schedule_after(interval_ns, send)

    kernel.schedule_after(0, send)


def saturated(contenders: int, rules: AccessRules, frame_us: int, answer_us: int, seconds: int) -> tuple[Medium, float]:
    """Return the medium after a run of saturated stations, and frames carried a second."""
    kernel = Kernel()
    medium = Medium(kernel, rules)
    streams = Streams(1)
    stations = []
    for number in range(contenders):
        stream = streams.stream("station", str(number))
        station = NeighbourStation(stream, frame_us * MICROSECOND, answer_us * MICROSECOND, None)
        medium.add(station)
        station.saturate(medium)
        stations.append(station)
    kernel.run_until(TrueInstant(seconds * SECOND))
    return medium, sum(station.carried for station in stations) / seconds


def check_bianchi(seconds: int) -> dict[str, float]:
    """Print throughput and collision chance beside the model's; return the largest errors, by convention."""
    print(f"\nBianchi, basic access, W = 32, m = 3, {seconds} s each")
    print("   n  counts        S model   S here   error    p model   p here   error")
    result: dict[str, float] = {}
    for counts_busy in (True, False):
        worst = worst_chance = 0.0
        rules = AccessRules(
            slot_ns=FH_SLOT * MICROSECOND,
            sifs_ns=FH_SIFS * MICROSECOND,
            difs_ns=FH_DIFS * MICROSECOND,
            collision_wait_ns=FH_DIFS * MICROSECOND,
            cw_min=31,
            cw_max=255,
            counts_busy=counts_busy,
        )
        for contenders in CONTENDERS:
            state = saturation(contenders, 32, 3)
            model = state.throughput(FH_PAYLOAD, FH_SLOT, FH_FRAME + FH_ANSWER + FH_DIFS, FH_FRAME + FH_DIFS)
            medium, rate = saturated(contenders, rules, FH_FRAME, FH_ANSWER, seconds)
            share = rate * FH_PAYLOAD * 1e-6
            chance = medium.collided_attempts / medium.attempts
            error, chance_error = share / model - 1, chance - state.collision_chance
            worst, worst_chance = max(worst, abs(error)), max(worst_chance, abs(chance_error))
            print(
                f"  {contenders:2}  {'as modelled' if counts_busy else 'stand still'}   {model:.4f}    {share:.4f}  "
                f"{error:+.2%}   {state.collision_chance:.4f}    {chance:.4f}  {chance_error:+.4f}"
            )
        prefix = "bianchi" if counts_busy else "bianchi_standing_counts"
        result |= {f"{prefix}_max_error": worst, f"{prefix}_collision_max_error": worst_chance}
    return result


def check_published(seconds: int) -> float:
    """Print throughput beside the published table; return the largest relative error."""
    print(f"\nPublished 802.11a table, 1500-byte packets, Mb/s, {seconds} s each")
    print("  rate  after     " + "".join(f"{f'n = {n}':>24}" for n in CONTENDERS))
    worst = 0.0
    for (rate, wait), row in PUBLISHED.items():
        frame_us = ofdm_frame_ns(PUBLISHED_FRAME_BYTES, rate, Band.GHZ_5) // MICROSECOND
        ack_us = ofdm_frame_ns(ACK_BYTES, min(rate, 24.0), Band.GHZ_5) // MICROSECOND
        answer_us = 16 + ack_us
        # The table's EIFS has the ACK at the rate of the data.
        wait_us = 34 if wait == "DIFS" else answer_us + 34
        rules = AccessRules(slot_ns=9_000, sifs_ns=16_000, difs_ns=34_000, collision_wait_ns=wait_us * MICROSECOND)
        cells = []
        for contenders, published in zip(CONTENDERS, row, strict=True):
            _, frames = saturated(contenders, rules, frame_us, answer_us, seconds)
            here = frames * 1500 * 8 / 1e6
            worst = max(worst, abs(here / published - 1))
            cells.append(f"{published:8.4f} {here:8.4f} {here / published - 1:+.2%}")
        print(f"  {rate:4g}  {wait}  " + "".join(f"{cell:>24}" for cell in cells))
    return worst


def check_lone(seconds: int) -> float:
    """Print the rates of lone senders beside the formulas'; return the largest relative error."""
    print(f"\nA lone sender, frames a second, {seconds} s each")
    worst = 0.0
    for name, radio, payload, destination, expected in LONE:
        kernel, air, ears = contended(replace(QUIET, radio=radio), "wired lead", "a")
        feed(kernel, air, SECOND // (expected + 50), "wired lead", bytes(payload), destination)
        kernel.run_until(TrueInstant(seconds * SECOND))
        rate = len(ears["a"].heard) / seconds
        worst = max(worst, abs(rate / expected - 1))
        print(f"  {name:<24}{payload:5} B  {expected:5}  {rate:8.1f}  {rate / expected - 1:+.2%}")
    return worst


def check_live_feed(seconds: int) -> float:
    """Print the airtime of live feeds beside the formulas'; return the largest relative error."""
    print(f"\nA live feed at 40 frames a second, share of airtime, {seconds} s each")
    worst = 0.0
    for name, radio, universes, destination, expected in LIVE:
        kernel, air, _ = contended(replace(QUIET, radio=radio), "wired lead", "a")
        feed(kernel, air, SECOND // (40 * universes), "wired lead", bytes(638), destination)
        kernel.run_until(TrueInstant(seconds * SECOND))
        share = air.airtime_ns / (seconds * SECOND)
        worst = max(worst, abs(share / expected - 1))
        print(f"  {name:<14}{universes:3} universes  {expected:6.1%}  {share:6.1%}  {share / expected - 1:+.2%}")
    for universes, expected in ((6, 1.448), (12, 2.89)):
        kernel, air, ears = contended(replace(QUIET, radio=Radio()), "wired lead", "a")
        feed(kernel, air, SECOND // (40 * universes), "wired lead", bytes(638))
        kernel.run_until(TrueInstant(seconds * SECOND))
        carried = len(ears["a"].heard) / seconds
        asked = 40 * universes
        assert air.over_capacity
        worst = max(worst, abs(asked / carried / expected - 1))
        print(f"  group 1 Mb/s  {universes:3} universes  {expected:6.1%}  {asked / carried:6.1%} (asked by carried)")
    return worst


def check_dtim() -> int:
    """Return how many of seven held frames missed their exact instant."""
    # A window of one count, always 0, so that what comes after the beacon is known to the nanosecond.
    rules = replace(AccessRules.of(WIDE), cw_min=0, cw_max=0)
    beacons = Beacons(period=2, phase_ns=0, clock_error_ppb=0)
    settings = replace(QUIET, rules=rules, beacons=beacons, power_save=PowerSave(others_doze=True))
    kernel, air, ears = contended(settings, "wired lead", "a")
    sent = [number * 100 * MILLISECOND for number in range(7)]
    for at in sent:
        kernel.schedule(TrueInstant(at), air.send, "wired lead", bytes(64), None)
    kernel.run_until(TrueInstant(SECOND))
    after_ns = WIDE.group_frame_ns(beacons.frame_bytes - 80) + WIDE.difs_ns + WIDE.group_frame_ns(64)
    behind_ns = WIDE.difs_ns + WIDE.group_frame_ns(64)
    waits_us = [0, 104_800, 4_800, 109_600, 9_600, 114_400, 14_400]
    # Frames 1 and 2, 3 and 4, 5 and 6 leave after one beacon each.
    expected = [
        at + wait_us * MICROSECOND + after_ns + (behind_ns if number in (2, 4, 6) else 0)
        for number, (at, wait_us) in enumerate(zip(sent, waits_us, strict=True))
    ]
    arrivals = [at for _, at in ears["a"].heard]
    missed = sum(here != there for here, there in zip(arrivals, expected, strict=True))
    print(f"\nHeld for DTIM, sent every 100 ms: {7 - missed} of 7 arrive at their exact nanosecond")
    return missed


def check_loss(frames: int) -> tuple[float, float]:
    """Print and return the loss of group and unicast frames at 0.2 a try, four tries."""
    losses = []
    for destination, kind in ((None, LinkKind.GROUP), ("a", LinkKind.DOWN)):
        settings = replace(QUIET, dropout=Dropout.steady(0.2), chain=(RateStep(7, 4),))
        kernel, air, _ = contended(settings, "wired lead", "a")
        feed(kernel, air, MILLISECOND, "wired lead", b"x", destination)
        kernel.run_until(TrueInstant(frames * MILLISECOND - 1))
        losses.append(air.counts[kind].lost / frames)
    print(f"\nLoss at 0.2 a try, {frames} frames: group {losses[0]:.4f} (0.2), unicast {losses[1]:.5f} (0.0016)")
    return losses[0], losses[1]


def check_scan_and_snooping() -> tuple[int, float]:
    """Print and return group frames lost in a scan cycle and when a snooping switch stops, in s."""
    kernel, air, ears = contended(replace(QUIET, scans=Scans(("a",), 14 * SECOND, 4 * SECOND)), "wired lead", "a")
    kernel.schedule(TrueInstant(MILLISECOND), feed, kernel, air, 100 * MILLISECOND, "wired lead", b"group")
    kernel.schedule(TrueInstant(MILLISECOND), feed, kernel, air, 100 * MILLISECOND, "wired lead", b"one", "a")
    kernel.run_until(TrueInstant(14 * SECOND))
    lost = 140 - sum(data == b"group" for data, _ in ears["a"].heard)
    late = 140 - sum(data == b"one" for data, _ in ears["a"].heard)
    print(f"\nA scan of 4 s in 14 s, ten a second: group loses {lost} of 140 (40), unicast {late} (0)")
    kernel, air, ears = contended(replace(QUIET, membership_lifetime_ns=260 * SECOND), "wired lead", "a")
    feed(kernel, air, SECOND, "wired lead", b"beacon")
    kernel.run_until(TrueInstant(1_800 * SECOND))
    last = ears["a"].heard[-1][1] / SECOND
    print(f"A snooping switch without a querier, one a second for 30 min: the last is heard at {last:.3f} s (259)")
    return lost, last


def check_tables(seconds: int, quick: bool) -> dict[str, float]:
    """Print beacons of both airs on three networks; return the largest relative differences.

    Each run of the contended air is beside one of the sampled air with tables of their own, so that all are independent
    and the interval beside the loss holds the tables' chance too: 95 %, by drawing runs anew (bootstrap percentiles).
    """
    print(f"\nBeacons in both airs, ms and share lost, runs of {seconds} s, tables of {seconds} s each")
    heads = "".join(f"  {head:>15}" for head in ("p50", "p90", "p99", "lost", "difference of it, 95 %"))
    print(f"  network  leader      runs{heads}")
    result: dict[str, float] = {}
    for preset in PRESET_NEIGHBOURS:
        for wired in (False, True):
            described = load_shipped().with_changes({"air.preset": preset, "air.fidelity": "contended"})
            air = replace(contended_settings(described), dropout=NO_DROPOUT, shared_dropout=NO_DROPOUT)
            scene = Scene(air=air, leader_is_wired=wired, duration_ns=seconds * SECOND)
            runs = 3 if quick else RUNS[preset]
            truth = [_beacons(scene, None, 1_000 + number) for number in range(runs)]
            drawn = []
            for number in range(runs):
                made_from = replace(scene, seed=1 + number)
                drawn.append(_beacons(scene, sampled_settings(made_from, measure(made_from)), 2_000 + number))
            cells = []
            for name, share in (("p50", 0.5), ("p90", 0.9), ("p99", 0.99)):
                one, other = _quantile_ms(truth, share), _quantile_ms(drawn, share)
                key = f"tables_{name}_max_error"
                result[key] = max(result.get(key, 0.0), abs(other / one - 1))
                cells.append(f"{one:7.3f} {other:7.3f}")
            losses = [[run.share_lost for run in runs_of_one] for runs_of_one in (truth, drawn)]
            one, other = map(fmean, losses)
            cells.append(f"{one:7.2%} {other:7.2%}")
            place = "cable" if wired else "air"
            if one > RARE:
                low, high = _interval(*losses)
                result["tables_lost_max_error"] = max(result.get("tables_lost_max_error", 0.0), abs(other / one - 1))
                result |= {f"tables_lost_{preset}_{place}": other / one - 1}
                result |= {f"tables_lost_{preset}_{place}_low": low, f"tables_lost_{preset}_{place}_high": high}
                cells.append(f"{other / one - 1:+.1%}, {low:+.1%} to {high:+.1%}")
            else:
                cells.append("too rare to tell")
            print(f"  {preset:<8} on the {place:<6}{runs:4}" + "".join(f"  {cell:>15}" for cell in cells), flush=True)
    return result


@dataclass(frozen=True)
class _Run:
    delays: list[int]
    share_lost: float


def _beacons(scene: Scene, tables: SampledSettings | None, seed: int) -> _Run:
    kernel, streams = Kernel(), Streams(seed)
    air: Air = SampledAir(kernel, streams, tables) if tables else ContendedAir(kernel, streams, scene.air)
    observer = Observer(kernel, air, scene, streams)
    kernel.run_until(TrueInstant(scene.duration_ns))
    # Those of the last second may still be on their way, or held.
    sent = [at for at in observer.sent if at < scene.duration_ns - SECOND]
    delays = [observer.beacons[at] - at for at in sent if at in observer.beacons]
    return _Run(delays, 1 - len(delays) / len(sent))


def _quantile_ms(runs: list[_Run], share: float) -> float:
    delays = sorted(delay for run in runs for delay in run.delays)
    return delays[int(share * len(delays))] / MILLISECOND


def _interval(truth: list[float], drawn: list[float]) -> tuple[float, float]:
    """Return the 95 % interval of the relative difference of two means, by drawing their runs anew 4,000 times."""
    stream = random.Random(1)
    found = sorted(
        fmean(stream.choices(drawn, k=len(drawn))) / fmean(stream.choices(truth, k=len(truth))) - 1
        for _ in range(4_000)
    )
    return found[100], found[3_899]


def time_contended(seconds: int, rounds: int) -> float:
    """Print and return frames on the air per second of wall time: ten saturated stations, beacons to 8 receivers."""
    settings = ContendedSettings(radio=WIDE, neighbours=tuple(Neighbour(payload_bytes=200) for _ in range(10)))
    best = 0.0
    for _ in range(rounds):
        kernel, air, ears = contended(settings, "wired lead", *(f"receiver {number}" for number in range(8)))
        feed(kernel, air, 25 * MILLISECOND, "wired lead", bytes(100))
        begun = perf_counter()
        kernel.run_until(TrueInstant(seconds * SECOND))
        best = max(best, air.medium.attempts / (perf_counter() - begun))
        assert all(ears[f"receiver {number}"].heard for number in range(8))
    print(f"\nContended, 10 saturated neighbours, 8 receivers of 40 a second: {best:,.0f} frames on the air per second")
    names = [f"station {number}" for number in range(10)]
    every = 0.0
    for _ in range(rounds):
        kernel, air, _ = contended(ContendedSettings(radio=WIDE), "wired lead", *names)
        for number, name in enumerate(names):
            feed(kernel, air, 2 * MILLISECOND, name, bytes(200), names[number - 1] if number < 8 else "wired lead")
        begun = perf_counter()
        kernel.run_until(TrueInstant(seconds * SECOND))
        every = max(every, air.medium.attempts / (perf_counter() - begun))
    print(f"Contended, 10 saturated stations that send to 8 of them through the access point: {every:,.0f}")
    return min(best, every)


def time_sampled(frames: int, rounds: int) -> float:
    """Print and return deliveries per second of wall time: beacons to 8 receivers, the idle preset."""
    best = 0.0
    for _ in range(rounds):
        kernel = Kernel()
        air = SampledAir(kernel, Streams(1), IDLE)
        ears = [Ear("wired lead"), *(Ear(f"receiver {number}") for number in range(8))]
        for ear in ears:
            air.attach(ear)
        for number in range(frames):
            kernel.schedule(TrueInstant(number * 250 * MILLISECOND), air.send, "wired lead", b"beacon", None)
        begun = perf_counter()
        kernel.run_all(limit=10 * frames)
        took = perf_counter() - begun
        delivered = sum(len(ear.heard) for ear in ears)
        assert delivered == air.counts[LinkKind.GROUP].delivered
        best = max(best, delivered / took)
    print(f"Sampled, idle preset, beacons to 8 receivers: {best:,.0f} deliveries per second")
    return best


def main() -> None:
    """Check everything, print everything."""
    parser = argparse.ArgumentParser(description="Check the airs against theory and time them.")
    parser.add_argument("--quick", action="store_true", help="less simulated time")
    quick = parser.parse_args().quick
    scale = 1 if quick else 10
    result: dict[str, Any] = check_bianchi(600 if quick else 1_200) | {
        "ofdm_max_error": check_published(12 * scale),
        "lone_max_error": check_lone(6 * scale),
        "live_max_error": check_live_feed(6 * scale),
        "dtim_missed": check_dtim(),
    }
    result["group_loss"], result["unicast_loss"] = check_loss(10_000 * scale)
    result["scan_lost"], result["snooping_last_s"] = check_scan_and_snooping()
    result |= check_tables(100 * scale, quick)
    result["contended_frames_per_s"] = time_contended(scale, 1 if quick else 3)
    result["sampled_deliveries_per_s"] = time_sampled(2_000 * scale, 1 if quick else 3)
    assert all(math.isfinite(value) for value in result.values())
    print(json.dumps({name: float(f"{value:.6g}") for name, value in result.items()}))


if __name__ == "__main__":
    main()
