"""Python's garbage collector while a run is under way."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

YOUNG_MAXIMUM: Final = 50_000
"""So many more objects than have gone may come before the collector looks for circles among them; usually 700."""


@contextmanager
def collecting_seldom() -> Iterator[None]:
    """Let the garbage collector look seldom while the block lasts.

    A run keeps a few objects of every packet for a while and makes next to no circles. To look at what is young every
    few packets takes a twelfth of its time where it is compiled, and finds nothing.
    """
    young, *others = gc.get_threshold()
    if young:
        gc.set_threshold(max(young, YOUNG_MAXIMUM), *others)
    try:
        yield
    finally:
        gc.set_threshold(young, *others)
