"""Tables on a terminal, or whole in a file or a pipe."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TextIO

from leadlight_sim.telling.terminal import TABLE_WIDTH

# Imported where it is used: a list of commands must not wait for it.
if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table


@dataclass(frozen=True, slots=True)
class Heading:
    """A column: its heading, in lines, and how it is set. Cells are broken into lines only where ``folds`` says so."""

    text: str
    is_number: bool = True
    folds: bool = False


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table: title, headings, rows, and what to make of it. The first column is text, the rest are numbers."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()


def console_of(stream: TextIO) -> Console:
    """Return what prints to a stream: as wide as its terminal, or ``TABLE_WIDTH`` where there is none."""
    from rich.console import Console

    return Console(file=stream, highlight=False, width=None if stream.isatty() else TABLE_WIDTH)


def print_table(
    console: Console,
    headings: Sequence[Heading],
    rows: Sequence[Sequence[str]],
    given_up_first: Sequence[str] = (),
    styles: Sequence[str] = (),
) -> None:
    """Print a table, of which nothing is cut: what is no terminal gets it as wide as it is.

    On a terminal that is too narrow the columns named in ``given_up_first`` are left out one after the other until the
    others fit, and a line says which. ``styles`` are those of the rows.
    """
    kept, gone = list(range(len(headings))), []
    for name in (*given_up_first, ""):
        table = _table(console, [headings[place] for place in kept], [[row[place] for place in kept] for row in rows],
                       styles)  # fmt: skip
        needed = console.measure(table, options=console.options.update(max_width=10_000)).minimum
        if needed <= console.width or not console.is_terminal or not name:
            break
        place = next(number for number in kept if headings[number].text.replace("\n", " ") == name)
        kept.remove(place)
        gone.append(name)
    width = console.width
    if not console.is_terminal:
        console.width = max(width, needed)
    console.print(table)
    console.width = width
    if gone:
        console.print(f"No room here for: {', '.join(gone)}.", style="dim", markup=False)


def print_sheet(console: Console, sheet: Sheet) -> None:
    """Print a table with its title above and its notes below; cells are broken into lines where there is no room."""
    from rich.text import Text

    console.print(Text(sheet.title, style="bold"))
    headings = [Heading(each, place > 0, folds=True) for place, each in enumerate(sheet.headings)]
    print_table(console, headings, sheet.rows)
    for note in sheet.notes:
        console.print(Text(note, style="dim"))


def _table(
    console: Console, headings: Sequence[Heading], rows: Sequence[Sequence[str]], styles: Sequence[str]
) -> Table:
    from rich import box
    from rich.cells import cell_len
    from rich.table import Table
    from rich.text import Text

    gap = 1 if console.width >= 90 or not console.is_terminal else 0
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, gap, 0, 0))
    for place, heading in enumerate(headings):
        lines = [line for text in (heading.text, *(row[place] for row in rows)) for line in text.split("\n")]
        table.add_column(
            Text(heading.text),
            justify="right" if heading.is_number else "left",
            no_wrap=not heading.folds,
            min_width=None if heading.folds else max(map(cell_len, lines)),
            overflow="fold" if heading.folds else "ellipsis",
        )
    for number, row in enumerate(rows):
        # As text: a piece may be called "[red]".
        table.add_row(*map(Text, row), style=styles[number] if styles else None)
    return table
