"""How Sphinx builds the documentation; `.docs/build` gathers the pages first."""

import re

import agreement

project = "agreement"
author = "The agreement developers"
version = release = agreement.__version__
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon", "sphinx.ext.mathjax"]
html_show_sphinx = False
html_theme = "furo"
html_title = "agreement"
myst_heading_anchors = 3
autodoc_typehints = "none"  # the docstrings say types with shape and unit
napoleon_google_docstring = False
napoleon_use_rtype = False
html_copy_source = False
html_show_sourcelink = False


def setup(app: object) -> None:
    """Take the numbers of sources as they are: each docstring counts its own."""
    app.connect("autodoc-process-docstring", _plain_numbers, priority=100)  # before napoleon


def _plain_numbers(*given: object) -> None:
    _, what, _, _, _, lines = given
    if what == "property":
        lines.insert(0, "")  # else what stands before a colon is taken for a type
    lines[:] = [re.sub(r"\[(\d+)\]_", r"[\1]", line) for line in lines]
