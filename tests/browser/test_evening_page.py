"""The evening page in a real browser: one instant in every drawing, the figures' values, and no request."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page

from leadlight_sim.measures.rehearsal import Rehearsal, rehearse
from leadlight_sim.report.document import page as page_of
from leadlight_sim.scenario.model import check_scenario

pytestmark = pytest.mark.slow
DRAWINGS = ("written", "ours", "naive", "whole", "close", "journeys")
NAMES = ("oak", "ash <i>", "elm")


@functools.cache
def rehearsed(pieces: int = 3) -> Rehearsal:
    names = [NAMES[k] if k < len(NAMES) else f"lamp {k}" for k in range(pieces)]
    table: dict[str, Any] = {
        "name": "pond </script>",
        "run": {"duration_s": 60, "settle_s": 5, "seed": 4},
        "followers": [{"name": name, "pixels": 90 + 50 * k} for k, name in enumerate(names)],
        "air": {"preset": "dozing"},
        "shows": [{"id": "short", "title": "Rain & <wind>", "duration_s": 40}],
        "cues": [{"at_s": 12, "show": "short"}],
        "faults": [{"kind": "power-cut", "follower": "oak", "at_s": 25, "for_s": 4}],
        "site": {"places": {name: [10.0 * k, float(k % 2)] for k, name in enumerate(names)}},
    }
    return rehearse(check_scenario(table, "pond"), timeline=True)


def figures(pieces: int = 3) -> dict[str, Any]:
    timeline: dict[str, Any] = rehearsed(pieces).to_json()["timeline"]
    return timeline


@dataclass(slots=True)
class Opened:
    """A page that was opened, and what it said and asked for meanwhile."""

    page: Page
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def instants(self) -> dict[str, float]:
        """The instant that each drawing shows."""
        found: dict[str, float] = self.page.evaluate(
            "Object.fromEntries([...document.querySelectorAll('#evening canvas')]"
            ".map(c => [c.dataset.part, +c.dataset.at]))"
        )
        return found

    def shown(self, part: str) -> Any:
        """The values that a drawing shows."""
        return self.page.evaluate(f"document.querySelector('[data-part={part}]').shown")

    def seek(self, seconds: float) -> None:
        """Put the slider at an instant, as a mouse does."""
        self.page.locator("[data-part=slider]").evaluate(
            "(slider, at) => { slider.value = at; slider.dispatchEvent(new Event('input', {bubbles: true})); }",
            str(round(seconds * 1000)),
        )

    def text(self, part: str) -> str:
        return self.page.locator(f"[data-part={part}]").inner_text()


def opened(browser: Browser, path: Path, **more: Any) -> Iterator[Opened]:
    context: BrowserContext = browser.new_context(**({"viewport": {"width": 1280, "height": 900}} | more))
    page = context.new_page()
    found = Opened(page)
    page.on("console", lambda message: found.said.append(message.text))
    page.on("pageerror", lambda error: found.said.append(str(error)))
    page.on("request", lambda request: found.asked.append(request.url))
    page.goto(path.as_uri())
    if more.get("java_script_enabled", True):
        page.wait_for_selector("html[data-ready=true]", state="attached", timeout=20_000)
    yield found
    context.close()


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "evening.html"
    path.write_text(page_of(rehearsed(), "leadlight rehearse pond.toml"), encoding="utf-8")
    return path


@pytest.fixture
def evening(browser: Browser, written: Path) -> Iterator[Opened]:
    yield from opened(browser, written)


# --- What a page holds to whatever is done with it ---


def test_it_says_nothing_on_the_console_and_asks_for_nothing_but_itself(evening: Opened, written: Path) -> None:
    for part in ("play", "play", "after", "before"):
        evening.page.locator(f"[data-part={part}]").click()
    evening.seek(30)
    assert evening.said == []
    assert evening.asked == [written.as_uri()]


def test_the_slider_moves_every_drawing_to_the_same_instant(evening: Opened) -> None:
    for seconds in (0.0, 13.337, 27.5, 60.0):
        evening.seek(seconds)
        assert evening.instants() == dict.fromkeys(DRAWINGS, seconds)


def value_at(timeline: dict[str, Any], way: str, piece: int, seconds: float) -> float | None:
    # From the figures alone: of a frame within a window, else the middle of a span.
    unit: float = timeline["unit_ms"]
    for window in timeline["windows"]:
        if window["begin_s"] <= seconds <= window["end_s"]:
            frame = math.floor((seconds - window["first_frame_s"]) / timeline["frame_s"] + 1e-6)
            row = window[way][piece]
            value = row[min(max(frame, 0), len(row) - 1)]
            break
    else:
        spans = timeline["spans"]
        row = spans["middle" if way == "ours" else "naive_middle"][piece]
        value = row[min(math.floor(seconds / spans["span_s"] + 1e-9), len(row) - 1)]
    return None if value is None else value * unit


def test_what_drawings_show_are_the_figures_values_frame_by_frame_and_beyond(evening: Opened) -> None:
    timeline = figures()
    cut_s = next(mark["at_s"] for mark in timeline["marks"] if mark["kind"] == "fault")
    within = [cut_s - 4 + k * 1.0375 for k in range(8)]
    compared = 0
    for seconds in (*within, 1.0, 20.125, 35.5, 36.2, 41.0, 55.0):
        evening.seek(seconds)
        for way in ("ours", "naive"):
            expected = [value_at(timeline, way, piece, seconds) for piece in range(3)]
            assert evening.shown(way) == pytest.approx(expected, abs=1e-9), (seconds, way)
            compared += sum(value is not None for value in expected)
        close = [None if one is None else one["middle"] for one in evening.shown("close")]
        assert close == pytest.approx([value_at(timeline, "ours", piece, seconds) for piece in range(3)], abs=1e-9)
    assert compared > 40


@pytest.mark.thorough
def test_the_packets_drawn_are_those_of_the_figures(evening: Opened) -> None:
    timeline = figures()
    mark = next(mark for mark in timeline["marks"] if mark["kind"] == "cue")
    evening.page.locator("[data-part=across-packets]").select_option("10")
    evening.page.locator("[data-kind=report]").check()
    evening.seek(mark["at_s"])
    window = next(one for one in timeline["windows"] if one["begin_s"] <= mark["at_s"] <= one["end_s"])
    packets = window["packets"]
    low, high = (mark["at_s"] + side - window["begin_s"] for side in (-5, 5))
    expected = sum(
        sent <= high * 1e6 and (sent if arrived is None else arrived) >= low * 1e6
        for sent, arrived in zip(packets["sent"], packets["arrived"], strict=True)
    )
    assert evening.shown("journeys") == expected > 20


def test_it_opens_at_the_worst_moment_and_its_first_sentence_names_it(evening: Opened) -> None:
    worst = figures()["worst_moment"]
    assert evening.page.locator("#worst-moment").inner_text().replace("\N{NO-BREAK SPACE}", " ") == worst["sentence"]
    assert worst["piece"] in worst["sentence"]
    assert worst["cause"]["text"] in worst["sentence"]
    assert evening.instants() == dict.fromkeys(DRAWINGS, worst["at_s"])


@pytest.mark.thorough
def test_the_resolution_at_the_cursor_is_told(evening: Opened) -> None:
    end_s = figures()["windows"][-1]["end_s"]
    evening.seek(end_s - 1)
    assert evening.text("resolution") == "every frame and packet"
    evening.seek(end_s + 1)
    assert evening.text("resolution") == "least, middle and most of each quarter of a second"


# --- By whatever hand ---


def test_the_keyboard_alone_reaches_everything(evening: Opened) -> None:
    page = evening.page
    wanted: set[str] = set(page.evaluate(
        "[...document.querySelectorAll('#evening :is(button, select, input)')]"
        ".map((one, k) => one.dataset.test = String(k))"
    ))  # fmt: skip
    page.evaluate("document.activeElement.blur()")
    reached: set[str] = set()
    for _ in range(len(wanted) + 40):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.dataset.test || ''"))
    assert wanted <= reached

    slider = page.locator("[data-part=slider]")
    slider.focus()
    page.keyboard.press("Home")
    assert set(evening.instants().values()) == {0.0}
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowRight")
    assert set(evening.instants().values()) == {1.025}
    marks = sorted({mark["at_s"] for mark in figures()["marks"]})
    page.keyboard.press("PageUp")
    assert set(evening.instants().values()) == {marks[0]}
    page.keyboard.press("PageUp")
    page.keyboard.press("PageDown")
    assert set(evening.instants().values()) == {marks[0]}
    page.keyboard.press("End")
    assert set(evening.instants().values()) == {60.0}
    button = page.locator("[data-part=marks] button").last
    button.focus()
    page.keyboard.press("Enter")
    assert set(evening.instants().values()) == {float(button.get_attribute("data-at") or "nan")}
    assert "1:00.00" not in slider.get_attribute("aria-valuetext")  # type: ignore[operator]


@pytest.mark.thorough
def test_it_plays_and_pauses(evening: Opened) -> None:
    evening.seek(14)
    play = evening.page.locator("[data-part=play]")
    play.click()
    evening.page.wait_for_function("document.querySelector('[data-part=whole]').dataset.at > 14.2")
    assert play.inner_text() == "Pause"
    play.click()
    assert play.inner_text() == "Play"
    (stopped_at,) = set(evening.instants().values())
    assert 14.2 < stopped_at < 20


@pytest.mark.thorough
def test_lights_keep_their_pace_however_fast_the_evening_goes_by(evening: Opened) -> None:
    # Four lights cross in four seconds: any point lights up once in a second of the screen's time, whatever the speed.
    for speed, pace in (("0.05", 0.05), ("1", 1), ("10", 10)):
        evening.page.locator("[data-part=speed]").select_option(speed)
        moved = evening.page.evaluate(f"player.crowd.head({10 + pace}, 0) - player.crowd.head(10, 0)")
        assert moved <= 0.25 + 1e-9


@pytest.mark.thorough
def test_who_asks_for_less_motion_gets_a_picture_a_second(browser: Browser, written: Path) -> None:
    for evening in opened(browser, written, reduced_motion="reduce"):
        evening.page.evaluate(
            "window.pictures = 0; new MutationObserver(() => window.pictures++).observe("
            "document.querySelector('[data-part=ours]'), {attributeFilter: ['data-at']})"
        )
        evening.seek(14)
        evening.page.locator("[data-part=play]").click()
        before = evening.page.evaluate("window.pictures")
        evening.page.wait_for_function("document.querySelector('[data-part=whole]').dataset.at > 15.9")
        assert 1 <= evening.page.evaluate("window.pictures") - before <= 3


@pytest.mark.thorough
def test_a_press_on_the_whole_evening_moves_there_by_mouse_and_by_touch(browser: Browser, written: Path) -> None:
    for touch in (False, True):
        for evening in opened(browser, written, has_touch=touch):
            canvas = evening.page.locator("[data-part=whole]")
            canvas.scroll_into_view_if_needed()
            box = canvas.bounding_box()
            assert box is not None
            x, y = box["x"] + box["width"] / 2, box["y"] + 120
            if touch:
                evening.page.touchscreen.tap(x, y)
            else:
                evening.page.mouse.click(x, y)
            (at,) = set(evening.instants().values())
            assert 25 < at < 35


@pytest.mark.thorough
def test_what_is_under_the_pointer_is_told(evening: Opened) -> None:
    evening.seek(16)
    for part, told in (("ours", "pixels"), ("close", "ms"), ("whole", "all others closer")):
        canvas = evening.page.locator(f"[data-part={part}]")
        canvas.scroll_into_view_if_needed()
        box = canvas.bounding_box()
        assert box is not None
        if part == "ours":
            tile = evening.page.evaluate("player.crowd.layout(player.crowd.panels[1].surface.width).tiles[1]")
            evening.page.mouse.move(box["x"] + tile["left"] + 5, box["y"] + tile["top"] + 5)
        else:
            evening.page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + box["height"] / 2)
        assert evening.page.locator("[data-part=hint]").is_visible()
        assert told in evening.text("hint").replace("µs", "ms")


# --- Wherever it is looked at ---


@pytest.mark.thorough_except(width=390, scheme="dark")
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 768, 1280])
def test_nothing_is_wider_than_the_window(browser: Browser, written: Path, width: int, scheme: str) -> None:
    for evening in opened(browser, written, viewport={"width": width, "height": 800}, color_scheme=scheme):
        assert evening.page.evaluate("document.documentElement.scrollWidth") <= width
        wide = evening.page.evaluate(
            "[...document.querySelectorAll('#evening *')].filter(one => one.getClientRects().length &&"
            " !one.closest('.values, .away') && one.getBoundingClientRect().right > innerWidth + 1)"
            ".map(one => one.outerHTML)"
        )
        assert wide == []
        assert evening.said == []


@pytest.mark.thorough
def test_drawings_take_the_colours_of_a_dark_screen_and_of_paper(browser: Browser, written: Path) -> None:
    for evening in opened(browser, written, color_scheme="light"):
        papers = []
        for media, scheme in (("screen", "light"), ("screen", "dark"), ("print", "dark")):
            evening.page.emulate_media(media=media, color_scheme=scheme)  # type: ignore[arg-type]
            evening.page.wait_for_function(
                "[...document.querySelectorAll('canvas')].every(c => c.dataset.paper =="
                " getComputedStyle(document.documentElement).getPropertyValue('--paper').trim())"
            )
            papers.append(evening.page.evaluate("[...document.querySelectorAll('canvas')].map(c => c.dataset.paper)"))
        assert all(len(set(paper)) == 1 for paper in papers)
        assert papers[0] != papers[1]
        assert papers[2] == papers[0]


@pytest.mark.thorough
def test_on_paper_the_drawings_are_there_and_the_controls_are_not(evening: Opened) -> None:
    assert evening.page.pdf(format="A4").startswith(b"%PDF")
    evening.page.emulate_media(media="print")
    assert not evening.page.locator("[data-part=slider]").is_visible()
    assert not evening.page.locator("[data-part=play]").is_visible()
    assert all(evening.page.locator(f"[data-part={part}]").is_visible() for part in DRAWINGS)


def test_without_script_the_stills_are_shown_and_the_moving_part_is_not(browser: Browser, written: Path) -> None:
    for evening in opened(browser, written, java_script_enabled=False):
        assert not evening.page.locator("#evening").is_visible()
        assert evening.page.locator("figure svg:visible").count() == 4
        assert evening.page.locator("#worst-moment").is_visible()


@pytest.mark.thorough
def test_with_script_the_moving_part_takes_the_place_of_its_stills(evening: Opened) -> None:
    assert [one.is_visible() for one in evening.page.locator("svg").all()].count(True) == 1


# --- Many pieces ---


@pytest.mark.thorough
def test_of_many_pieces_the_worst_are_drawn_and_those_that_are_picked(browser: Browser, tmp_path: Path) -> None:
    path = tmp_path / "many.html"
    path.write_text(page_of(rehearsed(40)), encoding="utf-8")
    for evening in opened(browser, path):
        boxes = evening.page.locator("[data-part=values] input")
        assert boxes.count() == 40
        drawn = len(evening.shown("close"))
        assert drawn in (12, 13)
        assert sum(box.is_checked() for box in boxes.all()) == drawn
        unpicked = next(box for box in boxes.all() if not box.is_checked())
        unpicked.check()
        assert len(evening.shown("close")) == drawn + 1
        assert evening.said == []
