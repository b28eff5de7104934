"""What commands write for people and for programs, and the command they print that does the same again."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any


def add_output_options(parser: argparse.ArgumentParser, report: str = "write a page with drawings, as HTML") -> None:
    """Declare ``--report``, with its help, and ``--json``."""
    parser.add_argument("--report", type=Path, metavar="FILE", help=report)
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures")


def as_json(figures: Mapping[str, Any]) -> str:
    """Return figures as JSON, a line each for people."""
    return json.dumps(figures, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def write_json(figures: Mapping[str, Any], path: Path, command: str) -> None:
    """Write figures for ``--json``, with the command that makes them again. Raises ``FileError``."""
    # Here, for a list of commands must not wait for it.
    from leadlight.storage import write_file

    write_file(as_json({**figures, "reproduce": command}), path, "--json")


def given_words(arguments: argparse.Namespace, *names: str) -> list[str]:
    """Return those of some options that were given, as they are typed: ``--evenings 20``."""
    given = [(name, getattr(arguments, name)) for name in names]
    return [word for name, value in given if value is not None for word in (f"--{name}", str(value))]
