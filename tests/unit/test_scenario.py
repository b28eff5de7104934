from __future__ import annotations

import datetime
import pickle
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import ValidationError

from leadlight.errors import LeadlightError
from leadlight.readiness.waking import EXACT_TIMER, ROUNDED_TIMER, SPIN
from leadlight_sim.scenario.files import load_scenario, load_shipped, resolve_scenario, shipped_scenarios
from leadlight_sim.scenario.hosts import Waking
from leadlight_sim.scenario.model import Scenario, check_scenario, host_of
from leadlight_sim.scenario.problems import ScenarioError
from leadlight_sim.scenario.variations import change_from_text

GARDEN = """
name = "Garden"
[run]
duration_s = 120
[leader]
interval_s = 1.0
[[followers]]
name = "arch"
pixels = 300
[[followers]]
name = "hedge"
pixels = 500
[air]
preset = "busy"
[[shows]]
id = "first-light"
duration_s = 40
[[cues]]
at_s = 10
show = "first-light"
[[cues]]
at_s = 60
show = "first-light"
[[faults]]
kind = "power-cut"
follower = "hedge"
at_s = 20
for_s = 5
[targets]
pair_ms = 15.0
"""

FAULTS = (
    "one of leader-reboot, leader-lost, power-cut, access-point-reboot, radar, split-network, board-suspended, "
    "standby-reboot, leader-suspended, clock-step, clock-stands, corruption, repetition, reordering, hostile-packets, "
    "loss-spell, roam, live-data, clashing-leader"
)


def table() -> dict[str, Any]:
    return tomllib.loads(GARDEN)


def problems_of(changed: dict[str, Any]) -> list[str]:
    with pytest.raises(ScenarioError) as caught:
        check_scenario(changed, "garden.toml")
    return str(caught.value).split("\n")


def problems_of_text(folder: Path, text: str | bytes) -> list[str]:
    path = folder / "garden.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(ScenarioError) as caught:
        load_scenario(path)
    return [line.removeprefix(f"{folder}/") for line in str(caught.value).split("\n")]


def is_whole_line(line: str) -> bool:
    return line.startswith("garden.toml: ") and "; " in line and line.isprintable()


