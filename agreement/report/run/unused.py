"""
What the libraries underneath would load or write, and a process of ours never uses.

Optional parts, parts that a library lists as its own and nobody here calls, and documentation that
scipy and matplotlib compose for each function while they load: a fifth of all loading.
"""

import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from types import ModuleType
from typing import Any, Final

UNUSED: Final = (
    "ipywidgets",  # seaborn looks for it, and it brings IPython: a quarter of a second
    "rfc3987_syntax",  # jsonschema's check of web addresses: a grammar built in two seconds
    "wcwidth",  # widths of letters in tables that pingouin would print
)
ASKED_FOR: Final = (  # what is imported from these is None: they are asked for by name
    "pandas_flavor.xarray",  # tables of many axes, which pingouin does not use
    "mpl_toolkits.mplot3d",  # no figure of ours has a third axis
)
_PARTS: Final = (  # the same of libraries that are loaded later
    "matplotlib.dviread",  # no figure has a formula set by TeX
    "scipy.stats._mgc",  # one test, which brings images of many axes
    "scipy.stats._new_distributions",  # a second form of four distributions
)
_LISTED: Final = ("f2py", "testing")  # of numpy; scipy copies its whole list of names


def leave_out_unused() -> None:
    """
    Let the libraries find their optional parts missing; what is loaded already stays.

    Only for a process that this package started: in a user's own it would take something away.
    """
    for name in UNUSED:
        sys.modules.setdefault(name, None)  # type: ignore[arg-type] # None: "not to be found"
    _stand_in_for(ASKED_FOR)


def _stand_in_for(names: Iterable[str]) -> None:
    """Let whatever is imported from modules that are not loaded be None."""
    for name in names:
        if name not in sys.modules:
            sys.modules[name] = ModuleType(name)
            sys.modules[name].__getattr__ = _nothing  # type: ignore[method-assign]


def _ours() -> bool:
    return all(sys.modules.get(name, sys) is None for name in UNUSED[:2])


def load_bare() -> None:
    """Load numpy, pandas and scipy's functions, and let scipy write no documentation, if it is ours."""
    import numpy as np

    if not _ours():
        return
    _stand_in_for(_PARTS)
    there = [name for name in _LISTED if name not in vars(np)]
    vars(np).update({name: ModuleType(name) for name in there})
    try:
        _write_no_documentation()
        import scipy.special  # noqa: F401
    finally:
        for name in there:
            delattr(np, name)


def _write_no_documentation() -> None:
    """Let scipy compose no documentation of what it loads from now on; other versions as they can."""
    with suppress(ImportError, AttributeError):
        from scipy._lib._docscrape import FunctionDoc, NumpyDocString

        FunctionDoc.__init__ = NumpyDocString.__init__ = _with_empty_sections
        FunctionDoc.__str__ = lambda _: "\n"
    with suppress(ImportError):
        from scipy._lib import doccer

        doccer.docformat = lambda text, *_: text
    with suppress(ImportError):
        from scipy._lib import _array_api

        _array_api._make_capabilities_note = _array_api._make_sphinx_capabilities = _nothing


def _with_empty_sections(text: Any, *_: object, **__: object) -> None:
    """Begin a text of documentation that holds nothing: its sections are filled while a module loads."""
    text._parsed_data = {
        name: one.copy() if hasattr(one, "copy") else one for name, one in text.sections.items()
    }


def load_bare_drawing() -> None:
    """Load what matplotlib draws with, and let it write no documentation, if the process is ours."""
    if _ours():
        from agreement.figures.bare import write_no_documentation

        write_no_documentation()


def _nothing(*_: object, **__: object) -> None:
    """Do nothing."""


@contextmanager
def leaving_out(*names: str) -> Iterator[None]:
    """Let libraries that are loaded in the block find these missing, in such a process only."""
    hidden = [name for name in names if _ours() and name not in sys.modules]
    sys.modules.update(dict.fromkeys(hidden))  # type: ignore[arg-type] # as above
    try:
        yield
    finally:
        for name in hidden:
            del sys.modules[name]
