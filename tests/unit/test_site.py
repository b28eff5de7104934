"""The site's own check finds what it is there to find; the site itself is built by `.ci/run`."""

from __future__ import annotations

from pathlib import Path

import check
import pages
import pytest

HERE = Path(__file__).parents[2] / ".ci" / "site"


@pytest.mark.parametrize(
    ("body", "fault"),
    [
        ('<a href="other.html#there">', None),
        ('<a href="#here"><p id="here">', None),
        ('<a href="https://example.org/">to follow, not to load</a>', None),
        ('<img src="data:image/png;base64,AAAA">', None),
        ('<a href="none.html">', "none.html leads nowhere"),
        ('<a href="other.html#gone">', "other.html#gone: there is no such place"),
        ('<a href="#gone">', "#gone: there is no such place"),
        ('<img src="none.png">', "none.png leads nowhere"),
        ('<script src="https://example.org/x.js"></script>', "fetches https://example.org/x.js"),
        ('<link rel="stylesheet" href="//example.org/x.css">', "fetches //example.org/x.css"),
        ('<img src="http://example.org/x.png">', "fetches http://example.org/x.png"),
        ('<style>@import "x.css";</style>', "loads something from elsewhere"),
    ],
)
def test_a_page_is_held_to_what_it_points_to_and_what_it_fetches(body: str, fault: str | None, tmp_path: Path) -> None:
    (tmp_path / "index.html").write_text(body, encoding="utf-8")
    (tmp_path / "other.html").write_text('<p id="there">', encoding="utf-8")
    assert check.faults(tmp_path) == ([] if fault is None else [f"index.html: {fault}"])


def test_a_style_that_loads_from_elsewhere_is_found(tmp_path: Path) -> None:
    (tmp_path / "fine.css").write_text("a { background: url(data:x) }", encoding="utf-8")
    (tmp_path / "site.css").write_text("@font-face { src: url('https://example.org/x.woff2') }", encoding="utf-8")
    assert check.faults(tmp_path) == ["site.css: loads something from elsewhere"]


def test_every_command_has_its_place_among_the_pages() -> None:
    assert {"lead", "follow", "rehearse", "tune"} <= set(pages.command_names())


@pytest.mark.slow
def test_the_words_below_an_assignment_are_its_description() -> None:
    assert pages.words_below()["LocalInstant"] == "An instant on this node's own monotonic clock."
