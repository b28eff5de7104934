"""Wrong options of `record` are told in one line, before anything is sent or written; and what a recording weighs."""

from __future__ import annotations

from pathlib import Path

import pytest

from leadlight.commands import cli
from leadlight.recording import Plan, airtime_shares
from leadlight.units import MILLISECOND, MINUTE
from leadlight_sim.air import Band, Radio

PLACE = ["--group", "lake", "--interface", "127.0.0.1"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([*PLACE], "one of the arguments --output --answer is required"),
        ([*PLACE, "--output", "FILE", "--answer"], "not allowed with argument"),
        (["--output", "FILE"], "--group"),
        ([*PLACE, "--output", "FILE", "--for", "soon"], "--for: 'soon' is not allowed"),
        ([*PLACE, "--output", "FILE", "--for", "0"], "--for: '0' is not allowed"),
        ([*PLACE, "--output", "FILE", "--for", "25h"], "--for: '25h' is not allowed"),
        ([*PLACE, "--output", "FILE", "--for", "nan"], "--for: 'nan' is not allowed"),
        ([*PLACE, "--output", "FILE", "--every", "1ms"], "--every: '1ms' is not allowed; allowed: 50 ms to 10 s"),
        ([*PLACE, "--output", "FILE", "--every", "11s"], "--every: '11s' is not allowed; allowed: 50 ms to 10 s"),
        ([*PLACE, "--output", "FILE", "--hosts", "0"], "--hosts: 0 is not allowed; allowed: 1 to 24"),
        ([*PLACE, "--output", "FILE", "--hosts", "25"], "--hosts: 25 is not allowed; allowed: 1 to 24"),
        ([*PLACE, "--output", "FILE", "--hosts", "few"], "--hosts"),
        ([*PLACE, "--output", "FILE", "--name", "a" * 25], "--name: "),
        ([*PLACE, "--output", "FILE", "--name", ""], "--name: '' is not allowed"),
        ([*PLACE, "--output", "FILE", "--name", "a\nb"], r"--name: 'a\nb' is not allowed"),
        ([*PLACE, "--output", "FILE", "--port", "0"], "--port: 0 is not allowed"),
        ([*PLACE, "--output", "FILE", "--port", "70000"], "--port: 70000 is not allowed"),
        ([*PLACE, "--output", "FILE", "--host", "no host"], "--host: 'no host' is not allowed"),
        ([*PLACE, "--output", "FILE", "--key-file", "no-such-file"], "no-such-file"),
        ([*PLACE, "--output", "FOLDER/none/file"], "recording FOLDER/none/file: No such file or directory"),
        ([*PLACE, "--output", "FOLDER"], "recording FOLDER: it is there already"),
        ([*PLACE, "--answer", "--every", "1s"], "--every does not go with --answer"),
        ([*PLACE, "--answer", "--hosts", "2"], "--hosts does not go with --answer"),
        ([*PLACE, "--answer", "--host", "127.0.0.1"], "--host does not go with --answer"),
        ([*PLACE, "--answer", "--for", "-1"], "--for: '-1' is not allowed"),
        (["--group", "", "--interface", "127.0.0.1", "--answer"], "group: '' is not allowed"),
        (["--group", "lake", "--interface", "no-such-one", "--answer"], "no interface 'no-such-one'"),
    ],
)
def test_wrong_options_are_told_in_one_line(
    words: list[str], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    placed = [word.replace("FILE", str(tmp_path / "made")).replace("FOLDER", str(tmp_path)) for word in words]
    assert cli.main(["record", *placed]) == 2
    said = capsys.readouterr()
    expected = told.replace("FILE", str(tmp_path / "made")).replace("FOLDER", str(tmp_path))
    assert expected in said.err
    assert said.err.count("\n") == 1
    assert said.out == ""
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("hosts", [1, 3, 12, 24])
def test_the_airtime_that_is_told_is_that_of_the_simulators_radio(hosts: int) -> None:
    plan = Plan(MINUTE, group_interval_ns=250 * MILLISECOND)
    for told, band in zip(airtime_shares(plan, hosts), (Band.GHZ_2_4, Band.GHZ_5), strict=True):
        radio = Radio(band)
        each = radio.unicast_ns(plan.probe_bytes)
        group_ns = (each + radio.group_ns(plan.probe_bytes)) / plan.group_interval_ns
        expected = group_ns + 4 * hosts * each / plan.host_interval_for(hosts)
        assert told.share == pytest.approx(expected, rel=0.05)


def test_all_hosts_together_are_asked_no_more_than_half_of_the_soundings_that_a_group_may_send() -> None:
    from leadlight.leader import LeaderSettings

    plan = Plan(MINUTE)
    for hosts in range(1, 25):
        per_second = hosts * 1e9 / plan.host_interval_for(hosts)
        assert per_second <= LeaderSettings("boathouse").sounding_budget / 2 + 1e-6
