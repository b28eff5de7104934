"""Judging: everybody at every look, and every seam, held against every promise."""

from __future__ import annotations

from typing import Final

from leadlight.units import SECOND
from leadlight_sim.kernel import TrueInstant
from leadlight_sim.soak import liveness, safety  # noqa: F401 - they enter their promises
from leadlight_sim.soak.looks import Group, Seam, Seen
from leadlight_sim.soak.promises import LIVENESS, SAFETY, AtGroup, AtSeam, Evening, Look, Promise

LOOKS_A_JUDGEMENT: Final = 3


class Judge:
    """Holds what is seen of one evening against the promises, and keeps in ``found`` how each was first broken.

    That is the promise, by whom, when, and how in words, by the promise's name.
    """

    def __init__(self, evening: Evening) -> None:
        self._evening = evening
        self.found: dict[str, tuple[Promise, str, TrueInstant, str]] = {}
        self._looks = 0
        self._at_look: list[tuple[Promise, Look]] = []
        self._at_seam: list[tuple[Promise, AtSeam]] = []
        self._at_group: list[tuple[Promise, AtGroup, int, dict[str, TrueInstant]]] = []
        for promise in SAFETY:
            if promise.at_look is not None:
                self._at_look.append((promise, promise.at_look))
            if promise.at_seam is not None:
                self._at_seam.append((promise, promise.at_seam))
        for promise in LIVENESS:
            if promise.at_group is not None and promise.patience_s is not None:
                # With whom it is wrong, since when.
                patience_ns = round(promise.patience_s(evening) * SECOND)
                self._at_group.append((promise, promise.at_group, patience_ns, {}))

    def _break(self, promise: Promise, node: str, at: TrueInstant, told: str) -> None:
        if promise.name not in self.found:
            self.found[promise.name] = (promise, node, at, told)

    def at_seam(self, seam: Seam) -> None:
        """Judge a plan that was changed."""
        for promise, judge in self._at_seam:
            told = judge(seam, self._evening)
            if told is not None:
                self._break(promise, seam.name, seam.at, told)

    def at_look(self, group: Group) -> None:
        """Judge everybody at one look."""
        evening = self._evening
        before, lives = evening.before, evening.lives
        now: dict[str, Seen] = {}
        for seen in group.seen:
            last = before.get(seen.name)
            if lives.get(seen.name) != seen.life:
                last = None
                evening.begin_life(seen)
            for promise, judge in self._at_look:
                told = judge(seen, last, evening)
                if told is not None:
                    self._break(promise, seen.name, group.at, told)
            now[seen.name] = seen
        evening.before = now
        self._looks += 1
        if self._looks % LOOKS_A_JUDGEMENT:
            return  # what comes about in seconds need not be asked for ten times in each
        for promise, judge_group, patience_ns, wrong_since in self._at_group:
            wrong = judge_group(group, evening)
            if wrong or wrong_since:
                for node in [node for node in wrong_since if node not in wrong]:
                    del wrong_since[node]
                for node, told in wrong.items():
                    lasted_ns = group.at - wrong_since.setdefault(node, group.at)
                    if lasted_ns > patience_ns:
                        self._break(promise, node, group.at, f"{told}, for {lasted_ns / SECOND:.1f} s")
