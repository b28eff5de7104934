"""Fitted air: what was learnt of a recorded network, made into the sampled air's tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from leadlight.units import MICROSECOND
from leadlight_sim.air import AirTables, DelayDistribution, Empirical, Fixed, LoadRecord, Mixture, block_windows


@dataclass(frozen=True, slots=True)
class FittedLevel:
    """Quantiles of delays in whole µs at one level of load, equally spaced, the least and the largest included."""

    up_us: tuple[int, ...]
    down_us: tuple[int, ...]
    group_us: tuple[int, ...]


def fitted_tables(
    levels: Sequence[FittedLevel],
    windows: str,
    window_ns: int,
    cable: DelayDistribution,
    *,
    apart_us: Sequence[int] = (),
    crosses_twice: bool = False,
) -> tuple[AirTables, LoadRecord]:
    """Return what holds on average, and the record to be replayed.

    ``apart_us`` are quantiles of what each receiver adds to what a group frame takes to all. What receivers add of
    their own to unicast is in the recording, so that nothing is added here. ``crosses_twice``: the delays are those of
    a path from one radio station to another, so that a first hop takes nothing.
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
            first_hop=Fixed(0) if crosses_twice else None,
            apart=_distribution(apart_us) if apart_us else None,
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
        first_hop=tables[0].first_hop,
        apart=tables[0].apart,
    )
    return overall, LoadRecord(tuple(tables), record, window_ns, block_windows(len(record), window_ns))


def _distribution(quantiles_us: Sequence[int]) -> Empirical:
    return Empirical(tuple(delay * MICROSECOND for delay in quantiles_us))
