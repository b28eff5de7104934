from __future__ import annotations

import io
import json
import struct
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from leadlight.commands import cli
from leadlight.commands.decode import bytes_of
from leadlight.entropy import identity
from leadlight.errors import ConfigurationError
from leadlight.terms import ClockState, CueState
from leadlight.units import MILLISECOND, SECOND, LeaderInstant
from leadlight.wire.codec import Codec
from leadlight.wire.messages import Beacon, Echo, Sounding, Tally
from leadlight.wire.tags import KeyRing

Capture = pytest.CaptureFixture[str]
Maker = Callable[..., Any]

GROUP = "quarry lake"
KEY = bytes(range(32))
PLAIN = Codec(GROUP)
KEYED = Codec(GROUP, KeyRing({3: KEY}))
PORT = 62_409
LEADER, JETTY, EVERYONE = ("10.0.0.1", 41_000), ("10.0.0.2", 42_000), ("239.194.236.148", PORT)
Place = tuple[str, int]


@pytest.fixture
def key_file(tmp_path: Path) -> str:
    path = tmp_path / "key"
    path.write_text(f"3 {KEY.hex()}\n")
    path.chmod(0o600)
    return str(path)


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> Callable[[bytes], None]:
    def type_in(text: bytes) -> None:
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(text), encoding="utf-8"))

    return type_in


def packet(source: Place, destination: Place, contents: bytes) -> bytes:
    """An IPv4 packet with one datagram in it."""
    udp = struct.pack(">HHHH", source[1], destination[1], 8 + len(contents), 0) + contents
    head = struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(udp), 0, 0, 1, 17, 0)
    return head + b"".join(bytes(map(int, host.split("."))) for host, _ in (source, destination)) + udp


