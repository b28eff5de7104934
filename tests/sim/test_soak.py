"""The soak: evenings from seeds, an oracle that finds what is broken on purpose, and found cases that stay mended."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest

from leadlight.commands.cli import main
from leadlight.follower import Follower
from leadlight.leader import Leader
from leadlight.units import LocalInstant
from leadlight_sim.scenario import Scenario, as_toml, check_scenario, load_scenario
from leadlight_sim.soak import Finished, Outcome, Results, Violation, hold, random_evening, seed_of, shrunk, soak, told

CORPUS = sorted((Path(__file__).parents[1] / "corpus").glob("*.toml"))

pytestmark = pytest.mark.slow


def evening(**changes: Any) -> Scenario:
    table: dict[str, Any] = {
        "name": "Soaked",
        "keyed": True,
        "run": {"duration_s": 60, "seed": 5, "settle_s": 5},
        "leader": {"interval_s": 0.5},
        "standbys": [{"name": "second", "rank": 1}],
        "followers": [{"name": name, "pixels": 100, "host": "steady"} for name in ("jetty", "willow")],
        "air": {"preset": "idle"},
        "shows": [{"id": "tidefall", "duration_s": 192}],
        "cues": [{"at_s": 8, "show": "tidefall"}],
    }
    return check_scenario(table | changes, "soaked")


def broken(outcome: Outcome) -> list[str]:
    return [violation.promise for violation in outcome.violations]


@pytest.mark.parametrize("path", CORPUS, ids=lambda path: path.stem)
def test_a_case_that_was_found_stays_mended(path: Path) -> None:
    outcome = hold(load_scenario(path))
    assert outcome.violations == (), f"replay it: leadlight soak {path}"


def test_an_evening_is_its_seeds_and_evenings_differ() -> None:
    evenings = [random_evening(seed) for seed in range(40)]
    assert [random_evening(seed).digest() for seed in range(40)] == [one.digest() for one in evenings]
    assert len({one.digest() for one in evenings}) == 40


def test_evenings_have_every_kind_of_fault_and_order_and_mostly_few_of_them() -> None:
    evenings = [random_evening(seed) for seed in range(400)]
    faults = [{fault.kind for fault in one.faults} for one in evenings]
    orders = [{order.order for order in one.orders} for one in evenings]
    assert len(set().union(*faults)) == 18
    assert set().union(*orders) == {
        *("roll", "pause", "resume", "seek", "dark", "stop", "take-back", "withdraw", "off-time")
    }
    assert all(len(kinds) <= 6 for kinds in faults)
    assert {one.keyed for one in evenings} == {True, False}
    assert {len(one.standbys) for one in evenings} == {0, 1, 2}
    assert {len(one.followers) for one in evenings} == set(range(1, 13))


def test_a_quiet_evening_keeps_every_promise_and_is_the_same_twice() -> None:
    first, second = hold(evening()), hold(evening())
    assert first.violations == ()
    assert first.simulated_s == 60
    assert first.trace_hash == second.trace_hash


@pytest.mark.interpreted
@pytest.mark.parametrize(
    ("orders", "of", "method", "promise"),
    [
        ([{"order": "stop", "at_s": 30}], Leader, "stop", "a stop is obeyed everywhere and stays"),
        ([], Leader, "_hears_better", "one node leads"),
    ],
)
def test_the_oracle_finds_a_leader_that_does_not_do_what_it_must(
    orders: list[dict[str, Any]], of: type, method: str, promise: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(of, method, lambda *_: False)
    split = {"kind": "split-network", "away": ["second"], "at_s": 15, "for_s": 6}
    found = hold(evening(faults=[] if orders else [split], orders=orders))
    # The stop is remembered as given, by the world, though the leader did nothing about it.
    assert promise in broken(found)


@pytest.mark.interpreted
def test_the_oracle_finds_what_raises_and_says_where(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_self: Follower, _now: LocalInstant) -> None:
        raise ZeroDivisionError("on purpose")

    monkeypatch.setattr(Follower, "handle_timer", fail)
    outcome = hold(evening())
    assert broken(outcome)[-1] == "nothing raises"
    assert outcome.violations[-1].told.startswith("ZeroDivisionError: on purpose in fail:")


@pytest.mark.interpreted
def test_what_is_broken_is_made_small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Leader, "stop", lambda *_: None)
    faults = [{"kind": "power-cut", "follower": "jetty", "at_s": 12, "for_s": 3}]
    orders = [{"order": "withdraw", "at_s": 20}, {"order": "stop", "at_s": 25}]
    smallest = shrunk(evening(faults=faults, orders=orders), "a stop is obeyed everywhere and stays", wall_s=60.0)
    assert smallest.faults == ()
    assert [order.order for order in smallest.orders] == ["stop"]
    assert smallest.standbys == ()
    assert len(smallest.followers) == 1
    assert smallest.run.duration_s < 35
    assert "a stop is obeyed everywhere and stays" in broken(hold(smallest))


def test_shrinking_ends_when_its_time_is_up_and_keeps_what_it_has() -> None:
    whole = evening()
    assert shrunk(whole, "one node leads", wall_s=0.0, breaks=lambda _: 10.0) is whole


# -- campaigns -------------------------------------------------------------------------------------------------------


def finished(number: int, *violations: Violation) -> Finished:
    return Finished(number, seed_of("a", number), 120.0, 1.0, 50 << 20, violations)


def test_results_are_read_again_but_for_torn_lines_and_those_of_other_programs(tmp_path: Path) -> None:
    path = tmp_path / "results.jsonl"
    violation = Violation("one node leads", "R-ROLE-7", "group", 41.5, "nobody leads, for 7 s")
    results = Results(path, "digest", "campaign")
    results.append(finished(0, violation))
    Results(path, "another digest", "campaign").append(finished(1))
    Results(path, "digest", "another campaign").append(finished(2))
    whole = path.read_text(encoding="utf-8")
    path.write_text(whole + whole.splitlines()[0][:70], encoding="utf-8")
    assert results.read() == [finished(0, violation)]
    results.append(finished(3))
    assert results.read() == [finished(0, violation), finished(3)]
    assert json.loads(path.read_text(encoding="utf-8").splitlines()[-1])["number"] == 3


def test_a_campaign_goes_on_with_the_evenings_that_are_missing() -> None:
    numbers: list[int] = []

    def is_enough() -> bool:
        return len(numbers) >= 1

    evenings = soak("a campaign", done=[0, 2], jobs=1, is_enough=is_enough)
    for one in evenings:
        numbers.append(one.number)
        assert one.seed == seed_of("a campaign", one.number)
        assert one.simulated_s > 0
    assert numbers[0] == 1
    assert set(numbers) <= {1, 3}


def test_a_campaign_tells_hours_speed_memory_and_what_was_broken() -> None:
    violation = Violation("one node leads", "R-ROLE-7", "group", 41.5, "nobody leads, for 7 s")
    stream = io.StringIO()
    told([finished(0), finished(1, violation)], 2, 3.0, stream)
    assert stream.getvalue().splitlines() == [
        "2 evenings, 0.07 simulated hours; 120 simulated hours an hour of one core; 2 at a time, 3 s now; "
        "a worker held 50 MiB at most.",
        "BROKEN in 1: one node leads",
    ]


# -- the command -----------------------------------------------------------------------------------------------------


def run(*words: str) -> int:
    return main(["soak", *words])


def test_the_command_holds_a_scenario_against_the_promises(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "evening.toml"
    path.write_text(as_toml(evening()), encoding="utf-8")
    assert run(str(path)) == 0
    assert capsys.readouterr().out == "Soaked: every promise was kept for 60 s.\n"


@pytest.mark.interpreted
def test_the_command_says_who_broke_what_and_when(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Leader, "stop", lambda *_: None)
    path = tmp_path / "evening.toml"
    path.write_text(as_toml(evening(orders=[{"order": "stop", "at_s": 30}])), encoding="utf-8")
    assert run(str(path)) == 1
    first = capsys.readouterr().out.splitlines()[0]
    assert first.startswith("BROKEN at 33.")
    assert "a stop is obeyed everywhere and stays (R-STOP-1, R-STOP-2, R-STOP-3, R-ROLE-8); jetty: lit" in first


def test_a_campaign_is_taken_up_where_it_was_left(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    results = tmp_path / "results.jsonl"
    words = ("--hours", "0.01", "--jobs", "1", "--seed", "a test's own", "--results", str(results), "--shrink", "0s")
    run(*words)
    capsys.readouterr()
    lines = results.read_text(encoding="utf-8").splitlines()
    run(*words)
    assert results.read_text(encoding="utf-8").splitlines() == lines
    assert capsys.readouterr().out.startswith(f"{len(lines)} evenings were finished before, and are counted in.\n")


@pytest.mark.parametrize(
    "words", [("--hours", "0"), ("--jobs", "0"), ("--at-most", "0s"), ("--found", "no such folder")]
)
def test_what_cannot_be_is_refused(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(*words) == 2
    assert words[0] in capsys.readouterr().err
