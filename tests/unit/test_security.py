from __future__ import annotations

from hashlib import blake2s
from typing import Any

import pytest

from leadlight.errors import ConfigurationError
from leadlight.wire.tags import TAG_BYTES, KeyRing

KEY = bytes(range(32))


def test_a_tag_is_keyed_blake2s_over_all_that_is_before_it() -> None:
    expected = blake2s(b"signed", key=KEY, digest_size=16, person=b"leadlght").digest()
    ring = KeyRing({7: KEY})
    assert ring.tag(7, b"signed") == expected
    assert ring.tag(7, b"signed") == expected  # the primed state was not used up
    assert len(expected) == TAG_BYTES


def test_only_the_right_tag_of_the_right_slot_is_right() -> None:
    ring = KeyRing({1: KEY, 2: KEY[::-1]})
    tag = ring.tag(1, b"signed")
    assert ring.verify(1, b"signed", tag)
    assert not ring.verify(2, b"signed", tag)
    assert not ring.verify(1, b"signet", tag)
    assert not ring.verify(1, b"signed", tag[:-1])
    assert not ring.verify(1, b"signed", b"")


def test_the_lowest_slot_sends_unless_another_is_named() -> None:
    keys = {3: KEY, 2: KEY, 9: KEY}
    assert KeyRing(keys).active == 2
    assert KeyRing(keys, active=9).active == 9
    assert 9 in KeyRing(keys)
    assert 4 not in KeyRing(keys)


@pytest.mark.parametrize(
    ("keys", "active"),
    [
        ({}, None),
        ({0: KEY}, None),
        ({256: KEY}, None),
        ({1: KEY[:15]}, None),
        ({1: KEY + b"!"}, None),
        ({1: KEY}, 2),
    ],
)
def test_rings_that_cannot_work_are_refused(keys: dict[int, bytes], active: int | None) -> None:
    with pytest.raises(ConfigurationError):
        KeyRing(keys, active)


def test_a_refused_key_is_not_repeated_in_the_message() -> None:
    secret: Any = b"too short"
    with pytest.raises(ConfigurationError) as refused:
        KeyRing({1: secret})
    assert "too short" not in str(refused.value)
