"""Recorded delays made into an air: read, fitted, written into a scenario, and drawn again."""

from __future__ import annotations

import argparse
import json
import math
import os
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from leadlight.errors import ConfigurationError
from leadlight.units import MICROSECOND, MILLISECOND, SECOND
from leadlight_sim.air.choice.fitted import FittedLevel, fitted_tables
from leadlight_sim.air.choice.making import air_settings
from leadlight_sim.air.distributions import Fixed
from leadlight_sim.air.dropouts import NO_DROPOUT
from leadlight_sim.air.sampled.air import SampledAir
from leadlight_sim.air.sampled.settings import SampledSettings
from leadlight_sim.air.timing import WeightlessRadio
from leadlight_sim.commands.fit import FitCommand
from leadlight_sim.fitting import Fit, to_toml
from leadlight_sim.fitting.air import fit as fit_observed
from leadlight_sim.fitting.losses import loss_runs
from leadlight_sim.kernel import Stream, Streams
from leadlight_sim.kernel.kernel import Kernel, TrueInstant
from leadlight_sim.recording.recordings import RecordingError, Sample, observed_of, read_delays
from leadlight_sim.scenario.model import Scenario, check_scenario
from leadlight_sim.world.assembly import World


def recorded(delays_ms: Sequence[float | None], every_ms: float = 1.0) -> list[Sample]:
    """Return round trips with these delays each way."""
    return [
        Sample(round(number * every_ms * MILLISECOND), way, way)
        for number, delay in enumerate(delays_ms)
        for way in [None if delay is None else round(delay * MILLISECOND)]
    ]


def fit(samples: Sequence[Sample]) -> Fit:
    return fit_observed(observed_of(samples, "x"))


def read_recording(path: Path) -> list[Sample]:
    return read_delays(path).rows


