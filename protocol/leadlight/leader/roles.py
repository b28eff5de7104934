"""The roles of a node that can lead, as a table: what each input does in each role.

Silence alone does not elect. At a tenth of packets lost in bursts, five beacons in a row are missed thirty times an
hour. So a standby that hears nothing asks before it leads, and any answer sends it back.
"""

from __future__ import annotations

from enum import Enum
from typing import Final

from leadlight.terms import Role


class RoleInput(Enum):
    """What can happen to it."""

    HEARD_LEADER = "another leader's beacon is accepted"
    HEARD_BETTER = "a leader that outranks this one is heard and proven"
    LISTENED_OUT = "nobody was heard since the start"
    SILENCE = "so many beacon intervals were silent"
    GOODBYE = "the leader says goodbye"
    ANSWERED = "the silent leader answers a Sounding"
    ASKED_OUT = "nobody answered"
    TAKE_BACK = "a show boundary, and this one outranks the leader; or an order"


TRANSITIONS: Final[dict[tuple[Role, RoleInput], Role]] = {
    (Role.LISTENING, RoleInput.HEARD_LEADER): Role.STANDBY,
    (Role.LISTENING, RoleInput.HEARD_BETTER): Role.STANDBY,
    (Role.LISTENING, RoleInput.LISTENED_OUT): Role.LEADING,
    (Role.LISTENING, RoleInput.SILENCE): Role.LISTENING,
    (Role.LISTENING, RoleInput.GOODBYE): Role.LISTENING,
    (Role.LISTENING, RoleInput.ANSWERED): Role.LISTENING,
    (Role.LISTENING, RoleInput.ASKED_OUT): Role.LISTENING,
    (Role.LISTENING, RoleInput.TAKE_BACK): Role.LEADING,
    (Role.STANDBY, RoleInput.HEARD_LEADER): Role.STANDBY,
    (Role.STANDBY, RoleInput.HEARD_BETTER): Role.STANDBY,
    (Role.STANDBY, RoleInput.LISTENED_OUT): Role.STANDBY,
    (Role.STANDBY, RoleInput.SILENCE): Role.ASKING,
    (Role.STANDBY, RoleInput.GOODBYE): Role.ASKING,
    (Role.STANDBY, RoleInput.ANSWERED): Role.STANDBY,
    (Role.STANDBY, RoleInput.ASKED_OUT): Role.STANDBY,
    (Role.STANDBY, RoleInput.TAKE_BACK): Role.LEADING,
    (Role.ASKING, RoleInput.HEARD_LEADER): Role.STANDBY,
    (Role.ASKING, RoleInput.HEARD_BETTER): Role.STANDBY,
    (Role.ASKING, RoleInput.LISTENED_OUT): Role.ASKING,
    (Role.ASKING, RoleInput.SILENCE): Role.ASKING,
    (Role.ASKING, RoleInput.GOODBYE): Role.ASKING,
    (Role.ASKING, RoleInput.ANSWERED): Role.STANDBY,
    (Role.ASKING, RoleInput.ASKED_OUT): Role.LEADING,
    (Role.ASKING, RoleInput.TAKE_BACK): Role.LEADING,
    # A leader that is not better will hear this one's beacons and yield.
    (Role.LEADING, RoleInput.HEARD_LEADER): Role.LEADING,
    (Role.LEADING, RoleInput.HEARD_BETTER): Role.STANDBY,
    (Role.LEADING, RoleInput.LISTENED_OUT): Role.LEADING,
    (Role.LEADING, RoleInput.SILENCE): Role.LEADING,
    (Role.LEADING, RoleInput.GOODBYE): Role.LEADING,
    (Role.LEADING, RoleInput.ANSWERED): Role.LEADING,
    (Role.LEADING, RoleInput.ASKED_OUT): Role.LEADING,
    (Role.LEADING, RoleInput.TAKE_BACK): Role.LEADING,
}
