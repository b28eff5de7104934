"""In the place of the real one, for tests of lessons: a slider that is moved to both its ends at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any


class IntSlider:
    def __init__(self, *, value: Any, min: Any, max: Any, step: Any, description: str, continuous_update: bool) -> None:  # noqa: A002 - theirs
        assert min <= value <= max
        assert step > 0
        assert description
        assert not continuous_update
        self.ends = (min, max)


FloatSlider = IntSlider


def interact(draw: Callable[..., None], **sliders: IntSlider) -> None:
    ((name, slider),) = sliders.items()
    for end in slider.ends:
        draw(**{name: end})
    print(f"{name} was slid to both ends")
