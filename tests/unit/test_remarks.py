from __future__ import annotations

import logging

import pytest

from leadlight.events import DatagramsRefused, NoLeaderHeard
from leadlight.net.remarks import Remarks
from leadlight.terms import Refusal
from leadlight.units import MINUTE, SECOND, LocalInstant


def at(second: float) -> LocalInstant:
    return LocalInstant(round(second * SECOND))


def test_a_follower_without_a_leader_says_so_after_five_seconds_and_once_a_minute() -> None:
    remarks = Remarks("lake", at(0))
    told = [event for second in range(1, 140) for event in remarks.look(at(second), {}, hears_leader=False)]
    assert told == [NoLeaderHeard(at(second), second * SECOND) for second in (5, 65, 125)]
    assert remarks.look(at(141), {}, hears_leader=True) == []
    assert remarks.look(at(145), {}, hears_leader=False) == []
    assert remarks.look(at(146), {}, hears_leader=False) == [NoLeaderHeard(at(146), 5 * SECOND)]


def test_refusals_are_counted_and_told_at_most_once_a_minute_each(caplog: pytest.LogCaptureFixture) -> None:
    remarks = Remarks("lake", at(0))
    counters = {"bad tag": 3, "own copy": 9}
    assert remarks.look(at(1), counters, hears_leader=True) == [DatagramsRefused(at(1), Refusal.BAD_TAG, 3)]
    counters |= {"bad tag": 100, "other group": 1}
    assert remarks.look(at(2), counters, hears_leader=True) == [DatagramsRefused(at(2), Refusal.OTHER_GROUP, 1)]
    assert remarks.look(LocalInstant(at(1) + MINUTE), counters, hears_leader=True) == [
        DatagramsRefused(LocalInstant(at(1) + MINUTE), Refusal.BAD_TAG, 97)
    ]
    assert remarks.look(at(130), counters, hears_leader=True) == []
    said = [record.getMessage() for record in caplog.records]
    assert said[0] == (
        "3 datagrams refused in group 'lake': bad tag: its sender has another key;"
        " give every node of the group the same key file"
    )
    assert len(said) == 3
    assert {record.name for record in caplog.records} == {"leadlight.net.remarks"}


@pytest.mark.parametrize("reason", [Refusal.BAD_TAG, Refusal.NO_KEY, Refusal.OTHER_GROUP, Refusal.OTHER_VERSION])
def test_what_an_owner_can_mend_is_logged(reason: Refusal, caplog: pytest.LogCaptureFixture) -> None:
    Remarks("lake", at(0)).look(at(1), {str(reason): 1}, hears_leader=True)
    (record,) = caplog.records
    assert record.levelno == logging.WARNING


def test_it_is_due_once_a_second() -> None:
    remarks = Remarks("lake", at(0))
    assert not remarks.is_due(at(0.999))
    assert remarks.is_due(at(1))
    remarks.look(at(1), {}, hears_leader=True)
    assert not remarks.is_due(at(1.5))
