"""Fitting: recorded delays made into levels of load, with distributions for each, and a dropout.

A recording knows nothing of its network but how long its packets took. Its windows are sorted by the mean delay of what
was sent in them; each tenth of them is a level, and has the delays that were seen in it. The sampled air replays the
levels in the order in which they came (``conditions``), so that what is drawn has the recording's distribution, and is
as much alike from one packet to the next as windows tell.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from statistics import fmean, median

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND, MILLISECOND, SECOND
from leadlight_sim.air import AirTables, DelayDistribution, Empirical, Fixed, LoadRecord, Mixture, block_windows

WINDOW_NS = 10 * MILLISECOND
"""The shortest window; where packets are rarer than this, a window lasts from one to the next."""
WINDOWS_MAXIMUM = 200_000
LEVELS_MAXIMUM = 10
WINDOWS_PER_LEVEL = 20
"""At least so many windows make a level."""
SAMPLES_MINIMUM = 100
QUANTILES = 101
"""Per distribution and level: every hundredth, so that of the slowest tenth of windows every thousandth of all is
one."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One recorded packet or exchange: when it was sent, and what each way took, in ns; None where nothing came.

    ``up_ns`` is to the access point's side, ``down_ns`` from it, ``group_ns`` a group frame's.
    """

    sent_at: int
    up_ns: int | None = None
    down_ns: int | None = None
    group_ns: int | None = None

    @property
    def mean_ns(self) -> float | None:
        """The mean of what came, or None."""
        came = [delay for delay in (self.up_ns, self.down_ns, self.group_ns) if delay is not None]
        return fmean(came) if came else None


@dataclass(frozen=True, slots=True)
class FittedLevel:
    """Quantiles of delays in whole µs at one level of load, equally spaced, the least and the largest included."""

    up_us: tuple[int, ...]
    down_us: tuple[int, ...]
    group_us: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Fit:
    """A recording's distributions: ``levels`` from the quickest to the slowest, and each window's as a letter from "a"
    on.

    ``loss_fraction`` of the packets never came, in runs of ``mean_burst_s`` on average; the latter is 0 without any.
    """

    levels: tuple[FittedLevel, ...]
    windows: str
    window_ns: int
    samples: int
    loss_fraction: float
    mean_burst_s: float


def fit(samples: Sequence[Sample]) -> Fit:
    """Return the distributions of a recording, whose samples may be in any order.

    Raises ``ConfigurationError`` unless a hundred packets or more came, at more than one instant, and some that went
    each way, or to the group.
    """
    ordered = sorted(samples, key=lambda sample: sample.sent_at)
    came = [(sample, mean_ns) for sample in ordered if (mean_ns := sample.mean_ns) is not None]
    if len(came) < SAMPLES_MINIMUM or came[0][0].sent_at == came[-1][0].sent_at:
        raise ConfigurationError("samples", len(came), f"{SAMPLES_MINIMUM} packets or more that came, sent one by one")
    begin = ordered[0].sent_at
    span_ns = ordered[-1].sent_at - begin + 1
    spacing_ns = median(later.sent_at - earlier.sent_at for earlier, later in pairwise(ordered))
    window_ns = max(WINDOW_NS, round(spacing_ns), -(-span_ns // WINDOWS_MAXIMUM))
    windows: list[list[Sample]] = [[] for _ in range(-(-span_ns // window_ns))]
    means: list[list[float]] = [[] for _ in windows]
    for sample, mean_ns in came:
        number = (sample.sent_at - begin) // window_ns
        windows[number].append(sample)
        means[number].append(mean_ns)
    heard = sorted(fmean(window) for window in means if window)
    count = max(1, min(LEVELS_MAXIMUM, len(heard) // WINDOWS_PER_LEVEL))
    bounds = sorted({heard[len(heard) * number // count] for number in range(1, count)} - {heard[0]})
    levels: list[int] = []
    for window in means:
        # A window without a packet is as the one before it.
        levels.append(bisect_right(bounds, fmean(window)) if window else levels[-1] if levels else 0)
    of_level: list[list[Sample]] = [[] for _ in range(len(bounds) + 1)]
    for level, window_samples in zip(levels, windows, strict=True):
        of_level[level] += window_samples
    overall = _distributions(sample for sample, _ in came)
    if not (overall.up_us or overall.down_us or overall.group_us):
        raise ConfigurationError("samples", len(came), "some that went each way, or to the group")
    lost = [sample.mean_ns is None for sample in ordered]
    runs = [sum(1 for _ in run) for is_lost, run in groupby(lost) if is_lost]
    return Fit(
        tuple(_with_all_distributions(_distributions(level), overall) for level in of_level),
        "".join(chr(ord("a") + level) for level in levels),
        window_ns,
        len(ordered),
        sum(lost) / len(lost),
        fmean(runs) * spacing_ns / SECOND if runs else 0.0,
    )


def fitted_tables(
    levels: Sequence[FittedLevel], windows: str, window_ns: int, cable: DelayDistribution
) -> tuple[AirTables, LoadRecord]:
    """Return what holds on average, and the record to be replayed.

    What receivers add of their own is in the recording, so that nothing is added here.
    """
    record = bytes(ord(letter) - ord("a") for letter in windows)
    shares = [record.count(number) / len(record) for number in range(len(levels))]
    floor_ns = MICROSECOND * min(min(level.up_us[0], level.down_us[0]) for level in levels)
    tables = [
        AirTables(
            up=_distribution(level.up_us),
            down=_distribution(level.down_us),
            group=_distribution(level.group_us),
            private=Fixed(0),
            cable=cable,
            floor_ns=floor_ns,
        )
        for level in levels
    ]
    overall = AirTables(
        up=Mixture(tuple(zip(shares, (table.up for table in tables), strict=True))),
        down=Mixture(tuple(zip(shares, (table.down for table in tables), strict=True))),
        group=Mixture(tuple(zip(shares, (table.group for table in tables), strict=True))),
        private=Fixed(0),
        cable=cable,
        floor_ns=floor_ns,
    )
    return overall, LoadRecord(tuple(tables), record, window_ns, block_windows(len(record), window_ns))


def _distribution(quantiles_us: Sequence[int]) -> Empirical:
    return Empirical(tuple(delay * MICROSECOND for delay in quantiles_us))


def _distributions(samples: Iterable[Sample]) -> FittedLevel:
    ways = [(sample.up_ns, sample.down_ns, sample.group_ns) for sample in samples]
    up, down, group = ([way[number] for way in ways] for number in range(3))
    return FittedLevel(_quantiles_us(up), _quantiles_us(down), _quantiles_us(group))


def _with_all_distributions(level: FittedLevel, overall: FittedLevel) -> FittedLevel:
    # One way stands in for another that was not recorded; a level without it takes what was seen at any time.
    up = level.up_us or overall.up_us or level.down_us or level.group_us or overall.down_us or overall.group_us
    down = level.down_us or overall.down_us or level.up_us or level.group_us or overall.up_us or overall.group_us
    group = level.group_us or overall.group_us or level.down_us or level.up_us or overall.down_us or overall.up_us
    return FittedLevel(up, down, group)


def _quantiles_us(delays_ns: Sequence[int | None]) -> tuple[int, ...]:
    ordered = sorted(delay for delay in delays_ns if delay is not None)
    if not ordered:
        return ()
    last = len(ordered) - 1
    places = (round(number * last / (QUANTILES - 1)) for number in range(QUANTILES))
    return tuple(round(ordered[place] / MICROSECOND) for place in places)
