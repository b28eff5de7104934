"""The drills by name, each in a few words: for whoever lists them without running one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

DRILL_SUMMARIES: Final[Mapping[str, str]] = {
    "leader-reboot": "the leader restarts, 20 s, nobody stands by",
    "standby": "the leader is gone for good and a standby takes over",
    "leader-lost": "the leader is gone for good and nobody stands by",
    "power-cut": "a piece loses power, 20 s",
    "access-point": "the access point restarts, 90 s",
    "split-network": "half the pieces and the standby are cut off, 60 s",
    "suspended": "a board is suspended, 60 s: its output stands on one frame",
    "loss": "30 % of all packets are lost, 60 s",
    "roam": "a board changes to a slower access point",
    "clash": "a second leader rolls another show, 60 s",
    "live-data": "live pixel data arrives for a piece too, 30 s",
    "music-moved": "the music is found 0.2 s further on, and 20 s later back in its place",
}
ALL: Final = "all"
"""In place of a name: one after another."""
