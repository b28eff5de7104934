"""What may be wrong with a built site: links and anchors that lead nowhere, and anything fetched from elsewhere."""

from __future__ import annotations

import re
import subprocess
import tempfile
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
ONE_SHEET = "protocol/guides/show-night"
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
    """Return what is wrong once a browser has opened the site from the disk: the search, and what is to be printed."""
    found = []
    results = _browse(browser, "--virtual-time-budget=10000", "--dump-dom", f"{_address(site, 'search')}?q=holdover")
    if "SPECIFICATION.html" not in results.partition('id="search-results"')[2]:
        found.append("search.html: a search from the disk does not find what is there")
    with tempfile.TemporaryDirectory() as folder:
        sheet = Path(folder) / "sheet.pdf"
        _browse(browser, "--no-pdf-header-footer", f"--print-to-pdf={sheet}", _address(site, ONE_SHEET))
        pages = len(re.findall(rb"/Type\s*/Page\b", sheet.read_bytes()))
    if pages != 1:
        found.append(f"{ONE_SHEET}: prints on {pages} sheets")
    return found


def _browse(browser: str, *words: str) -> str:
    plain = ["--headless", "--no-sandbox", "--disable-gpu"]
    return subprocess.run([browser, *plain, *words], capture_output=True, text=True, check=True, timeout=60).stdout


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
