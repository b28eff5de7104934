"""Traces: the same doings give the same digest, and any difference another."""

from __future__ import annotations

import os
import struct
import subprocess
import sys

import pytest

from leadlight_sim.kernel.kernel import TrueInstant
from leadlight_sim.kernel.trace import Trace

Record = tuple[bytes, int, int, bytes]

DOINGS: list[Record] = [(b"s", 0, 0, b"beacon"), (b"r", 1_250_000, 3, b"beacon"), (b"e", 1_250_000, 3, b"LockAcquired")]


def digest(records: list[Record]) -> str:
    trace = Trace()
    for kind, at, node, data in records:
        trace.note(kind, TrueInstant(at), node, data)
    return trace.hexdigest()


def test_the_same_doings_give_the_same_digest() -> None:
    assert digest(DOINGS) == digest(list(DOINGS))
    assert len(digest(DOINGS)) == 32


def test_reading_the_digest_changes_nothing() -> None:
    read, unread = Trace(), Trace()
    for kind, at, node, data in DOINGS:
        read.note(kind, TrueInstant(at), node, data)
        read.hexdigest()
        unread.note(kind, TrueInstant(at), node, data)
    assert read.hexdigest() == read.hexdigest() == unread.hexdigest()


@pytest.mark.parametrize(
    "other",
    [
        [],
        DOINGS[:2],
        [*DOINGS, DOINGS[-1]],
        [DOINGS[0], DOINGS[2], DOINGS[1]],
        [(b"r", 0, 0, b"beacon"), *DOINGS[1:]],
        [(b"s", 1, 0, b"beacon"), *DOINGS[1:]],
        [(b"s", 0, 1, b"beacon"), *DOINGS[1:]],
        [(b"s", 0, 0, b"beacoN"), *DOINGS[1:]],
    ],
    ids=["nothing", "one fewer", "one more", "another order", "kind", "instant", "node", "data"],
)
def test_any_difference_gives_another_digest(other: list[Record]) -> None:
    assert digest(other) != digest(DOINGS)


@pytest.mark.parametrize("record", [(b"", 0, 0, b""), (b"ss", 0, 0, b""), (b"s", -1, 0, b""), (b"s", 0, 1 << 16, b"")])
def test_a_record_that_does_not_fit_is_refused(record: Record) -> None:
    with pytest.raises(struct.error):
        digest([record])


@pytest.mark.slow
def test_the_digest_does_not_depend_on_the_seed_of_string_hashes() -> None:
    program = (
        "from leadlight_sim.kernel.trace import Trace\n"
        "trace = Trace()\n"
        f"for record in {DOINGS!r}: trace.note(*record)\n"
        "print(trace.hexdigest())"
    )
    for hash_seed in ("0", "1", "2"):
        environment = {**os.environ, "PYTHONHASHSEED": hash_seed, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
        ran = subprocess.run(
            [sys.executable, "-c", program], env=environment, capture_output=True, text=True, check=True
        )
        assert ran.stdout.strip() == digest(DOINGS)
