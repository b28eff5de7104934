from __future__ import annotations

from typing import Any

import pytest

from leadlight.commands.orders.typed import LineEditor
from leadlight.commands.orders.words import position_ns, request_of, typed_request
from leadlight.errors import ConfigurationError, OrderError
from leadlight.units import MILLISECOND, SECOND


@pytest.mark.parametrize(
    ("line", "request_made"),
    [
        ("roll Tidefall", {"order": "roll", "show": "Tidefall"}),
        ("roll Night Ferry --at 1:23.5", {"order": "roll", "show": "Night Ferry", "position_ns": 83_500 * MILLISECOND}),
        ("roll 'Night Ferry' --edition 2", {"order": "roll", "show": "Night Ferry", "edition": "2"}),
        ("seek 0:01:00", {"order": "seek", "position_ns": 60 * SECOND}),
        ("seek 90", {"order": "seek", "position_ns": 90 * SECOND}),
        ("take-back", {"order": "take-back"}),
        ("status", {"order": "status"}),
    ],
)
def test_words_become_an_order(line: str, request_made: dict[str, Any]) -> None:
    assert typed_request(line) == request_made


@pytest.mark.parametrize("line", ["", "play Tidefall", "roll", "roll --at 3", "roll X --at", "pause now", "seek", "'"])
def test_words_that_are_no_order_are_refused_with_what_there_is(line: str) -> None:
    with pytest.raises(OrderError):
        typed_request(line)


@pytest.mark.parametrize("text", ["-1", "1:2", "1:60", "x", "1:23:4", "1e3", "1.0000000001", ""])
def test_what_is_no_position_is_refused(text: str) -> None:
    with pytest.raises(ConfigurationError, match="M:SS"):
        position_ns("--at", text)


def test_a_position_has_hours_minutes_and_nanoseconds() -> None:
    assert position_ns("--at", "2:03:04.000000001") == (2 * 3600 + 3 * 60 + 4) * SECOND + 1
    assert request_of(["roll", "Night", "Ferry"])["show"] == "Night Ferry"


def test_a_line_is_edited_while_it_is_typed() -> None:
    editor = LineEditor()
    assert editor.take(b"dakr\x7f\x7f\x1b[D") == []
    assert editor.text == "da"
    assert editor.take(b"rk\nstop\r") == ["dark", "stop"]
    assert editor.take(b"what\x15status\n") == ["status"]
    assert editor.take("Übung".encode()[:1]) == []
    assert editor.take("Übung".encode()[1:] + b"\n") == ["Übung"]
    assert editor.text == ""
