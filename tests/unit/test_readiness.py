from __future__ import annotations

import json

import pytest

from leadlight.commands.check import in_words
from leadlight.readiness.findings import Finding, Verdict, as_json, verdict_on

GOOD = Finding("timer", "timer", "wakes 1 ms late", values={"median_ns": 1_000_000})
DOUBTFUL = Finding("radio", "radio", "Wi-Fi, and it saves power", Verdict.LOOK, "switch it off")
BAD = Finding("leader", "leader", "none heard", Verdict.NO_GO, "start one")


@pytest.mark.parametrize(
    ("findings", "verdict"),
    [
        ([], Verdict.GO),
        ([GOOD], Verdict.GO),
        ([GOOD, DOUBTFUL], Verdict.GO),
        ([GOOD, BAD, DOUBTFUL], Verdict.NO_GO),
    ],
)
def test_one_no_go_is_enough_and_a_look_is_none(findings: list[Finding], verdict: Verdict) -> None:
    assert verdict_on(findings) is verdict


@pytest.mark.parametrize("verdict", [Verdict.LOOK, Verdict.NO_GO])
def test_whatever_is_no_go_or_to_look_at_says_what_to_do(verdict: Verdict) -> None:
    with pytest.raises(AssertionError, match="leader"):
        Finding("leader", "leader", "none heard", verdict)
    with pytest.raises(AssertionError, match="timer"):
        Finding("timer", "timer", "fine", Verdict.GO, "do nothing")


def test_the_table_has_a_line_for_each_finding_what_to_do_below_it_and_the_verdict_at_the_end() -> None:
    assert in_words([GOOD, DOUBTFUL, BAD], ["contents"]) == [
        "looked at  verdict  found",
        "timer      go       wakes 1 ms late",
        "radio      look     Wi-Fi, and it saves power",
        "    to do: switch it off",
        "leader     no-go    none heard",
        "    to do: start one",
        "",
        "not looked at: contents",
        "no-go: leader; look: radio",
    ]


@pytest.mark.parametrize(
    ("findings", "last"), [([GOOD], "go"), ([GOOD, DOUBTFUL], "go; look: radio"), ([BAD], "no-go: leader")]
)
def test_the_last_line_is_the_verdict_and_names_what_it_rests_on(findings: list[Finding], last: str) -> None:
    assert in_words(findings)[-2:] == ["", last]


def test_scripts_get_the_same_findings_by_stable_keys() -> None:
    text = as_json([GOOD, BAD], {"group": "quarry lake"}, ["contents"])
    assert json.loads(text) == {
        "leadlight_check": 1,
        "group": "quarry lake",
        "verdict": "no-go",
        "findings": [
            {
                "key": "timer",
                "looked_at": "timer",
                "found": "wakes 1 ms late",
                "verdict": "go",
                "to_do": "",
                "values": {"median_ns": 1_000_000},
            },
            {
                "key": "leader",
                "looked_at": "leader",
                "found": "none heard",
                "verdict": "no-go",
                "to_do": "start one",
                "values": {},
            },
        ],
        "not_looked_at": ["contents"],
    }
