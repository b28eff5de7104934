"""Conditions that last: a record of load, replayed in blocks."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import pytest

from leadlight.errors import ConfigurationError
from leadlight_sim.air.conditions import LoadRecord, Replay
from leadlight_sim.air.distributions import AirTables, Fixed
from leadlight_sim.kernel import Streams

NOTHING = Fixed(0)
LEVELS = tuple(
    AirTables(up=NOTHING, down=NOTHING, group=Fixed(number), private=NOTHING, cable=NOTHING) for number in range(3)
)
# Neighbours in a row differ, so that a window's place can be told from it and the two before it.
WINDOWS = bytes([0, 0, 0, 1, 0, 2, 1, 1, 2, 2])
RECORD = LoadRecord(LEVELS, WINDOWS, window_ns=10, block_windows=4)


def levels_of(record: LoadRecord, instants: range, seed: int = 1) -> list[int]:
    replay = Replay(record, record.levels, Streams(seed).stream("load"))
    return [record.levels.index(replay.tables_at(instant)) for instant in instants]


def test_a_block_is_a_piece_of_the_record_from_a_random_window_round_to_its_beginning() -> None:
    twice = list(WINDOWS * 2)
    pieces = [twice[start : start + 4] for start in range(len(WINDOWS))]
    found = levels_of(RECORD, range(0, 40 * 1_000, 10))
    blocks = [found[at : at + 4] for at in range(0, len(found), 4)]
    assert all(block in pieces for block in blocks)
    starts = Counter(pieces.index(block) for block in blocks)
    # A thousand blocks, a tenth of them from each start: four standard deviations of a binomial are 38.
    assert set(starts) == set(range(10))
    assert all(abs(count - 100) <= 38 for count in starts.values())


def test_a_window_holds_from_its_first_nanosecond_to_its_last() -> None:
    coarse = levels_of(RECORD, range(0, 4_000, 10))
    fine = levels_of(RECORD, range(4_000))
    assert fine == [level for level in coarse for _ in range(10)]


def test_no_answer_depends_on_what_was_asked_before() -> None:
    forwards = levels_of(RECORD, range(0, 4_000, 7))
    backwards = levels_of(RECORD, range(0, 4_000, 7)[::-1])
    assert forwards == backwards[::-1]
    assert levels_of(RECORD, range(0, 4_000, 7), seed=2) != forwards


@pytest.mark.parametrize(
    "change",
    [
        {"levels": ()},
        {"levels": LEVELS[:2]},
        {"windows": b""},
        {"window_ns": 0},
        {"window_ns": 1.5},
        {"block_windows": 0},
    ],
)
def test_a_record_that_cannot_be_replayed_is_refused(change: dict[str, Any]) -> None:
    with pytest.raises(ConfigurationError):
        replace(RECORD, **change)