BAD_CASES: list[tuple[str, Callable[[dict[str, Any]], object], str]] = [
    (
        "a typo",
        lambda t: t["leader"].update(intervl_s=0.5),
        "leader.intervl_s: unknown key (value 0.5); did you mean interval_s?",
    ),
    (
        "a typo in a list",
        lambda t: t["followers"][1].update(pixls=5),
        "followers[1].pixls (hedge): unknown key (value 5); did you mean pixels?",
    ),
    (
        "a typo in a fault",
        lambda t: t["faults"][0].update(at_ms=5),
        "faults[0].at_ms: unknown key (value 5); did you mean at_s?",
    ),
    (
        "a key like no other",
        lambda t: t["run"].update(zebra=1),
        "run.zebra: unknown key (value 1); known keys: duration_s, seed, settle_s",
    ),
    (
        "a negative loss",
        lambda t: t["air"].update(dropouts={"mean_loss_fraction": -0.1}),
        "air.dropouts.mean_loss_fraction: -0.1 is not allowed; allowed: a number from 0 to 0.95",
    ),
    (
        "a negative loss on one link",
        lambda t: t["followers"][1].update(extra_loss_fraction=-0.1),
        "followers[1].extra_loss_fraction (hedge): -0.1 is not allowed; allowed: a number from 0 to 0.95",
    ),
    (
        "not a number",
        lambda t: t["followers"][0].update(trim_ms=float("nan")),
        "followers[0].trim_ms (arch): nan is not allowed; allowed: a number from -1000 to 1000",
    ),
    (
        "infinity where there is no upper limit",
        lambda t: t["cues"][1].update(at_s=float("inf")),
        "cues[1].at_s: inf is not allowed; allowed: a number from 0",
    ),
    (
        "not a number in a range",
        lambda t: t.update(clocks={"cooling_ppm": [float("nan"), 1.0]}),
        "clocks.cooling_ppm: [nan, 1.0] is not allowed; allowed: [lowest, highest], two numbers "
        "from -100 to 100 "
        "in rising order",
    ),
    (
        "a falling range",
        lambda t: t.update(clocks={"wander_ppm_per_sqrt_s": [2, 1]}),
        "clocks.wander_ppm_per_sqrt_s: [2, 1] is not allowed; allowed: [lowest, highest], two numbers from "
        "-100 to 100 in rising order",
    ),
    (
        "interval zero",
        lambda t: t["leader"].update(interval_s=0),
        "leader.interval_s: 0 is not allowed; allowed: a number from 0.05 to 10 in whole milliseconds",
    ),
    (
        "an interval that no beacon can state",
        lambda t: t["leader"].update(interval_s=0.0505),
        "leader.interval_s: 0.0505 is not allowed; allowed: a number from 0.05 to 10 in whole milliseconds",
    ),
    (
        "an unknown air",
        lambda t: t["air"].update(preset="bussy"),
        'air.preset: "bussy" is not allowed; allowed: one of "idle", "busy", "dozing", "model-a", "model-b", '
        '"model-c", "model-d", "model-e"; did you mean "busy"?',
    ),
    (
        "a name used twice",
        lambda t: t["followers"][1].update(name="arch") or t.update(faults=[]),
        'followers[1].name (arch): "arch" is not allowed; allowed: a name of its own; '
        "followers[0] has this one",
    ),
    (
        "a follower called as the leader",
        lambda t: t["leader"].update(name="arch"),
        'followers[0].name (arch): "arch" is not allowed; allowed: a name of its own; leader has this one',
    ),
    (
        "an unknown show",
        lambda t: t["cues"][1].update(show="frist-light"),
        'cues[1].show: "frist-light" is not allowed; allowed: the id of a show; did you mean "first-light"?',
    ),
    (
        "a rolling cue without a show",
        lambda t: t["cues"][1].pop("show"),
        "cues[1].show: missing; allowed: the id of a show, unless the cue's state is dark or stopped",
    ),
    (
        "a cue after the end",
        lambda t: t["cues"][1].update(at_s=120),
        "cues[1].at_s: 120 is not allowed; allowed: before the end of the run at 120 s",
    ),
    (
        "cues out of order",
        lambda t: t["cues"][1].update(at_s=10),
        "cues[1].at_s: 10 is not allowed; allowed: later than the cue before it at 10 s",
    ),
    (
        "a position after the show's end",
        lambda t: t["cues"][1].update(position_s=40),
        "cues[1].position_s: 40 is not allowed; allowed: less than the show's 40 s",
    ),
    (
        "a fault of an unknown follower",
        lambda t: t["faults"][0].update(follower="hedgehog"),
        'faults[0].follower: "hedgehog" is not allowed; allowed: the name of a follower; did '
        'you mean "hedge"?',
    ),
    (
        "a fault after the end",
        lambda t: t["faults"][0].update(at_s=500.5),
        "faults[0].at_s: 500.5 is not allowed; allowed: before the end of the run at 120 s",
    ),
    (
        "a fault during its like",
        lambda t: t["faults"].append({"kind": "power-cut", "follower": "hedge", "at_s": 22, "for_s": 1}),
        "faults[1].at_s: 22 is not allowed; allowed: at or after 25 s, when faults[0] of the "
        "same kind is over",
    ),
    (
        "an unknown fault",
        lambda t: t["faults"][0].update(kind="power-cutt"),
        f'faults[0].kind: "power-cutt" is not allowed; allowed: {FAULTS}; did you mean "power-cut"?',
    ),
    (
        "a fault without its kind",
        lambda t: t["faults"][0].pop("kind"),
        "faults[0].kind: missing; allowed: " + FAULTS,
    ),
    (
        "no followers",
        lambda t: t.update(followers=[], faults=[]),
        "followers: [] is not allowed; allowed: 1 to 5000 tables headed [[followers]]",
    ),
    (
        "too many followers",
        lambda t: t.update(followers=[{"name": f"f{n}", "pixels": 1} for n in range(5001)], faults=[]),
        "followers: a list of 5001 is not allowed; allowed: 1 to 5000 tables headed [[followers]]",
    ),
    (
        "followers headed by single brackets",
        lambda t: t.update(followers={"name": "arch", "pixels": 1}, faults=[]),
        "followers: a table is not allowed; allowed: 1 to 5000 tables headed [[followers]]",
    ),
    (
        "no part of the file there",
        lambda t: t.pop("run"),
        "run: missing; allowed: a table [run]",
    ),
    (
        "frames over zero",
        lambda t: t["shows"][0].update(frame_rate=[30000, 0]),
        "shows[0].frame_rate (first-light): [30000, 0] is not allowed; allowed: [numerator, "
        "denominator], whole "
        "numbers above zero making 1 to 1000 frames a second",
    ),
    (
        "a frame rate with a fraction",
        lambda t: t["shows"][0].update(frame_rate=[29.97, 1.5]),
        "shows[0].frame_rate (first-light): [29.97, 1.5] is not allowed; allowed: [numerator, "
        "denominator], whole "
        "numbers above zero making 1 to 1000 frames a second",
    ),
    (
        "pixels missing",
        lambda t: t["followers"][1].pop("pixels"),
        "followers[1].pixels (hedge): missing; allowed: a whole number from 1 to 100000",
    ),
    (
        "pixels in words",
        lambda t: t["followers"][1].update(pixels="500"),
        'followers[1].pixels (hedge): "500" is not allowed; allowed: a whole number from 1 to 100000',
    ),
    (
        "a yes for a number",
        lambda t: t["followers"][1].update(trim_ms=True),
        "followers[1].trim_ms (hedge): true is not allowed; allowed: a number from -1000 to 1000",
    ),
    (
        "a number beyond all floats",
        lambda t: t["followers"][1].update(trim_ms=1 << 20_000),
        "followers[1].trim_ms (hedge): a number of hundreds of digits is not allowed; allowed: "
        "a number from -1000 "
        "to 1000",
    ),
    (
        "a name that steers the terminal",
        lambda t: t["followers"][0].update(name="\x1b[2J"),
        'followers[0].name: "\\u001b[2J" is not allowed; allowed: printable text of 1 to 24 '
        "bytes in UTF-8, no "
        "space at either end",
    ),
    (
        "a name too long for a tally",
        lambda t: t["followers"][0].update(name="é" * 13),
        f'followers[0].name ({"é" * 13}): "{"é" * 13}" is not allowed; allowed: printable text '
        "of 1 to 24 bytes in "
        "UTF-8, no space at either end",
    ),
    (
        "a pair with a stranger",
        lambda t: t.update(tight_pairs=[{"pieces": ["arch", "hegde"]}]),
        'tight_pairs[0].pieces: ["arch", "hegde"] is not allowed; allowed: the names of two '
        "different followers, "
        'each pair once; did you mean "hedge"?',
    ),
    (
        "a pair of one",
        lambda t: t.update(tight_pairs=[{"pieces": ["arch", "arch"]}]),
        'tight_pairs[0].pieces: ["arch", "arch"] is not allowed; allowed: the names of two '
        "different followers, "
        "each pair once",
    ),
    (
        "settling that outlasts the run",
        lambda t: t["run"].update(settle_s=120),
        "run.settle_s: 120 is not allowed; allowed: less than the run's 120 s",
    ),
]


