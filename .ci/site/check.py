"""What may be wrong with a built site: links and anchors that lead nowhere, and anything fetched from elsewhere."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

LOADED = {
    "img": "src",
    "script": "src",
    "link": "href",
    "iframe": "src",
    "source": "src",
    "audio": "src",
    "video": "src",
}
"""What a browser fetches by itself, by element."""
ELSEWHERE = "loads something from elsewhere"
PHONE_PIXELS = 390
ONE_SHEET = "protocol/guides/show-night"
ANY_TOO_WIDE = """(width) => [...document.querySelectorAll("article *")].some(each => {
    if (each.getBoundingClientRect().right <= width + 1) return false;
    for (let up = each.parentElement; up && up.tagName !== "ARTICLE"; up = up.parentElement)
        if (["auto", "scroll"].includes(getComputedStyle(up).overflowX)) return false;
    return true;
})"""
"""Whether anything reaches beyond the page, but for what scrolls by itself."""
STYLE_LOADS = re.compile(r"@import|url\(\s*[\"']?(?:https?:)?//")


STYLE = re.compile(r"<style.*?</style>|style=\"[^\"]*\"", re.DOTALL)


class Page(HTMLParser):
    """The anchors, the links and what is loaded, of one page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.anchors: set[str] = set()
        self.links: list[str] = []
        self.loaded: list[str] = []
        self.loads_style = any(map(STYLE_LOADS.search, STYLE.findall(text)))
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take note of one element."""
        given = {name: value for name, value in attrs if value is not None}
        self.anchors.update(given[name] for name in ("id", "name") if name in given)
        if tag == "a" and "href" in given:
            self.links.append(given["href"])
        if tag in LOADED and LOADED[tag] in given:
            self.loaded.append(given[LOADED[tag]])


def faults(site: Path) -> list[str]:
    """Return what is wrong with the files, a line each."""
    site = site.resolve()
    pages = {path: Page(path.read_text(encoding="utf-8")) for path in sorted(site.rglob("*.html"))}
    found = [f"{path.relative_to(site)}: {fault}" for path, page in pages.items() for fault in _of(path, page, pages)]
    styles = [path for path in sorted(site.rglob("*.css")) if STYLE_LOADS.search(path.read_text(encoding="utf-8"))]
    return [*found, *(f"{path.relative_to(site)}: {ELSEWHERE}" for path in styles)]


def faults_in_browser(site: Path, browser: str) -> list[str]:
    """Return what is wrong once a browser has opened every page from the disk, on a phone, searched and printed."""
    from playwright.sync_api import Error, sync_playwright

    found, fetched = [], set[str]()
    with sync_playwright() as tools:
        # As root, as in a container, chromium cannot build its own sandbox; it is shown only pages made here.
        window = tools.chromium.launch(executable_path=browser, args=["--no-sandbox"])
        page = window.new_page(viewport={"width": PHONE_PIXELS, "height": 800})
        page.on("request", lambda request: fetched.add(request.url))
        for path in sorted(site.resolve().rglob("*.html")):
            page.goto(path.as_uri())
            if page.evaluate(ANY_TOO_WIDE, PHONE_PIXELS):
                found.append(f"{path.relative_to(site.resolve())}: wider than a phone")
        page.goto(f"{_address(site, 'search')}?q=holdover")
        try:
            page.wait_for_selector("#search-results a[href*=SPECIFICATION]", timeout=10_000)
        except Error:
            found.append("search.html: a search from the disk does not find what is there")
        page.goto(_address(site, ONE_SHEET))
        sheets = len(re.findall(rb"/Type\s*/Page\b", page.pdf(prefer_css_page_size=True)))
        if sheets != 1:
            found.append(f"{ONE_SHEET}: prints on {sheets} sheets")
        window.close()
    found += [f"fetches {url}" for url in sorted(fetched) if urlsplit(url).scheme not in ("file", "data", "blob")]
    return found


def _address(site: Path, page: str) -> str:
    return f"{site.resolve().as_uri()}/{page}.html"


def _of(path: Path, page: Page, pages: dict[Path, Page]) -> Iterator[str]:
    if page.loads_style:
        yield ELSEWHERE
    for link in (*page.links, *page.loaded):
        parts = urlsplit(link)
        if parts.scheme or parts.netloc:
            if link in page.loaded and parts.scheme != "data":
                yield f"fetches {link}"
            continue
        target = path if not parts.path else (path.parent / unquote(parts.path)).resolve()
        if target.is_dir() or not target.exists():
            yield f"{link} leads nowhere"
        elif parts.fragment and target in pages and unquote(parts.fragment) not in pages[target].anchors:
            yield f"{link}: there is no such place"