def capture_of(*sent: tuple[int, Place, Place, bytes], snap_length: int = 9999) -> bytes:
    """A capture file of datagrams, each with its instant in ms."""
    file = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, snap_length, 101)
    for at_ms, source, destination, contents in sent:
        whole = packet(source, destination, contents)
        kept = whole[:snap_length]
        file += struct.pack("<IIII", at_ms // 1000, at_ms % 1000 * 1000, len(kept), len(whole)) + kept
    return file


@pytest.fixture
def story(make_beacon: Maker, make_tally: Maker, make_sounding: Maker, make_echo: Maker) -> bytes:
    """Six seconds of a small group: beacons of which one is missing, a follower that asks and tells, and strangers."""

    def beacon(at_ms: int, serial: int, **changes: Any) -> tuple[int, Place, Place, bytes]:
        made: Beacon = make_beacon(serial=serial, **changes)
        return at_ms, LEADER, JETTY if made.is_copy else EVERYONE, PLAIN.encode(made)

    jetty = identity("jetty")
    sounding: Sounding = make_sounding(follower=jetty, nonce=0xC0FFEE11, tenure=0)
    echo: Echo = make_echo(
        nonce=0xC0FFEE11, received_at=LeaderInstant(5 * SECOND), sent_at=LeaderInstant(5 * SECOND + 187_000)
    )
    tally: Tally = make_tally(
        follower=jetty, name="jetty", clock=ClockState.LOCKED, bound_ns=1_850_000, beacon_loss_permille=31
    )
    return capture_of(
        beacon(7_000, 0xFFFF_FFFF),
        beacon(7_500, 0, marker=jetty),
        (7_600, JETTY, LEADER, PLAIN.encode(sounding)),
        (7_601, LEADER, JETTY, PLAIN.encode(echo)),
        (8_000, JETTY, EVERYONE, PLAIN.encode(tally)),
        beacon(9_000, 3, off_at=LeaderInstant(161 * SECOND)),
        beacon(9_001, 2, is_copy=True),
        (10_000, JETTY, EVERYONE, PLAIN.encode(tally._replace(serial=tally.serial + 1))),
        (12_000, JETTY, LEADER, PLAIN.encode(tally._replace(instance=77, clock=ClockState.HOLDOVER))),
        (12_500, ("10.0.0.9", 1), ("10.0.0.8", PORT), b"hello there"),
        (12_600, ("10.0.0.9", 53), ("10.0.0.8", 53), b"something else"),
        (12_700, LEADER, EVERYONE, PLAIN.encode(make_beacon(serial=4))[:-1]),
    )


# -- datagrams ---------------------------------------------------------------------------------------------------------


def test_a_datagram_is_told_byte_by_byte(make_echo: Maker, capsys: Capture) -> None:
    echo = make_echo(leader=0x1DE8D1C3, sent_at=LeaderInstant(101 * SECOND + 42))
    assert cli.main(["decode", PLAIN.encode(echo).hex()]) == 0
    first, header, *rows = capsys.readouterr().out.splitlines()
    assert first == f"Echo, {len(PLAIN.encode(echo))} bytes, tag: none"
    assert header.split() == ["bytes", "hex", "field", "value", "meaning"]
    assert rows[0].split() == ["0–1", "c49b", "magic", "this", "protocol's"]
    told = {line.split()[2]: line.split()[3:] for line in rows[5:]}
    assert told["leader"] == ["501797315", "1de8d1c3:", "identity", "of", "the", "leader"]
    assert told["sent_at"][:3] == ["101000000042", "101.000000042", "s:"]
    assert list(told) == ["leader", "tenure", "timebase", "nonce", "received_at", "sent_at", "cookie"]


def test_bytes_may_stand_apart(make_echo: Maker, capsys: Capture) -> None:
    data = PLAIN.encode(make_echo())
    for words in ([data.hex(" ")], data.hex(" ").split(), [data.hex(" ", 2)], [data.hex().upper()]):
        assert cli.main(["decode", *words]) == 0
        assert capsys.readouterr().out.startswith("Echo")


def test_several_datagrams_are_told_one_after_the_other(
    make_echo: Maker, make_tally: Maker, capsys: Capture
) -> None:
    words = [PLAIN.encode(make_echo()).hex(), PLAIN.encode(make_tally()).hex()]
    assert cli.main(["decode", *words]) == 0
    assert [part.split(",")[0] for part in capsys.readouterr().out.split("\n\n")] == ["Echo", "Tally"]
    assert cli.main(["decode", *words, "--kind", "tally"]) == 0
    assert capsys.readouterr().out.startswith("Tally")


def test_datagrams_come_a_line_each_from_the_standard_input(
    make_echo: Maker, make_tally: Maker, typed: Callable[[bytes], None], capsys: Capture
) -> None:
    typed(f"{PLAIN.encode(make_echo()).hex()}\n\n{PLAIN.encode(make_tally()).hex(' ')}\n".encode())
    assert cli.main(["decode", "-"]) == 0
    assert [part.split(",")[0] for part in capsys.readouterr().out.split("\n\n")] == ["Echo", "Tally"]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (b"0000: c4 9b", "standard input line 2: ':' is not allowed"),
        (b"0000 c4 9b", "standard input line 2: '0000' is not allowed"),
        (b"c49", "standard input line 2: 'c49' is not allowed"),
        (b"c4 9b 1", "standard input line 2: '1' is not allowed"),
        (b"0xc49b", "standard input line 2: 'x' is not allowed"),
        (b"\xff\xfe", "standard input line 2: '\ufffd' is not allowed"),
    ],
)
def test_a_line_that_is_no_datagram_is_named_and_those_before_it_are_told(
    line: bytes, said: str, typed: Callable[[bytes], None], make_echo: Maker, capsys: Capture
) -> None:
    typed(PLAIN.encode(make_echo()).hex().encode() + b"\n" + line + b"\n")
    assert cli.main(["decode", "-"]) == 2
    out, err = capsys.readouterr()
    assert out.startswith("Echo")
    assert err.startswith(f"leadlight: {said}; allowed: pairs of hexadecimal digits")
    assert err.count("\n") == 1


def test_an_offset_is_told_as_one() -> None:
    with pytest.raises(ConfigurationError, match="looks like an offset"):
        bytes_of("00000010 c4 9b 11", "line 1")
    assert bytes_of(" c49b 1100 9b\n", "line 1") == bytes.fromhex("c49b11009b")


def test_of_what_is_not_this_protocols_nothing_is_told_that_is_not_known(capsys: Capture) -> None:
    assert cli.main(["decode", b"hello there".hex()]) == 1
    assert capsys.readouterr().out.splitlines()[0] == "A datagram, 11 bytes, refused: other protocol: 6865"


def test_a_refused_datagram_is_told_with_the_decoders_reason_and_shown(make_beacon: Maker, capsys: Capture) -> None:
    data = bytearray(PLAIN.encode(make_beacon()))
    at = data.index(make_beacon().rank, 10)
    data[at] = 0xC0
    assert cli.main(["decode", data.hex()]) == 1
    out = capsys.readouterr().out
    assert out.startswith("Beacon, ")
    assert "refused: out of range: rank is None, allowed 0 to 127\n" in out
    assert "! allowed 0 to 127 (its rank; 0 leads before 1)" in out
    assert "interval_ms" in out


