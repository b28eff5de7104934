"""A recording's file: what is written is read again, cut anywhere, and what cannot be is refused in one line."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from leadlight.errors import FileError
from leadlight.recording import (
    Answered,
    Ended,
    Head,
    Load,
    Paused,
    Plan,
    Record,
    RecordedHost,
    Sent,
    Told,
    Unsent,
    is_recording,
    parse_recording,
    read_recording,
    to_line,
)
from leadlight.units import SECOND

HEAD = Head(
    datetime(2026, 11, 28, 17, 0, tzinfo=UTC),
    "leadlight 0",
    RecordedHost("boathouse", is_stamped=True, is_wireless=False),
    Plan(60 * SECOND),
)
JETTY = RecordedHost("jetty", 5, True, True, False, -61)
RECORDS: list[Record] = [
    HEAD,
    JETTY,
    Sent(0, None, 10),
    Sent(0, "jetty", 20),
    Answered(0, "jetty", 1_000_020, 1_000_030, 90),
    Sent(1, None, 100),
    Sent(1, "jetty", 120),
    Sent(2, "jetty", 130),
    Unsent(2, "jetty"),
    Told("jetty", ((0, 1_000_012),), ((1, 1_000_125),), 110),
    Load("jetty", 140, 35),
    Paused(150),
    Sent(2, None, 160),
    Ended("time", 200),
]


def written(records: list[Record]) -> bytes:
    return b"".join(map(to_line, records))


def test_what_is_written_is_read_again() -> None:
    found = parse_recording(written(RECORDS))
    assert (found.begun_at, found.written_by, found.prober, found.plan) == HEAD
    assert found.hosts == (JETTY,)
    assert [(probe.number, probe.sent_at, probe.heard) for probe in found.group] == [
        (0, 10, {"jetty": 1_000_012}),
        (1, 100, {}),
        (2, 160, {}),
    ]
    first, second = found.probes["jetty"]
    assert (first.sent_at, first.heard_at, first.answered_at, first.came_at) == (20, 1_000_020, 1_000_030, 90)
    assert (second.sent_at, second.heard_at, second.answered_at, second.came_at) == (120, 1_000_125, None, None)
    assert found.loads == (Load("jetty", 140, 35),)
    assert (found.paused_at, found.ended, found.length_ns) == ((150,), "time", 160)


def test_a_probe_is_lost_only_where_the_host_has_told_of_all_it_heard_by_then() -> None:
    found = parse_recording(written(RECORDS))
    assert [(probe.number, "jetty" in probe.heard) for probe in found.group_known_to("jetty")] == [
        (0, True),
        (1, False),
    ]
    assert [probe.number for probe in found.probes_known_to("jetty")] == [0, 1]


def test_what_left_before_a_host_joined_is_not_lost_to_it() -> None:
    late = RecordedHost("ferry", 150)
    found = parse_recording(written([*RECORDS[:-1], late, Told("ferry", (), (), 1_000)]))
    assert [probe.number for probe in found.group_known_to("ferry")] == [2]


@pytest.mark.slow
def test_a_recording_cut_at_every_byte_of_its_end_holds_all_whole_records_before_the_cut() -> None:
    records: list[Record] = [HEAD, JETTY]
    for number in range(60):
        records += [Sent(number, None, number * 100), Sent(number, "jetty", number * 100)]
        records.append(Answered(number, "jetty", number * 100, number * 100, number * 100 + 5))
    content = written([*records, Ended("time", 6_000)])
    assert len(content) > 4096
    ends = [place for place, byte in enumerate(content, 1) if byte == ord("\n")]
    for cut in range(len(content) - 4096, len(content)):
        found = parse_recording(content[:cut])
        whole = sum(end <= cut for end in ends)
        came = sum(probe.came_at is not None for probe in found.probes["jetty"])
        assert 2 + len(found.group) + len(found.probes["jetty"]) + came == whole
        assert found.ended is None


def test_zeros_behind_the_last_record_are_what_a_power_cut_leaves() -> None:
    content = written(RECORDS[:5])
    assert parse_recording(content + bytes(4096)) == parse_recording(content)
    assert parse_recording(content + b'{"sent":9,' + bytes(512)) == parse_recording(content)


def test_what_a_later_edition_adds_is_passed_over() -> None:
    content = written(RECORDS[:2]) + b'{"weather":"fog","at":7}\n' + b'{"sent":0,"at":10,"colour":"blue"}\n'
    assert [probe.sent_at for probe in parse_recording(content).group] == [10]


BEGINNING = written([HEAD, JETTY, Sent(0, "jetty", 20)])


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "no whole record in it"),
        (written([HEAD])[:-1], "no whole record in it"),
        (b"\x89PNG\r\n\x1a\n" + bytes(40), "no whole record|line 1: not a recording"),
        (b"at_s,round_trip_ms\n0.1,3.4\n", "line 1: not a recording of `leadlight record`"),
        (written(RECORDS[1:]), "line 1: the recording's first line, .*, is missing or cut here; copy the file again"),
        (written(RECORDS)[9:], "line 1: the recording's first line, .*, is missing or cut here; copy the file again"),
        (written([HEAD])[:50] + b"\n" + written(RECORDS[1:]), "line 1: the recording's first line, .*, is missing or"),
        (b'{"leadlight_recording":2}\n', "line 1: format 2; this edition reads format 1"),
        (b'{"leadlight_recording":1,"begun":"today","by":"x"}\n', "line 1: begun: 'today' is not allowed"),
        (b'{"leadlight_recording":1,"begun":"2026-11-28T17:00:00+00:00"}\n', "line 1: prober or plan is missing"),
        (BEGINNING + b'{"sent":1,"at"\n{"sent":2,"at":30}\n', "line 4: no JSON"),
        (BEGINNING + b"[1]\n", "line 4: no object"),
        (BEGINNING + b'{"sent":0,"to":"jetty","at":30}\n', "line 4: probe 0 was sent before"),
        (BEGINNING + b'{"sent":1,"to":"jetty","at":19}\n', "line 4: at: 19 is before the probe before it"),
        (BEGINNING + b'{"sent":1,"at":0.25}\n', "line 4: at: 0.25 is not allowed; allowed: a whole number"),
        (BEGINNING + b'{"sent":1,"to":"ferry","at":30}\n', "line 4: to: there is no host 'ferry' above"),
        (BEGINNING + b'{"answer":1,"from":"jetty","heard":1,"left":1,"came":90}\n', "line 4: probe 1 was never sent"),
        (
            BEGINNING + b'{"answer":0,"from":"jetty","heard":3,"left":2,"came":90}\n',
            "line 4: left: 2 is before heard",
        ),
        (BEGINNING + b'{"answer":0,"from":"jetty","heard":1,"left":2,"came":19}\n', "line 4: came: 19 is before"),
        (BEGINNING + b'{"told":"jetty","group":[[0,5]]}\n', "line 4: group: probe 0 was never sent"),
        (BEGINNING + b'{"told":"jetty","group":[5]}\n', "line 4: group: "),
        (BEGINNING + to_line(JETTY), "line 4: host: 'jetty' is there already"),
        (written([*RECORDS, Paused(300)]), "line 15: a record behind the end"),
        (b'{"leadlight_recording":' + b"[" * 100_000 + b"\n", "line 1: not a recording"),
    ],
)
def test_what_is_no_recording_is_refused_with_the_line_and_what_is_wrong(content: bytes, told: str) -> None:
    with pytest.raises(FileError, match=told.replace("(", r"\(")) as refusal:
        parse_recording(content, "site.recording")
    message = str(refusal.value)
    assert message.startswith("recording site.recording: ")
    assert "\n" not in message


def test_a_file_is_known_by_its_beginning(tmp_path: Path) -> None:
    ours, other = tmp_path / "site.recording", tmp_path / "delays.csv"
    ours.write_bytes(written(RECORDS))
    other.write_text("at_s,round_trip_ms\n0,1\n")
    assert is_recording(ours)
    for headless in (written(RECORDS[1:]), written(RECORDS)[9:]):
        ours.write_bytes(headless)
        assert is_recording(ours)
    ours.write_bytes(written(RECORDS))
    assert not is_recording(other)
    assert read_recording(ours) == parse_recording(written(RECORDS))
    for broken in (tmp_path, tmp_path / "none"):
        with pytest.raises(FileError, match=r"recording .*: "):
            read_recording(broken)
