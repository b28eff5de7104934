"""The one thing to change in a lesson: kept to what the lesson takes, and moved by a slider where there is one."""

from __future__ import annotations

import importlib
import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

Number = TypeVar("Number", bound=float)
Result = TypeVar("Result")


def within(name: str, value: object, least: Number, most: Number) -> Number:
    """Return a number that a reader chose, or the nearest that the lesson takes, and print so if it is another one.

    Whole if ``least`` is. What is no number becomes ``least``.
    """
    taken = least
    if isinstance(value, int | float) and not math.isnan(value):
        nearest = min(max(value, least), most)
        kind = type(least)
        taken = kind(nearest if kind is float else round(nearest))
    if taken != value:
        print(f"{name} = {value!r}: this lesson takes {least:g} to {most:g}, and goes on with {taken:g}.")  # noqa: T201
    return taken


def one_of(name: str, value: object, allowed: Sequence[str]) -> str:
    """Return one of the words that a lesson takes, the first if the reader chose another one, and print so."""
    if isinstance(value, str) and value in allowed:
        return value
    print(f"{name} = {value!r}: this lesson takes {', '.join(allowed)}, and goes on with {allowed[0]}.")  # noqa: T201
    return allowed[0]


def slide(draw: Callable[[Any], None], name: str, at: Number, least: Number, most: Number, step: Number) -> None:
    """Let a slider call ``draw`` with a value from ``least`` to ``most``, at first with ``at``, a multiple of ``step``.

    Prints how to get one where there is none.
    """
    try:
        widgets = importlib.import_module("ipywidgets")
    except ImportError:
        print("For a slider here: pip install ipywidgets, and start the lesson again.")  # noqa: T201
        return
    make = widgets.IntSlider if issubclass(type(step), int) else widgets.FloatSlider
    slider = make(value=at, min=least, max=most, step=step, description=name, continuous_update=False)
    widgets.interact(draw, **{next(iter(draw.__code__.co_varnames)): slider})


def apart(call: Callable[..., Result], *arguments: Any, **named: Any) -> Result:
    """Call something in a thread of its own: a notebook's cells run inside a loop, where no virtual network may run."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(call, *arguments, **named).result()