# -- keys and groups ---------------------------------------------------------------------------------------------------


def test_a_tag_is_checked_with_the_groups_key_and_says_so(make_tally: Maker, key_file: str, capsys: Capture) -> None:
    data = KEYED.encode(make_tally())
    assert cli.main(["decode", data.hex()]) == 0
    assert "tag: not checked\n" in capsys.readouterr().out
    for words in (["--key-file", key_file], ["--key-file", key_file, "--group", GROUP]):
        assert cli.main(["decode", data.hex(), *words]) == 0
        out = capsys.readouterr().out
        assert "tag: right\n" in out
        assert out.rstrip().endswith("right, under the key in slot 3")
    spoiled = data[:-1] + bytes([data[-1] ^ 1])
    assert cli.main(["decode", spoiled.hex(), "--key-file", key_file]) == 1
    out = capsys.readouterr().out
    assert "tag: wrong, refused: bad tag\n" in out
    assert "! wrong under the key in slot 3" in out
    assert "loss" in out or "beacon_loss_permille" in out


def test_where_there_is_a_key_what_has_no_tag_is_refused(make_tally: Maker, key_file: str, capsys: Capture) -> None:
    assert cli.main(["decode", PLAIN.encode(make_tally()).hex(), "--key-file", key_file]) == 1
    out = capsys.readouterr().out
    assert "tag: none, refused: no key: no key here for slot 0\n" in out
    assert "! without a tag, and there is a key (no tag)" in out


