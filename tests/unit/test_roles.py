from __future__ import annotations

from itertools import product

import pytest

from leadlight.leader.roles import TRANSITIONS, RoleInput
from leadlight.terms import Role

LISTENING, STANDBY, ASKING, LEADING = Role.LISTENING, Role.STANDBY, Role.ASKING, Role.LEADING


def test_every_role_answers_every_input() -> None:
    assert set(TRANSITIONS) == set(product(Role, RoleInput))


@pytest.mark.parametrize(
    ("happens", "leads_to"),
    [
        # From listening, standby, asking, leading, in this order.
        (RoleInput.HEARD_LEADER, (STANDBY, STANDBY, STANDBY, LEADING)),
        (RoleInput.HEARD_BETTER, (STANDBY, STANDBY, STANDBY, STANDBY)),
        (RoleInput.LISTENED_OUT, (LEADING, STANDBY, ASKING, LEADING)),
        (RoleInput.SILENCE, (LISTENING, ASKING, ASKING, LEADING)),
        (RoleInput.ANSWERED, (LISTENING, STANDBY, STANDBY, LEADING)),
        (RoleInput.ASKED_OUT, (LISTENING, STANDBY, LEADING, LEADING)),
        (RoleInput.TAKE_BACK, (LEADING, LEADING, LEADING, LEADING)),
    ],
)
def test_the_table_says_what_the_roles_mean(happens: RoleInput, leads_to: tuple[Role, ...]) -> None:
    assert tuple(TRANSITIONS[role, happens] for role in (LISTENING, STANDBY, ASKING, LEADING)) == leads_to


def test_silence_alone_never_leads() -> None:
    assert LEADING not in {TRANSITIONS[role, RoleInput.SILENCE] for role in Role if role is not LEADING}


def test_whoever_leads_stops_only_for_one_that_outranks() -> None:
    leaves = {happens for (role, happens), then in TRANSITIONS.items() if role is LEADING and then is not LEADING}
    assert leaves == {RoleInput.HEARD_BETTER}


def test_from_every_role_every_other_can_be_reached_but_listening() -> None:
    for start in Role:
        before: set[Role] = set()
        reached = {start}
        while reached != before:
            before = set(reached)
            reached |= {TRANSITIONS[role, happens] for role in before for happens in RoleInput}
        assert reached == {start, STANDBY, ASKING, LEADING}
