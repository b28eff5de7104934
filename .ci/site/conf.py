"""How Sphinx makes the site of the pages that `.ci/site/build.py` has laid out: `python .ci/site/build.py` runs it."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1] / "protocol" / "examples"))

from docutils import nodes  # noqa: E402
from docutils.utils.math import latex2mathml  # noqa: E402

from leadlight import __version__  # noqa: E402

project = "Leadlight"
author = "Leadlight maintainers"
copyright = author  # noqa: A001 - Sphinx's name for it
release = __version__
extensions = ["myst_nb", "sphinx.ext.autodoc"]

html_theme = "furo"
html_title = f"Leadlight {release}"
html_static_path = [str(HERE / "site.css")]
html_css_files = ["site.css"]
html_copy_source = False
html_show_sourcelink = False
html_show_sphinx = False

myst_heading_anchors = 4
myst_enable_extensions = ["dollarmath"]
# A browser draws formulas itself, given MathML: no script from elsewhere is needed.
html_math_renderer = "mathml"
# The lessons are carried out before, with QUICK, by build.py: what is on the page is what they printed.
nb_execution_mode = "off"
nb_merge_streams = True

autodoc_member_order = "bysource"
autodoc_typehints_format = "short"
autodoc_class_signature = "mixed"
autodoc_preserve_defaults = True
python_use_unqualified_type_names = True


def tidy(_app: Any, what: str, _name: str, _obj: object, _options: Any, lines: list[str]) -> None:
    """Take out what Python itself says of a tuple's fields and of names that have no words of their own."""
    if what == "attribute" and lines and lines[0].startswith("Alias for field number"):
        lines.clear()


def visit_formula(writer: Any, node: nodes.math | nodes.math_block) -> None:
    """Write a formula as MathML."""
    writer.body.append(latex2mathml.tex2mathml(node.astext(), as_block=isinstance(node, nodes.math_block)))
    raise nodes.SkipNode


def setup(app: Any) -> None:
    """Tell Sphinx of what is above."""
    app.connect("autodoc-process-docstring", tidy)
    app.add_html_math_renderer("mathml", (visit_formula, None), (visit_formula, None))
