"""Builds the site: documents, guides, lessons that were run, commands, public names and examples, to read offline.

    python .ci/site/build.py OUT        into the folder OUT, which must not exist yet; needs `pip install -e '.[site]'`

Pages are laid out in a scratch folder as they lie in the repository, so that their links hold. Sphinx makes HTML of
them, and any warning fails. Then every link is followed, and nothing may be fetched from elsewhere. Where there is a
chromium, it searches the site from the disk and prints the sheet for show night.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from check import faults, faults_in_browser
from pages import write_pages

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
DOCUMENTS = ("*.md", "protocol/*.md", "protocol/guides/*.md", "sim/*.md", "notebooks/*.md")
BESIDE = ("LICENSE", ".ci/run", "sim/*.png", "protocol/examples/*", "notebooks/*.png")
"""What documents show or point to."""
LESSON_SECONDS = 60
MOST_SECONDS = 120
"""Processor time, which a machine of two idle cores need not spend so long on."""
QUICK = re.compile(r"^QUICK = False\b", re.MULTILINE)
IN_A_HURRY = """
> This page was made with `QUICK = True`. What it prints and draws is of fewer packets, or a shorter evening, than the
> text speaks of. Run the notebook for the whole.
"""


def lay_out(stage: Path) -> None:
    """Copy every document and what it shows into ``stage``, each where it lies in the repository."""
    for pattern in (*DOCUMENTS, *BESIDE):
        for path in sorted(ROOT.glob(pattern)):
            place = stage / path.relative_to(ROOT)
            place.parent.mkdir(parents=True, exist_ok=True)
            if path.suffix == ".md":
                # A diagram's source is readable, and drawing it would need a program from elsewhere.
                text = path.read_text(encoding="utf-8").replace("```mermaid", "```text")
                place.write_text(text, encoding="utf-8")
            elif path.is_file():
                shutil.copy(path, place)
    shutil.copy(HERE / "index.md", stage)


def run_lessons(stage: Path) -> None:
    """Carry out every lesson, quickly, in a kernel of its own; put it into ``stage`` with what it printed and drew."""
    lessons = sorted((ROOT / "notebooks").glob("*.ipynb"))
    (stage / "notebooks").mkdir(exist_ok=True)
    with ThreadPoolExecutor(2) as workers:
        list(workers.map(lambda lesson: _run(lesson, stage / "notebooks" / lesson.name), lessons))


def _run(lesson: Path, place: Path) -> None:
    import nbformat
    from nbclient import NotebookClient

    notebook: Any = nbformat.read(lesson, as_version=4)  # type: ignore[no-untyped-call]
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.source, changed = QUICK.subn("QUICK = True ", cell.source)
            if changed:
                notebook.cells[0].source += f"\n{IN_A_HURRY}"
    resources = {"metadata": {"path": str(place.parent)}}
    NotebookClient(notebook, timeout=LESSON_SECONDS, kernel_name="python3", resources=resources).execute()
    nbformat.write(notebook, place)  # type: ignore[no-untyped-call]


def build(out: Path) -> list[str]:
    """Build the site into ``out`` and return what is wrong with it."""
    from sphinx.cmd.build import build_main

    with tempfile.TemporaryDirectory() as folder:
        stage = Path(folder) / "pages"
        stage.mkdir()
        lay_out(stage)
        run_lessons(stage)
        write_pages(stage)
        words = ["-b", "html", "-q", "-W", "--keep-going", "-c", str(HERE), "-d", str(Path(folder) / "read")]
        if build_main([*words, str(stage), str(out)]) != 0:
            return ["Sphinx warned; see above"]
    browser = shutil.which("chromium")
    if browser is None:
        print("no chromium here: the search and the printed sheet were not looked at", file=sys.stderr)
    return [*faults(out), *(faults_in_browser(out, browser) if browser else [])]


def main() -> int:
    """Build, check, and say how it went."""
    parser = argparse.ArgumentParser(description="Build the site, to read offline.")
    parser.add_argument("out", metavar="OUT", type=Path, help="a folder that does not exist yet")
    arguments = parser.parse_args()
    if arguments.out.exists():
        parser.error(f"{arguments.out} exists already")
    begun = time.monotonic()
    found = build(arguments.out)
    pages = sum(1 for _ in arguments.out.rglob("*.html"))
    took, worked = time.monotonic() - begun, sum(os.times()[:4])
    if worked > MOST_SECONDS:
        found.append(f"it took {worked:.0f} s of processor time, {MOST_SECONDS} s at most")
    for fault in found:
        print(fault, file=sys.stderr)
    index = arguments.out / "index.html"
    print(f"{index}: {pages} pages in {took:.0f} s ({worked:.0f} s of processor time), {len(found)} faults")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
