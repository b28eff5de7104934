"""The drills by name, each in a few words: for whoever lists them without running one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple


class Told(NamedTuple):
    """What breaks, in words with gaps for who and for how long; and both, where nobody says."""

    words: str
    for_s: float | None = None
    """``None``: for good."""
    who: str = ""

    def summary(self, who: str = "", for_s: float | None = None) -> str:
        """Return the words with their gaps filled."""
        length_s = self.for_s if for_s is None else for_s
        return self.words.format(who=who or self.who, for_s="" if length_s is None else f"{length_s:g} s")


TOLD: Final[Mapping[str, Told]] = {
    "leader-reboot": Told("the leader restarts, {for_s}, nobody stands by", 20),
    "standby": Told("the leader is gone for good and a standby takes over"),
    "leader-lost": Told("the leader is gone for good and nobody stands by"),
    "power-cut": Told("{who} loses power, {for_s}", 20, "a piece"),
    "access-point": Told("{who} restarts, {for_s}", 90, "the access point"),
    "split-network": Told("{who} are cut off, {for_s}", 60, "half the pieces and the standby"),
    "suspended": Told("{who} is suspended, {for_s}: its output stands on one frame", 60, "a board"),
    "loss": Told("30 % of all packets are lost, {for_s}", 60),
    "roam": Told("{who} changes to a slower access point", 0.2, "a board"),
    "clash": Told("a second leader rolls another show, {for_s}", 60),
    "live-data": Told("live pixel data arrives for {who} too, {for_s}", 30, "a piece"),
    "music-moved": Told("the music is found 0.2 s further on, and {for_s} later back in its place", 20),
}
DRILL_SUMMARIES: Final[Mapping[str, str]] = {name: told.summary() for name, told in TOLD.items()}
ALL: Final = "all"
"""In place of a name: one after another."""
GRAMMAR: Final = "NAME[:WHO][@WHEN][/FOR]"
GRAMMAR_TOLD: Final = (
    "Of a drill may be said who (a piece; for split-network all that are cut off, with commas between), when it\n"
    "breaks in the run (3:20, 1:05:00 or 200s; from 1:00 on) and for how long (40s, 2min), such as\n"
    "power-cut:gatehouse@3:20/40s. What is left out is as in the list."
)