@pytest.mark.parametrize(
    ("spoil", "line"), [case[1:] for case in BAD_CASES], ids=[case[0] for case in BAD_CASES]
)
def test_one_mistake_gives_one_line_with_file_key_value_and_what_is_allowed(
    spoil: Callable[[dict[str, Any]], object], line: str
) -> None:
    spoiled = table()
    spoil(spoiled)
    assert problems_of(spoiled) == [f"garden.toml: {line}"]


def test_the_unspoiled_table_is_accepted() -> None:
    assert [follower.name for follower in check_scenario(table(), "garden.toml").followers] == [
        "arch",
        "hedge",
    ]


def test_mistakes_of_every_kind_are_listed_together() -> None:
    spoiled = table()
    spoiled["leader"]["intervl_s"] = 1
    spoiled["followers"][1]["pixels"] = -5
    spoiled["cues"][0]["show"] = "last-light"
    spoiled["faults"][0]["at_s"] = 130
    lines = problems_of(spoiled)
    keys = [line.removeprefix("garden.toml: ").split(": ")[0] for line in lines]
    assert keys == ["leader.intervl_s", "followers[1].pixels (hedge)", "cues[0].show", "faults[0].at_s"]


def test_a_default_that_contradicts_another_value_is_named() -> None:
    spoiled = table()
    spoiled["run"]["duration_s"] = 60
    spoiled["cues"] = spoiled["cues"][:1]
    assert problems_of(spoiled) == ["garden.toml: run.settle_s: missing; allowed: less than the run's 60 s"]


