"""What a node runs on: the machine, who stamps what it receives, and what wakes its player."""

from __future__ import annotations

from typing import Annotated, Any, Literal, TypeAlias, get_args

from pydantic import BeforeValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from leadlight_sim.scenario.parts import Part

Machine: TypeAlias = Literal["steady", "small-board", "busy", "loaded", "microcontroller"]
"""An idle computer; a small board; one that renders beside; one whose cores are all taken; one without a system."""
Stamps: TypeAlias = Literal["program", "kernel"]
Waking: TypeAlias = Literal["rounded-timer", "exact-timer", "spin"]


class Host(Part):
    """One node's machine. In a file its name will do, or a table.

    A player is woken by the loop's own timer, which goes by whole milliseconds, by the library's exact timer, or by
    that and a spin. ``wakes_late_us``: how late, as `leadlight check --waking` recorded it; otherwise as the machine's
    own recordings have it. A microcontroller has neither kernel nor loop, and stamps and wakes by an interrupt.
    """

    machine: Machine = "small-board"
    stamps: Stamps = "program"
    waking: Waking = "exact-timer"
    wakes_late_us: Annotated[tuple[float, float, float, float], Field(strict=False)] | None = Field(
        default=None, description="[p50, p95, p99, p99.9], four numbers from 0 to 1000000 in rising order"
    )

    @model_validator(mode="after")
    def _agrees(self) -> Host:
        late_us = self.wakes_late_us
        if late_us is not None and not 0 <= late_us[0] <= late_us[1] <= late_us[2] <= late_us[3] <= 1_000_000:
            raise PydanticCustomError("narrower", "wakes_late_us of four numbers from 0 to 1000000 in rising order")
        if self.machine == "microcontroller" and self.model_fields_set & {"stamps", "waking"}:
            raise PydanticCustomError("narrower", "a microcontroller without stamps and waking, which are its own")
        return self

    @property
    def label(self) -> str:
        """What delays of packets depend on, in a word."""
        return self.machine if self.stamps == "program" else f"{self.machine}, {self.stamps} stamps"


def _from_name(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    if value not in get_args(Machine):
        names = ", ".join(get_args(Machine))
        raise PydanticCustomError("narrower", f"one of {names}, or a table of machine, stamps, waking, wakes_late_us")
    return {"machine": value}


HostOf: TypeAlias = Annotated[Host, BeforeValidator(_from_name)]
"""A host by its machine's name, or in full."""
