"""Who is sent copies: only who answers at an address, only while it needs them, and never back and forth."""

from __future__ import annotations

from leadlight.leader.copies import COOKIES_KEPT, COPIES_MAXIMUM, END_AFTER_NS, LEASE_NS, Cookies, CopyList
from leadlight.units import MINUTE, SECOND, LocalInstant


def at(seconds: float) -> LocalInstant:
    return LocalInstant(round(seconds * SECOND))


def leased(*followers: int) -> CopyList:
    copies = CopyList()
    for follower in followers:
        copies.renew(follower, f"10.0.0.{follower}", at(0))
    return copies


def test_a_cookie_is_the_same_whenever_asked_however_many_strangers_asked_between() -> None:
    cookies = Cookies(bytes(16))
    cookie = cookies.of(7, "jetty")
    strangers = {cookies.of(7, f"stranger {number}") for number in range(COOKIES_KEPT)}
    assert len(strangers) == len(cookies._known) == COOKIES_KEPT
    assert cookie not in strangers
    assert cookies.of(7, "jetty") == cookie
    assert cookies.of(8, "jetty") != cookie
    assert Cookies(bytes(15) + b"1").of(7, "jetty") != cookie


def test_nobody_is_served_without_a_lease() -> None:
    copies = CopyList()
    assert not copies.begin(1)
    assert not copies.consider(1, 1_000, True, at(0))
    assert copies.addresses(at(0)) == []


def test_a_follower_that_hears_too_little_is_served_where_it_last_answered() -> None:
    copies = leased(1, 2)
    assert copies.consider(1, 251, False, at(1))
    assert not copies.consider(2, 250, False, at(1))
    assert copies.addresses(at(1)) == ["10.0.0.1"]
    copies.renew(1, "10.0.0.99", at(2))
    assert copies.addresses(at(2)) == ["10.0.0.99"]


def test_a_lease_lasts_thirty_seconds_unless_renewed() -> None:
    assert LEASE_NS == 30 * SECOND
    copies = leased(1, 2)
    copies.begin(1)
    assert copies.addresses(at(30)) == ["10.0.0.1"]
    assert copies.expire(at(30)) == []
    assert copies.addresses(LocalInstant(at(30) + 1)) == []
    # Of the two that have run out, one was served.
    assert copies.expire(LocalInstant(at(30) + 1)) == [1]
    assert copies.expire(LocalInstant(at(30) + 1)) == []


def test_a_lease_that_is_renewed_goes_on() -> None:
    copies = leased(1)
    copies.begin(1)
    for second in range(20, 200, 20):
        copies.renew(1, "10.0.0.1", at(second))
        assert copies.expire(at(second)) == []
        assert copies.addresses(at(second + 29)) == ["10.0.0.1"]


def test_no_more_than_sixty_four_leases_are_given() -> None:
    copies = leased(*range(1, COPIES_MAXIMUM + 10))
    assert COPIES_MAXIMUM == 64
    for follower in range(1, COPIES_MAXIMUM + 10):
        copies.begin(follower)
    assert len(copies.addresses(at(1))) == COPIES_MAXIMUM
    assert not copies.is_served(COPIES_MAXIMUM + 1)


def test_copies_end_only_after_a_minute_of_hearing_well() -> None:
    copies = leased(1)
    assert copies.consider(1, 300, False, at(0))
    changes = []
    for second in range(1, 100):
        copies.renew(1, "10.0.0.1", at(second))
        if copies.consider(1, 79, False, at(second)):
            changes.append(second)
    assert END_AFTER_NS == 60 * SECOND
    assert changes == [61]
    assert not copies.is_served(1)


def test_between_the_two_limits_nothing_changes_and_the_minute_begins_anew() -> None:
    copies = leased(1)
    copies.consider(1, 300, False, at(0))
    copies.renew(1, "10.0.0.1", at(25))
    assert not copies.consider(1, 0, False, at(1))
    assert not copies.consider(1, 80, False, at(50))
    copies.renew(1, "10.0.0.1", at(50))
    assert not copies.consider(1, 0, False, at(62))
    assert copies.is_served(1)


def test_where_everyone_is_served_loss_does_not_matter() -> None:
    copies = leased(1)
    assert copies.consider(1, 0, True, at(0))
    assert not copies.consider(1, 0, True, LocalInstant(at(0) + MINUTE // 4))
    assert copies.is_served(1)
