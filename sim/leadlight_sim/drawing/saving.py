"""Charts written to files: PNG or SVG by the name's ending, and the same bytes each time."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leadlight.errors import ConfigurationError
from leadlight.storage import write_file

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def check_chart(option: str, path: Path | None) -> None:
    """Raise ``ConfigurationError`` for a name that no chart can have."""
    if path is not None and path.suffix.lower() not in (".png", ".svg"):
        raise ConfigurationError(option, str(path), "a name that ends in .png or .svg")


def save_chart(figure: Figure, option: str, path: Path) -> None:
    """Write a figure as PNG or SVG, by the path's ending. Raises ``FileError``."""
    import matplotlib

    # A fixed salt and no date: the same figures give the same bytes.
    metadata: dict[str, Any] = {"Date": None} if path.suffix.lower() == ".svg" else {"Software": None}
    drawn = BytesIO()
    with matplotlib.rc_context({"svg.hashsalt": "leadlight"}):
        figure.savefig(drawn, metadata=metadata, format=path.suffix.lower().removeprefix("."))
    write_file(drawn.getvalue(), path, option)
