"""The other pages in a real browser: readable on a phone, no console message, no request, and rows that open."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from leadlight.commands.cli import main
from leadlight_sim.testing import record_virtually

pytestmark = pytest.mark.slow

GARDEN = """
name = "Garden"
run = { duration_s = 12, settle_s = 3 }
followers = [{ name = "arch", pixels = 300 }, { name = "a hedge of a long name", pixels = 500 }]
shows = [{ id = "first-light", duration_s = 20 }]
cues = [{ at_s = 2, show = "first-light" }]
"""
SMALLEST_PX = 9.8
"""Of any text in a drawing."""


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> Mapping[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    garden = folder / "garden.toml"
    garden.write_text(GARDEN)
    tune = ["tune", str(garden), "--intervals", "0.5,1", "--share", "0.3", "--evenings", "2", "--jobs", "1"]
    compare = ["compare", str(garden), "leader.interval_s=0.1", "--evenings", "12", "--jobs", "1"]
    drills = ["rehearse", str(garden), "--drill", "roam@1:00", "--quiet"]
    recording = folder / "own.rec"
    with ThreadPoolExecutor(1) as aside:  # the browser's tools hold an asyncio loop here, and a recording has its own
        recording.write_bytes(aside.submit(record_virtually, 20.0, preset="dozing", seed=5).result().content)
    fit = ["fit", str(recording), "--output", str(folder / "own.toml")]
    made = {}
    for name, words in {"tune": tune, "compare": compare, "rehearse": drills, "fit": fit}.items():
        made[name] = folder / f"{name}.html"
        assert main([*words, "--report", str(made[name])]) == 0
    return made


@pytest.mark.thorough_except(width=390, colours="light")
@pytest.mark.parametrize("colours", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 768, 1280])
@pytest.mark.parametrize("name", ["tune", "compare", "rehearse", "fit"])
def test_a_page_fits_every_width_and_asks_for_nothing(
    browser: Browser, pages: Mapping[str, Path], name: str, width: int, colours: str
) -> None:
    context = browser.new_context(
        viewport={"width": width, "height": 900}, color_scheme="dark" if colours == "dark" else "light"
    )
    page = context.new_page()
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(pages[name].as_uri())
    fits = "document.documentElement.scrollWidth <= innerWidth"
    assert page.evaluate(fits)
    if width > 390:  # no paper is as narrow as a phone
        page.emulate_media(media="print")
        assert page.evaluate(fits)
        page.emulate_media(media="screen")
    smallest = page.evaluate(
        "Math.min(...[...document.querySelectorAll('main td, main th, main p')]"
        ".map(e => parseFloat(getComputedStyle(e).fontSize)))"
    )
    assert smallest >= SMALLEST_PX
    drawn, whole, words_px = page.evaluate(
        """() => {
          const shown = [...document.querySelectorAll("main figure svg")].filter(one => one.getClientRects().length);
          const words = shown.flatMap(one => [...one.querySelectorAll("text")]).filter(one => one.textContent.trim());
          const size = one => parseFloat(getComputedStyle(one).fontSize) * Math.hypot(one.getCTM().a, one.getCTM().b);
          const fits = one => one.parentElement.scrollWidth <= one.parentElement.clientWidth;
          return [shown.length, shown.filter(fits).length, Math.min(...words.map(size))];
        }"""
    )
    assert (drawn, whole) == (4 if name == "fit" else 0,) * 2
    assert not drawn or words_px >= SMALLEST_PX
    if name == "rehearse":
        page.locator("tbody th a").first.press("Enter")
        frame = page.frame_locator("iframe").first
        frame.locator("html[data-ready=true]").wait_for(state="attached", timeout=20_000)
        assert frame.locator("[data-part=slider]").is_visible()
    assert said == []
    # A page inside the page is no request that leaves it.
    assert [url for url in asked if not url.startswith(("file:", "about:"))] == []
    context.close()
