"""Whether the modules that every packet passes run as sources or were compiled when this distribution was built."""

from __future__ import annotations

from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path
from typing import Final

_ONE_OF_THEM: Final = Path(__file__).parents[1] / "follower" / "follower"

IS_COMPILED: Final = any(_ONE_OF_THEM.with_name(f"follower{suffix}").is_file() for suffix in EXTENSION_SUFFIXES)
"""An extension module goes before the source beside it. Looked for and not imported: a list of commands asks too."""
