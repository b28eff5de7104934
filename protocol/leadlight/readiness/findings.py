"""Findings before a show: what was looked at, what was found, and whether that is a go."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

FORM: Final = 1
"""The form of the JSON that ``as_json`` makes; it goes up if a key is renamed or taken out."""


class Verdict(StrEnum):
    """What a finding means for the show."""

    GO = "go"
    LOOK = "look"
    """The show can go on, but somebody should know."""
    NO_GO = "no-go"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at.

    ``key`` names it for scripts and never changes; ``values`` are its figures, for them too. ``to_do`` is one sentence
    that says what to do, and is there for everything that is not a go.
    """

    key: str
    looked_at: str
    found: str
    verdict: Verdict = Verdict.GO
    to_do: str = ""
    values: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        assert (self.verdict is Verdict.GO) == (not self.to_do), f"{self.key}: {self.verdict}, to do {self.to_do!r}"


def verdict_on(findings: Iterable[Finding]) -> Verdict:
    """Return go unless one of the findings is a no-go."""
    return Verdict.NO_GO if any(finding.verdict is Verdict.NO_GO for finding in findings) else Verdict.GO


def as_json(findings: Sequence[Finding], about: Mapping[str, Any], not_looked_at: Sequence[str] = ()) -> str:
    """Return findings as a JSON document; ``about`` says of which host and group, and when."""
    document = {
        "leadlight_check": FORM,
        **about,
        "verdict": verdict_on(findings),
        "findings": [
            {
                "key": finding.key,
                "looked_at": finding.looked_at,
                "found": finding.found,
                "verdict": finding.verdict,
                "to_do": finding.to_do,
                "values": dict(finding.values),
            }
            for finding in findings
        ],
        "not_looked_at": list(not_looked_at),
    }
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"