JUNK: list[Any] = [
    None,
    True,
    -1,
    0,
    2.5,
    float("nan"),
    float("inf"),
    1 << 2_000,
    "",
    "\x00",
    "arch",
    [],
    {},
]
JUNK += [[1], [[]], [{}], {"kind": []}, {"a\nb": 1}, datetime.time(3)]


@pytest.mark.parametrize("junk", JUNK, ids=range(len(JUNK)))
def test_junk_anywhere_is_refused_in_words_or_accepted_and_never_breaks_the_checker(junk: Any) -> None:
    places: list[tuple[Any, ...]] = [(part,) for part in Scenario.model_fields]
    for part, held in table().items():
        entry = held[0] if isinstance(held, list) else held
        step = (0,) if isinstance(held, list) else ()
        places += [(part, *step, key) for key in entry] if isinstance(entry, dict) else []
        places += [(part, 0)] if isinstance(held, list) else []
    refused: list[str] = []
    for place in places:
        spoiled: Any = table()
        at = spoiled
        for step_in in place[:-1]:
            at = at[step_in]
        at[place[-1]] = junk
        try:
            check_scenario(spoiled, "garden.toml")
        except ScenarioError as error:
            refused.append(str(error))
    assert len(refused) > len(places) // 2
    assert [text for text in refused if not all(map(is_whole_line, text.split("\n")))] == []


def test_a_refused_name_is_not_held_against_what_refers_to_it() -> None:
    spoiled = table()
    spoiled["followers"][1]["name"] = " hedge"
    assert len(problems_of(spoiled)) == 1


def test_a_syntax_error_is_placed_by_line_and_column(tmp_path: Path) -> None:
    assert problems_of_text(tmp_path, 'name = "Garden"\n[run]\nduration_s = = 3\n') == [
        "garden.toml: line 3, column 14: not TOML: Invalid value"
    ]


def test_a_file_that_ends_too_early_is_placed_at_its_end(tmp_path: Path) -> None:
    (line,) = problems_of_text(tmp_path, 'name = "Garden"\n[run]\nseed = [1,')
    assert line.startswith("garden.toml: line 3, column 11: not TOML: ")


def test_text_in_another_encoding_is_placed_by_line_and_column(tmp_path: Path) -> None:
    assert problems_of_text(tmp_path, b'name = "a"\n# caf\xe9\n') == [
        "garden.toml: line 2, column 6: not UTF-8 text"
    ]


@pytest.mark.parametrize("text", ["x = " + "9" * 5000, "x = " + "[" * 20_000], ids=["digits", "brackets"])
def test_text_that_overwhelms_the_reader_is_an_error_of_ours(tmp_path: Path, text: str) -> None:
    (line,) = problems_of_text(tmp_path, text)
    assert line.startswith("garden.toml: ")


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match=r"nowhere\.toml: cannot be read: No such file"):
        load_scenario(tmp_path / "nowhere.toml")