def test_another_group_is_refused_where_one_is_named(make_tally: Maker, capsys: Capture) -> None:
    data = PLAIN.encode(make_tally()).hex()
    assert cli.main(["decode", data, "--group", GROUP]) == 0
    assert "hash of the group's name: 'quarry lake'" in capsys.readouterr().out
    assert cli.main(["decode", data, "--group", "garden"]) == 1
    assert "refused: other group: 9bf6855e\n" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--group", ""], "--group: '' is not allowed; allowed: a name"),
        (["--port", "0"], "--port: 0 is not allowed; allowed: 1 to 65535"),
        (["--key-file", "no-such-key"], "key file no-such-key: No such file or directory"),
        (["--json", "no-such-folder/out"], "--json no-such-folder/out: No such file or directory"),
        (["--json", "."], "--json .: Is a directory"),
    ],
)
def test_options_that_cannot_be_used_are_named(words: list[str], said: str, capsys: Capture) -> None:
    assert cli.main(["decode", "00", *words]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err == f"leadlight: {said}\n"


# -- captures ----------------------------------------------------------------------------------------------------------


def words_of(line: str) -> str:
    return " ".join(line.split())


def written(tmp_path: Path, file: bytes) -> str:
    path = tmp_path / "evening.pcap"
    path.write_bytes(file)
    return str(path)


def test_a_capture_is_told_a_line_a_datagram(story: bytes, tmp_path: Path, capsys: Capture) -> None:
    assert cli.main(["decode", written(tmp_path, story)]) == 1
    lines = capsys.readouterr().out.split("\n\n")[0].splitlines()
    assert len(lines) == 11
    assert lines[0].split(maxsplit=4)[:4] == ["0.000000", "10.0.0.1:41000", "239.194.236.148:62409", "beacon"]
    assert "0000000b tenure 00000007 serial 4294967295, rolling " in lines[0]
    assert lines[0].endswith(" at 1.000 s")
    assert lines[1].endswith(f", marker {identity('jetty'):08x}")  # nobody has said yet what it is called
    assert lines[2].split(maxsplit=4)[1:] == [
        "10.0.0.2:42000",
        "10.0.0.1:41000",
        "sounding",
        f"{identity('jetty'):08x} nonce c0ffee11, no leader yet",
    ]
    assert lines[3].endswith("nonce c0ffee11, answered in 187 µs")
    assert "jetty: locked ±1.85 ms, loss 3.1 %, " in lines[4]
    assert ", off in 60 s" in lines[5]
    assert "beacon copy" in lines[6]
    assert "jetty: holdover" in lines[8]
    assert lines[9].endswith("–            refused: other protocol: 6865")
    assert lines[10].split(maxsplit=4)[3:] == ["beacon", "refused: malformed: Unpack failed: incomplete input"]


def test_a_capture_is_summed_up(story: bytes, tmp_path: Path, capsys: Capture) -> None:
    cli.main(["decode", written(tmp_path, story)])
    _, counts, leaders, followers, passed = capsys.readouterr().out.split("\n\n")
    assert counts.splitlines() == [
        "11 datagrams of this protocol in 5.700 s",
        "taken: 3 beacon, 1 beacon copy, 1 sounding, 1 echo, 3 tally",
        "refused: 1 other protocol, 1 malformed",
    ]
    header, row = leaders.splitlines()
    assert words_of(header) == "leader tenure timebase rank from serials beacons copies serials not heard group"
    # Serials pass the end of their circle: of 2^32 - 1, 0, 1, 2 and 3 one was heard by no beacon and no copy.
    assert words_of(row) == "0000000b 00000007 00000009 0 10.0.0.1:41000 4294967295 to 3 3 1 1 of 5 9bf6855e"
    header, row = followers.splitlines()
    assert words_of(header) == "follower name tallies every soundings every instances last clock state group"
    assert words_of(row) == f"{identity('jetty'):08x} jetty 3 2 s 1 – 2 holdover 9bf6855e"
    assert passed == "packets passed over: 1 of other ports\n"


def test_kinds_are_picked_and_the_summary_counts_all(story: bytes, tmp_path: Path, capsys: Capture) -> None:
    cli.main(["decode", written(tmp_path, story), "--kind", "echo", "--kind", "beacon-copy"])
    listed, counts, *_ = capsys.readouterr().out.split("\n\n")
    assert [line.split()[3] for line in listed.splitlines()] == ["echo", "beacon"]
    assert counts.startswith("11 datagrams")


def test_every_datagram_of_a_capture_is_told_in_full_on_request(
    story: bytes, tmp_path: Path, capsys: Capture
) -> None:
    cli.main(["decode", written(tmp_path, story), "--full", "--kind", "tally"])
    parts = capsys.readouterr().out.split("\n\n")
    tables = [part for part in parts if "beacon_loss_permille" in part]
    assert len(tables) == 3
    assert tables[0].splitlines()[1].startswith("Tally, ")


def test_a_port_picks_what_else_is_looked_at(story: bytes, tmp_path: Path, capsys: Capture) -> None:
    cli.main(["decode", written(tmp_path, story), "--port", "53"])
    out = capsys.readouterr().out
    assert "11 datagrams of this protocol" in out  # known by their first bytes, but for the one that is not ours
    assert "refused: other protocol: 736f" in out
    assert "hello" not in out


def test_a_capture_that_ends_early_loses_nothing_of_what_came_before(
    story: bytes, tmp_path: Path, capsys: Capture
) -> None:
    path = written(tmp_path, story[:-5])
    assert cli.main(["decode", path]) == 1
    out = capsys.readouterr().out
    assert "10 datagrams of this protocol" in out
    said = f"{path}: the file ends inside a packet, at byte {len(story) - 5}; read up to there: 11 packets"
    assert out.splitlines()[-1] == said


def test_packets_cut_by_a_snap_length_are_told_and_shown(make_tally: Maker, tmp_path: Path, capsys: Capture) -> None:
    data = PLAIN.encode(make_tally())
    file = capture_of((1, JETTY, EVERYONE, data), (2, JETTY, EVERYONE, b"c49b"), snap_length=48)
    told = tmp_path / "told.jsonl"
    assert cli.main(["decode", written(tmp_path, file), "--full", "--json", str(told)]) == 1
    assert json.loads(told.read_text().splitlines()[0])["tag"] == "none"
    out = capsys.readouterr().out
    assert f"tally        cut short by the capture: 20 of {len(data)} bytes" in out
    assert "! cut short by the capture (" in out
    assert "\ncut short by the capture: 1\n" in out
    assert "bad tag" not in out


def test_what_is_not_read_is_counted_by_cause(tmp_path: Path, capsys: Capture) -> None:
    file = bytearray(capture_of((1, JETTY, EVERYONE, b"x" * 30)))
    file[20] = 147
    assert cli.main(["decode", written(tmp_path, bytes(file))]) == 0
    assert capsys.readouterr().out == (
        "0 datagrams of this protocol\n\npackets passed over: 1 of link type 147, which is not read here\n"
    )
    file[20] = 101
    file[24 + 16 + 6] = 0x20
    assert cli.main(["decode", written(tmp_path, bytes(file))]) == 0
    assert "packets passed over: 1 in fragments, which are not put together here" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("no-such", "capture no-such: there is no such file, and it is no datagram in hexadecimal digits"),
        (".", "capture .: Is a directory"),
    ],
)
def test_a_file_that_is_not_there_is_named(name: str, said: str, capsys: Capture) -> None:
    assert cli.main(["decode", name]) == 2
    assert capsys.readouterr().err == f"leadlight: {said}\n"


