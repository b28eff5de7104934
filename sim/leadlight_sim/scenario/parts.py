"""What all parts of a scenario share: names, labels and ranges as people write them."""

from __future__ import annotations

from typing import Annotated, TypeAlias

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from leadlight.wire import NAME_MAXIMUM_BYTES


def _fits_a_tally(name: str) -> str:
    if len(name.encode()) > NAME_MAXIMUM_BYTES:
        raise ValueError
    return name


Name: TypeAlias = Annotated[
    str,
    AfterValidator(_fits_a_tally),
    Field(
        min_length=1,
        pattern=r"^[^\s\p{C}]([^\p{C}]*[^\s\p{C}])?$",
        description="printable text of 1 to 24 bytes in UTF-8, no space at either end",
    ),
]
ShowId: TypeAlias = Annotated[
    str,
    Field(
        max_length=64,
        pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$",
        description="small letters, digits and single hyphens, at most 64",
    ),
]
Label: TypeAlias = Annotated[
    str, Field(max_length=4000, pattern=r"^[^\p{Cc}]*$", description="one line of printable text")
]
Range: TypeAlias = Annotated[
    tuple[float, float],
    Field(strict=False, description="[lowest, highest], two numbers from -100 to 100 in rising order"),
]
STATIONS = "names of the leader, followers or standbys, none of them wired, each once"


class Part(BaseModel):
    """One table of a scenario."""

    # Strict: "5", true and 5.0 are not whole numbers. People write scenarios; a guess would hide a slip.
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)