def test_a_mark_at_the_start_of_the_file_and_windows_line_ends_change_nothing(tmp_path: Path) -> None:
    path = tmp_path / "garden.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GARDEN.replace("\n", "\r\n").encode())
    assert load_scenario(path) == check_scenario(table(), "garden.toml")


def test_errors_belong_to_the_one_family_and_cross_process_borders() -> None:
    error = ScenarioError("a: b", "c: d")
    assert isinstance(error, LeadlightError)
    assert str(pickle.loads(pickle.dumps(error))) == "a: b\nc: d"



# --- The shipped scenario -----------------------------------------------------------------------------------


def test_quarry_lake_is_as_designed() -> None:
    lake = load_shipped()
    assert {follower.name: follower.pixels for follower in lake.followers} == {
        "jetty": 540,
        "reed beds": 1260,
        "willow": 2040,
        "footbridge": 870,
        "cliff net": 4320,
        "ferry": 690,
        "mill wheel": 480,
        "gatehouse": 1530,
    }
    assert [(show.title, show.duration_s, show.frame_rate) for show in lake.shows] == [
        ("Tidefall", 192, (40, 1)),
        ("Night Ferry", 167, (40, 1)),
        ("Embers", 245, (40, 1)),
    ]
    assert lake.leader.name == "boathouse"
    assert not lake.leader.wired
    assert [follower.name for follower in lake.followers if follower.extra_loss_fraction > 0] == ["ferry"]
    assert [fault.kind for fault in lake.faults] == ["power-cut", "leader-reboot"]


def test_quarry_lake_plays_every_show_to_its_end_in_order() -> None:
    lake = load_shipped()
    assert [cue.show for cue in lake.cues] == [show.id for show in lake.shows]
    starts = [*(cue.at_s for cue in lake.cues), lake.run.duration_s]
    gaps = [
        after - (start + show.duration_s)
        for start, after, show in zip(starts, starts[1:], lake.shows, strict=False)
    ]
    assert all(10 <= gap <= 30 for gap in gaps)


def test_no_board_of_quarry_lake_needs_longer_than_a_frame_to_show_one() -> None:
    lake = load_shipped()
    period_ms = min(show.frame_period_ms for show in lake.shows)
    assert [follower.name for follower in lake.followers if follower.latency_ms >= period_ms] == []


def test_every_shipped_scenario_loads() -> None:
    assert "quarry-lake" in shipped_scenarios()
    assert all(load_shipped(name).name for name in shipped_scenarios())


def test_nothing_named_means_quarry_lake() -> None:
    assert resolve_scenario(None) == resolve_scenario("quarry-lake") == load_shipped()


def test_a_path_is_read(tmp_path: Path) -> None:
    path = tmp_path / "garden.toml"
    path.write_text(GARDEN)
    assert resolve_scenario(str(path)).name == "Garden"


@pytest.mark.parametrize("call", [resolve_scenario, load_shipped])
def test_an_unknown_scenario_names_the_nearest_shipped_one(call: Callable[[str], Scenario]) -> None:
    with pytest.raises(ScenarioError) as caught:
        call("quary-lake")
    assert str(caught.value).startswith("quary-lake: neither a file nor a shipped scenario; shipped: ")
    assert str(caught.value).endswith("did you mean quarry-lake?")


# --- Names by content, and changes --------------------------------------------------------------------------


def test_the_digest_is_the_same_on_every_machine() -> None:
    assert check_scenario(table(), "garden.toml").digest() == "2556f0fbae49533cafd78297a919c87c"


