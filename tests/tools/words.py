"""Measures how hard our prose is to read: `python tests/tools/words.py`, or with the root of another checkout after it.

Long sentences are what a reader in a second language stumbles on. So a sentence's words are counted, and the share of
sentences with more than thirty. Code, headings and tables of short cells are no prose and do not count.
"""

from __future__ import annotations

import ast
import json
import re
import sys
from collections.abc import Iterable, Iterator
from itertools import chain
from pathlib import Path
from typing import Final, NamedTuple

ROOT: Final = Path(__file__).parents[2]
LONG_WORDS: Final = 30
"""A sentence of more words is long."""
CELL_WORDS: Final = 8
"""A table's cell of fewer words is a label, not a sentence."""
DOCSTRING_WORDS: Final = 25
"""A docstring of fewer words is one sentence anyway."""
DOCUMENTS: Final = ("*.md", "protocol/*.md", "protocol/guides/*.md", "sim/*.md", "notebooks/*.md", "notebooks/*.ipynb")
SOURCES: Final = ("protocol/leadlight", "sim/leadlight_sim")

FENCE: Final = re.compile(r"^ *(?P<mark>```+|~~~+).*?^ *(?P=mark)[ \t]*$", re.MULTILINE | re.DOTALL)
INDENTED: Final = re.compile(r"(?:(?<=\n\n)|(?<=^))(?: {4}.*\n|\n(?= {4}))+", re.MULTILINE)
"""Code by its indentation: behind an empty line."""
FORMULA: Final = re.compile(r"^\$\$.*?^\$\$$|^\\\[.*?^\\\]$", re.MULTILINE | re.DOTALL)
ITEM: Final = re.compile(r"^\s*(?:[-*+]|\d+\.)\s+", re.MULTILINE)
END: Final = re.compile(r"(?<=[.!?])(?P<close>[\"')*_`]*)\s+(?=[\"'(*_\[]*(?:`+\S|[A-Z0-9µ]))")
CODE: Final = re.compile(r"`[^`]*`")
RULE: Final = re.compile(r"^\*\*R-[A-Z]+-\d+\*\* \([a-z0-9 ]+\) ")
"""The number of a rule and whom it binds, which stand before its first sentence."""
NO_END: Final = re.compile(r"\b(?:e\.g|i\.e|etc|vs|cf|No|Fig|Sec)\.$|(?<![\w-])[A-Z]\.$")


class Words(NamedTuple):
    """How many sentences a text has, their mean length in words, and the share of those that are long."""

    sentences: int
    mean: float
    long_share: float


def sentences_of_markdown(text: str) -> Iterator[str]:
    """Yield the sentences of a text in Markdown, each on one line."""
    text = re.sub(r"<!--.*?-->", "", text, flags=re.DOTALL)
    text = INDENTED.sub("\n", FORMULA.sub("", FENCE.sub("", text)))
    text = re.sub(r"!\[[^\]]*\]\([^)]*\)", "", text)
    for block in re.split(r"\n\s*\n", text):
        lines = [line for line in block.splitlines() if line.strip() and not line.startswith("#")]
        rows = [line for line in lines if line.lstrip().startswith("|")]
        for cell in (cell for row in rows for cell in row.strip().strip("|").split("|")):
            if len(_words(cell)) >= CELL_WORDS and re.search(r"[a-z]{2}", CODE.sub("", cell)):
                yield from _sentences(cell)
        prose = "\n".join(line for line in lines if line not in rows)
        for item in ITEM.split(prose):
            yield from _sentences(item)


def sentences_of_notebook(text: str) -> Iterator[str]:
    """Yield the sentences of a notebook's cells of prose."""
    for cell in json.loads(text)["cells"]:
        if cell["cell_type"] == "markdown":
            yield from sentences_of_markdown("".join(cell["source"]))


def sentences_of_source(text: str) -> Iterator[str]:
    """Yield the sentences of a module's long docstrings."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            docstring = ast.get_docstring(node)
            if docstring is not None and len(_words(docstring)) >= DOCSTRING_WORDS:
                yield from sentences_of_markdown(docstring)


def measured(sentences: Iterable[str]) -> Words:
    """Return what the sentences of a text come to."""
    lengths = [count for sentence in sentences if (count := len(_words(sentence))) > 0]
    if not lengths:
        return Words(0, 0.0, 0.0)
    return Words(len(lengths), sum(lengths) / len(lengths), sum(count > LONG_WORDS for count in lengths) / len(lengths))


def documents(root: Path = ROOT) -> list[str]:
    """Return the names of what is read: each document by its path, and each package for all of its long docstrings."""
    found = sorted(set(chain.from_iterable(root.glob(pattern) for pattern in DOCUMENTS)))
    return [path.relative_to(root).as_posix() for path in found] + [f"{folder}/**.py" for folder in SOURCES]


def sentences_of(name: str, root: Path = ROOT) -> list[str]:
    """Return the sentences of one document."""
    if name.endswith("**.py"):
        sources = sorted((root / name).parent.rglob("*.py"))
        return [sentence for path in sources for sentence in sentences_of_source(path.read_text(encoding="utf-8"))]
    read = sentences_of_notebook if name.endswith(".ipynb") else sentences_of_markdown
    return list(read((root / name).read_text(encoding="utf-8")))


def _sentences(text: str) -> Iterator[str]:
    text = " ".join(text.split())
    start = 0
    for match in END.finditer(text):
        if NO_END.search(text[start : match.start()]) is None:
            yield text[start : match.end("close")]
            start = match.end()
    if text[start:]:
        yield text[start:]


def _words(text: str) -> list[str]:
    """Return the words of a text: what is written in code marks or as a link counts as what is seen."""
    text = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", RULE.sub("", text))
    return [word for word in text.split() if re.search(r"\w", word)]


def main() -> None:
    """Print a row for each document, and with `--long` its long sentences too."""
    words = [word for word in sys.argv[1:] if word != "--long"]
    root = Path(words[0]) if words else ROOT
    print("| document | sentences | mean words | over 30 |\n|---|---|---|---|")
    for name in documents(root):
        sentences = sentences_of(name, root)
        found = measured(sentences)
        print(f"| {name} | {found.sentences} | {found.mean:.1f} | {found.long_share:.1%} |")
        if "--long" in sys.argv:
            for sentence in sentences:
                if len(_words(sentence)) > LONG_WORDS:
                    print(f"    {len(_words(sentence))}: {sentence}")


if __name__ == "__main__":
    main()
