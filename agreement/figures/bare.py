"""Matplotlib without the documentation that it composes while it loads: for a process of our own."""

from typing import Any

import matplotlib.artist


def write_no_documentation() -> None:
    """Let the kinds of artist that load from now on list no properties in their documentation."""
    artist: Any = matplotlib.artist
    artist.kwdoc = lambda _: ""
    artist.Artist._update_set_signature_and_docstring = classmethod(lambda _: None)
