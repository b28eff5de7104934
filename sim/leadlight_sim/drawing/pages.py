"""Pages from templates: what all of them have in common."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined

from leadlight_sim.drawing.palette import TINTS
from leadlight_sim.telling import keep_units


@cache
def _environment() -> Environment:
    # Kept, for it keeps the templates that it has compiled.
    folder = files("leadlight_sim.drawing").joinpath("templates")
    return Environment(
        loader=FunctionLoader(lambda name: folder.joinpath(name).read_text("utf-8")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def rendered(template: str, **values: Any) -> str:
    """Return a page: a template of ``templates/`` by its file name, with values; they are never taken for markup."""
    return keep_units(_environment().get_template(template).render(tints=TINTS, **values))