def test_a_file_that_is_no_capture_is_named(tmp_path: Path, capsys: Capture) -> None:
    path = written(tmp_path, b"PNG or so")
    assert cli.main(["decode", path]) == 2
    said = f"{path} is no capture file: neither pcap nor pcapng begins with 50 4e 47 20"
    assert capsys.readouterr().err == f"leadlight: {said}\n"


def test_what_passes_two_interfaces_is_told_twice_and_counted_once(
    make_beacon: Maker, make_tally: Maker, tmp_path: Path, capsys: Capture
) -> None:
    beacon, tally = PLAIN.encode(make_beacon()), PLAIN.encode(make_tally())
    file = capture_of(
        (1, LEADER, EVERYONE, beacon),
        (1, LEADER, EVERYONE, beacon),
        (3, JETTY, EVERYONE, tally),
        (4, JETTY, LEADER, tally),  # to another address: not the same
        (5, JETTY, EVERYONE, tally),
    )
    out = tmp_path / "told.jsonl"
    assert cli.main(["decode", written(tmp_path, file), "--json", str(out)]) == 0
    told = capsys.readouterr().out
    assert [line.endswith(" (seen before)") for line in told.splitlines()[:5]] == [False, True, False, False, True]
    assert "taken: 1 beacon, 2 tally\nseen before, and counted once: 2\n" in told
    assert [json.loads(line)["seen_before"] for line in out.read_text().splitlines()] == [
        False, True, False, False, True,
    ]  # fmt: skip


# -- JSON --------------------------------------------------------------------------------------------------------------

KEYS = "at_ns from to bytes cut_short seen_before kind key_slot group tag refused detail fields datagram"


def test_json_holds_an_object_a_line_with_the_same_keys(story: bytes, tmp_path: Path, capsys: Capture) -> None:
    out = tmp_path / "evening.jsonl"
    cli.main(["decode", written(tmp_path, story), "--json", str(out)])
    told = [json.loads(line) for line in out.read_text().splitlines()]
    assert len(told) == 11
    assert all(" ".join(one) == KEYS for one in told)
    first, last = told[0], told[-1]
    assert first["at_ns"] == "7000000000"
    assert (first["from"], first["to"]) == ("10.0.0.1:41000", "239.194.236.148:62409")
    assert (first["kind"], first["group"], first["key_slot"], first["tag"]) == ("beacon", "9bf6855e", 0, "none")
    assert first["refused"] is None
    assert first["fields"]["serial"] == 0xFFFF_FFFF
    assert first["fields"]["cue"]["line leader_at"] == str(100 * SECOND)
    assert first["fields"]["interval_ms"] * MILLISECOND == 500 * MILLISECOND
    assert (last["refused"], last["kind"]) == ("malformed", "beacon")
    assert last["fields"]["serial"] == 4
    assert PLAIN.decode(bytes.fromhex(first["datagram"])) is not None
    # Of what is not this protocol's nothing is made up.
    assert [told[9][key] for key in ("kind", "group", "key_slot", "tag")] == [None] * 4
    assert list(tmp_path.glob(".*")) == []


def test_json_of_picked_kinds_alone(story: bytes, tmp_path: Path) -> None:
    out = tmp_path / "evening.jsonl"
    cli.main(["decode", written(tmp_path, story), "--json", str(out), "--kind", "tally"])
    told = [json.loads(line) for line in out.read_text().splitlines()]
    assert [one["fields"]["name"] for one in told] == ["jetty"] * 3
    assert [ClockState(one["fields"]["clock"]).name for one in told] == ["LOCKED", "LOCKED", "HOLDOVER"]
    assert {CueState(one["fields"]["cue_state"]) for one in told} == {CueState.ROLLING}


def test_where_something_goes_wrong_no_json_is_left_and_the_old_one_stays(
    tmp_path: Path, make_echo: Maker, capsys: Capture
) -> None:
    out = tmp_path / "told.jsonl"
    out.write_text("before\n")
    assert cli.main(["decode", PLAIN.encode(make_echo()).hex(), "no-such-file", "--json", str(out)]) == 2
    assert out.read_text() == "before\n"
    assert [path.name for path in tmp_path.iterdir()] == ["told.jsonl"]