@pytest.mark.parametrize(
    ("site", "told"),
    [
        ({"audience_near_m": 9.0, "audience_far_m": 8.0}, "far_m: 8.0 is not allowed; allowed: from audience_near_m"),
        ({"pattern_px_per_s": 0.0}, "site.pattern_px_per_s: 0.0 is not allowed; allowed: "),
        ({"temperature_c": -61.0}, "site.temperature_c: -61.0 is not allowed; allowed: "),
    ],
)
def test_a_site_that_cannot_be_is_refused(site: dict[str, float], told: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        check_scenario(table() | {"site": site}, "garden.toml")
    (line,) = caught.value.args
    assert told in line


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ({"air": {"dtim_period": 11}}, "air.dtim_period: 11 is not allowed; allowed: a whole number from 1 to 10"),
        (
            {"air": {"fidelity": "exact"}},
            'air.fidelity: "exact" is not allowed; allowed: one of "sampled", "contended", "tabled"',
        ),
        (
            {"air": {"preset": "model-a", "fidelity": "contended"}},
            'air.preset: "model-a" is not allowed; allowed: idle, busy or dozing where air.fidelity is contended',
        ),
        (
            {"air": {"preset": "model-e", "fidelity": "tabled"}},
            'air.preset: "model-e" is not allowed; allowed: idle, busy or dozing where air.fidelity is tabled',
        ),
        (
            {"air": {"measured_asymmetry": True, "fidelity": "contended"}},
            "air.measured_asymmetry: true is not allowed; allowed: false where air.fidelity is contended",
        ),
        (
            {"neighbours": [{"kind": "saturated"}]},
            "neighbours: a list of 1 is not allowed; allowed: left out, unless air.fidelity is contended or tabled: "
            "the preset's distributions hold the load",
        ),
        (
            {"air": {"fidelity": "contended"}, "neighbours": [{"kind": "poison"}]},
            'neighbours[0].kind: "poison" is not allowed; allowed: one of saturated, poisson, on-off; '
            'did you mean "poisson"?',
        ),
        (
            {"air": {"fidelity": "contended"}, "neighbours": [{"kind": "on-off", "load": 1.0}]},
            "neighbours[0].load: 1.0 is not allowed; allowed: a number from 0.001 to 0.999",
        ),
        (
            {"air": {"fidelity": "contended"}, "neighbours": [{"kind": "saturated", "load": 0.5}]},
            "neighbours[0].load: unknown key (value 0.5); known keys: kind",
        ),
        *(
            (
                {"air": {key: value}},
                f"air.{key}: {told} is not allowed; allowed: left out, unless air.fidelity is contended: "
                "delays that are drawn cannot show it",
            )
            for key, value, told in (
                ("dozing", ["hedge"], '["hedge"]'),
                ("scans", {"stations": ["hedge"]}, "a table"),
                ("converts_multicast", True, "true"),
                ("forgets_members", True, "true"),
                ("answer_loss_factor", 0.5, "0.5"),
            )
        ),
        (
            {"access_points": [{"name": "far"}], "air": {"fidelity": "tabled"}, "neighbours": [{"kind": "saturated"}]},
            "access_points: a list of 1 is not allowed; allowed: left out, unless air.fidelity is contended: "
            "delays that are drawn cannot show it",
        ),
        (
            {"air": {"fidelity": "contended", "dozing": ["hedgehog"]}},
            'air.dozing: ["hedgehog"] is not allowed; allowed: names of the leader, followers or standbys, none of '
            'them wired, each once; did you mean "hedge"?',
        ),
        (
            {"air": {"fidelity": "contended", "scans": {"stations": ["hedge"], "every_s": 3}}},
            "air.scans.for_s: missing; allowed: less than every_s, 3",
        ),
        (
            {
                "air": {"fidelity": "contended"},
                "access_points": [{"name": "far", "stations": ["hedge"]}, {"name": "near", "stations": ["hedge"]}],
            },
            'access_points[1].stations (near): ["hedge"] is not allowed; allowed: names of the leader, followers or '
            "standbys, none of them wired, each once",
        ),
        (
            {"air": {"fidelity": "contended"}, "access_points": [{"name": "access point"}]},
            'access_points[0].name (access point): "access point" is not allowed; allowed: a name of its own; '
            "air has this one",
        ),
        (
            {"faults": [{"kind": "radar", "at_s": 1}]},
            "air.band: missing; allowed: 5 where an access point hears a radar",
        ),
        (
            {
                "air": {"fidelity": "contended", "band": "5"},
                "access_points": [{"name": "far"}],
                "faults": [{"kind": "radar", "access_point": "far", "at_s": 1}],
            },
            'faults[0].access_point: "far" is not allowed; allowed: one whose band is 5: at 2.4 GHz no access point '
            "makes way for radars",
        ),
        (
            {"faults": [{"kind": "access-point-reboot", "access_point": "acces point", "at_s": 1}]},
            'faults[0].access_point: "acces point" is not allowed; allowed: the name of an access point; '
            'did you mean "access point"?',
        ),
        (
            {"faults": [{"kind": "roam", "follower": "hedge", "to": "access point", "at_s": 1}]},
            'faults[0].to: "access point" is not allowed; allowed: left out, unless air.fidelity is contended',
        ),
        (
            {
                "air": {"fidelity": "contended"},
                "faults": [{"kind": "roam", "follower": "hedge", "to": "access point", "slower_ms": 5, "at_s": 1}],
            },
            "faults[0].slower_ms: 5 is not allowed; allowed: left out where `to` names an access point",
        ),
    ],
)
def test_an_air_that_cannot_be_is_refused(more: dict[str, Any], told: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        check_scenario(table() | more, "garden.toml")
    assert str(caught.value) == f"garden.toml: {told}"


def test_the_digest_ignores_how_a_scenario_is_written() -> None:
    written = table()
    written["run"] = {"settle_s": 60, "seed": 1, "duration_s": 120.0}
    written["followers"][0]["trim_ms"] = -0.0
    assert check_scenario(written, "a").digest() == check_scenario(table(), "b").digest()


@pytest.mark.parametrize(
    ("key", "value"),
    [("run.seed", 2), ("followers[1].trim_ms", 0.001), ("cues[0].at_s", 10.001), ("air.preset", "idle")],
)
def test_the_digest_follows_every_value(key: str, value: object) -> None:
    garden = check_scenario(table(), "garden.toml")
    assert garden.with_changes({key: value}).digest() != garden.digest()


def test_a_scenario_cannot_be_altered() -> None:
    garden = check_scenario(table(), "garden.toml")
    with pytest.raises(ValidationError):
        garden.leader.interval_s = 2.0


def test_changes_by_dotted_key_leave_the_rest_and_the_original_alone() -> None:
    garden = check_scenario(table(), "garden.toml")
    changed = garden.with_changes(
        {
            "leader.interval_s": 0.5,
            "air.dropouts.mean_loss_fraction": 0.1,
            "followers[hedge].trim_ms": 4,
            "targets.pair_ms": None,
        }
    )
    assert changed.leader.interval_s == 0.5
    assert changed.air.dropouts is not None
    assert changed.air.dropouts.mean_loss_fraction == 0.1
    assert [follower.trim_ms for follower in changed.followers] == [0.0, 4.0]
    assert changed.cues == garden.cues
    assert garden == check_scenario(table(), "garden.toml")


def test_changed_values_are_checked_again() -> None:
    garden = check_scenario(table(), "garden.toml")
    with pytest.raises(ScenarioError) as caught:
        garden.with_changes({"leader.intervl_s": 1, "run.duration_s": 15})
    assert str(caught.value).split("\n") == [
        "Garden: leader.intervl_s: unknown key (value 1); did you mean interval_s?",
        "Garden: cues[1].at_s: 60.0 is not allowed; allowed: before the end of the run at 15 s",
        "Garden: faults[0].at_s: 20.0 is not allowed; allowed: before the end of the run at 15 s",
    ]


@pytest.mark.parametrize(
    ("key", "line"),
    [
        ("leader..wired", "leader..wired: not a key; "),
        ("followers[hegde].pixels", "followers[hegde].pixels: there is no [hegde]; "),
        ("followers[2].pixels", "followers[2].pixels: there is no [2]; "),
        ("name.first", "name.first: first is not inside a table"),
    ],
)
def test_a_key_that_leads_nowhere_is_refused(key: str, line: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        check_scenario(table(), "garden.toml").with_changes({key: 1}, source="options")
    assert str(caught.value).startswith(f"options: {line}")


def test_a_shortened_run_drops_what_would_begin_after_its_end() -> None:
    short = load_shipped().cut_to(300)
    assert short.run.duration_s == 300
    assert [cue.at_s for cue in short.cues] == [65, 272]
    assert [fault.at_s for fault in short.faults] == [150]


@pytest.mark.parametrize(
    ("text", "change"),
    [
        ("leader.interval_s=0.5", ("leader.interval_s", 0.5)),
        ("air.preset=busy", ("air.preset", "busy")),
        ("shows[0].frame_rate = [25, 1]", ("shows[0].frame_rate", [25, 1])),
        ("leader.wired=true", ("leader.wired", True)),
    ],
)
def test_a_change_is_read_from_text(text: str, change: tuple[str, object]) -> None:
    assert change_from_text(text) == change


def test_a_band_may_be_written_as_a_number() -> None:
    garden = check_scenario(table(), "garden.toml")
    assert [garden.with_changes({"air.band": band}).air.band for band in (5, 2.4, "5")] == ["5", "2.4", "5"]


def test_the_error_target_is_half_a_frame_of_the_fastest_show_unless_given() -> None:
    garden = check_scenario(table(), "garden.toml")
    assert garden.error_target_ms == 12.5
    assert garden.with_changes({"targets.error_ms": 3}).error_target_ms == 3.0


def test_a_follower_without_a_stated_latency_takes_thirty_microseconds_a_pixel() -> None:
    assert check_scenario(table(), "garden.toml").followers[1].latency_ms == pytest.approx(15.0, rel=1e-12)


def test_a_host_is_named_or_described_and_boards_are_what_followers_run_on_otherwise() -> None:
    boat = {"name": "boat", "pixels": 10, "host": {"stamps": "kernel", "wakes_late_us": [4, 7, 32, 93]}}
    rock = {"name": "rock", "pixels": 10, "host": "busy"}
    told = table() | {"boards": {"waking": "spin"}, "followers": [*table()["followers"], boat, rock]}
    scenario = check_scenario(told, "garden.toml")
    *others, boat_host, rock_host = (host_of(scenario, follower) for follower in scenario.followers)
    assert {(host.machine, host.stamps, host.waking) for host in others} == {("small-board", "program", "spin")}
    assert (boat_host.stamps, boat_host.waking, boat_host.wakes_late_us) == ("kernel", "exact-timer", (4, 7, 32, 93))
    assert (rock_host.machine, host_of(scenario, scenario.leader).machine) == ("busy", "steady")
    assert scenario.with_changes({"boards": "loaded"}).boards.machine == "loaded"
    changed = scenario.with_changes({"followers[boat].host.stamps": "program"})
    assert host_of(changed, changed.followers[-2]).stamps == "program"


@pytest.mark.parametrize(
    ("host", "told"),
    [
        ("huge", 'boards: "huge" is not allowed; allowed: one of steady, small-board, busy, loaded, micro'),
        ({"waking": "alarm"}, 'boards.waking: "alarm" is not allowed; allowed: one of "rounded-timer", "exact-'),
        ({"wakes_late_us": [5, 3, 1, 2]}, "boards: a table is not allowed; allowed: wakes_late_us of four numbers"),
        ({"wakes_late_us": [5]}, "boards.wakes_late_us: [5] is not allowed; allowed: [p50, p95, p99, p99.9], four"),
        ({"machine": "microcontroller", "waking": "spin"}, "boards: a table is not allowed; allowed: a microcontro"),
    ],
)
def test_a_host_that_cannot_be_is_refused(host: object, told: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        check_scenario(table() | {"boards": host}, "garden.toml")
    (line,) = caught.value.args
    assert told in line


def test_ways_of_waking_are_called_what_the_check_of_a_host_calls_them() -> None:
    assert get_args(Waking) == (ROUNDED_TIMER, EXACT_TIMER, SPIN)
