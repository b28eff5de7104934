"""What long commands share: a bar while they work, and how wide a table is where nothing says so."""

from __future__ import annotations

import shlex
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final, TextIO

from leadlight_sim.telling.words import keep_units

# Imported where it is used: a list of commands must not wait for it.
if TYPE_CHECKING:
    from rich.progress import Progress

TABLE_WIDTH: Final = 100
"""In characters, where the terminal does not say: a file or a pipe."""


def as_typed(command: str) -> str:
    """Return a command that begins with `leadlight` as this shell takes it: by the program's path, if it has to be."""
    program = Path(sys.argv[0])
    if program.name != "leadlight" or not program.exists():
        return command
    found = shutil.which("leadlight")
    if found is not None and Path(found).samefile(program):
        return command
    return f"{shlex.quote(sys.argv[0])}{command.removeprefix('leadlight')}"


def wrapped(text: str, width: int = TABLE_WIDTH, indent: str = "", more: str = "") -> str:
    """Return a sentence in lines of at most ``width``, never broken between a number and its unit, with a line end.

    ``indent`` begins the first line; the others begin with ``more`` besides.
    """
    kept = textwrap.fill(keep_units(text), width, initial_indent=indent, subsequent_indent=indent + more)
    return kept.replace("\N{NO-BREAK SPACE}", " ") + "\n"


def bar_on(stream: TextIO) -> Progress:
    """Return a bar that says what is done, which share of it and how long the rest will take; gone when it ends."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    return Progress(*columns, console=Console(file=stream), transient=True)


@contextmanager
def progress(name: str, stream: TextIO, quiet: bool) -> Iterator[Callable[[float], None] | None]:
    """Give a function to call with the share done; nothing where nobody is looking."""
    if quiet or not stream.isatty():
        yield None
        return
    from rich.markup import escape

    with bar_on(stream) as bar:
        task = bar.add_task(f"{escape(name)}", total=1.0)
        yield lambda share: bar.update(task, completed=share)
