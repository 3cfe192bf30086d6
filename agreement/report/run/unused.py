"""Optional parts of the libraries underneath that a process of ours never uses, yet would import."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

UNUSED: Final = (
    "ipywidgets",  # seaborn looks for it, and it brings IPython: a quarter of a second
    "rfc3987_syntax",  # jsonschema's check of web addresses: a grammar built in two seconds
)


def leave_out_unused() -> None:
    """
    Let the libraries find their optional parts missing; what is loaded already stays.

    Only for a process that this package started: in a user's own it would take something away.
    """
    for name in UNUSED:
        sys.modules.setdefault(name, None)  # type: ignore[arg-type] # None: "not to be found"


@contextmanager
def leaving_out(*names: str) -> Iterator[None]:
    """Let libraries that are loaded in the block find these missing, in such a process only."""
    ours = all(sys.modules.get(name, sys) is None for name in UNUSED)
    hidden = [name for name in names if ours and name not in sys.modules]
    sys.modules.update(dict.fromkeys(hidden))  # type: ignore[arg-type] # as above
    try:
        yield
    finally:
        for name in hidden:
            del sys.modules[name]
