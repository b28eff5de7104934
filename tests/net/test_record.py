"""The command `record` on real sockets: what it writes, how it ends, and that nothing of it is half a record."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from leadlight.commands import cli
from leadlight.recording import Recording, read_recording
from leadlight.storage import make_key
from leadlight.units import MILLISECOND, SECOND

pytestmark = pytest.mark.slow

PATIENCE_SECONDS = 30.0


class Site:
    """A group on loopback, with hosts that answer."""

    def __init__(self, group: str, port: int, folder: Path) -> None:
        self._place = ["--group", group, "--port", str(port), "--interface", "127.0.0.1"]
        self.file = folder / "site.recording"

    def begin(self, *words: str, limits: Callable[[], None] | None = None) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-m", "leadlight", "record", *self._place, *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            preexec_fn=limits,
        )

    @contextmanager
    def answering(self, *names: str, options: tuple[str, ...] = ()) -> Iterator[list[subprocess.Popen[str]]]:
        running = [self.begin("--answer", "--name", name, *options) for name in names]
        try:
            yield running
        finally:
            for process in running:
                process.kill()
                process.communicate()

    def record(self, *words: str, limits: Callable[[], None] | None = None) -> subprocess.Popen[str]:
        return self.begin("--output", str(self.file), *words, limits=limits)

    def wait_until_it_records(self, probes: int = 4) -> None:
        until = time.monotonic() + PATIENCE_SECONDS
        while time.monotonic() < until:
            if self.file.exists() and self.file.read_bytes().count(b'{"sent"') >= probes:
                return
            time.sleep(0.05)
        pytest.fail("it does not record")


@pytest.fixture
def site(group: str, port: int, tmp_path: Path) -> Site:
    return Site(group, port, tmp_path)


def is_whole_but_for_its_end(file: Path) -> Recording:
    """What was written is whole records; the last of them may be any."""
    assert file.read_bytes().endswith(b"\n")
    return read_recording(file)


def test_a_recording_on_loopback_loses_nothing_and_tells_what_it_found(site: Site, tmp_path: Path) -> None:
    key = tmp_path / "group.key"
    make_key(key)
    keyed = ("--key-file", str(key))
    with site.answering("jetty", "willow", options=keyed) as hosts:
        recorder = site.record("--for", "1s", "--every", "50ms", "--hosts", "2", "--name", "boathouse", *keyed)
        said, errors = recorder.communicate(timeout=PATIENCE_SECONDS)
        assert (recorder.returncode, errors) == (0, "")
        for process in hosts:
            process.terminate()
            assert process.wait(PATIENCE_SECONDS) == 0
    found = read_recording(site.file)
    assert (found.ended, found.prober.label) == ("time", "boathouse")
    assert {host.label for host in found.hosts} == {"jetty", "willow"}
    assert len(found.group) >= 10
    for host in found.hosts:
        assert all(host.label in probe.heard for probe in found.group_known_to(host.label))
        known = found.probes_known_to(host.label)
        assert len(known) == len(found.probes[host.label]) >= 10
        for probe in known:
            assert probe.came_at is not None
            assert probe.heard_at is not None
            assert probe.answered_at is not None
            both_ways_ns = probe.came_at - probe.sent_at - (probe.answered_at - probe.heard_at)
            assert -MILLISECOND < both_ways_ns < SECOND
    text = site.file.read_text()
    assert "127.0.0.1" not in text
    assert site._place[1] not in text
    assert "of the air's time" in said
    assert f"written: {site.file}; next, `leadlight fit {site.file}`" in said


@pytest.mark.thorough_except(number=signal.SIGINT)
@pytest.mark.parametrize(
    ("number", "code", "by"), [(signal.SIGINT, 130, "interrupted"), (signal.SIGTERM, 0, "told to end")]
)
def test_who_is_told_to_end_writes_what_is_known(site: Site, number: int, code: int, by: str) -> None:
    with site.answering("jetty"):
        recorder = site.record("--hosts", "1", "--every", "100ms")
        site.wait_until_it_records(12)
        recorder.send_signal(number)
        said, errors = recorder.communicate(timeout=PATIENCE_SECONDS)
    assert (recorder.returncode, errors) == (code, "")
    found = is_whole_but_for_its_end(site.file)
    assert found.ended == by
    assert all(probe.came_at is not None for probe in found.probes["jetty"])
    assert "jetty: " in said


@pytest.mark.thorough
def test_what_was_written_before_a_kill_is_whole(site: Site) -> None:
    with site.answering("jetty"):
        recorder = site.record("--hosts", "1", "--every", "100ms")
        site.wait_until_it_records(12)
        recorder.kill()
        recorder.communicate()
    found = is_whole_but_for_its_end(site.file)
    assert found.ended is None
    assert len(found.group) >= 5


def test_a_full_disk_ends_it_in_one_line_and_leaves_whole_records(site: Site) -> None:
    def little_room() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (1500, 1500))

    with site.answering("jetty"):
        recorder = site.record("--hosts", "1", "--every", "100ms", limits=little_room)
        _, errors = recorder.communicate(timeout=PATIENCE_SECONDS)
    assert recorder.returncode == 2
    assert errors.startswith(f"leadlight: recording {site.file}: File too large; ")
    assert errors.count("\n") == 1
    found = is_whole_but_for_its_end(site.file)
    assert found.hosts
    assert len(found.group) >= 3
    assert 1000 < site.file.stat().st_size <= 1500


def test_where_nobody_answers_no_file_is_left_and_it_is_said_what_to_do(
    site: Site, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("leadlight.recording.prober.CALLING_LASTS_NS", SECOND)
    assert cli.main(["record", *site._place, "--output", str(site.file)]) == 2
    assert capsys.readouterr().err.startswith("leadlight: no host answered: run `leadlight record --answer`")
    assert not site.file.exists()


def test_no_recording_is_written_over(tmp_path: Path, site: Site) -> None:
    site.file.write_bytes(b"precious")
    recorder = site.record("--for", "1s")
    _, errors = recorder.communicate(timeout=PATIENCE_SECONDS)
    assert recorder.returncode == 2
    assert errors == f"leadlight: recording {site.file}: it is there already, and no recording is written over\n"
    assert site.file.read_bytes() == b"precious"
    assert os.listdir(tmp_path) == ["site.recording"]  # noqa: PTH208
