"""Prose stays readable: of each document's sentences no more are long than is stated here."""

from __future__ import annotations

import pytest
import words

MOST_LONG = {"notebooks/": 0.03}
"""The largest share of sentences over thirty words, by what a document's path begins with."""
MOST_LONG_ELSEWHERE = 0.02
ONE = 1
"""A short document may have one."""


@pytest.mark.slow
@pytest.mark.parametrize("name", words.documents())
def test_few_sentences_are_long(name: str) -> None:
    of = words.measured(words.sentences_of(name))
    most = next((share for start, share in MOST_LONG.items() if name.startswith(start)), MOST_LONG_ELSEWHERE)
    assert round(of.long_share * of.sentences) <= max(ONE, most * of.sentences), (
        f"{of.long_share:.1%} of {name} is long, {most:.0%} at most: `python tests/tools/words.py --long` lists them"
    )


def test_a_sentence_ends_where_a_reader_takes_it_to_end() -> None:
    text = 'It comes once, e.g. each second. `lead` sends it (see 5.2). Is it well? "Yes." It is.\n\n- one\n- two\n'
    assert list(words.sentences_of_markdown(text)) == [
        "It comes once, e.g. each second.",
        "`lead` sends it (see 5.2).",
        "Is it well?",
        '"Yes."',
        "It is.",
        "one",
        "two",
    ]


def test_code_headings_links_and_labels_are_no_prose() -> None:
    code = "```sh\nnot prose. Not this.\n```\n\n    nor this\n"
    text = f"# Heading\n\n{code}\nSeen [here](a/b.md).\n\n| label | two words |\n"
    assert list(words.sentences_of_markdown(text)) == ["Seen [here](a/b.md)."]
    assert words.measured(words.sentences_of_markdown(text)).mean == 2
