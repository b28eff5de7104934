"""Decoding a datagram once for all its receivers is the same as each decoding it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from leadlight import Codec
from leadlight.errors import WireError
from leadlight.wire.messages import Beacon
from leadlight_sim.scenario.files import load_shipped
from leadlight_sim.world import assembly
from leadlight_sim.world.assembly import World
from leadlight_sim.world.nodes import DECODES_KEPT, SharedCodec

GROUP = "quarry lake"


@pytest.mark.slow
@pytest.mark.parametrize("preset", ["busy", "dozing"])
def test_a_run_with_a_plain_codec_leaves_the_same_trace(preset: str, monkeypatch: pytest.MonkeyPatch) -> None:
    scenario = load_shipped().with_changes({"air.preset": preset}).cut_to(80)
    shared = World(scenario)
    shared.run_to(shared.end)
    monkeypatch.setattr(assembly, "SharedCodec", Codec)
    plain = World(scenario)
    plain.run_to(plain.end)
    assert plain.trace.hexdigest() == shared.trace.hexdigest()


def test_one_datagram_is_decoded_once_and_equal_bytes_afresh(make_beacon: Callable[..., Any]) -> None:
    codec = SharedCodec(GROUP)
    data = codec.encode(make_beacon())
    message = codec.decode(data)
    assert message == Codec(GROUP).decode(data)
    assert codec.decode(data) is message
    again = codec.decode(bytes(bytearray(data)))
    assert again == message
    assert again is not message


def test_a_refused_datagram_is_refused_every_time() -> None:
    codec = SharedCodec(GROUP)
    data = b"not one of ours"
    reasons = []
    for _ in range(2):
        with pytest.raises(WireError) as refused:
            codec.decode(data)
        reasons.append(refused.value.reason)
    assert len(set(reasons)) == 1


def test_what_is_remembered_is_bounded_and_never_taken_for_another(make_beacon: Callable[..., Any]) -> None:
    codec = SharedCodec(GROUP)
    # Datagrams that are let go may leave their place in memory, and so their identity, to the next.
    for serial in range(20 * DECODES_KEPT):
        message = codec.decode(codec.encode(make_beacon(serial=serial)))
        assert isinstance(message, Beacon)
        assert message.serial == serial
    assert len(codec._decoded) == DECODES_KEPT