def written(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


# Reading.


def test_a_table_of_delays_is_read_as_it_is(tmp_path: Path) -> None:
    text = "at_s, up_ms, down_ms, group_ms, note\n0.5, 1.25, 2, , x\n1.5, , , 3.000001, y\n2.5,,,,z\n"
    expected = [
        Sample(SECOND // 2, 1_250_000, 2_000_000),
        Sample(3 * SECOND // 2, group_ns=3_000_001),
        Sample(5 * SECOND // 2),
    ]
    assert read_recording(written(tmp_path / "delays.csv", text)) == expected
    rows = [
        {"at_s": 0.5, "up_ms": 1.25, "down_ms": 2},
        {"at_s": 1.5, "up_ms": None, "group_ms": 3.000001},
        {"at_s": 2.5},
    ]
    assert read_recording(written(tmp_path / "delays.json", json.dumps(rows))) == expected


def test_half_of_a_round_trip_is_each_way(tmp_path: Path) -> None:
    assert read_recording(written(tmp_path / "trips.csv", "at_s,round_trip_ms\n0,7\n1,\n")) == [
        Sample(0, 3_500_000, 3_500_000),
        Sample(SECOND),
    ]


def test_two_clocks_that_disagree_and_drift_are_seen_through(tmp_path: Path) -> None:
    # The other end's clock is minutes ahead and gains 40 ppm. Every tenth packet goes unhindered, 1.5 ms each way.
    rows, truth = ["sent_ns,heard_ns,answered_ns,received_ns"], []
    for number in range(1_000):
        sent, hindered = 59_328_816_101_532 + number * MILLISECOND, bool(number % 10)
        up, down = 1_500_000 + hindered * 700_000, 1_500_000 + hindered * (number % 7) * 100_000
        ahead = 300 * SECOND + number * MILLISECOND * 40 // 1_000_000
        heard = sent + up + ahead
        rows.append(f"{sent},{heard},{heard + 5_000},{sent + up + 5_000 + down}")
        truth.append((up, down))
    rows.append(f"{59_328_817_101_532},,,")
    found = read_recording(written(tmp_path / "exchanges.csv", "\n".join(rows)))
    assert found[-1] == Sample(59_328_817_101_532)
    for sample, (up, down) in zip(found[:-1], truth, strict=True):
        assert sample.up_ns is not None
        assert sample.down_ns is not None
        # Where the drift is between two unhindered packets is known to the nanosecond, but for its whole steps.
        assert abs(sample.up_ns - up) <= 400
        assert abs(sample.down_ns - down) <= 400
        assert abs(sample.up_ns + sample.down_ns - up - down) <= 1


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "no rows"),
        ("at_s,up_ms\n", "no rows"),
        ("time,delay\n1,2\n", "columns time, delay; needed: at_s with any of up_ms"),
        ("at_s,up_ms\n1,quick\n", "up_ms: 'quick' is not allowed; allowed: a number from 0 to 60000, or nothing"),
        ("at_s,up_ms\n1,-1\n", "line 2: up_ms: '-1' is not allowed"),
        ("at_s,up_ms\n1,nan\n", "line 2: up_ms: 'nan' is not allowed"),
        ("at_s,up_ms\n,1\n", "line 2: at_s: missing"),
        ('[{"at_s": 1, "up_ms": true}]', "entry 0: up_ms: True is not allowed"),
        ("[1]", "not a list of objects"),
        ('{"at_s": 1}', "not a list of objects"),
        ("[{]", "not JSON"),
        ("sent_ns,heard_ns,answered_ns,received_ns\n1,2,3,4\n", "1 exchanges; needed: two or more"),
        ("sent_ns,heard_ns,answered_ns,received_ns\n1,2,3.5,4\n", "line 2: answered_ns: '3.5' is not allowed"),
        ("sent_ns,heard_ns,answered_ns,received_ns\n,2,3,4\n", "line 2: sent_ns: missing"),
    ],
)
def test_what_cannot_be_read_is_told_with_its_place(tmp_path: Path, text: str, told: str) -> None:
    path = written(tmp_path / "delays.csv", text)
    with pytest.raises(RecordingError) as caught:
        read_recording(path)
    assert str(caught.value).startswith(str(path))
    assert told in str(caught.value)
    with pytest.raises(RecordingError, match="cannot be read"):
        read_recording(tmp_path / "nowhere.csv")


# Fitting.


def test_two_kinds_of_windows_are_two_levels_with_exactly_their_delays() -> None:
    # A second at 2 ms, a second at 9 and 11 ms in turn, ten times.
    delays = ([2.0] * 1_000 + [9.0, 11.0] * 500) * 10
    found = fit(recorded(delays))
    assert found.window_ns == 10 * MILLISECOND
    assert found.windows == ("a" * 100 + "b" * 100) * 10
    assert [set(level.up_us) for level in found.levels] == [{2_000}, {9_000, 11_000}]
    up_us = found.levels[1].up_us
    assert up_us.count(9_000) in (len(up_us) // 2, len(up_us) // 2 + 1)
    # What was not recorded is taken to be as what was.
    assert found.levels[1].group_us == found.levels[1].down_us == found.levels[1].up_us
    assert (found.packets, found.loss.mean_loss) == (20_000, 0.0)


def test_losses_are_counted_with_their_runs() -> None:
    # Three of ten lost, in runs of two and one, at a packet every 20 ms.
    delays: list[float | None] = [5.0, None, None, 5.0, 5.0, 5.0, None, 5.0, 5.0, 5.0] * 100
    found = fit(recorded(delays, every_ms=20.0))
    assert found.loss.mean_loss == pytest.approx(0.3, abs=1e-12)
    runs = loss_runs(observed_of(recorded(delays, every_ms=20.0), "x").hosts[0].up)
    assert (runs.sent, runs.lost, len(runs.runs)) == (1_000, 300, 200)
    # The last packet ends a span, and begins none.
    assert runs.mean_run_s == pytest.approx(1.5 * 0.020, rel=1e-9)


def test_one_way_is_never_taken_for_another_that_was_recorded() -> None:
    samples = [Sample(number * MILLISECOND, up_ns=MILLISECOND) for number in range(500)]
    samples += [Sample((500 + number) * MILLISECOND, down_ns=3 * MILLISECOND) for number in range(500)]
    found = fit(samples)
    assert all(set(level.up_us) == {1_000} and set(level.down_us) == {3_000} for level in found.levels)


@pytest.mark.parametrize(
    "samples",
    [[], recorded([1.0] * 99), recorded([None] * 500), [Sample(5, MILLISECOND, MILLISECOND)] * 500],
)
def test_too_little_to_fit_is_refused(samples: list[Sample]) -> None:
    with pytest.raises(ConfigurationError, match="samples"):
        fit(samples)


@pytest.mark.slow
def test_a_recording_of_days_keeps_to_the_windows_there_may_be() -> None:
    found = fit(recorded([1.0, 2.0] * 2_000, every_ms=1.5 * 86_400_000 / 4_000))
    assert len(found.windows) <= 200_000
    assert len(fit([*recorded([1.0] * 200), Sample(86_400 * SECOND, 1_000, 1_000)]).windows) <= 200_000


# Drawing again.


class Ear:
    """A station that notes how long each packet took."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.wired = name.startswith("wired")
        self.delays: list[tuple[int, int]] = []

    def receive_delay_ns(self, stream: Stream) -> int:  # noqa: ARG002 - an exact host
        return 0

    def receive(self, data: bytes, sender: str, arrived_at: TrueInstant) -> None:  # noqa: ARG002
        sent_at = int.from_bytes(data, "big")
        self.delays.append((sent_at, arrived_at - sent_at))


def drawn_ms(found: Fit, every_ms: float, count: int, seed: int = 3) -> Any:
    """Return the delays of packets that a wired station sends to one on the radio."""
    tables, load = fitted_tables(found.levels, found.windows, found.window_ns, Fixed(0))
    kernel = Kernel()
    settings = SampledSettings(tables=tables, load=load, radio=WeightlessRadio(), dropout=NO_DROPOUT)
    air = SampledAir(kernel, Streams(seed), settings)
    ears = [Ear("wired lead"), Ear("a")]
    for ear in ears:
        air.attach(ear)
    for number in range(count):
        at = round(number * every_ms * MILLISECOND)
        kernel.schedule(TrueInstant(at), air.send, "wired lead", at.to_bytes(8, "big"), "a")
    kernel.run_all(limit=10 * count)
    return np.array([delay for _, delay in ears[1].delays]) / MILLISECOND


def correlation(values: Any, lag: int) -> float:
    return float(np.corrcoef(values[:-lag], values[lag:])[0, 1])


@pytest.mark.slow
@pytest.mark.thorough_except(packets=25_000)
@pytest.mark.parametrize("packets", [25_000, 100_000])
def test_what_is_drawn_has_the_recordings_distribution_and_its_memory(packets: int) -> None:
    # Log-normal delays with a memory of 100 ms: an autoregressive process of order one, a packet every 5 ms.
    stream = Streams(1).stream("recording")
    keep = math.exp(-5 / 100)
    state = 0.0
    delays: list[float] = []
    for _ in range(packets):
        state = keep * state + math.sqrt(1 - keep * keep) * stream.normal()
        delays.append(4.0 * math.exp(0.4 * state))
    found = fit(recorded(delays, every_ms=5.0))
    # First in, first out on a link: packets 40 ms apart do not wait for one another.
    again = drawn_ms(found, 40.0, packets)
    # How much less is known of what was recorded than in 500 s.
    wider = math.sqrt(100_000 / packets)
    for share in (1, 10, 50, 90, 99):
        # Each is known from some 5,000 independent spells; four standard errors of the 99th percentile are 6 %.
        assert np.percentile(again, share) == pytest.approx(np.percentile(delays, share), rel=0.06 * wider)
    for lag in (1, 2, 5):
        # Ten levels keep nearly all of it: a normal in ten equal classes has 0.97 of its variance between them.
        assert correlation(np.log(again), lag) == pytest.approx(math.exp(-40 * lag / 100), abs=0.08)
    assert abs(correlation(np.log(again), 20)) < 0.05 * wider


FOLDER = os.environ.get("LEADLIGHT_TRACES", "")
FILES = sorted(Path(FOLDER).glob("*.dat")) if FOLDER else []


@pytest.mark.slow
@pytest.mark.skipif(not FILES, reason="LEADLIGHT_TRACES names no folder of measured round trips")
@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_measured_round_trips_are_drawn_as_they_were(path: Path, tmp_path: Path) -> None:
    rows = [line.split() for line in path.read_text().splitlines()]
    rows = [row for row in rows if len(row) == 5]
    text = "sent_ns,heard_ns,answered_ns,received_ns\n" + "\n".join(",".join(row[1:]) for row in rows)
    samples = read_recording(written(tmp_path / "trace.csv", text))
    downs = [sample.down_ns / MILLISECOND for sample in samples if sample.down_ns is not None]
    again = drawn_ms(fit(samples), 250.0, 20_000)
    for share in (0.1, 0.5, 0.9, 0.99):
        below = float(np.mean(again <= np.quantile(downs, share)))
        # Four standard errors of a binomial of 10,000 blocks; and a hundredth of a hundredth for the distribution's own
        # steps.
        assert below == pytest.approx(share, abs=4 * math.sqrt(share * (1 - share) / 10_000) + 0.001)


# Into a scenario, and out of it.

PLAIN: dict[str, Any] = {
    "name": "Lake",
    "run": {"duration_s": 60, "seed": 9, "settle_s": 5},
    "leader": {"wired": True},
    "followers": [{"name": "jetty", "pixels": 100}],
    "shows": [{"id": "tidefall", "duration_s": 192}],
    "cues": [{"at_s": 0, "show": "tidefall"}],
}


def scenario_with(toml: str, **air: Any) -> Scenario:
    fitted = tomllib.loads(toml)["air"]
    return check_scenario(PLAIN | {"air": {"preset": "idle"} | fitted | air}, "lake")


def test_what_the_command_writes_is_a_part_of_a_scenario(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    delays = [[6.0, 14.0, None][number // 100 % 3] for number in range(3_000)]
    rows = [f"{number / 1_000},{'' if delay is None else delay}" for number, delay in enumerate(delays)]
    source = written(tmp_path / "delays.csv", "at_s,round_trip_ms\n" + "\n".join(rows))
    command = FitCommand()
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    output = tmp_path / "fitted.toml"
    assert command.run(parser.parse_args([str(source), "--output", str(output)])) == 0
    told = capsys.readouterr().out
    assert "3 s, 1 host, 2000 packets" in told
    assert "2 levels, each 10.0 ms of the recording has one" in told
    assert "To a host and back: 2000 of 6000 packets were lost (33 %), 100 at a time, 100 ms on average" in told
    assert "whether the access point holds them for its own beacons is unknown" in told.replace("\n    ", " ")
    assert "`leadlight record` records it" in told.replace("\n    ", " ")
    described = scenario_with(output.read_text())
    assert described.air.fitted is not None
    assert described.air.fitted.windows == ("a" * 10 + "b" * 20) * 10
    assert described.air.dropouts is not None
    # A hundred in a row of one every ms, and a third of the time: spells of a tenth of a second.
    assert described.air.dropouts.mean_burst_s == pytest.approx(0.1, rel=0.02)
    settings = air_settings(described.air)
    assert settings.load is not None
    assert settings.load.levels[1].up == settings.load.levels[1].group
    assert settings.load.levels[1].up.draw(Streams(1).stream("x")) == 7_000 * MICROSECOND
    assert {settings.tables.down.draw(Streams(1).stream(str(number))) for number in range(50)} == {
        3_000 * MICROSECOND,
        7_000 * MICROSECOND,
    }


@pytest.mark.slow
def test_a_world_runs_on_recorded_delays() -> None:
    observed = observed_of(recorded([([2.0] * 100 + [9.0] * 100)[number % 200] for number in range(4_000)]), "x")
    toml = to_toml(fit_observed(observed), observed, ["nothing"])
    world = World(scenario_with(toml))
    world.run_to(world.end)
    first = World(scenario_with(toml))
    first.run_to(first.end)
    assert world.trace.hexdigest() == first.trace.hexdigest()
    other = World(check_scenario(PLAIN | {"air": {"preset": "idle", "dropouts": {"mean_loss_fraction": 0.0}}}, "lake"))
    other.run_to(other.end)
    assert world.trace.hexdigest() != other.trace.hexdigest()


LEVEL = {"up_us": [1, 2], "down_us": [3], "group_us": [4, 4]}


@pytest.mark.parametrize(
    ("air", "told"),
    [
        ({"preset": "dozing"}, "air.preset: \"dozing\" is not allowed; allowed: idle or busy where air.fitted holds"),
        ({"measured_asymmetry": True}, "air.measured_asymmetry: true is not allowed; allowed: false where air.fitted"),
        ({"fidelity": "contended"}, "air.fitted: a table is not allowed; allowed: left out where air.fidelity is"),
        ({"fitted": {"windows": "abc", "levels": [LEVEL]}}, 'air.fitted.windows: "abc" is not allowed; allowed: a l'),
        ({"fitted": {"windows": "", "levels": [LEVEL]}}, 'air.fitted.windows: "" is not allowed'),
        ({"fitted": {"windows": "a", "levels": []}}, "air.fitted.levels"),
        ({"fitted": {"windows": "a", "levels": [LEVEL | {"up_us": [2, 1]}]}}, "air.fitted.levels[0].up_us: [2, 1] is"),
        ({"fitted": {"windows": "a", "levels": [LEVEL | {"up_us": [-1]}]}}, "air.fitted.levels[0].up_us"),
    ],
)
def test_fitted_delays_that_cannot_be_are_refused(air: dict[str, Any], told: str) -> None:
    plain = {"preset": "idle", "fitted": {"windows": "a", "levels": [LEVEL]}}
    with pytest.raises(ValueError, match="lake") as caught:
        check_scenario(PLAIN | {"air": plain | air}, "lake")
    assert told in str(caught.value)


def test_levels_are_kept_in_order() -> None:
    levels = (FittedLevel((1,), (2,), (3,)), FittedLevel((10,), (20,), (30,)))
    tables, load = fitted_tables(levels, "ab" * 50, 10 * MILLISECOND, Fixed(7))
    assert [level.up for level in load.levels] == [levels_distribution.up for levels_distribution in load.levels]
    assert (load.windows[:4], load.window_ns, load.block_windows) == (bytes([0, 1, 0, 1]), 10 * MILLISECOND, 5)
    assert tables.floor_ns == 1 * MICROSECOND
    assert tables.cable.draw(Streams(1).stream("x")) == 7
